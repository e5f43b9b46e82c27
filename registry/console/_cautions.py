"""What may hurt somebody who is sent to a freezer, in one line; an unknown attribute takes the stricter."""

from registry.models import CabinetModel
from registry.rules.cabinets import Refrigeration, Setting, Supply

LOCAL_CODES = "Local codes and the maker's instructions come first."
# Common practice, no source.
FOOD = "The ice is food: cover it before work, and count tools and screws in and out."
LADDER = "Set the ladder on a level, dry floor, never on the cabinet."


def caution_at(model: CabinetModel, setting: str) -> str:
    """Return the cautions for work at a cabinet: hanging up, swapping or taking out a device."""
    words = []
    if not model.refrigerant:
        words.append("Refrigerant not known: treat it as flammable, no drilling, no sparks.")
    else:
        words.append(f"Refrigerant {model.refrigerant}: no drilling near its tubes.")
    if model.refrigeration != Refrigeration.FAN_COIL:
        words.append("Tubes may lie in the walls: use adhesive, magnets or existing holes.")
    if model.supply != Supply.PLUG:
        words.append("Its mains belong to licensed people: isolate, lock, prove dead.")
    if setting != Setting.INDOOR:
        words.append("Outdoors: not in lightning or on ice.")
    return " ".join([*words, LADDER, FOOD, LOCAL_CODES])


def caution_moving(model: CabinetModel) -> str:
    """Return the cautions for moving a cabinet or carrying it away."""
    words = ["Unplug it, carry it upright by two or more, and let it stand before it runs again."]
    if model.supply != Supply.PLUG:
        words.append("Its mains belong to licensed people: isolate, lock, prove dead.")
    if not model.refrigerant:
        words.append("Refrigerant not known: treat it as flammable.")
    return " ".join([*words, LOCAL_CODES])


def caution_scrapping(model: CabinetModel) -> str:
    """Return the cautions for a cabinet that is scrapped."""
    called = model.refrigerant or "not known, so treat it as flammable"
    return (
        f"Refrigerant {called}: it is drawn off by licensed people before the cabinet is cut open."
        f" Take off the doors or the lock, so that no child is shut in. {LOCAL_CODES}"
    )
