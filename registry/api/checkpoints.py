"""Checkpoints and receipts: what proves the ledger to somebody who does not trust the register."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions._requests import Actor
from registry.actions.checkpoints import checkpoint_of, make_checkpoint
from registry.api._fields import MomentField
from registry.api._reading import INDEX_DIGITS_MAX
from registry.api._views import INDEX_HEADER, ListView, RegisterView, ThingView
from registry.models import Checkpoint
from registry.queries.assignments import device_at
from registry.queries.checkpoints import checkpoint, checkpoints_in, known_public_keys, standing
from registry.queries.entries import require_whole_ledger
from registry.queries.locations import location_at
from registry.queries.moments import Moment, present
from registry.queries.receipts import (
    Bundle,
    consistency_receipt,
    device_receipt,
    entry_receipt,
    file_name,
    location_receipt,
)
from registry.rules.errors import absent
from registry.rules.events import Face
from registry.rules.particulars import invalid
from registry.rules.roles import ALLOWED, Act

INDEX_MAX = 10**INDEX_DIGITS_MAX

# --- what is shown ---------------------------------------------------------------------------------


class SignedOut(serializers.Serializer):  # type: ignore[type-arg]
    """A checkpoint as it leaves the register: keep it elsewhere."""

    record = serializers.CharField(help_text="canonical JSON (RFC 8785): what is signed")
    signature = serializers.CharField(help_text="Ed25519 (RFC 8032) over the record, 128 hexadecimal digits")
    public_key = serializers.CharField(help_text="64 hexadecimal digits")


class CheckpointOut(SignedOut):
    """A checkpoint of the ledger."""

    size = serializers.IntegerField(help_text="it is of entries 1 to this one")
    root = serializers.SerializerMethodField(help_text="of the Merkle tree (RFC 9162), hexadecimal digits")
    at = MomentField()

    def get_root(self, row: Checkpoint) -> str:
        """The root in hexadecimal digits."""
        return bytes(row.root).hex()


class StandingOut(serializers.Serializer):  # type: ignore[type-arg]
    """How the register stands with its checkpoints, and the keys by which they are checked."""

    public_keys = serializers.ListField(
        child=serializers.CharField(), help_text="the key that signs now, then those that signed formerly"
    )
    newest_size = serializers.IntegerField(allow_null=True)
    entries_since = serializers.IntegerField(help_text="entries that no checkpoint covers yet")
    last_left_at = MomentField(allow_null=True, help_text="when a checkpoint last left this machine")
    warning = serializers.CharField(
        help_text="what somebody should do, told to those who read the ledger, or blank"
    )


class SubjectOfBundleOut(serializers.Serializer):  # type: ignore[type-arg]
    """The thing whose whole story a receipt is of."""

    kind = serializers.CharField()
    id = serializers.UUIDField()
    label = serializers.CharField()


class ProvedEntryOut(serializers.Serializer):  # type: ignore[type-arg]
    """An entry with the proof that the checkpoint of `size` holds it (RFC 9162, section 2.1.3)."""

    index = serializers.IntegerField()
    body = serializers.CharField()
    size = serializers.IntegerField()
    path = serializers.ListField(child=serializers.CharField())


class ConsistencyOut(serializers.Serializer):  # type: ignore[type-arg]
    """The proof that one checkpoint's entries are another's first (RFC 9162, section 2.1.4)."""

    path = serializers.ListField(child=serializers.CharField())

    def get_fields(self) -> dict[str, Any]:
        """Return the fields; `from` is a word of Python's."""
        return {"from": serializers.IntegerField(), "to": serializers.IntegerField(), **super().get_fields()}


class BundleOut(serializers.Serializer):  # type: ignore[type-arg]
    """A receipt: a file to keep, and to verify offline."""

    form = serializers.CharField()
    about = serializers.CharField(help_text="for people; proves nothing")
    subject = SubjectOfBundleOut(allow_null=True)
    checkpoints = SignedOut(many=True)
    entries = ProvedEntryOut(many=True)
    consistency = ConsistencyOut(many=True)


# --- checkpoints -----------------------------------------------------------------------------------


class CheckpointShown(RegisterView):
    """How one checkpoint is shown."""

    noun, place = "checkpoint", "checkpoints"
    out = CheckpointOut


class CheckpointsView(CheckpointShown, ListView):
    """Checkpoints, the newest first."""

    orderings = ("-size",)
    tie = "size"

    def rows(self, moment: Moment) -> "QuerySet[Checkpoint]":
        """Return all checkpoints."""
        return checkpoints_in(moment)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[Checkpoint]:
        """Return them as they are."""
        return rows

    def post(self, request: Request) -> Response:
        """Sign the ledger as it stands; where the newest checkpoint does so already, that one is answered.

        Needs no body and no key: a repeat finds what the first time made.
        """
        self.only()
        made = make_checkpoint(Actor(self.staff.pk, Face.API))
        return Response(self.out(made).data, headers={INDEX_HEADER: str(made.size)})


class CheckpointView(CheckpointShown, ThingView):
    """One checkpoint, by its size."""

    def shown(self, key: int, moment: Moment) -> Mapping[str, Any]:
        """Return a checkpoint; raises RuleBroken NOT_FOUND."""
        return self.out(checkpoint(key)).data


class StandingView(RegisterView):
    """How the register stands with its checkpoints."""

    out = StandingOut

    def get(self, request: Request) -> Response:
        """Say how the register stands with its checkpoints, and by which keys they are checked."""
        self.only()
        found = standing()
        shown = {
            "public_keys": known_public_keys(),
            "newest_size": found.newest.size if found.newest else None,
            "entries_since": found.entries_since,
            "last_left_at": found.left.tried_at if found.left else None,
            # Where checkpoints go is for those who can see to it that they do.
            "warning": found.warning if self._reads_ledger() else "",
        }
        return Response(self.out(shown).data)

    def _reads_ledger(self) -> bool:
        return self.scope.everywhere and Act.READ_LEDGER in ALLOWED[self.scope.role]


# --- receipts --------------------------------------------------------------------------------------


class ReceiptView(RegisterView):
    """A receipt, for who reads the whole ledger."""

    out = BundleOut
    reads = Act.READ_LEDGER
    refuses = (HTTPStatus.CONFLICT,)
    parameters: ClassVar[Mapping[str, str]] = {
        "kept": "the size of a checkpoint that you keep: the receipt then proves that it still holds"
    }

    def initial(self, request: Request, *args: Any, **keys: Any) -> None:
        """Sign in, and refuse who may not read the ledger or sees only some depots."""
        super().initial(request, *args, **keys)
        require_whole_ledger(self.scope)

    def bundle(self, key: Any, to: Checkpoint, kept: int | None) -> Bundle:
        """Return the receipt of the thing with this key up to a checkpoint; raises RuleBroken NOT_FOUND."""
        raise NotImplementedError

    def covered(self, key: Any) -> int | None:
        """Return the entry that the receipt's checkpoint has to cover; None for all there are."""
        return None

    def get(self, request: Request, key: Any) -> Response:
        """Give a receipt. Where no checkpoint covers what it is of, one is made."""
        self.only(*self.parameters)
        kept = self._kept()
        to = checkpoint_of(Actor(self.staff.pk, Face.API), self.covered(key))
        bundle = self.bundle(key, to, kept)
        subject = bundle["subject"]
        label = subject["label"] if isinstance(subject, dict) else key
        name = file_name(self.noun, str(label), to)
        return Response(
            bundle,
            headers={
                INDEX_HEADER: str(to.size),
                "Content-Disposition": f'attachment; filename="{name}"',
                "Cache-Control": "private, no-cache",
            },
        )

    def _kept(self) -> int | None:
        typed = self.request.query_params.get("kept")
        if typed is None:
            return None
        if not (typed.isascii() and typed.isdigit() and 0 < int(typed[:20]) < INDEX_MAX):
            raise invalid("kept", "The size of a checkpoint is a number of entries. Read it in its record.")
        return int(typed)


class EntryReceiptView(ReceiptView):
    """The receipt of one entry."""

    noun = "entry"

    def covered(self, key: int) -> int:
        """Return the entry itself; raises RuleBroken NOT_FOUND for what is greater than any."""
        if key > INDEX_MAX:
            raise absent("entry")
        return key

    def bundle(self, key: int, to: Checkpoint, kept: int | None) -> Bundle:
        """Return the receipt of an entry."""
        return entry_receipt(key, to, kept)


class LocationReceiptView(ReceiptView):
    """The receipt of a location's whole timeline."""

    noun = "location"

    def bundle(self, key: UUID, to: Checkpoint, kept: int | None) -> Bundle:
        """Return the receipt of a location; raises RuleBroken NOT_FOUND, TOO_MANY."""
        return location_receipt(location_at(key, present(), self.scope).location, to, kept)


class DeviceReceiptView(ReceiptView):
    """The receipt of a device's whole trace."""

    noun = "device"

    def bundle(self, key: UUID, to: Checkpoint, kept: int | None) -> Bundle:
        """Return the receipt of a device; raises RuleBroken NOT_FOUND, TOO_MANY."""
        return device_receipt(device_at(key, present(), self.scope).device, to, kept)


class ConsistencyView(ReceiptView):
    """The proof that an older checkpoint holds: no entry before it was changed, left out or put in."""

    noun = "checkpoint"
    parameters = {"to": "the size of the newer checkpoint; the newest one unless told"}

    def get(self, request: Request, key: int) -> Response:
        """Prove that a checkpoint's entries are the first of a newer one's."""
        self.only(*self.parameters)
        older, typed = checkpoint(key), request.query_params.get("to")
        if typed is not None and not (typed.isascii() and typed.isdigit() and len(typed) <= INDEX_DIGITS_MAX):
            raise invalid("to", "The size of a checkpoint is a number of entries. Read it in its record.")
        to = checkpoint_of(Actor(self.staff.pk, Face.API), key) if typed is None else checkpoint(int(typed))
        if to.size < older.size:
            raise invalid("to", f"The checkpoint of {to.size} entries is the older one. Swap the two.")
        return Response(consistency_receipt(older.size, to), headers={INDEX_HEADER: str(to.size)})
