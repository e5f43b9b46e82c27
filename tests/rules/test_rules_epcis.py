"""EPCIS: names and local times of things, what happened by what was believed, and the documents of it.

Equivalences of URN and Digital Link: examples of the public repository gs1/EPCIS, as of May 2023.
"""

import json
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from biip.gs1_digital_link_uris import GS1DigitalLinkURI
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.rules.epcis import (
    NAMESPACE,
    Asked,
    Belief,
    Called,
    Names,
    Statement,
    Step,
    Thing,
    Unit,
    cabinet_uri,
    chosen,
    document,
    location_uri,
    record_uri,
    state,
)
from registry.rules.epcis.documents import ACTIONS
from registry.rules.epcis.links import local_offset, local_text, offset_text
from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers.gs1 import CHARACTER_SET_82
from registry.rules.whereabouts import CabinetPlace, DevicePlace
from tests.epcis_checks import (
    SCHEMA,
    VALIDATOR,
    check,
    events_of,
    schema_errors,
    standard_errors,
)

KEY = UUID("01a21c31-5bd0-71cd-a942-503079a9adfc")
START = datetime(2026, 3, 2, 13, 0, tzinfo=UTC)
DAY = timedelta(days=1)

# --- names -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("uri", "link"),
    [
        # urn:epc:id:sgln:4012345.00002.0
        (location_uri(KEY, "4012345000023"), "https://id.gs1.org/414/4012345000023"),
        # urn:epc:id:giai:4000001.111
        (cabinet_uri(KEY, "(8004)4000001111"), "https://id.gs1.org/8004/4000001111"),
        # urn:epc:id:grai:4012345.55555.987, with the leading 0 that AI 8003 has and a public README forgot
        (cabinet_uri(KEY, "(8003)04012345555554987"), "https://id.gs1.org/8003/04012345555554987"),
        # GS1 Digital Link "URI Syntax" percent-encodes: its example 254/32a%2Fb, here in a GIAI
        (cabinet_uri(KEY, "(8004)952032a/b"), "https://id.gs1.org/8004/952032a%2Fb"),
    ],
)
def test_a_gs1_key_is_told_as_its_digital_link(uri: str, link: str) -> None:
    assert uri == link


def test_what_has_no_gs1_key_goes_by_the_key_of_the_register() -> None:
    assert location_uri(KEY, None) == location_uri(KEY, "") == f"urn:uuid:{KEY}"
    assert cabinet_uri(KEY, "SK-7001") == record_uri(KEY) == f"urn:uuid:{KEY}"


@given(st.text(alphabet=CHARACTER_SET_82, min_size=1, max_size=26))
def test_a_link_gives_back_the_key_whatever_characters_it_holds(reference: str) -> None:
    # biip 5.2 reads GS1 Digital Link URIs by the same standard, independently of us.
    uri = cabinet_uri(KEY, f"(8004)9520{reference}")

    [element] = GS1DigitalLinkURI.parse(uri).element_strings

    assert (element.ai.ai, element.value) == ("8004", f"9520{reference}")
    assert VALIDATOR.evolve(schema=SCHEMA["definitions"]["uri"]).is_valid(uri)


# --- local times -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("moment", "zone", "offset", "text"),
    [
        # IANA time zone database: clocks of New York went forward on 2026-03-08 at 07:00 UTC.
        ("2026-03-08T06:59:00Z", "America/New_York", "-05:00", "2026-03-08T01:59:00-05:00"),
        ("2026-03-08T07:00:00Z", "America/New_York", "-04:00", "2026-03-08T03:00:00-04:00"),
        ("2026-03-02T08:00:00Z", "Asia/Kathmandu", "+05:45", "2026-03-02T13:45:00+05:45"),
        ("2026-03-02T08:00:00Z", "America/St_Johns", "-03:30", "2026-03-02T04:30:00-03:30"),
        ("2026-03-02T08:00:00Z", "Pacific/Kiritimati", "+14:00", "2026-03-02T22:00:00+14:00"),
        ("2026-03-02T08:00:00Z", "Europe/London", "+00:00", "2026-03-02T08:00:00+00:00"),
        ("2026-03-02T08:00:00.25Z", None, "+00:00", "2026-03-02T08:00:00.250000+00:00"),
        # local mean time: -4:56:02 in New York, -15:56 in Manila, which is more than EPCIS can say
        ("1870-03-02T08:00:00Z", "America/New_York", "-04:56", "1870-03-02T03:04:00-04:56"),
        ("1840-03-02T08:00:00Z", "Asia/Manila", "+00:00", "1840-03-02T08:00:00+00:00"),
    ],
)
def test_times_are_told_with_the_local_offset(moment: str, zone: str | None, offset: str, text: str) -> None:
    instant = datetime.fromisoformat(moment)
    ahead = local_offset(instant, zone)

    assert (offset_text(ahead), local_text(instant, ahead)) == (offset, text)
    assert datetime.fromisoformat(text) == instant


# --- a ledger in small -----------------------------------------------------------------------------


@dataclass
class Ledger:
    """Histories as a register would keep them: entry by entry, each change superseding a version."""

    index: int = 0
    versions: dict[UUID, list[Belief]] = field(default_factory=dict)
    called: dict[UUID, list[Called]] = field(default_factory=dict)

    def thing(self, *names: str, zone: str | None = None) -> UUID:
        """Return a new thing, called by these URIs, if any, one an entry from the first on."""
        key = uuid.uuid4()
        if names:
            self.called[key] = [Called(number, name, zone) for number, name in enumerate(names)]
        return key

    def entry(self) -> int:
        """Begin the next entry."""
        self.index += 1
        return self.index

    def now(self, thing: UUID) -> list[Belief]:
        """Return what is believed of a thing now, earliest first."""
        current = [belief for belief in self.versions.get(thing, ()) if belief.superseded is None]
        return sorted(current, key=lambda belief: belief.valid_from)

    def goes(self, thing: UUID, place: Any, at: UUID | None, day: float, *, known_by: bool = False) -> UUID:
        """Let a thing go to a place from a day on, within the present entry; return the period."""
        when = START + day * DAY
        history = self.now(thing)
        if history:
            self.replace(history[-1], valid_to=when)
        fresh = Belief(uuid.uuid4(), thing, place, at, when, None, known_by, self.index, None)
        self.versions.setdefault(thing, []).append(fresh)
        return fresh.identity

    def replace(self, belief: Belief, **changes: Any) -> None:
        """Supersede a version by one that says otherwise."""
        self.withdraw(belief)
        self.versions[belief.subject].append(replace(belief, recorded=self.index, superseded=None, **changes))

    def withdraw(self, belief: Belief) -> None:
        """Supersede a version by nothing; one that this entry made was never there."""
        kept = self.versions[belief.subject]
        kept.remove(belief)
        if belief.recorded != self.index:
            kept.append(replace(belief, superseded=self.index))

    def units(self) -> list[Unit]:
        """Return every device and cabinet with all of its versions."""
        cabinets = {key: own for key, own in self.versions.items() if isinstance(own[0].place, CabinetPlace)}
        devices = self.versions.keys() - cabinets.keys()
        return [
            *(Unit(key, own) for key, own in cabinets.items()),
            *(Unit(key, self.versions[key], cabinets) for key in devices),
        ]

    def told(self, until: int | None = None) -> list[Statement]:
        """Return all statements up to an entry."""
        entries = {number: UUID(int=number) for number in range(1, self.index + 1)}
        return state(self.units(), Names(self.called), entries, self.index if until is None else until)

    def document(self, until: int | None = None) -> dict[str, Any]:
        """Return the document of everything that was told up to an entry."""
        index = self.index if until is None else until
        recorded = {number: START + 100 * DAY + number * DAY for number in range(self.index + 1)}
        statements = self.told(index)
        keys = {key for statement in statements for key in statement.happening.things}
        things = [Thing(key, "Thing", {"name": "Harbour Road", "assetTag": "SK-1"}) for key in keys]
        found: dict[str, Any] = document(Asked("everything", index), statements, recorded, things)
        return found


@dataclass
class Fleet:
    """A depot, two stores with a cabinet each, and two devices of the depot, each made by an entry."""

    ledger: Ledger
    depot: UUID
    store: UUID
    other: UUID
    cabinet: UUID
    spare: UUID
    device: UUID
    second: UUID


def founded() -> Fleet:
    ledger = Ledger()
    depot = ledger.thing()
    store = ledger.thing("https://id.gs1.org/414/4012345000023", zone="America/New_York")
    other = ledger.thing("https://id.gs1.org/414/4012345000016", zone="Asia/Kathmandu")
    cabinet, spare, device, second = (uuid.uuid4() for _ in range(4))
    for thing, place, at in (
        (cabinet, CabinetPlace.LOCATION, store),
        (spare, CabinetPlace.LOCATION, other),
        (device, DevicePlace.DEPOT, depot),
        (second, DevicePlace.DEPOT, depot),
    ):
        ledger.entry()
        ledger.goes(thing, place, at, 0)
    return Fleet(ledger, depot, store, other, cabinet, spare, device, second)


@pytest.fixture
def fleet() -> Fleet:
    return founded()


def steps(statements: Iterable[Statement], thing: UUID) -> list[str]:
    """Return what was stated of a thing and still counts."""
    return [
        statement.happening.step
        for statement in statements
        if statement.happening.subject == thing and statement.declared is None
    ]


def of(statements: Iterable[Statement], step: Step, thing: UUID) -> list[Statement]:
    return [one for one in statements if one.happening.step is step and one.happening.subject == thing]


# --- what happened ---------------------------------------------------------------------------------


def test_a_device_is_commissioned_installed_removed_and_received(fleet: Fleet) -> None:
    ledger = fleet.ledger
    for day, place, at in ((2, DevicePlace.CABINET, fleet.cabinet), (5, DevicePlace.DEPOT, fleet.depot)):
        ledger.entry()
        ledger.goes(fleet.device, place, at, day)

    told = ledger.told()

    assert steps(told, fleet.device) == ["commissioning", "installing", "removing", "receiving"]
    [installed] = of(told, Step.INSTALLING, fleet.device)
    assert installed.happening.parent == fleet.cabinet
    assert installed.happening.read_at == installed.happening.stays_at == fleet.store
    assert installed.uris[fleet.store] == "https://id.gs1.org/414/4012345000023"
    assert installed.offset == timedelta(hours=-5)
    [removed] = of(told, Step.REMOVING, fleet.device)
    assert (removed.happening.occurred_at, removed.happening.read_at) == (START + 5 * DAY, fleet.store)


@pytest.mark.parametrize(
    ("place", "at", "step", "reads_store"),
    [
        (DevicePlace.VAN, "a person", Step.TRANSPORTING, True),
        (DevicePlace.MAKER, "depot", Step.SHIPPING, True),
        (DevicePlace.RETIRED, "depot", Step.DECOMMISSIONING, True),
        (DevicePlace.LOST, "depot", Step.LOSING, False),
    ],
)
def test_a_device_that_leaves_a_store_was_last_read_there_unless_it_is_lost(
    fleet: Fleet, place: DevicePlace, at: str, step: Step, reads_store: bool
) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)
    ledger.entry()
    ledger.goes(fleet.device, place, fleet.depot if at == "depot" else uuid.uuid4(), 4)

    [left] = of(ledger.told(), step, fleet.device)

    assert left.happening.read_at == (fleet.store if reads_store else None)
    assert left.happening.stays_at is None
    check(ledger.document())


def test_a_swap_removes_one_device_before_it_installs_the_other(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)
    ledger.entry()
    ledger.goes(fleet.second, DevicePlace.CABINET, fleet.cabinet, 4)
    ledger.goes(fleet.device, DevicePlace.DEPOT, fleet.depot, 4)

    events = [event for event in check(ledger.document()) if event["eventTime"].startswith("2026-03-06")]

    assert [(event["action"], event["bizStep"]) for event in events] == [
        ("DELETE", "removing"),
        ("OBSERVE", "receiving"),
        ("ADD", "installing"),
    ]


def test_a_cabinet_that_moves_takes_its_device_along_without_breaking_the_association(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)
    before = steps(ledger.told(), fleet.device)
    ledger.entry()
    ledger.goes(fleet.cabinet, CabinetPlace.LOCATION, fleet.other, 4)

    told = ledger.told()

    assert steps(told, fleet.device) == before
    assert steps(told, fleet.cabinet) == ["commissioning", "shipping", "receiving"]
    [shipped], [received] = (of(told, step, fleet.cabinet) for step in (Step.SHIPPING, Step.RECEIVING))
    assert (shipped.happening.read_at, shipped.happening.stays_at) == (fleet.store, None)
    assert (received.happening.read_at, received.happening.stays_at) == (fleet.other, fleet.other)
    # each by the clocks of where it was read
    assert (shipped.offset, received.offset) == (-timedelta(hours=5), timedelta(hours=5, minutes=45))


def test_a_device_that_comes_out_when_its_cabinet_moves_comes_out_at_the_store_that_it_left(
    fleet: Fleet,
) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.DEPOT, fleet.depot, 4)
    ledger.goes(fleet.cabinet, CabinetPlace.SCRAPPED, fleet.depot, 4)

    told = [one for one in ledger.told() if one.happening.occurred_at == START + 4 * DAY]

    assert [one.happening.step for one in told] == [Step.REMOVING, Step.RECEIVING, Step.DECOMMISSIONING]
    assert [one.happening.read_at for one in told] == [fleet.store, fleet.depot, fleet.store]


def test_nothing_happens_between_two_periods_at_one_place(fleet: Fleet) -> None:
    ledger = fleet.ledger
    for day, store in ((2, fleet.other), (4, fleet.store)):
        ledger.entry()
        ledger.goes(fleet.cabinet, CabinetPlace.LOCATION, store, day)
    ledger.entry()
    first, away, _ = ledger.now(fleet.cabinet)
    ledger.withdraw(away)
    ledger.replace(first, valid_to=away.valid_to)

    told = ledger.told()

    assert steps(told, fleet.cabinet) == ["commissioning"]
    gone = [one for one in told if one.declared]
    assert len(gone) == 4
    assert {one.declared.corrective for one in gone if one.declared} == {None}


def test_a_time_that_is_the_latest_possible_one_is_told_as_that(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2, known_by=True)

    *_, event = check(ledger.document())

    assert event["rimebook:knownBy"] is True
    assert event["bizStep"] == "installing"


# --- what was wrong --------------------------------------------------------------------------------


def test_a_corrected_time_repeats_the_event_as_wrong_and_states_another(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)
    known = ledger.entry()
    received, hung = ledger.now(fleet.device)
    ledger.replace(received, valid_to=START + 3 * DAY)
    ledger.replace(hung, valid_from=START + 3 * DAY)

    *earlier, stated, declared, instead = check(ledger.document())

    assert declared == {
        **stated,
        "recordTime": "2026-06-16T13:00:00.000000Z",
        "errorDeclaration": {
            "declarationTime": "2026-06-16T13:00:00.000000Z",
            "reason": "incorrect_data",
            "correctiveEventIDs": [instead["eventID"]],
        },
    }
    assert (stated["eventTime"], instead["eventTime"]) == (
        "2026-03-04T08:00:00-05:00",
        "2026-03-05T08:00:00-05:00",
    )
    assert events_of(ledger.document(known - 1)) == [*earlier, stated]


def test_a_withdrawn_period_did_not_occur_and_nothing_stands_in_its_stead(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.VAN, uuid.uuid4(), 2)
    ledger.entry()
    received, van = ledger.now(fleet.device)
    ledger.withdraw(van)
    ledger.replace(received, valid_to=None)

    *_, stated, declared = check(ledger.document())

    assert declared["errorDeclaration"] == {
        "declarationTime": "2026-06-16T13:00:00.000000Z",
        "reason": "did_not_occur",
    }
    assert declared["eventID"] == stated["eventID"]


def test_the_first_period_withdrawn_corrects_when_a_thing_came(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.cabinet, CabinetPlace.LOCATION, fleet.other, 3)
    ledger.entry()
    ledger.withdraw(ledger.now(fleet.cabinet)[0])

    told = ledger.told()

    first, second = of(told, Step.COMMISSIONING, fleet.cabinet)
    assert first.declared is not None
    assert first.declared.corrective == second.event_id
    assert (second.happening.occurred_at, second.happening.read_at) == (START + 3 * DAY, fleet.other)
    assert steps(told, fleet.cabinet) == ["commissioning"]


def test_a_cabinet_that_stood_elsewhere_corrects_where_its_device_was_installed(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)
    ledger.entry()
    [stood] = ledger.now(fleet.cabinet)
    ledger.replace(stood, at=fleet.other)

    first, second = of(ledger.told(), Step.INSTALLING, fleet.device)

    assert first.declared is not None
    assert first.declared.corrective == second.event_id
    assert (first.happening.read_at, second.happening.read_at) == (fleet.store, fleet.other)
    assert second.offset == timedelta(hours=5, minutes=45)


def test_what_happened_to_a_record_that_was_another_device_happened_to_that_one(fleet: Fleet) -> None:
    ledger = fleet.ledger
    stray = uuid.uuid4()
    ledger.entry()
    ledger.goes(stray, DevicePlace.CABINET, fleet.cabinet, 2)
    ledger.entry()
    ledger.withdraw(ledger.now(stray)[0])
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)

    told = ledger.told()

    [wrong], [right] = (of(told, Step.INSTALLING, thing) for thing in (stray, fleet.device))
    assert wrong.declared is not None
    assert wrong.declared.corrective == right.event_id
    [came] = of(told, Step.COMMISSIONING, stray)
    assert came.declared is not None
    assert came.declared.corrective is None
    check(ledger.document())


# --- names that change -----------------------------------------------------------------------------


def test_a_key_of_ours_stays_true_when_a_gs1_key_is_learnt(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    link = "https://id.gs1.org/8004/4000001111"
    ledger.called[fleet.cabinet] = [Called(1, record_uri(fleet.cabinet)), Called(ledger.index, link)]
    ledger.entry()
    ledger.goes(fleet.cabinet, CabinetPlace.DEPOT, fleet.depot, 3)

    told = [one for one in ledger.told() if one.happening.subject == fleet.cabinet]

    assert [one.declared for one in told] == [None] * 3
    assert [one.uris[fleet.cabinet] for one in told] == [record_uri(fleet.cabinet), link, link]
    elements = ledger.document()["epcisHeader"]["epcisMasterData"]["vocabularyList"]
    keys = {
        element["id"]: element["attributes"][0]["attribute"]
        for vocabulary in elements
        for element in vocabulary["vocabularyElementList"]
    }
    assert keys[link] == keys[record_uri(fleet.cabinet)] == record_uri(fleet.cabinet)


@pytest.mark.parametrize(
    "changes",
    [
        {"uri": "https://id.gs1.org/414/9520123456788"},
        {"uri": "urn:uuid:01a21c31-5bd0-71cd-a942-503079a9adfc"},
        {"zone": "America/Chicago"},
    ],
)
def test_a_wrong_gs1_key_or_zone_makes_wrong_what_was_stated_with_it(
    fleet: Fleet, changes: dict[str, str]
) -> None:
    ledger = fleet.ledger
    ledger.entry()
    [called] = ledger.called[fleet.store]
    ledger.called[fleet.store].append(replace(called, since=ledger.index, **changes))

    first, second = of(ledger.told(), Step.COMMISSIONING, fleet.cabinet)

    assert first.declared is not None
    assert first.declared.corrective == second.event_id
    assert first.happening == second.happening
    check(ledger.document())


# --- stable ----------------------------------------------------------------------------------------


def test_ids_are_made_of_the_entry_the_period_and_the_step(fleet: Fleet) -> None:
    # RFC 9562, section 5.5, by the standard library
    assert uuid.uuid5(uuid.NAMESPACE_DNS, "epcis.rimebook.example") == NAMESPACE
    ledger = fleet.ledger
    number = ledger.entry()
    period = ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)

    [installed] = of(ledger.told(), Step.INSTALLING, fleet.device)

    assert installed.event_id == uuid.uuid5(NAMESPACE, f"{UUID(int=number)}/{period}/installing")


CHANGES = st.lists(
    st.tuples(
        st.sampled_from(["go", "go", "go", "move cabinet", "shift", "withdraw", "elsewhere"]),
        st.integers(0, 5),
        st.integers(1, 9),
    ),
    max_size=14,
)


def change(fleet: Fleet, what: str, which: int, amount: int) -> None:
    """Let one entry change something, if it can."""
    ledger = fleet.ledger
    ledger.entry()
    device = (fleet.device, fleet.second)[which % 2]
    cabinet = (fleet.cabinet, fleet.spare)[which % 2]
    last = ledger.now(device)[-1]
    day = (last.valid_from - START) / DAY + amount / 4
    places: list[tuple[Any, UUID | None]] = [
        (DevicePlace.CABINET, fleet.cabinet),
        (DevicePlace.CABINET, fleet.spare),
        (DevicePlace.DEPOT, fleet.depot),
        (DevicePlace.VAN, fleet.other),
        (DevicePlace.MAKER, fleet.depot),
        (DevicePlace.LOST, fleet.depot),
    ]
    if what == "go":
        ledger.goes(device, *places[which], day)
    elif what == "move cabinet":
        there = (ledger.now(cabinet)[-1].valid_from - START) / DAY
        stores = [fleet.store, fleet.other]
        ledger.goes(cabinet, CabinetPlace.LOCATION, stores[amount % 2], there + amount / 4)
    elif what == "elsewhere":
        stay = ledger.now(cabinet)[-1]
        ledger.replace(stay, at=fleet.other if stay.at == fleet.store else fleet.store)
    else:
        history = ledger.now(device)
        if len(history) > 1:
            before, last = history[-2:]
            if what == "shift":
                ledger.replace(before, valid_to=last.valid_from + DAY / 8)
                ledger.replace(last, valid_from=last.valid_from + DAY / 8)
            else:
                ledger.withdraw(last)
                ledger.replace(before, valid_to=None)


@settings(max_examples=60)
@given(CHANGES)
def test_what_stands_after_any_entry_is_what_was_believed_then_and_never_changes(
    changes: list[tuple[str, int, int]],
) -> None:
    fleet = founded()
    for what, which, amount in changes:
        change(fleet, what, which, amount)
    ledger = fleet.ledger

    told, events = ledger.told(), check(ledger.document())

    ids = [one.event_id for one in told]
    assert len(set(ids)) == len(ids)
    for index in range(1, ledger.index + 1):
        standing = [
            one.happening
            for one in told
            if one.index <= index and (one.declared is None or one.declared.index > index)
        ]
        expected = [happening for unit in ledger.units() for happening in unit.happenings(index).values()]
        assert len(standing) == len(expected)
        assert set(standing) == set(expected)
        # What an earlier document said is the beginning of a later one, word for word.
        early = events_of(ledger.document(index))
        assert events[: len(early)] == early


# --- documents -------------------------------------------------------------------------------------


def test_a_document_names_its_question_and_knowledge_and_is_dated_by_that(fleet: Fleet) -> None:
    first, second = fleet.ledger.document(), fleet.ledger.document(3)

    assert first["id"] == record_uri(uuid.uuid5(NAMESPACE, "everything known at 4"))
    assert (first["creationDate"], first["rimebook:knownIndex"]) == ("2026-06-14T13:00:00.000000Z", 4)
    assert second["id"] != first["id"]
    assert json.dumps(fleet.ledger.document()) == json.dumps(first)


def test_nothing_to_tell_is_refused() -> None:
    # ISO/IEC 19987 wants an event, the schema does not: so nothing is sent rather than an empty list.
    with pytest.raises(RuleBroken) as refused:
        document(Asked("everything", 1), [], {1: START}, [])

    assert refused.value.code is Code.NO_EVENTS


def test_what_stands_in_the_stead_of_something_wanted_is_told_with_it(fleet: Fleet) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.CABINET, fleet.cabinet, 2)
    ledger.entry()
    [stood] = ledger.now(fleet.cabinet)
    ledger.replace(stood, at=fleet.other)

    found = chosen(ledger.told(), lambda told: told.happening.read_at == fleet.store)

    assert [(one.happening.step, one.happening.read_at) for one in found] == [
        (Step.COMMISSIONING, fleet.store),
        (Step.INSTALLING, fleet.store),
        (Step.COMMISSIONING, fleet.other),
        (Step.INSTALLING, fleet.other),
    ]


def test_every_step_has_its_action_and_its_words_are_of_cbv() -> None:
    # The words of bizStep and disposition that the published schema knows; in_progress is best left out.
    definitions = SCHEMA["definitions"]
    biz_steps, dispositions = (definitions[name]["anyOf"][1]["enum"] for name in ("bizStep", "disposition"))
    assert set(ACTIONS) == set(Step)
    assert {str(step) for step in Step} - set(biz_steps) == {Step.LOSING}
    assert {disposition for _, disposition in ACTIONS.values()} - {""} <= set(dispositions) - {"in_progress"}


# --- the checks themselves -------------------------------------------------------------------------


def spoilt(document: Any, *path: Any, value: Any) -> Any:
    """Return a copy of a document with one value replaced."""
    copy = json.loads(json.dumps(document))
    inner = copy
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    return copy


EVENT = ("epcisBody", "eventList", 0)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ((*EVENT, "eventTime"), "yesterday at nine"),
        ((*EVENT, "eventTime"), "2026-02-30T08:00:00-05:00"),
        ((*EVENT, "recordTime"), "2026-03-02 08:00"),
        (("creationDate",), "2026-03-02"),
        ((*EVENT, "eventID"), "not a uri"),
        ((*EVENT, "readPoint", "id"), "Harbour Road"),
        ((*EVENT, "epcList", 0), "SK-7001"),
        ((*EVENT, "eventTimeZoneOffset"), "Z"),
        ((*EVENT, "bizStep"), "putting"),
        ((*EVENT, "assetTag"), "SK-7001"),
    ],
)
def test_the_schema_is_checked_with_its_formats(fleet: Fleet, path: tuple[Any, ...], value: str) -> None:
    """Without the extra format-nongpl of jsonschema, date-time and uri pass silently."""
    plain = fleet.ledger.document()

    assert schema_errors(plain) == []
    assert schema_errors(spoilt(plain, *path, value=value)) != []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("@context",), "https://elsewhere.example/context"),
        (("@context",), ["https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"]),
        (("schemaVersion",), "1.2"),
        (("epcisBody", "eventList"), []),
        ((*EVENT, "eventTimeZoneOffset"), "-00:00"),
        ((*EVENT, "disposition"), "in_progress"),
        (
            ("epcisBody", "eventList", -1, "errorDeclaration", "correctiveEventIDs"),
            ["urn:uuid:01a21c31-5bd0-71cd-a942-503079a9adfc"],
        ),
        (("epcisBody", "eventList", -1, "epcList", 0), "urn:uuid:01a21c31-5bd0-71cd-a942-503079a9adfc"),
        (("epcisBody", "eventList", -1, "eventID"), "urn:uuid:01a21c31-5bd0-71cd-a942-503079a9adfc"),
    ],
)
def test_what_the_schema_lets_pass_is_found_by_our_own_checks(
    fleet: Fleet, path: tuple[Any, ...], value: Any
) -> None:
    ledger = fleet.ledger
    ledger.entry()
    ledger.goes(fleet.device, DevicePlace.VAN, uuid.uuid4(), 2)
    ledger.entry()
    received, van = ledger.now(fleet.device)
    ledger.withdraw(van)
    ledger.replace(received, valid_to=None)
    wrong = spoilt(ledger.document(), *path, value=value)

    assert schema_errors(wrong) == []
    assert standard_errors(wrong) != []
