"""Who may do what: one table of role by act, and the depots that a person sees."""

from dataclasses import dataclass, field
from enum import StrEnum
from uuid import UUID

from registry.rules.errors import Code, RuleBroken, absent


class Role(StrEnum):
    """What a person is to the register."""

    OFFICE = "office"
    INSTALLER = "installer"
    AUDITOR = "auditor"
    ADMINISTRATOR = "administrator"


class Act(StrEnum):
    """What a person can want to do; every action names the one it is."""

    MANAGE_STAFF = "manage_staff"
    KEEP_CATALOGUE = "keep_catalogue"  # depots, cabinet and device models, products
    KEEP_CUSTOMERS = "keep_customers"  # accounts, locations, who holds them, contacts
    PLACE_CABINET = "place_cabinet"  # register, put up, move
    SCRAP_CABINET = "scrap_cabinet"
    SET_SPLIT = "set_split"
    RECEIVE_DEVICES = "receive_devices"
    HAND_OVER_DEVICE = "hand_over_device"  # between depot, van and maker, and lost
    RETIRE_DEVICE = "retire_device"
    ASSIGN_DEVICE = "assign_device"
    RECORD_PROVISIONAL = "record_provisional"
    JUDGE_PROVISIONAL = "judge_provisional"  # confirm, merge or reject
    TAKE_OVER = "take_over"
    CORRECT_HISTORY = "correct_history"
    COUNT = "count"  # draw a sample, look, and say what was found: nothing of the fleet changes
    RECORD_MOUNTING = "record_mounting"  # how a device hangs, and photos of it
    KEEP_PRACTICE = "keep_practice"  # the company's practice of mounting
    ERASE_PHOTO = "erase_photo"
    ACCEPT_INSTALLATION = "accept_installation"  # check what hangs, and sign it off
    PLAN_VISIT = "plan_visit"  # plan, change and release; the kit is part of the catalogue
    WORK_VISIT = "work_visit"  # acknowledge, begin, finish, survey
    MANAGE_TOKENS = "manage_tokens"
    READ_REGISTER = "read_register"  # what is where, timelines and traces, of one's depots
    READ_LEDGER = "read_ledger"  # every entry, whatever depot it is about
    READ_STAFF = "read_staff"


_FIELD_WORK = frozenset(
    {
        Act.READ_REGISTER,
        Act.PLACE_CABINET,
        Act.SET_SPLIT,
        Act.HAND_OVER_DEVICE,
        Act.ASSIGN_DEVICE,
        Act.RECORD_PROVISIONAL,
        Act.RECORD_MOUNTING,
        Act.ACCEPT_INSTALLATION,
        Act.WORK_VISIT,
    }
)
ALLOWED: dict[Role, frozenset[Act]] = {
    Role.OFFICE: frozenset(Act) - {Act.MANAGE_STAFF, Act.MANAGE_TOKENS},
    Role.INSTALLER: _FIELD_WORK,
    Role.AUDITOR: frozenset({Act.READ_REGISTER, Act.READ_LEDGER, Act.READ_STAFF, Act.COUNT}),
    Role.ADMINISTRATOR: frozenset(Act),
}


@dataclass(frozen=True, slots=True)
class Scope:
    """A person's role and the depots given to them; `everywhere` needs no depot by name."""

    role: Role
    depots: frozenset[UUID] = field(default_factory=frozenset)
    everywhere: bool = False
    staff_id: UUID | None = None  # whose own van counts as at hand

    @classmethod
    def of_all(cls) -> "Scope":
        """Return the scope of a question that is asked for nobody in particular."""
        return cls(Role.AUDITOR, everywhere=True)

    def covers(self, depot_id: UUID) -> bool:
        """Say whether things of this depot are theirs to see and change."""
        return self.everywhere or depot_id in self.depots


def require_act(role: Role, act: Act) -> None:
    """Raise RuleBroken ROLE_FORBIDS unless this role may do that."""
    if act not in ALLOWED[role]:
        able = " or ".join(str(other) for other in Role if act in ALLOWED[other])
        raise RuleBroken(
            Code.ROLE_FORBIDS,
            f"As {role} you cannot do this. Ask somebody who is {able}.",
            details={"role": str(role), "act": str(act)},
        )


def require_depot(scope: Scope, depot_id: UUID, field: str | None = None) -> None:
    """Raise RuleBroken NOT_FOUND for a thing of a depot that is not this person's: hidden looks absent."""
    if not scope.covers(depot_id):
        raise absent(field)
