"""A ledger of any length in seconds: what actions would write, by the journal's own pieces, but in bulk.

Devices are received, corrected over and over and handed from depot to depot, so that records are revised
and versions superseded; contacts are registered, corrected and erased. Rows and entries are stored with
the guards lifted, which are back at the end. The same count gives the same story.
"""

import secrets
from collections import defaultdict
from collections.abc import Mapping
from copy import copy
from datetime import timedelta
from typing import Any

from django.db import connection, connections, transaction
from django.db.models import AutoField, Model

from registry.ledger.images import Image, image_of, table_name
from registry.ledger.journal import About, Head, Story, Written, composed
from registry.models import Contact, ContactText, Device, DeviceWhereabouts, Entry, Staff
from registry.models.base import new_key
from registry.rules.commitments import SALT_LENGTH, commitment
from registry.rules.events import Kind, Verb
from tests.factories.world import World
from tests.ledger.tampering import unguarded

STORED_AT_ONCE = 2_000  # entries
CONTACT_EVERY = 50  # entries
TICK = timedelta(seconds=1)


def lengthen(world: World, count: int) -> None:
    """Append `count` entries to the ledger of a register, with the rows that they speak of."""
    story = _Story(world)
    with unguarded(), connection.constraint_checks_disabled():
        for number in range(count):
            story.go_on(number)
            if number % STORED_AT_ONCE == STORED_AT_ONCE - 1:
                story.store()
        story.end()
    connection.check_constraints()


class _Story:
    """What happened so far: the rows that are still to change, and those that are to be stored."""

    def __init__(self, world: World) -> None:
        self.world = world
        newest = Entry.objects.latest("index")
        self.head = Head(newest.index, newest.recorded_at + TICK, newest.simulated)
        self.name_commitment = Staff.objects.get(pk=world.office.staff_id).name_commitment
        self.devices: list[Device] = []
        self.places: list[DeviceWhereabouts] = []  # where each device is now
        self.contacts: list[Contact] = []
        self.texts: list[ContactText] = []
        self.images: dict[Any, Image] = {}  # of the rows that are still to change, by key
        self.pending: dict[type[Model], list[Model]] = defaultdict(list)

    def go_on(self, number: int) -> None:
        """Let one more thing happen."""
        if number % CONTACT_EVERY == CONTACT_EVERY - 1:
            self._keep_contacts(number // CONTACT_EVERY)
        elif number % 10 == 0 or not self.devices:
            self._receive()
        elif number % 10 < 6:
            self._correct(number)
        else:
            self._hand_over(number)

    @property
    def index(self) -> int:
        """The index of the entry to come."""
        return self.head.index + 1

    # --- what happens ---

    def _receive(self) -> None:
        serial = f"LONG{self.index:08d}"
        device = Device(
            model=self.world.plumb_3,
            serial=serial,
            serial_typed=serial,
            registered_id=self.index,
            revised_id=self.index,
        )
        place = self._in_depot(device)
        self.devices.append(device)
        self.places.append(place)
        depot = self.world.tarnmouth
        self._tell(Verb.DEVICES_RECEIVED, {"device": device, "depot": depot}, [device, place])

    def _in_depot(self, device: Device, depot: Any = None, **more: Any) -> DeviceWhereabouts:
        place = DeviceWhereabouts(
            device=device,
            place="depot",
            depot=depot or self.world.tarnmouth,
            valid_from=self.head.now,
            recorded_id=self.index,
        )
        for name, value in more.items():
            setattr(place, name, value)
        return place

    def _any(self, number: int) -> int:
        return number * 7_919 % len(self.devices)  # here and there, old ones and young ones

    def _correct(self, number: int) -> None:
        device = self.devices[self._any(number)]
        device.firmware, device.revised_id = f"{number}.0", self.index
        self._tell(Verb.DEVICE_CORRECTED, {"device": device}, [device])

    def _hand_over(self, number: int) -> None:
        position = self._any(number)
        device, old = self.devices[position], self.places[position]
        here, there = old.depot, self.world.fellgate
        if here.pk == there.pk:
            there = self.world.tarnmouth
        ended = copy(old)
        old.superseded_id = self.index
        ended.pk, ended.valid_to, ended.recorded_id = new_key(), self.head.now, self.index
        new = self.places[position] = self._in_depot(device, there)
        self.pending[DeviceWhereabouts] += [old, ended]
        about = {"device": device, "from": here, "to": there}
        self._tell(Verb.DEVICE_HANDED_OVER, about, [old, ended, new])
        for row in (old, ended):
            del self.images[row.pk]

    def _keep_contacts(self, number: int) -> None:
        verb = (Verb.CONTACT_REGISTERED, Verb.CONTACT_CORRECTED, Verb.CONTACT_ERASED)[number % 3]
        if verb is Verb.CONTACT_REGISTERED or not self.contacts:
            verb = Verb.CONTACT_REGISTERED
            self.contacts.append(Contact(location=self.world.location, registered_id=self.index))
        contact = self.contacts[-1]
        if verb is Verb.CONTACT_ERASED:
            contact.erased = True
            for text in self.texts[-2:]:
                text.salt = text.text = None
        else:
            salt, words = secrets.token_bytes(SALT_LENGTH), {"name": f"Nobody {number}"}
            contact.commitment = commitment(salt, words)
            self.texts.append(
                ContactText(contact=contact, commitment=contact.commitment, salt=salt, text=words)
            )
        contact.revised_id = self.index
        self._tell(verb, {"contact": contact, "location": self.world.location}, [contact])

    # --- how it is told and stored ---

    def _tell(self, verb: Verb, about: Mapping[str, Any], rows: list[Model]) -> None:
        written = []
        for row in rows:
            after = image_of(row)
            written.append(Written(table_name(type(row)), row.pk, self.images.get(row.pk), after))
            self.images[row.pk] = after
        story = Story(
            verb=verb,
            occurred_at=self.head.now,
            face=self.world.office.face,
            staff_id=self.world.office.staff_id,
            name_commitment=self.name_commitment,
            reason="",
            about=[About(part, _kind(thing), thing.pk, thing.label) for part, thing in about.items()],
        )
        entry, subjects = composed(self.head, story, written)
        self.pending[type(entry)].append(entry)
        for subject in subjects:
            self.pending[type(subject)].append(subject)
        self.head = Head(self.index, self.head.now + TICK, self.head.simulated)

    def end(self) -> None:
        """Store what was still to change."""
        self.pending[Device] += self.devices
        self.pending[DeviceWhereabouts] += self.places
        self.pending[Contact] += self.contacts
        self.pending[ContactText] += self.texts
        self.store()

    def store(self) -> None:
        """Store what will not change any more."""
        with transaction.atomic():
            for model, rows in self.pending.items():
                _insert(model, rows)
        self.pending.clear()


def _kind(thing: Any) -> Kind:
    return Kind(table_name(type(thing)))


def _insert(model: type[Model], rows: list[Model]) -> None:
    """Store rows of a table as they are, without what bulk_create asks of each."""
    fields = [field for field in model._meta.local_concrete_fields if not isinstance(field, AutoField)]
    columns = ", ".join(connection.ops.quote_name(str(field.column)) for field in fields)
    sql = f'INSERT INTO "{model._meta.db_table}" ({columns}) VALUES ({", ".join(["%s"] * len(fields))})'
    database = connections["default"]  # not through the proxy, which costs as much as a column
    values = [
        [field.get_db_prep_save(getattr(row, field.attname), database) for field in fields] for row in rows
    ]
    with database.cursor() as cursor:
        cursor.executemany(sql, values)
