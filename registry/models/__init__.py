"""Tables of the register, one module a noun."""

from registry.models.acceptance import AcceptanceCheck
from registry.models.accounts import Account, AccountState
from registry.models.assignments import DeviceWhereabouts
from registry.models.cabinets import Cabinet, CabinetModel, CabinetWhereabouts
from registry.models.checkpoints import Checkpoint, CheckpointDeparture, TreeNode
from registry.models.counts import Count, CountItem
from registry.models.devices import Device, DeviceModel
from registry.models.kit import KitPart, KitRule
from registry.models.ledger import Entry, Subject
from registry.models.locations import (
    Contact,
    ContactText,
    Depot,
    Location,
    LocationHolding,
    LocationState,
)
from registry.models.mountings import Mounting, MountingPractice
from registry.models.photos import Photo, PhotoFile
from registry.models.products import Product, Split, SplitShare
from registry.models.readings import Reading, ReadingSeal
from registry.models.requests import RequestAnswer
from registry.models.staff import Staff, StaffDepot
from registry.models.surveys import CabinetSurvey
from registry.models.tokens import ApiToken, DeviceToken
from registry.models.visits import Visit, VisitCabinet

__all__ = [
    "AcceptanceCheck",
    "Account",
    "AccountState",
    "ApiToken",
    "Cabinet",
    "CabinetModel",
    "CabinetSurvey",
    "CabinetWhereabouts",
    "Checkpoint",
    "CheckpointDeparture",
    "Contact",
    "ContactText",
    "Count",
    "CountItem",
    "Depot",
    "Device",
    "DeviceModel",
    "DeviceToken",
    "DeviceWhereabouts",
    "Entry",
    "KitPart",
    "KitRule",
    "Location",
    "LocationHolding",
    "LocationState",
    "Mounting",
    "MountingPractice",
    "Photo",
    "PhotoFile",
    "Product",
    "Reading",
    "ReadingSeal",
    "RequestAnswer",
    "Split",
    "SplitShare",
    "Staff",
    "StaffDepot",
    "Subject",
    "TreeNode",
    "Visit",
    "VisitCabinet",
]
