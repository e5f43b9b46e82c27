"""Checkpoints of the ledger: which there are, which left the machine, and what is not covered yet."""

from dataclasses import dataclass
from urllib.parse import urlsplit, urlunsplit

from django.conf import settings
from django.db.models import Exists, OuterRef, QuerySet

from registry.models import Checkpoint, CheckpointDeparture
from registry.queries.moments import Moment, head_index
from registry.rules.checkpoints import public_key_of, read_private_key
from registry.rules.errors import absent

TRIES_READ = 50  # the newest, among which is the last for each place
SENT_MAX = 1_000  # checkpoints brought to one place in one go


@dataclass(frozen=True, slots=True)
class Standing:
    """How the register stands with its checkpoints.

    `entries_since` counts what the newest checkpoint does not cover; `places` are the places outside to
    which they go, `left` the newest departure to any. `warning` says what to do, or is blank.
    """

    newest: Checkpoint | None
    entries_since: int
    places: list[str]
    left: CheckpointDeparture | None
    warning: str


def checkpoints_in(moment: Moment) -> "QuerySet[Checkpoint]":
    """Return the checkpoints of entries up to the moment's index, in no order."""
    return Checkpoint.objects.filter(size__lte=moment.index)


def newest_checkpoint() -> Checkpoint | None:
    """Return the checkpoint of the most entries."""
    return Checkpoint.objects.order_by("-size").first()


def checkpoint(size: int) -> Checkpoint:
    """Return the checkpoint of just so many entries; raises RuleBroken NOT_FOUND."""
    found = Checkpoint.objects.filter(size=size).first() if size <= head_index() else None
    if found is None:
        raise absent("checkpoint")
    return found


def not_yet_at(place: str) -> list[Checkpoint]:
    """Return the checkpoints that have not left for a place, the oldest first, at most SENT_MAX."""
    there = CheckpointDeparture.objects.filter(checkpoint=OuterRef("pk"), to=place, problem="")
    return list(Checkpoint.objects.filter(~Exists(there)).order_by("size")[:SENT_MAX])


def standing() -> Standing:
    """Return how the register stands with its checkpoints: four queries."""
    newest = newest_checkpoint()
    return Standing(
        newest=newest,
        entries_since=head_index() - (newest.size if newest else 0),
        places=_places(),
        left=_tries().filter(problem="").first(),
        warning=warning(),
    )


def warning() -> str:
    """Return what somebody should do so that checkpoints leave, blank where all is well: one query."""
    if not _places():
        return (
            "No checkpoint leaves this machine: no folder or address outside is named in the settings."
            " Who can write the database could rewrite its history and sign it again."
        )
    # Of each place the last try counts: one that fails is not made good by another that works.
    last = {departure.to: departure for departure in _tries()[:TRIES_READ][::-1]}
    for place in _places():
        if place not in last:
            return f"No checkpoint has left for {place} yet. Make one, and see that it arrives."
        if last[place].problem:
            return f"The last checkpoint did not leave for {place}. {last[place].problem}"
    return ""


def _places() -> list[str]:
    address = settings.CHECKPOINT_ADDRESS
    return [place for place in (settings.CHECKPOINT_FOLDER, shown_address(address)) if place]


def _tries() -> "QuerySet[CheckpointDeparture]":
    return CheckpointDeparture.objects.order_by("-tried_at", "-id").select_related("checkpoint")


def shown_address(address: str) -> str:
    """Return an address as it may be shown: without the name, password or token that it may hold."""
    parts = urlsplit(address)
    return urlunsplit((parts.scheme, parts.netloc.rpartition("@")[2], parts.path, "", ""))


def own_public_key() -> str:
    """Return the public half of the key that signs checkpoints now, in hexadecimal digits."""
    return public_key_of(read_private_key(settings.CHECKPOINT_KEY))


def known_public_keys() -> list[str]:
    """Return the public keys that are ours: the present one, then those that signed formerly."""
    return [own_public_key(), *settings.CHECKPOINT_FORMER_KEYS]
