"""The names of enumerations in the API's schema, where fields of one name have different words."""

from registry.rules.events import Kind
from registry.rules.photos import PhotoKind
from registry.rules.surveys import SurveyOutcome
from registry.rules.visits import VisitKind
from registry.rules.whereabouts import DevicePlace

ENUM_NAMES = {
    "LocationState": ["planned", "open", "asleep", "closed"],
    "FirstLocationState": ["planned", "open", "asleep"],
    "AccountState": ["open", "closed"],
    "KindOfThing": [str(kind) for kind in Kind],
    "PhotoKind": [str(kind) for kind in PhotoKind],
    "VisitKind": [str(kind) for kind in VisitKind],
    "PlaceOfDevice": [str(place) for place in DevicePlace],
    "ReadingOutcome": ["accepted", "duplicate", "refused"],
    "SurveyOutcome": [str(outcome) for outcome in SurveyOutcome],
}
