"""Who may go where in the console: one table, written by hand and apart from the code.

Each row is asked as each of the four roles, of a depot of theirs and of another one; a page that writes is
also sent, filled so that it would be recorded. An address without a row fails, and a row without an address.
"""

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, fields
from typing import Any
from uuid import UUID, uuid4

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from registry.actions import acceptance, accounts, kit, staff, tokens, visits
from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint
from registry.models import AcceptanceCheck, DeviceWhereabouts, Entry, Location, Staff
from tests.actions.test_hidden_actions import Side, side
from tests.actions.unchanged import nothing_changed, undone
from tests.console.pages import at, signed_in, text_of, typed
from tests.factories.world import DAY, World, person

ROLES = ("office", "installer", "auditor", "administrator")
# Installers work with their phones: the console lets none of them in.
INSIDE = frozenset({"office", "auditor", "administrator"})
OFFICE = frozenset({"office", "administrator"})
ADMINISTRATOR = frozenset({"administrator"})
NOBODY: frozenset[str] = frozenset()
# Pages to which something is sent that no action writes: a checkpoint signs what is there.
SENT = ("checkpoints",)

# How far the depots of the person who asks decide.
EVERYWHERE = "of the whole company: no depot decides"
ADDRESS = "the thing in the address must be of a depot of theirs, or it is not there: 404"
FORM = "the form offers depots of theirs alone, and refuses another"
LIST = "a list of what is of their depots"
WHOLE = "for those who have all depots"


@dataclass(frozen=True)
class Case:
    """One register, and the depot of which something is asked."""

    world: World
    side: Side
    own: bool

    @property
    def person(self) -> UUID | None:
        """Somebody of this depot, whose van there is."""
        return (self.world.installer if self.own else self.world.stranger).staff_id


@dataclass(frozen=True)
class Row:
    """An address by its name: who may, how far depots decide, its keys, and what is typed if it writes."""

    who: frozenset[str]
    depots: str = EVERYWHERE
    keys: Callable[[Case], tuple[Any, ...]] = lambda case: ()
    typed: Callable[[Case], dict[str, Any]] | None = None

    def address(self, name: str, case: Case) -> str:
        return at(name, *self.keys(case))


def of(name: str) -> Callable[[Case], tuple[Any, ...]]:
    """Return how to take a key from the side that is asked about."""
    return lambda case: (getattr(case.side, name),)


def reads(name: str = "", depots: str = EVERYWHERE, who: frozenset[str] = INSIDE) -> Row:
    return Row(who, depots, of(name)) if name else Row(who, depots)


def writes(key: str = "", depots: str = EVERYWHERE, who: frozenset[str] = OFFICE, /, **values: Any) -> Row:
    """Make a row of a page that writes; a value may be a function of the case."""

    def given(case: Case) -> dict[str, Any]:
        return {field: value(case) if callable(value) else value for field, value in values.items()}

    return Row(who, depots, of(key) if key else lambda case: (), given)


def depot(case: Case) -> str:
    return str(case.side.depot)


def spare(case: Case) -> str:
    """Return the serial of a device that waits in the depot."""
    return case.side.serial


def check_of(case: Case) -> UUID:
    """Return the key of a check of what hangs in this depot's store."""
    if not DeviceWhereabouts.objects.filter(period=case.side.assignment).exists():
        return case.side.assignment  # a side that is not there has no check, either
    found = AcceptanceCheck.objects.filter(assignment=case.side.assignment).first()
    if found is None:
        found = acceptance.check_installation(
            case.world.administrator, assignment_id=case.side.assignment, tape_mm=[900, 600, 300]
        )
    return found.pk


def visit_of(case: Case) -> tuple[UUID]:
    """Return the key of a visit to this depot's store, for its cabinet."""
    if not Location.objects.filter(pk=case.side.location).exists():
        return (uuid4(),)
    found = visits.plan_visit(
        case.world.office,
        location_id=case.side.location,
        kind="survey",
        planned_on=case.world.clock.at.date() + DAY,
        cabinets=[case.side.cabinet],
    )
    return (found.pk,)


def visit_at_work(case: Case, *steps: str) -> tuple[UUID]:
    """Return the key of a visit to this depot's store that has taken some steps."""
    if not Location.objects.filter(pk=case.side.location).exists():
        return (uuid4(),)
    day = case.world.clock.at.date() + DAY
    given = {"location_id": case.side.location, "kind": "survey", "planned_on": day}
    key = visits.plan_visit(case.world.office, **given).pk
    for step in steps:
        {"release": visits.release_visit, "begin": visits.begin_visit}[step](case.world.office, visit_id=key)
    return (key,)


def part_of(case: Case) -> tuple[UUID]:
    """Return the key of a part of the kit."""
    code = case.world.code("P")
    return (kit.register_kit_part(case.world.office, particulars={"code": code, "name": "Clamp"}).pk,)


def rule_of(case: Case) -> tuple[UUID]:
    """Return the key of a rule of the kit."""
    [part] = part_of(case)
    given = {"name": "one each", "quantity": 1}
    return (kit.set_kit_rule(case.world.office, part_id=part, particulars=given).pk,)


def tomorrow(case: Case) -> str:
    return str(case.world.clock.at.date() + DAY)


def fresh(case: Case) -> str:
    return case.world.serial()


STORE = {
    "name": "Kelp Corner",
    "store_number": "0815",
    "locality": "Tarnmouth",
    "country": "US",
    "time_zone": "America/New_York",
    "depot": depot,
}
MODEL = {"model": lambda c: str(c.world.plumb_3.pk)}
WHY = {"reason": "as it was"}


def account_of(case: Case, name: str) -> tuple[UUID]:
    """Return the key of an account without locations, which may be closed already."""
    found = accounts.register_account(
        case.world.office,
        particulars={"code": case.world.code(name.upper()), "name": "Pier & Pantry"},
        valid_from=case.world.start,
    )
    if name == "closed":
        accounts.close_account(case.world.office, account_id=found.pk, valid_from=case.world.start + 5 * DAY)
    return (found.pk,)


def leaver(case: Case) -> tuple[UUID | None]:
    """Return the key of somebody who left."""
    them = person(case.world, "installer", case.world.tarnmouth)
    assert them.staff_id is not None
    staff.deactivate_staff(case.world.administrator, staff_id=them.staff_id)
    return (them.staff_id,)


def token(case: Case) -> tuple[UUID]:
    """Return the key of a token."""
    assert case.world.installer.staff_id is not None
    issued, _ = tokens.issue_token(
        case.world.administrator, staff_id=case.world.installer.staff_id, name="old phone"
    )
    return (issued.pk,)


def account(case: Case) -> tuple[UUID]:
    return (case.world.account.pk,)


def installer(case: Case) -> tuple[UUID | None]:
    return (case.world.installer.staff_id,)


def catalogue(name: str) -> Callable[[Case], tuple[UUID]]:
    return lambda case: (getattr(case.world, name).pk,)


TABLE: dict[str, Row] = {
    "index": reads(),
    # Accounts: known to everybody inside, kept by the office.
    "account": Row(INSIDE, EVERYWHERE, account),
    "account_register": writes(
        "", FORM, account_code="GM", account_name="Gannet Marina", **STORE
    ),
    "account_register_alone": writes(code="GM", name="Gannet Marina"),
    "account_correct": Row(OFFICE, EVERYWHERE, account, lambda c: {"name": "Lantern Fuel North"}),
    "account_close": Row(OFFICE, EVERYWHERE, lambda c: account_of(c, "empty"), lambda c: {}),
    "account_reopen": Row(OFFICE, EVERYWHERE, lambda c: account_of(c, "closed"), lambda c: {}),
    # Locations and whom to ask there.
    "location_register": Row(
        OFFICE, FORM, account, lambda c: {**STORE, "depot": depot(c)}
    ),
    "location_take_over": Row(
        OFFICE, FORM, account, lambda c: {**STORE, "depot": depot(c)}
    ),
    "location": reads("location", ADDRESS),
    # Everything as of a moment, and what changed: what is in sight is shown to everybody inside.
    "acceptance": Row(INSIDE, ADDRESS, lambda case: (check_of(case),)),
    "quarantine": reads("", LIST),
    "fleet": reads("", LIST),
    "fleet_locations": reads("", LIST),
    "fleet_cabinets": reads("", LIST),
    "fleet_devices": reads("", LIST),
    "fleet_differences": reads("", LIST),
    "location_differences": reads("location", ADDRESS),
    "account_differences": Row(INSIDE, EVERYWHERE, account),
    "location_correct": writes("location", ADDRESS, visiting_hours="9 to 5"),
    "location_state": writes("location", ADDRESS, state="open"),
    "location_close": writes("location", ADDRESS, cabinets_to=depot),
    "location_hand": writes(
        "location", ADDRESS, account=lambda c: str(c.world.account.pk), store_number="0077"
    ),
    "locations_suggest": reads("", LIST),
    "location_assign": writes(
        "location", ADDRESS, cabinet=lambda c: str(c.side.cabinet), serial=spare
    ),
    "contact_add": writes("location", ADDRESS, name="Wren Hollis"),
    "contact_correct": writes("contact", ADDRESS, phone="0100 0789"),
    "contact_erase": writes("contact", ADDRESS, **WHY),
    # Cabinets.
    "cabinet_register": writes(
        "",
        FORM,
        model=lambda c: str(c.world.cove.pk),
        asset_tag="SK-0815",
        depot=depot,
    ),
    "cabinets_suggest": reads("", LIST),
    "cabinet": reads("cabinet", ADDRESS),
    "cabinet_correct": writes("cabinet", ADDRESS, condition="dented"),
    "cabinet_move": writes("cabinet", ADDRESS, depot=depot),
    "cabinet_scrap": writes("cabinet", ADDRESS, **WHY),
    "cabinet_split": writes(
        "cabinet",
        ADDRESS,
        product_1=lambda c: str(c.world.eight_lb.pk),
        percent_1="100",
        product_2="",
        percent_2="",
    ),
    "cabinet_assign": writes("cabinet", ADDRESS, serial=spare),
    # What hangs where.
    "assignment_swap": writes("assignment", ADDRESS, serial=spare),
    "assignment_end": writes("assignment", ADDRESS, end_reason="fault"),
    # How what hangs was mounted, and photos of it.
    "mounting_record": writes("bare", ADDRESS, note="by hand"),
    "mounting_correct": writes("mounting", ADDRESS, note="by hand"),
    "mounting_practice": reads(),
    "mounting_practice_set": Row(
        OFFICE, EVERYWHERE, lambda c: ("hole",), lambda c: {"least_mm": "10", "most_mm": "20"}
    ),
    "photo_erase": writes("photo", ADDRESS, **WHY),
    # Devices.
    "devices_receive": writes("", FORM, depot=depot, serials=fresh, **MODEL),
    "device_record": writes(
        "", FORM, depot=depot, serial=fresh, evidence="lay on the shelf", **MODEL
    ),
    "devices_suggest": reads("", LIST, OFFICE),
    "devices_waiting": reads("", LIST),
    "device": reads("device", ADDRESS),
    "device_chain": reads("device", ADDRESS),
    "device_correct": writes("device", ADDRESS, firmware="2.1"),
    "device_hand_over": writes("device", ADDRESS, depot=depot, staff=lambda c: str(c.person)),
    "device_repair": writes("device", ADDRESS),
    "device_return": writes("repaired", ADDRESS, depot=depot),
    "device_lost": writes("device", ADDRESS),
    "device_retire": writes("device", ADDRESS),
    "device_confirm": writes("found", ADDRESS, **WHY),
    "device_merge": writes("found", ADDRESS, into=spare),
    "device_reject": writes("found", ADDRESS, **WHY),
    # History put right.
    "period_correct": Row(
        OFFICE,
        ADDRESS,
        lambda c: ("devicewhereabouts", c.side.assignment),
        lambda c: {"rail_below_ceiling_mm": "95", **WHY},
    ),
    "period_withdraw": Row(
        OFFICE, ADDRESS, lambda c: ("devicewhereabouts", c.side.assignment), lambda c: dict(WHY)
    ),
    # Visits, surveys and the kit: the office plans, everybody inside reads.
    "visits": reads("", LIST),
    "visits_van": reads("", LIST),
    "visit": Row(INSIDE, ADDRESS, visit_of),
    "visit_plan": writes(
        "location", ADDRESS, kind="survey", planned_on=tomorrow, cabinets=lambda c: [str(c.side.cabinet)]
    ),
    "visit_release": Row(OFFICE, ADDRESS, visit_of, lambda c: {}),
    "visit_correct": Row(
        OFFICE, ADDRESS, visit_of, lambda c: {"note": "by the back", "cabinets": [str(c.side.cabinet)]}
    ),
    "visit_begin": Row(OFFICE, ADDRESS, lambda c: visit_at_work(c, "release"), lambda c: {}),
    "visit_finish": Row(OFFICE, ADDRESS, lambda c: visit_at_work(c, "release", "begin"), lambda c: {}),
    "visit_cancel": Row(OFFICE, ADDRESS, visit_of, lambda c: dict(WHY)),
    "cabinet_survey": writes("cabinet", ADDRESS, outcome="suitable"),
    "kit": reads("", LIST),
    "kit_adopt": writes(),
    "kit_part_register": writes(code="CLAMP-2", name="Clamp"),
    "kit_part_correct": Row(OFFICE, EVERYWHERE, part_of, lambda c: {"name": "Wide clamp"}),
    "kit_rule_set": Row(OFFICE, EVERYWHERE, part_of, lambda c: {"name": "one each", "quantity": "1"}),
    "kit_rule_withdraw": Row(OFFICE, EVERYWHERE, rule_of, lambda c: dict(WHY)),
    # Counts: for those who look, and nothing of the fleet changes by them; the office decides.
    "counts": reads("", LIST),
    "count_draw": writes("", FORM, INSIDE, name="Spring", depot=depot, places=["depot"]),
    "count": reads("count", ADDRESS),
    "count_sheet": reads("count", ADDRESS),
    "count_csv": reads("count", ADDRESS),
    "count_place": Row(
        INSIDE,
        ADDRESS,
        lambda c: (c.side.count, c.side.depot),
        lambda c: {"serial": "", "place_done": "nothing"},
    ),
    "count_recount": Row(
        INSIDE, ADDRESS, lambda c: (c.side.ready, c.side.depot), lambda c: dict(WHY)
    ),
    "count_close": writes("ready", ADDRESS, INSIDE),
    "count_redraw": reads("closed", ADDRESS),
    "count_lot": reads("closed", ADDRESS),
    "count_accept": Row(OFFICE, ADDRESS, lambda c: (c.side.closed, c.side.difference), lambda c: dict(WHY)),
    "count_dismiss": Row(OFFICE, ADDRESS, lambda c: (c.side.closed, c.side.difference), lambda c: dict(WHY)),
    # The catalogue: read by everybody inside, kept by the office.
    "catalogue": reads(),
    "depot": reads("depot", ADDRESS),
    "depot_register": writes(code="SD", name="Skerrydale"),
    "depot_correct": writes("depot", ADDRESS, name="The Old Quay"),
    "cabinet_model": Row(INSIDE, EVERYWHERE, catalogue("cove")),
    "cabinet_model_register": writes(name="Tern 20", sensor_count="2"),
    "cabinet_model_correct": Row(
        OFFICE, EVERYWHERE, catalogue("cove"), lambda c: {"refrigerant": "R290"}
    ),
    "device_model": Row(INSIDE, EVERYWHERE, catalogue("plumb_3")),
    "device_model_register": writes(
        name="Tern",
        sensor_count="2",
        principle="optical",
        blind_zone_mm="20",
        range_mm="2000",
        report_interval_min="30",
        serial_prefix="TN2",
        serial_alphabet="0123456789",
        serial_payload_length="6",
        serial_check_method="damm",
    ),
    "device_model_correct": Row(
        OFFICE, EVERYWHERE, catalogue("plumb_3"), lambda c: {"compensates": "yes"}
    ),
    "product": Row(INSIDE, EVERYWHERE, catalogue("eight_lb")),
    "product_register": writes(code="K3", name="3 kg bag", net_mass="3", net_mass_unit="kg"),
    "product_correct": Row(
        OFFICE, EVERYWHERE, catalogue("eight_lb"), lambda c: {"discontinued": "yes"}
    ),
    # People: read by everybody inside, let in by the administrator alone; tokens are the administrator's.
    "staff": reads(),
    "person": Row(INSIDE, EVERYWHERE, installer),
    "staff_add": writes(
        "",
        EVERYWHERE,
        ADMINISTRATOR,
        name="Una Sleet",
        username="una",
        password="drift-lantern-oar-19",
        role="installer",
        depots=lambda c: [str(c.world.tarnmouth.pk)],
    ),
    "staff_role": Row(ADMINISTRATOR, EVERYWHERE, installer, lambda c: {"role": "office"}),
    "staff_depots": Row(ADMINISTRATOR, EVERYWHERE, installer, lambda c: {"sees": "all", "depots": []}),
    "staff_deactivate": Row(ADMINISTRATOR, EVERYWHERE, installer, lambda c: dict(WHY)),
    "staff_reactivate": Row(ADMINISTRATOR, EVERYWHERE, leaver, lambda c: dict(WHY)),
    "staff_password": Row(
        ADMINISTRATOR, EVERYWHERE, installer, lambda c: {"password": "hail-on-the-roof-12"}
    ),
    "token_issue": Row(
        ADMINISTRATOR, EVERYWHERE, installer, lambda c: {"name": "red phone", "days": "30"}
    ),
    "token_revoke": Row(ADMINISTRATOR, EVERYWHERE, token, lambda c: dict(WHY)),
    # The ledger: of all depots at once.
    "entry": Row(INSIDE, WHOLE, lambda c: (7,)),
    "entry_receipt": Row(INSIDE, WHOLE, lambda c: (7,)),
    "location_receipt": Row(INSIDE, WHOLE, lambda c: (c.side.location,)),
    "device_receipt": Row(INSIDE, WHOLE, lambda c: (c.side.device,)),
    "checkpoints": Row(INSIDE, WHOLE),
    "checkpoint_file": Row(INSIDE, WHOLE, lambda c: (make_checkpoint(SYSTEM).size,)),
    "checkpoint_consistency": Row(INSIDE, WHOLE, lambda c: (make_checkpoint(SYSTEM).size,)),
    # Lists, which write nothing: they have no way to add, change or delete.
    **{
        f"registry_{model}_changelist": reads("", LIST)
        for model in ("location", "cabinet", "device", "depot")
    },
    **{
        f"registry_{model}_changelist": reads()
        for model in ("account", "cabinetmodel", "devicemodel", "product")
    },
    "registry_entry_changelist": reads("", WHOLE),
}  # fmt: skip

# The rows of Django's lists by which a person comes to a thing, and by which nobody writes.
THINGS: dict[str, tuple[str, Callable[[Case], tuple[Any, ...]]]] = {
    "account": (EVERYWHERE, account),
    "location": (ADDRESS, of("location")),
    "cabinet": (ADDRESS, of("cabinet")),
    "device": (ADDRESS, of("device")),
    "depot": (ADDRESS, of("depot")),
    "cabinetmodel": (EVERYWHERE, catalogue("cove")),
    "devicemodel": (EVERYWHERE, catalogue("plumb_3")),
    "product": (EVERYWHERE, catalogue("eight_lb")),
    "entry": (WHOLE, lambda c: (7,)),
}
OF_A_LIST = ("add", "change", "delete", "history")
# The way in and out, tested below; and what Django brings without a name.
GATES = {"login", "logout", "jsi18n"}
NAMELESS = {"<path:object_id>/": len(THINGS), "(?P<url>.*)$": 1}


# --- the whole console --------------------------------------------------------------------------------------


def addresses(resolver: Any = None, before: str = "") -> Iterator[tuple[str, str | None]]:
    """Walk every pattern of the site: its route from the root, and its name."""
    for pattern in (resolver or get_resolver()).url_patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from addresses(pattern, route)
        else:
            assert isinstance(pattern, URLPattern)
            yield route, pattern.name


def test_every_address_of_the_console_has_a_row_and_every_row_an_address() -> None:
    found = [(route, name) for route, name in addresses() if route.startswith("console/")]
    named = [name for _, name in found if name is not None]
    lists = {f"registry_{model}_{what}" for model in THINGS for what in OF_A_LIST}

    assert len(set(named)) == len(named)
    assert set(named) == set(TABLE) | lists | GATES
    nameless = [route for route, name in found if name is None]
    for ending, count in NAMELESS.items():
        assert sum(route.endswith(ending) for route in nameless) == count
    assert len(nameless) == sum(NAMELESS.values())


# --- the people ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Company:
    """A register of two depots, and browsers of each role, for one of them and for all."""

    own: Case
    other: Case
    absent: Case
    of_tarnmouth: dict[str, Client]
    of_all: dict[str, Client]


@pytest.fixture
def company(world: World) -> Company:
    ours, theirs = side(world, world.tarnmouth), side(world, world.fellgate)
    nowhere = Side(**{field.name: uuid4() for field in fields(Side)})  # type: ignore[arg-type]
    absent = Side(**{**asdict(nowhere), "serial": world.serial()})
    return Company(
        own=Case(world, ours, own=True),
        other=Case(world, theirs, own=False),
        absent=Case(world, absent, own=False),
        of_tarnmouth={role: signed_in(person(world, role, world.tarnmouth)) for role in ROLES},
        of_all={role: signed_in(person(world, role, everywhere=True)) for role in ROLES},
    )


def send(browser: Client, address: str, page: Any, values: dict[str, Any]) -> Any:
    """Send a form that somebody was shown, filled."""
    return browser.post(address, {**typed(page, **values), "step": "record"})


def is_led_to_the_way_in(answer: Any) -> bool:
    """Say whether somebody is asked to sign in as somebody whom the console lets in."""
    return answer.status_code == 302 and answer.headers["Location"].startswith(at("login"))


def newest() -> int:
    return Entry.objects.latest("index").index


def test_each_role_may_go_where_the_table_says_and_nowhere_else(
    company: Company, subtests: pytest.Subtests
) -> None:
    for name, row in TABLE.items():
        for role in ROLES:
            with subtests.test(name=name, role=role):
                near, far = company.of_tarnmouth[role], company.of_all[role]
                if role in row.who:
                    lets_in(company, name, row, near, far)
                else:
                    keeps_out(company, name, row, role, near, far)


def keeps_out(company: Company, name: str, row: Row, role: str, near: Client, far: Client) -> None:
    """Hold that nothing is shown or recorded, wherever it is."""
    asked = ((near, company.own), (far, company.other), (near, company.absent))
    with undone():
        prepared = [
            (browser, row.address(name, case), row.typed(case) if row.typed else {})
            for browser, case in asked
        ]
        with nothing_changed():
            for browser, address, values in prepared:
                shown = browser.get(address)
                sent = browser.post(address, {**values, "step": "record"})
                if role == "installer":
                    assert is_led_to_the_way_in(shown)
                    assert is_led_to_the_way_in(sent)
                else:
                    assert shown.status_code == 403
                    assert sent.status_code == (405 if row.typed is None else 403)


def lets_in(company: Company, name: str, row: Row, near: Client, far: Client) -> None:
    """Hold that a person of all depots may everywhere, and one of Tarnmouth at home only."""
    if row.depots == WHOLE:
        address = row.address(name, company.own)
        assert far.get(address).status_code == 200
        assert near.get(address).status_code in (403, 404)
        return
    for browser, case in ((near, company.own), (far, company.other)):
        does(name, row, browser, case)
    if row.depots == EVERYWHERE:
        does(name, row, near, company.other)
    elif row.depots == ADDRESS:
        is_hidden(company, name, row, near, far)
    elif row.depots == FORM:
        offers_its_own(company, name, row, near)


def does(name: str, row: Row, browser: Client, case: Case) -> None:
    """Hold that a page is shown and, where it writes, recorded as one entry."""
    with undone():
        address = row.address(name, case)
        page = browser.get(address)
        assert page.status_code == 200, page.status_code
        if row.typed is None:
            return
        before = newest()
        answer = send(browser, address, page, row.typed(case))
        assert answer.status_code in (200, 303), answer.context["problems"]
        assert newest() == before + 1


def is_hidden(company: Company, name: str, row: Row, near: Client, far: Client) -> None:
    """Hold that a thing of another depot looks as one that is not there, shown or sent."""
    address, nowhere = row.address(name, company.other), row.address(name, company.absent)
    page = far.get(address)
    near.get(at("index"))  # which tells what was recorded before; no other page shall
    with undone():
        values = typed(page, **row.typed(company.other)) if row.typed else {}
        with nothing_changed():
            answers = [near.get(address), near.get(nowhere)]
            if row.typed:
                sent = {**values, "step": "record"}
                answers += [near.post(address, sent), near.post(nowhere, sent)]
    assert {answer.status_code for answer in answers} == {404}
    assert len({text_of(answer) for answer in answers}) == 1


def offers_its_own(company: Company, name: str, row: Row, near: Client) -> None:
    """Hold that a form names no depot of others, and takes none."""
    assert row.typed
    with undone():
        address = row.address(name, company.own)
        page = near.get(address)
        theirs = str(company.other.side.depot)
        assert theirs not in page.content.decode()
        with nothing_changed():
            refused = send(near, address, page, {**row.typed(company.own), "depot": theirs})
    assert refused.status_code == 422
    assert [field for field, _ in refused.context["problems"]] == ["id_depot"]


# --- lists -----------------------------------------------------------------------------------------------


def test_a_list_shows_what_is_of_ones_own_depots(company: Company, subtests: pytest.Subtests) -> None:
    for model, (depots, key) in THINGS.items():
        if depots != ADDRESS:
            continue
        with subtests.test(model=model):
            address = at(f"registry_{model}_changelist")
            [ours], [theirs] = key(company.own), key(company.other)
            for role in INSIDE:
                near, far = (
                    {row.pk for row in browser.get(address).context["cl"].result_list}
                    for browser in (company.of_tarnmouth[role], company.of_all[role])
                )
                assert ours in near
                assert theirs not in near
                assert {ours, theirs} <= far


def test_what_is_suggested_is_of_ones_own_depots(company: Company, subtests: pytest.Subtests) -> None:
    asked = {
        "devices_suggest": lambda case: case.side.serial,
        "cabinets_suggest": lambda case: _tag_of(case),
        "locations_suggest": lambda case: _name_of(case),
    }
    for name, words in asked.items():
        with subtests.test(name=name):
            near, far = company.of_tarnmouth["office"], company.of_all["office"]

            def offered(browser: Client, case: Case, name: str = name, words: Any = words) -> bool:
                answer = browser.get(at(name), {"q": words(case)}).json()
                return any(group["options"] for group in answer["groups"])

            assert offered(near, company.own)
            assert offered(far, company.other)
            assert not offered(near, company.other)


def _tag_of(case: Case) -> str:
    from registry.models import Cabinet

    return Cabinet.objects.get(pk=case.side.cabinet).asset_tag


def _name_of(case: Case) -> str:
    from registry.models import LocationHolding

    held = LocationHolding.objects.current().get(location=case.side.location)
    return f"{held.account.code} {held.store_number}"


def test_nothing_is_written_through_a_list(company: Company, subtests: pytest.Subtests) -> None:
    with nothing_changed():
        for model, (_, key) in THINGS.items():
            for role in ROLES:
                with subtests.test(model=model, role=role):
                    browser = company.of_all[role]
                    for what in OF_A_LIST:
                        address = at(f"registry_{model}_{what}", *(key(company.own) if what != "add" else ()))
                        shown, sent = browser.get(address), browser.post(address, {"name": "x"})
                        if role == "installer":
                            assert is_led_to_the_way_in(shown)
                            assert is_led_to_the_way_in(sent)
                            continue
                        # What happened is told by the ledger: Django's own history is not kept.
                        wanted = {"add": (403,), "delete": (403,), "change": (200, 302), "history": (404,)}
                        assert shown.status_code in wanted[what]
                        assert sent.status_code == (404 if what == "history" else 403)
                    browser.post(at(f"registry_{model}_changelist"), {"action": "delete_selected"})


def test_a_row_of_a_list_leads_to_what_is_of_ones_own_depots(
    company: Company, subtests: pytest.Subtests
) -> None:
    for model, (depots, key) in THINGS.items():
        if depots != ADDRESS:
            continue
        for role in INSIDE:
            with subtests.test(model=model, role=role):
                near, far = company.of_tarnmouth[role], company.of_all[role]
                name = f"registry_{model}_change"
                assert near.get(at(name, *key(company.own)), follow=True).status_code == 200
                assert far.get(at(name, *key(company.other)), follow=True).status_code == 200
                hidden = near.get(at(name, *key(company.other)))
                absent = near.get(at(name, *key(company.absent)))
                assert (hidden.status_code, absent.status_code) == (404, 404)
                assert text_of(hidden) == text_of(absent)


# --- strangers, auditors and forged forms ------------------------------------------------------------------


def test_nobody_sees_anything_without_signing_in(company: Company, subtests: pytest.Subtests) -> None:
    nobody = Client()
    for name, row in TABLE.items():
        with subtests.test(name=name), undone():
            address = row.address(name, company.own)
            values = row.typed(company.own) if row.typed else {}
            with nothing_changed():
                assert is_led_to_the_way_in(nobody.get(address))
                assert is_led_to_the_way_in(nobody.post(address, {**values, "step": "record"}))
    assert is_led_to_the_way_in(nobody.get("/console/nothing/at/all/"))


def test_the_way_in_is_open_and_the_way_out_takes_a_form(company: Company) -> None:
    nobody, office = Client(), company.of_all["office"]
    assert nobody.get(at("login")).status_code == 200
    assert is_led_to_the_way_in(nobody.get(at("jsi18n")))
    assert office.get(at("logout")).status_code == 405  # a link or picture elsewhere signs nobody out
    assert office.get(at("index")).status_code == 200
    assert office.post(at("logout")).status_code in (200, 302)
    assert is_led_to_the_way_in(office.get(at("index")))


def test_an_auditor_changes_nothing_of_the_fleet(company: Company, subtests: pytest.Subtests) -> None:
    """With the very form that the administrator was shown; an auditor counts, and that is all."""
    writing = [(name, row) for name, row in TABLE.items() if row.typed and "auditor" not in row.who]
    counting = {name for name, row in TABLE.items() if row.typed} - {name for name, _ in writing}
    assert counting == {"count_draw", "count_place", "count_recount", "count_close"}
    assert len(writing) > 40
    administrator = company.of_all["administrator"]
    prepared = []
    for name, row in writing:
        address = row.address(name, company.own)
        assert row.typed
        prepared.append((name, address, typed(administrator.get(address), **row.typed(company.own))))
    with nothing_changed():
        for name, address, values in prepared:
            for browser in (company.of_tarnmouth["auditor"], company.of_all["auditor"]):
                for step in ("check", "record"):
                    with subtests.test(name=name, step=step):
                        assert browser.post(address, {**values, "step": step}).status_code == 403


def test_a_form_that_another_site_made_up_is_not_recorded(
    company: Company, subtests: pytest.Subtests
) -> None:
    wary = Client(enforce_csrf_checks=True)
    wary.force_login(Staff.objects.get(pk=company.own.world.administrator.staff_id))
    for name, row in TABLE.items():
        if row.typed is None:
            continue
        with subtests.test(name=name), undone():
            address, values = row.address(name, company.own), row.typed(company.own)
            with nothing_changed():
                assert wary.post(address, {**values, "step": "record"}).status_code == 403


def test_other_methods_are_known_to_nobody(company: Company, subtests: pytest.Subtests) -> None:
    administrator = company.of_all["administrator"]
    for name, row in TABLE.items():
        with subtests.test(name=name), undone():
            address = row.address(name, company.own)
            with nothing_changed():
                for method in (
                    "PUT",
                    "PATCH",
                    "DELETE",
                    "OPTIONS",
                    *(() if row.typed or name in SENT else ("POST",)),
                ):
                    answer = administrator.generic(method, address)
                    assert answer.status_code == 405 or name.endswith("_changelist"), method
