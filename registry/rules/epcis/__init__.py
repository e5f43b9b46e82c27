"""EPCIS 2.0: what happened to devices and cabinets, as a document that other companies' systems read."""

from registry.rules.epcis.documents import CONTEXT, Asked, Thing, document
from registry.rules.epcis.happenings import Belief, Happening, Step
from registry.rules.epcis.links import cabinet_uri, location_uri, record_uri
from registry.rules.epcis.statements import NAMESPACE, Called, Names, Statement, Unit, chosen, state

__all__ = [
    "CONTEXT",
    "NAMESPACE",
    "Asked",
    "Belief",
    "Called",
    "Happening",
    "Names",
    "Statement",
    "Step",
    "Thing",
    "Unit",
    "cabinet_uri",
    "chosen",
    "document",
    "location_uri",
    "record_uri",
    "state",
]
