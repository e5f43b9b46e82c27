"""Every change of mountings, of the practice and of photos: one request of each, accepted."""

from collections.abc import Callable

from tests.api.operations import Operation, when
from tests.factories.evidence import mounted, photographed, sent_photo
from tests.factories.world import DAY, World


def _record(world: World) -> Operation:
    hung = world.assigned(world.device(), world.cabinet())
    body = {"assignment": str(hung.period), "note": "by hand"}
    return Operation("POST", "mountings/", body, "mounting.recorded")


def _correct(world: World) -> Operation:
    hung = world.assigned(world.device(), world.cabinet())
    thing = f"mountings/{mounted(world, hung.period).pk}/"
    return Operation("PATCH", thing, {"note": "by hand"}, "mounting.corrected", thing=thing)


def _practice(world: World) -> Operation:
    thing = "mounting-practice/hole/"
    body = {"least_mm": 20, "most_mm": None}
    return Operation("PATCH", thing, body, "mounting_practice.set", thing=thing)


def _photo(world: World) -> Operation:
    body = {
        "kind": "label",
        "cabinet": str(world.cabinet().pk),
        "taken_at": when(world.start + 3 * DAY),
        "content": sent_photo(),
    }
    return Operation("POST", "photos/", body, "photo.added")


def _erase(world: World) -> Operation:
    thing = f"photos/{photographed(world, cabinet_id=world.cabinet().pk).pk}/"
    return Operation("POST", f"{thing}erase/", {"reason": "a face"}, "photo.erased", thing=thing)


OPERATIONS: dict[str, Callable[[World], Operation]] = {
    "record-mounting": _record,
    "correct-mounting": _correct,
    "set-practice": _practice,
    "add-photo": _photo,
    "erase-photo": _erase,
}
