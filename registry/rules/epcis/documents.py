"""Statements as an EPCIS 2.0 document in JSON-LD (ISO/IEC 19987), in the words of CBV 2.0 (ISO/IEC 19988).

Own fields stand under the prefix `rimebook`, for what the standard has no word: that a time is the latest
possible one, and up to which ledger entry a document knows.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid5

from registry.rules.canonical import Json, time_text
from registry.rules.epcis.happenings import Happening, Step
from registry.rules.epcis.links import local_text, offset_text, record_uri
from registry.rules.epcis.statements import NAMESPACE, Statement
from registry.rules.errors import Code, RuleBroken

CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
SCHEMA_VERSION = "2.0"
PREFIX = "rimebook"
VOCABULARY = f"urn:uuid:{NAMESPACE}#"
BUSINESS_LOCATION, READ_POINT = (
    "urn:epcglobal:epcis:vtype:BusinessLocation",
    "urn:epcglobal:epcis:vtype:ReadPoint",
)
# Names of master data that CBV has itself; from memory of its section on locations and parties.
CBV_ATTRIBUTES = frozenset({"name", "city", "countryCode"})

ADD, OBSERVE, DELETE = "ADD", "OBSERVE", "DELETE"
# What each step is in an event: the action on the identifier or link, and what state the thing is then in.
ACTIONS: dict[Step, tuple[str, str]] = {
    Step.COMMISSIONING: (ADD, "active"),
    Step.REMOVING: (DELETE, ""),
    Step.SHIPPING: (OBSERVE, "in_transit"),
    Step.TRANSPORTING: (OBSERVE, "in_transit"),
    Step.LOSING: (OBSERVE, "unknown"),
    Step.RECEIVING: (OBSERVE, ""),
    Step.INSTALLING: (ADD, ""),
    Step.DECOMMISSIONING: (DELETE, "inactive"),
}


@dataclass(frozen=True, slots=True)
class Thing:
    """What people call a thing that events name, as master data: its kind, and values by attribute.

    Never personal data: a person's van is named by no event.
    """

    key: UUID
    kind: str
    attributes: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a document tells of, in words that are the same whenever it is asked; and as known when."""

    words: str
    known_index: int

    @property
    def document_id(self) -> UUID:
        """The document's id: the same for the same question."""
        return uuid5(NAMESPACE, f"{self.words} known at {self.known_index}")


def document(
    asked: Asked,
    statements: Sequence[Statement],
    recorded_at: Mapping[int, datetime],
    things: Iterable[Thing],
) -> dict[str, Json]:
    """Return the document of statements, in the order in which the register made them.

    `recorded_at` says when each entry was recorded that a statement names, and the one up to which the
    document knows; it is dated as that one, so that the same question gives the same bytes. `things` are
    those that statements name. Raises RuleBroken NO_EVENTS where there is nothing to tell.
    """
    if not statements:
        raise RuleBroken(
            Code.NO_EVENTS,
            "The register knows of no event there, and an EPCIS document tells of at least one."
            " Ask for another period, or as known later.",
        )
    told = [(statement.index, 1, statement) for statement in statements]
    told += [(s.declared.index, 0, s) for s in statements if s.declared is not None]
    # A declaration stands before what the same entry states instead.
    told.sort(key=lambda one: (one[0], one[1], one[2].order))
    return {
        "@context": [CONTEXT, {PREFIX: VOCABULARY}],
        "id": record_uri(asked.document_id),
        "type": "EPCISDocument",
        "schemaVersion": SCHEMA_VERSION,
        "creationDate": time_text(recorded_at[asked.known_index]),
        f"{PREFIX}:knownIndex": asked.known_index,
        "epcisHeader": {"epcisMasterData": {"vocabularyList": _vocabularies(statements, things)}},
        "epcisBody": {
            "eventList": [
                _event(statement, recorded_at, declared=not is_fact) for _, is_fact, statement in told
            ]
        },
    }


# --- events ----------------------------------------------------------------------------------------


def _event(statement: Statement, recorded_at: Mapping[int, datetime], *, declared: bool) -> dict[str, Json]:
    """Return the event of a statement; `declared`: repeated, with the declaration that it was wrong.

    A repeated event keeps its id (ISO/IEC 19987 on eventID, from memory), and has the time at which it
    was repeated as its recordTime.
    """
    happening = statement.happening
    index = statement.declared.index if declared and statement.declared else statement.index
    event: dict[str, Json] = {
        "type": "ObjectEvent" if happening.parent is None else "AssociationEvent",
        "eventID": record_uri(statement.event_id),
        "eventTime": local_text(happening.occurred_at, statement.offset),
        "eventTimeZoneOffset": offset_text(statement.offset),
        "recordTime": time_text(recorded_at[index]),
    }
    if declared:
        event["errorDeclaration"] = _declaration(statement, recorded_at)
    return event | _what(happening, statement.uris) | _where_and_why(happening, statement.uris)


def _declaration(statement: Statement, recorded_at: Mapping[int, datetime]) -> dict[str, Json]:
    if statement.declared is None:
        raise ValueError("nothing declared this statement wrong")
    said: dict[str, Json] = {"declarationTime": time_text(recorded_at[statement.declared.index])}
    if statement.declared.corrective is None:
        # CBV: what did not occur has no corrective event.
        return said | {"reason": "did_not_occur"}
    corrective: Json = [record_uri(statement.declared.corrective)]
    return said | {"reason": "incorrect_data", "correctiveEventIDs": corrective}


def _what(happening: Happening, uris: Mapping[UUID, str]) -> dict[str, Json]:
    action = ACTIONS[happening.step][0]
    things: Json = [uris[happening.subject]]
    if happening.parent is None:
        return {"epcList": things, "action": action}
    return {"parentID": uris[happening.parent], "childEPCs": things, "action": action}


def _where_and_why(happening: Happening, uris: Mapping[UUID, str]) -> dict[str, Json]:
    said: dict[str, Json] = {}
    if happening.step is not Step.LOSING:
        said["bizStep"] = str(happening.step)
    if disposition := ACTIONS[happening.step][1]:
        said["disposition"] = disposition
    if happening.read_at is not None:
        said["readPoint"] = {"id": uris[happening.read_at]}
    if happening.stays_at is not None:
        said["bizLocation"] = {"id": uris[happening.stays_at]}
    if happening.known_by:
        said[f"{PREFIX}:knownBy"] = True
    return said


# --- master data -----------------------------------------------------------------------------------


def _vocabularies(statements: Iterable[Statement], things: Iterable[Thing]) -> list[Json]:
    """Return what people call everything that the events name, by every URI that they name it by."""
    elements: dict[str, dict[str, UUID]] = {}
    thing_of = {thing.key: thing for thing in things}
    for statement in statements:
        happening, uris = statement.happening, statement.uris
        for key in (happening.subject, happening.parent):
            if key is not None:
                kind = f"{VOCABULARY}{thing_of[key].kind}"
                elements.setdefault(kind, {})[uris[key]] = key
        for kind, place in ((BUSINESS_LOCATION, happening.stays_at), (READ_POINT, happening.read_at)):
            if place is not None:
                elements.setdefault(kind, {})[uris[place]] = place
    return [
        {
            "type": kind,
            "vocabularyElementList": [_element(uri, thing_of[key]) for uri, key in sorted(named.items())],
        }
        for kind, named in sorted(elements.items())
    ]


def _element(uri: str, thing: Thing) -> Json:
    attributes: list[Json] = [{"id": f"{PREFIX}:key", "attribute": record_uri(thing.key)}]
    for name, value in thing.attributes.items():
        if value:
            prefix = "urn:epcglobal:cbv:mda#" if name in CBV_ATTRIBUTES else f"{PREFIX}:"
            attributes.append({"id": f"{prefix}{name}", "attribute": value})
    return {"id": uri, "attributes": attributes}
