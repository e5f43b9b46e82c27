"""What may hurt somebody who is sent to a freezer, in one line; an unknown attribute takes the stricter.

Common practice, no source, where nothing else is said; the README tells the cautions at length.
"""

from registry.models import CabinetModel
from registry.rules.cabinets import Refrigeration, Setting, Supply

LOCAL_CODES = "Local codes and the maker's instructions come first."


def caution_at(model: CabinetModel, setting: str) -> str:
    """Return the cautions for work at a cabinet: hanging up, swapping or taking out a device."""
    known = f"Refrigerant {model.refrigerant}" if model.refrigerant else "Refrigerant not known, so flammable"
    walls = "" if model.refrigeration == Refrigeration.FAN_COIL else ", tubes perhaps in the walls"
    words = [f"{known}{walls}: no drilling, no sparks."]
    if model.supply != Supply.PLUG:
        words.append("Mains: licensed people only.")
    ladder = "Ladder on level, dry floor" + ("" if setting == Setting.INDOOR else ", none in lightning")
    return " ".join([*words, f"{ladder}. Cover the ice: it is food.", LOCAL_CODES])


def caution_moving(model: CabinetModel) -> str:
    """Return the cautions for moving a cabinet."""
    mains = "Unplug it" if model.supply == Supply.PLUG else "Mains: licensed people only"
    known = "" if model.refrigerant else " Refrigerant not known: treat it as flammable."
    return f"{mains}. Carry it upright, by two or more, and let it stand before it runs.{known} {LOCAL_CODES}"


def caution_scrapping(model: CabinetModel) -> str:
    """Return the cautions for a cabinet that is scrapped."""
    called = model.refrigerant or "not known, so flammable"
    return (
        f"Refrigerant {called}: licensed people draw it off before anything is cut. Take off the doors or"
        f" the lock, so that no child is shut in. {LOCAL_CODES}"
    )
