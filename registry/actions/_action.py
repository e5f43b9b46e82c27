"""What every action is: one transaction under the ledger lock, with exactly one entry."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import wraps
from typing import Any, Concatenate, Final, ParamSpec, TypeVar
from uuid import UUID

from django.db import transaction

from registry.actions import _requests
from registry.actions._checkpoints import busy_refused, checkpoint_when_due
from registry.actions._open import is_open as is_open
from registry.actions._open import opened
from registry.actions._requests import Actor as Actor
from registry.actions._requests import Rehearsal, Request, Told
from registry.ledger import journal
from registry.ledger.images import Image, image_of, normalise, table_name
from registry.ledger.journal import About, Story, Written
from registry.models import (
    AcceptanceCheck,
    Account,
    ApiToken,
    Cabinet,
    CabinetModel,
    CabinetSurvey,
    Contact,
    ContactText,
    Count,
    Depot,
    Device,
    DeviceModel,
    DeviceToken,
    KitPart,
    KitRule,
    Location,
    Mounting,
    MountingPractice,
    Photo,
    PhotoFile,
    Product,
    ReadingSeal,
    Split,
    SplitShare,
    Staff,
    Visit,
)
from registry.models.base import Keyed, Record, Version, new_key
from registry.queries.staff import scope_of
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Face, Kind, Verb
from registry.rules.periods import require_offset, require_past
from registry.rules.roles import Act, Scope, require_act, require_depot
from registry.rules.texts import clean_note

P = ParamSpec("P")
R = TypeVar("R")
V = TypeVar("V", bound=Version)
Row = TypeVar("Row", bound=Keyed)
Thing = TypeVar("Thing", bound=Record)

KINDS: dict[type[Record], Kind] = {
    Account: Kind.ACCOUNT,
    Location: Kind.LOCATION,
    Contact: Kind.CONTACT,
    Depot: Kind.DEPOT,
    CabinetModel: Kind.CABINET_MODEL,
    Cabinet: Kind.CABINET,
    Product: Kind.PRODUCT,
    DeviceModel: Kind.DEVICE_MODEL,
    Device: Kind.DEVICE,
    Staff: Kind.STAFF,
    ApiToken: Kind.TOKEN,
    DeviceToken: Kind.DEVICE_TOKEN,
    ReadingSeal: Kind.READING_SEAL,
    Count: Kind.COUNT,
    Mounting: Kind.MOUNTING,
    MountingPractice: Kind.MOUNTING_PRACTICE,
    Photo: Kind.PHOTO,
    AcceptanceCheck: Kind.ACCEPTANCE,
    Visit: Kind.VISIT,
    CabinetSurvey: Kind.SURVEY,
    KitPart: Kind.KIT_PART,
    KitRule: Kind.KIT_RULE,
}


SYSTEM: Final = Actor(None, Face.COMMAND)

# Every action by its name, with the act for which a role must be allowed; None: the system's own.
ACTIONS: dict[str, Act | None] = {}


def action(
    act: Act | None,
) -> Callable[[Callable[Concatenate["Writing", P], R]], Callable[Concatenate[Actor, P], R]]:
    """Make a function an action: called with an Actor first, it gets a Writing in its place.

    The call is one durable transaction. It takes the ledger lock, reads the head and the clock, and asks
    whether the actor's role allows `act`. Where the actor is a Request, its conditions are asked and its
    answer is made and kept within the same transaction; a Rehearsal is taken back at the end. Raises
    RuleBroken as the function does, TIME_INVALID for a time without its offset, REGISTER_BUSY where the
    lock was not to be had, and RuntimeError if the function did not append exactly one entry; in every
    case nothing is written.
    """

    def decorate(function: Callable[Concatenate["Writing", P], R]) -> Callable[Concatenate[Actor, P], R]:
        ACTIONS[function.__name__] = act

        @wraps(function)
        def run(actor: Actor, /, *args: P.args, **kwargs: P.kwargs) -> R:
            with busy_refused(), opened(), transaction.atomic(durable=True):
                journal.lock()
                writing = Writing(actor, journal.read_head())
                if act is not None:
                    require_act(writing.scope.role, act)
                for name, value in kwargs.items():
                    if isinstance(value, datetime):
                        require_offset(value, name)
                if isinstance(actor, Request):
                    _requests.begin(actor, writing.now)
                result = function(writing, *args, **kwargs)
                if writing.story is None:
                    raise RuntimeError(f"{function.__name__} appended no entry")
                if isinstance(actor, Request):
                    _requests.finish(actor, result, writing.now)
                if isinstance(actor, Rehearsal):
                    actor.told.append(Told(writing.story, writing.written))
                    transaction.set_rollback(True)
            if not isinstance(actor, Rehearsal):
                checkpoint_when_due(writing.index)
            return result

        return run

    return decorate


class Writing:
    """One action under way: who acts, at which index, and what has been written so far."""

    def __init__(self, actor: Actor, head: journal.Head) -> None:
        self.actor = actor
        self.head = head
        self.index = head.index + 1
        self.now = head.now
        self.story: Story | None = None
        self.written: list[Written] = []
        self.staff = self._active_staff()
        self._scope: Scope | None = None

    def _active_staff(self) -> Staff | None:
        if self.actor.staff_id is None:
            return None
        staff = Staff.objects.filter(pk=self.actor.staff_id).first()
        if staff is None or not staff.is_active:
            raise RuleBroken(Code.NOT_ACTIVE, "This person is not active. Sign in as somebody who is.")
        return staff

    @property
    def scope(self) -> Scope:
        """The actor's role and depots as they are under the lock; raises RuleBroken NOT_ACTIVE for none."""
        if self._scope is None:
            if self.staff is None:
                raise RuleBroken(Code.NOT_ACTIVE, "The system does not do this. Sign in and try again.")
            self._scope = scope_of(self.staff)
        return self._scope

    def require_depot(self, depot_id: UUID, field: str | None = None) -> None:
        """Raise RuleBroken NOT_FOUND for a depot that is not the actor's."""
        require_depot(self.scope, depot_id, field)

    def insert(self, row: Row) -> Row:
        """Write a new row, stamped with the entry to come."""
        if isinstance(row, Record):
            row.registered_id = row.revised_id = self.index
        elif isinstance(row, Version):
            row.recorded_id = self.index
        normalise(row)
        row.save(force_insert=True)
        if not isinstance(row, ContactText | PhotoFile):
            self.written.append(Written(table_name(type(row)), row.pk, None, image_of(row)))
        return row

    def revise(self, record: Thing, **changes: Any) -> Thing:
        """Change a record in place and return it.

        Raises RuleBroken NOTHING_CHANGES where every value is what it was.
        """
        before = image_of(record)
        for name, value in changes.items():
            setattr(record, name, value)
        normalise(record)
        if image_of(record) == before:
            raise RuleBroken(Code.NOTHING_CHANGES, "The register already says so.")
        record.revised_id = self.index
        record.save(force_update=True, update_fields=[*changes, "revised"])
        self._wrote(record, before)
        return record

    def supersede(self, version: Version) -> None:
        """Stop believing a version from the entry to come on."""
        before = image_of(version)
        version.superseded_id = self.index
        version.save(force_update=True, update_fields=["superseded"])
        self._wrote(version, before)

    def replace(self, version: V, **changes: Any) -> V:
        """Supersede a version and insert it again, changed, under the same identity."""
        self.supersede(version)
        return self.insert_again(version, **changes)

    def insert_again(self, version: V, **changes: Any) -> V:
        """Insert what takes the place of a superseded version: the same but for the changes."""
        values = {field.attname: getattr(version, field.attname) for field in version._meta.concrete_fields}
        fresh = type(version)(**{**values, "id": new_key(), "superseded_id": None, **changes})
        if isinstance(version, Split):
            self._copy_shares(version, fresh)
        return self.insert(fresh)

    def _copy_shares(self, old: Version, fresh: Version) -> None:
        for share in SplitShare.objects.filter(split_id=old.pk).order_by("position"):
            self.insert(
                SplitShare(
                    split_id=fresh.pk,
                    position=share.position,
                    product_id=share.product_id,
                    hundredths=share.hundredths,
                )
            )

    def _wrote(self, row: Keyed, before: Image) -> None:
        self.written.append(Written(table_name(type(row)), row.pk, before, image_of(row)))

    def tell(
        self,
        verb: Verb,
        occurred_at: datetime,
        about: Mapping[str, Record | Sequence[Record] | None],
        *,
        reason: str = "",
    ) -> None:
        """Append the action's one entry: what was done, when it happened, about what, and why.

        `about` names the part that each thing plays; no thing or None is left out. Raises RuleBroken
        TIME_IN_FUTURE, TEXT_INVALID; RuntimeError when called twice.
        """
        if self.story is not None:
            raise RuntimeError("an action appends exactly one entry")
        require_past(occurred_at, self.now, "occurred_at")
        subjects = []
        for part, things in about.items():
            for thing in [things] if isinstance(things, Record) else things or ():
                subjects.append(About(part, KINDS[type(thing)], thing.pk, thing.label))
        self.story = Story(
            verb=verb,
            occurred_at=occurred_at,
            face=self.actor.face,
            staff_id=self.actor.staff_id,
            name_commitment=self.staff.name_commitment if self.staff else None,
            reason=clean_note(reason, "reason"),
            about=subjects,
            clock_offset_s=self.actor.clock_offset_s if isinstance(self.actor, Request) else 0,
        )
        journal.append(self.head, self.story, self.written)
