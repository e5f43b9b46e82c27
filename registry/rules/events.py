"""Verbs of the ledger, and the words in which each is read.

A verb is a promise like a refusal's code: it is hashed into the ledger, so its name never changes.
In a sentence, `{part}` stands for the subjects that the entry names under that part; what stands in
square brackets is left out where its part has none.
"""

import re
from collections.abc import Iterable, Mapping
from enum import StrEnum

LABELS_SHOWN_MAX = 4  # of a long list of subjects, so many are named and the rest counted


class Face(StrEnum):
    """Through which door a write came."""

    CONSOLE = "console"
    API = "api"
    FIELD = "field"
    COMMAND = "command"


class Kind(StrEnum):
    """Kinds of things that a ledger entry can be about."""

    ACCOUNT = "account"
    LOCATION = "location"
    CONTACT = "contact"
    DEPOT = "depot"
    CABINET_MODEL = "cabinet_model"
    CABINET = "cabinet"
    PRODUCT = "product"
    DEVICE_MODEL = "device_model"
    DEVICE = "device"
    STAFF = "staff"
    TOKEN = "token"
    DEVICE_TOKEN = "device_token"
    READING_SEAL = "reading_seal"
    COUNT = "count"
    MOUNTING = "mounting"
    MOUNTING_PRACTICE = "mounting_practice"
    PHOTO = "photo"
    ACCEPTANCE = "acceptance"
    VISIT = "visit"
    SURVEY = "survey"
    KIT_PART = "kit_part"
    KIT_RULE = "kit_rule"


class Verb(StrEnum):
    """What was done."""

    REGISTER_FOUNDED = "register.founded"
    STAFF_ADDED = "staff.added"
    STAFF_ROLE_CHANGED = "staff.role_changed"
    STAFF_DEPOTS_CHANGED = "staff.depots_changed"
    STAFF_DEACTIVATED = "staff.deactivated"
    STAFF_REACTIVATED = "staff.reactivated"
    STAFF_PASSWORD_SET = "staff.password_set"
    TOKEN_ISSUED = "token.issued"
    TOKEN_REVOKED = "token.revoked"
    DEVICE_TOKEN_ISSUED = "device_token.issued"
    DEVICE_TOKEN_REVOKED = "device_token.revoked"
    READINGS_SEALED = "readings.sealed"
    DEPOT_REGISTERED = "depot.registered"
    DEPOT_CORRECTED = "depot.corrected"
    ACCOUNT_REGISTERED = "account.registered"
    ACCOUNT_CORRECTED = "account.corrected"
    ACCOUNT_CLOSED = "account.closed"
    ACCOUNT_REOPENED = "account.reopened"
    LOCATION_REGISTERED = "location.registered"
    LOCATION_CORRECTED = "location.corrected"
    LOCATION_STATE_SET = "location.state_set"
    LOCATION_CLOSED = "location.closed"
    LOCATION_HANDED_OVER = "location.handed_over"
    LOCATION_TAKEN_OVER = "location.taken_over"
    CONTACT_REGISTERED = "contact.registered"
    CONTACT_CORRECTED = "contact.corrected"
    CONTACT_ERASED = "contact.erased"
    CABINET_MODEL_REGISTERED = "cabinet_model.registered"
    CABINET_MODEL_CORRECTED = "cabinet_model.corrected"
    CABINET_REGISTERED = "cabinet.registered"
    CABINET_CORRECTED = "cabinet.corrected"
    CABINET_MOVED = "cabinet.moved"
    CABINET_SCRAPPED = "cabinet.scrapped"
    PRODUCT_REGISTERED = "product.registered"
    PRODUCT_CORRECTED = "product.corrected"
    SPLIT_SET = "split.set"
    DEVICE_MODEL_REGISTERED = "device_model.registered"
    DEVICE_MODEL_CORRECTED = "device_model.corrected"
    DEVICES_RECEIVED = "devices.received"
    DEVICE_CORRECTED = "device.corrected"
    DEVICE_HANDED_OVER = "device.handed_over"
    DEVICE_SENT_TO_REPAIR = "device.sent_to_repair"
    DEVICE_RETURNED = "device.returned"
    DEVICE_LOST = "device.lost"
    DEVICE_RETIRED = "device.retired"
    DEVICE_ASSIGNED = "device.assigned"
    DEVICE_REMOVED = "device.removed"
    DEVICE_SWAPPED = "device.swapped"
    PROVISIONAL_RECORDED = "provisional.recorded"
    PROVISIONAL_CONFIRMED = "provisional.confirmed"
    PROVISIONAL_MERGED = "provisional.merged"
    PROVISIONAL_REJECTED = "provisional.rejected"
    PERIOD_CORRECTED = "period.corrected"
    PERIOD_WITHDRAWN = "period.withdrawn"
    COUNT_DRAWN = "count.drawn"
    COUNT_FINDING_RECORDED = "count.finding_recorded"
    COUNT_PLACE_NOT_COUNTED = "count.place_not_counted"
    COUNT_PLACE_REOPENED = "count.place_reopened"
    COUNT_CLOSED = "count.closed"
    COUNT_DIFFERENCE_ACCEPTED = "count.difference_accepted"
    COUNT_DIFFERENCE_DISMISSED = "count.difference_dismissed"
    MOUNTING_RECORDED = "mounting.recorded"
    MOUNTING_CORRECTED = "mounting.corrected"
    MOUNTING_PRACTICE_SET = "mounting_practice.set"
    PHOTO_ADDED = "photo.added"
    PHOTO_ERASED = "photo.erased"
    ACCEPTANCE_CHECKED = "acceptance.checked"
    ACCEPTANCE_SIGNED_OFF = "acceptance.signed_off"
    VISIT_PLANNED = "visit.planned"
    VISIT_CORRECTED = "visit.corrected"
    VISIT_RELEASED = "visit.released"
    VISIT_CAUTIONS_ACKNOWLEDGED = "visit.cautions_acknowledged"
    VISIT_BEGUN = "visit.begun"
    VISIT_FINISHED = "visit.finished"
    VISIT_CANCELLED = "visit.cancelled"
    SURVEY_RECORDED = "survey.recorded"
    KIT_ADOPTED = "kit.adopted"
    KIT_PART_REGISTERED = "kit_part.registered"
    KIT_PART_CORRECTED = "kit_part.corrected"
    KIT_RULE_SET = "kit_rule.set"
    KIT_RULE_WITHDRAWN = "kit_rule.withdrawn"


SENTENCES: dict[Verb, str] = {
    Verb.REGISTER_FOUNDED: "The register was founded",
    Verb.STAFF_ADDED: "{staff} joined the staff",
    Verb.STAFF_ROLE_CHANGED: "The role of {staff} changed",
    Verb.STAFF_DEPOTS_CHANGED: "{staff} now answers for {depot} alone",
    Verb.STAFF_DEACTIVATED: "{staff} left",
    Verb.STAFF_REACTIVATED: "{staff} came back",
    Verb.STAFF_PASSWORD_SET: "A new password was set for {staff}",
    Verb.TOKEN_ISSUED: "{staff} got {token} for the API",
    Verb.TOKEN_REVOKED: "{token} of {staff} was revoked",
    Verb.DEVICE_TOKEN_ISSUED: "{device_token} got a token to report readings[ of device {device}]",
    Verb.DEVICE_TOKEN_REVOKED: "The token of {device_token} to report readings was revoked",
    Verb.READINGS_SEALED: "The readings received before {reading_seal} were sealed",
    Verb.DEPOT_REGISTERED: "Depot {depot} was registered",
    Verb.DEPOT_CORRECTED: "Details of depot {depot} were corrected",
    Verb.ACCOUNT_REGISTERED: "Account {account} was registered",
    Verb.ACCOUNT_CORRECTED: "Details of account {account} were corrected",
    Verb.ACCOUNT_CLOSED: "Account {account} was closed",
    Verb.ACCOUNT_REOPENED: "Account {account} was opened again",
    Verb.LOCATION_REGISTERED: "Location {location} of {account} was registered[ with {cabinet}]",
    Verb.LOCATION_CORRECTED: "Details of location {location} were corrected",
    Verb.LOCATION_STATE_SET: "Location {location} changed its state",
    Verb.LOCATION_CLOSED: "Location {location} was closed",
    Verb.LOCATION_HANDED_OVER: "Location {location} went from {from} to {account}",
    Verb.LOCATION_TAKEN_OVER: "Location {location} of {account} was taken over[ with {cabinet}][, in which hung {device}]",
    Verb.CONTACT_REGISTERED: "A contact was added to {location}",
    Verb.CONTACT_CORRECTED: "A contact of {location} was corrected",
    Verb.CONTACT_ERASED: "A contact of {location} was erased",
    Verb.CABINET_MODEL_REGISTERED: "Cabinet model {cabinet_model} was registered",
    Verb.CABINET_MODEL_CORRECTED: "Details of cabinet model {cabinet_model} were corrected",
    Verb.CABINET_REGISTERED: "Cabinet {cabinet} was registered at {to}",
    Verb.CABINET_CORRECTED: "Details of cabinet {cabinet} were corrected",
    Verb.CABINET_MOVED: "Cabinet {cabinet} went from {from} to {to}[ with {device}][; {removed} came out]",
    Verb.CABINET_SCRAPPED: "Cabinet {cabinet} of {from} was scrapped[; {removed} came out]",
    Verb.PRODUCT_REGISTERED: "Product {product} was registered",
    Verb.PRODUCT_CORRECTED: "Details of product {product} were corrected",
    Verb.SPLIT_SET: "The split of cabinet {cabinet} at {location} was set to {product}",
    Verb.DEVICE_MODEL_REGISTERED: "Device model {device_model} was registered",
    Verb.DEVICE_MODEL_CORRECTED: "Details of device model {device_model} were corrected",
    Verb.DEVICES_RECEIVED: "{device} came into depot {depot}",
    Verb.DEVICE_CORRECTED: "Details of device {device} were corrected",
    Verb.DEVICE_HANDED_OVER: "Device {device} went from {from} to {to}",
    Verb.DEVICE_SENT_TO_REPAIR: "Device {device} was sent to its maker from {from}",
    Verb.DEVICE_RETURNED: "Device {device} came back to depot {to}",
    Verb.DEVICE_LOST: "Device {device} was marked lost, last at {from}",
    Verb.DEVICE_RETIRED: "Device {device} was retired, last at {from}",
    Verb.DEVICE_ASSIGNED: "Device {device} was assigned to cabinet {cabinet} at {location}",
    Verb.DEVICE_REMOVED: "Device {device} was taken out of cabinet {cabinet} at {location} and went to {to}",
    Verb.DEVICE_SWAPPED: "Device {removed} was swapped for {device} in cabinet {cabinet} at {location}",
    Verb.PROVISIONAL_RECORDED: "Device {device}, booked in by nobody, was recorded at {to}",
    Verb.PROVISIONAL_CONFIRMED: "Provisional device {device} was confirmed",
    Verb.PROVISIONAL_MERGED: "Provisional device {removed} turned out to be {device}",
    Verb.PROVISIONAL_REJECTED: "Provisional device {device} was rejected",
    Verb.PERIOD_CORRECTED: "The history of {subject} was corrected",
    Verb.PERIOD_WITHDRAWN: "A period in the history of {subject} was withdrawn",
    Verb.COUNT_DRAWN: "A sample was drawn for the count {count}",
    Verb.COUNT_FINDING_RECORDED: "For the count {count} somebody looked[ at {at}][ into the van of {van}][ and saw {device}]",
    Verb.COUNT_PLACE_NOT_COUNTED: "For the count {count} nobody could look[ at {at}][ into the van of {van}]",
    Verb.COUNT_PLACE_REOPENED: "For the count {count} somebody is to look again[ at {at}][ into the van of {van}]",
    Verb.COUNT_CLOSED: "The count {count} was closed",
    Verb.COUNT_DIFFERENCE_ACCEPTED: "By the count {count} it was put right that device {device} was no longer at {from}[ but at {to}]",
    Verb.COUNT_DIFFERENCE_DISMISSED: "A difference of the count {count} was dismissed[: device {device}]",
    Verb.MOUNTING_RECORDED: "It was recorded how device {device} was mounted in cabinet {cabinet}[ at {location}]",
    Verb.MOUNTING_CORRECTED: "How device {device} was mounted in cabinet {cabinet}[ at {location}] was corrected",
    Verb.MOUNTING_PRACTICE_SET: "The practice of mounting was set: {mounting_practice}",
    Verb.PHOTO_ADDED: "A photo was added[ of cabinet {cabinet}][ with device {device}][ at {location}]",
    Verb.PHOTO_ERASED: "A photo was erased[ of cabinet {cabinet}][ with device {device}][ at {location}]",
    Verb.ACCEPTANCE_CHECKED: "Device {device} in cabinet {cabinet} at {location} was checked: {acceptance}",
    Verb.ACCEPTANCE_SIGNED_OFF: "The check of device {device} in cabinet {cabinet} at {location} was signed off: {acceptance}",
    Verb.VISIT_PLANNED: "A visit to {location} was planned: {visit}[ for {cabinet}][, by {staff}]",
    Verb.VISIT_CORRECTED: "The plan of a visit to {location} was changed: {visit}[ for {cabinet}][, by {staff}]",
    Verb.VISIT_RELEASED: "The {visit} at {location} was released",
    Verb.VISIT_CAUTIONS_ACKNOWLEDGED: "The cautions of cabinet {cabinet} were acknowledged for the {visit} at {location}",
    Verb.VISIT_BEGUN: "The {visit} at {location} was begun",
    Verb.VISIT_FINISHED: "The {visit} at {location} was finished",
    Verb.VISIT_CANCELLED: "The {visit} at {location} was cancelled",
    Verb.SURVEY_RECORDED: "Cabinet {cabinet} at {location} was surveyed",
    Verb.KIT_ADOPTED: "The usual kit was adopted: {kit_part}",
    Verb.KIT_PART_REGISTERED: "Kit part {kit_part} was registered",
    Verb.KIT_PART_CORRECTED: "Details of kit part {kit_part} were corrected",
    Verb.KIT_RULE_SET: "Of kit part {kit_part} a rule was set: {kit_rule}",
    Verb.KIT_RULE_WITHDRAWN: "Of kit part {kit_part} a rule was withdrawn: {kit_rule}",
}


def sentence(verb: Verb, parts: Mapping[str, Iterable[str]]) -> str:
    """Return the words of an entry; a part without subjects is read as "nothing"."""
    words = _Words({part: text for part, labels in parts.items() if (text := _enumerated(list(labels)))})
    optional = re.compile(r"\[([^\[\]]*\{(\w+)\}[^\[\]]*)\]")
    template = optional.sub(lambda match: match[1] if words.get(match[2]) else "", SENTENCES[verb])
    return template.format_map(words)


def _enumerated(labels: list[str]) -> str:
    if len(labels) > LABELS_SHOWN_MAX:
        return f"{', '.join(labels[: LABELS_SHOWN_MAX - 1])} and {len(labels) - LABELS_SHOWN_MAX + 1} more"
    return " and ".join([", ".join(labels[:-1]), labels[-1]] if len(labels) > 1 else labels)


class _Words(dict[str, str]):
    def __missing__(self, key: str) -> str:
        return "nothing"
