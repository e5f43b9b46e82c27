"""Visits in sight, what is known of their cabinets, and what goes on the van."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from django.db.models import Max, Prefetch, Q, QuerySet

from registry.models import (
    Cabinet,
    CabinetSurvey,
    CabinetWhereabouts,
    Depot,
    KitPart,
    KitRule,
    Subject,
    Visit,
    VisitCabinet,
)
from registry.queries.moments import present
from registry.queries.records import as_known
from registry.rules.cabinets import DoorKind, Refrigeration, Setting, Supply
from registry.rules.cautions import CabinetFacts, Caution, cautions_of_facts, digest
from registry.rules.errors import RuleBroken, absent
from registry.rules.events import Verb
from registry.rules.kit import KitBasis, KitCondition, KitLine, Rule, kit
from registry.rules.roles import Role, Scope
from registry.rules.surveys import Drilling, Liner, SurveyOutcome
from registry.rules.visits import OPEN, VisitKind, check_ready, check_release

VISITS_LISTED_MAX = 20  # on the page of a location or a cabinet; more are on the list of visits
DAYS_LISTED_MAX = 14  # of nobody's visits; each is a kit list of its own

# --- visits ----------------------------------------------------------------------------------------


def visits_in_sight(scope: Scope, staff_id: UUID | None = None) -> "QuerySet[Visit]":
    """Return the visits that this person may see, in no order.

    Those of the scope's depots; for an installer only their own ones and those that are nobody's.
    """
    found = Visit.objects.all()
    if not scope.everywhere:
        found = found.filter(location__depot__in=scope.depots)
    if scope.role is Role.INSTALLER:
        found = found.filter(Q(installer=None) | Q(installer=staff_id or scope.staff_id))
    return found


def visits_as_shown(rows: "QuerySet[Visit]") -> "QuerySet[Visit]":
    """Return visits with what is shown of them: location, person, and cabinets in the order of work."""
    cabinets = VisitCabinet.objects.filter(withdrawn=False).order_by("position", "id")
    cabinets = cabinets.select_related("cabinet__model", "acknowledged_by")
    return rows.select_related("location", "installer").prefetch_related(
        Prefetch("cabinets", queryset=cabinets, to_attr="shown_cabinets")
    )


def visit_now(visit_id: UUID, scope: Scope, staff_id: UUID | None = None) -> Visit:
    """Return a visit with what is shown of it; raises RuleBroken NOT_FOUND for an absent or hidden one."""
    visit = visits_as_shown(visits_in_sight(scope, staff_id).filter(pk=visit_id)).first()
    if visit is None:
        raise absent("visit")
    return visit


def cabinets_of(visit: Visit) -> list[VisitCabinet]:
    """Return the cabinets of a visit in the order of work."""
    rows = VisitCabinet.objects.filter(visit=visit, withdrawn=False).order_by("position", "id")
    return list(rows.select_related("cabinet__model", "acknowledged_by"))


def authority_given(visit: Visit, day: date) -> bool:
    """Say whether the customer has allowed an installation there by a day."""
    given: date | None = visit.location.authority_on
    return given is not None and given <= day


def against_release(visit: Visit) -> str:
    """Return what stands against the release of a visit, in words; blank where nothing does."""
    try:
        check_release(
            VisitKind(visit.kind),
            authority=authority_given(visit, visit.planned_on),
            unsuitable=unsuitable(line.cabinet for line in cabinets_of(visit)),
            override_reason="",
        )
    except RuleBroken as broken:
        return broken.message
    return ""


@dataclass(frozen=True, slots=True)
class Covered:
    """What the reason of a release stands in for: authority to install, and cabinets without a survey."""

    authority: bool = False
    cabinets: frozenset[UUID] = frozenset()


def covered_by_release(visit: Visit) -> Covered:
    """Return what was already missing when a visit was released with a reason: that alone is covered.

    A cabinet that has come there since, or was surveyed since, is judged afresh.
    """
    if not visit.override_reason:
        return Covered()
    told = Subject.objects.filter(thing_id=visit.pk, part="visit", entry__verb=str(Verb.VISIT_RELEASED))
    index: int = told.aggregate(newest=Max("entry"))["newest"]
    location, then = as_known([visit.location], index)[0], as_known([visit], index)[0]
    given: date | None = location.authority_on
    keys = {line.cabinet_id for line in cabinets_of(visit)}
    since_then = CabinetWhereabouts.objects.current().filter(cabinet__in=keys, recorded__gt=index)
    surveyed = CabinetSurvey.objects.filter(cabinet__in=keys, registered__gt=index)
    changed = {*since_then.values_list("cabinet", flat=True), *surveyed.values_list("cabinet", flat=True)}
    return Covered(given is None or given > then.planned_on, frozenset(keys - changed))


def lacking_at_begin(visit: Visit, day: date, at: datetime | None = None) -> tuple[bool, list[str]]:
    """Say whether authority is given by a day, and which cabinets are unfit, less what a release covers.

    Surveys are those of the time `at`, or of now.
    """
    covered = covered_by_release(visit)
    lines = [line.cabinet for line in cabinets_of(visit) if line.cabinet_id not in covered.cabinets]
    return authority_given(visit, day) or covered.authority, unsuitable(lines, at)


def against_begin(visit: Visit, day: date) -> str:
    """Return what a released visit has lost since its release, in words; blank where nothing."""
    authority, unfit = lacking_at_begin(visit, day)
    try:
        check_ready(VisitKind(visit.kind), authority=authority, unsuitable=unfit)
    except RuleBroken as broken:
        return broken.message
    return ""


def gone_from(visit: Visit, at: datetime) -> list[str]:
    """Return the labels of a visit's cabinets that did not stand where it goes at a time."""
    lines = cabinets_of(visit)
    stays = CabinetWhereabouts.objects.current().valid_at(at).filter(location=visit.location_id)
    there = set(
        stays.filter(cabinet__in=[line.cabinet_id for line in lines]).values_list("cabinet", flat=True)
    )
    return [line.cabinet.label for line in lines if line.cabinet_id not in there]


def unsurveyed(visit: Visit) -> list[str]:
    """Return the labels of the cabinets that a survey was to look at and that were not surveyed on it."""
    return [label for _, label in cabinets_left_out(visit)]


def cabinets_left_out(visit: Visit) -> list[tuple[UUID, str]]:
    """Return key and label of each cabinet of a survey that was not surveyed on it, in the order of work."""
    if visit.kind != VisitKind.SURVEY:
        return []
    done = set(CabinetSurvey.objects.filter(visit=visit).values_list("cabinet", flat=True))
    lines = [line for line in cabinets_of(visit) if line.cabinet_id not in done]
    return [(line.cabinet_id, line.cabinet.label) for line in lines]


def visits_to_come(
    scope: Scope, *, location_id: UUID | None = None, cabinet_id: UUID | None = None
) -> list[Visit]:
    """Return the visits to a location, or for a cabinet, that are still to be made, by day."""
    found = visits_in_sight(scope).filter(state__in=[str(state) for state in OPEN])
    if location_id is not None:
        found = found.filter(location=location_id)
    if cabinet_id is not None:
        lines = VisitCabinet.objects.filter(cabinet=cabinet_id, withdrawn=False)
        found = found.filter(pk__in=lines.values("visit"))
    return list(visits_as_shown(found).order_by("planned_on", "id")[:VISITS_LISTED_MAX])


# --- what is known of cabinets ---------------------------------------------------------------------


def surveys_now(cabinets: Iterable[UUID], at: datetime | None = None) -> dict[UUID, CabinetSurvey]:
    """Return the newest survey of each cabinet where it stood at a time, now unless told.

    A move makes older ones worthless.
    """
    keys = set(cabinets)
    then = at or present().valid_at
    stays = CabinetWhereabouts.objects.current().valid_at(then).filter(cabinet__in=keys)
    since = dict(stays.values_list("cabinet", "valid_from"))
    newest: dict[UUID, CabinetSurvey] = {}
    rows = CabinetSurvey.objects.filter(cabinet__in=keys, surveyed_at__lte=then)
    rows = rows.order_by("surveyed_at", "registered", "id")
    for survey in rows.select_related("surveyed_by"):
        if survey.cabinet_id in since and survey.surveyed_at >= since[survey.cabinet_id]:
            newest[survey.cabinet_id] = survey
    return newest


def surveys_in(scope: Scope) -> "QuerySet[CabinetSurvey]":
    """Return the surveys of cabinets that stand where the scope's depots answer, in no order."""
    if scope.everywhere:
        return CabinetSurvey.objects.all()
    stays = CabinetWhereabouts.objects.current().valid_at(present().valid_at)
    here = stays.filter(Q(depot__in=scope.depots) | Q(location__depot__in=scope.depots))
    return CabinetSurvey.objects.filter(cabinet__in=here.values("cabinet"))


def facts_of(cabinets: Iterable[Cabinet]) -> dict[UUID, CabinetFacts]:
    """Return what is known of each cabinet now; their models have been read already."""
    rows = list(cabinets)
    surveys = surveys_now(cabinet.pk for cabinet in rows)
    return {cabinet.pk: _facts(cabinet, surveys.get(cabinet.pk)) for cabinet in rows}


def _facts(cabinet: Cabinet, survey: CabinetSurvey | None) -> CabinetFacts:
    model = cabinet.model
    return CabinetFacts(
        label=cabinet.label,
        door=DoorKind(model.door),
        refrigeration=Refrigeration(model.refrigeration),
        supply=Supply(model.supply),
        setting=Setting(cabinet.setting),
        refrigerant=model.refrigerant,
        charge_g=model.refrigerant_charge_g,
        interior_width_mm=model.interior_width_mm,
        sensor_count=model.sensor_count,
        near_water=survey.near_water if survey else None,
        needs_ladder=survey.needs_ladder if survey else None,
        drilling=Drilling(survey.drilling) if survey else Drilling.UNKNOWN,
        liner=Liner(survey.liner) if survey else Liner.UNKNOWN,
    )


def cautions_of(cabinet: Cabinet) -> list[Caution]:
    """Return the cautions of a cabinet as it is known now."""
    return cautions_of_facts(facts_of([cabinet])[cabinet.pk])


def unsuitable(cabinets: Iterable[Cabinet], at: datetime | None = None) -> list[str]:
    """Return the labels of cabinets that no survey calls fit for work where they stood at a time, or now."""
    rows = list(cabinets)
    surveys = surveys_now((cabinet.pk for cabinet in rows), at)
    return [
        cabinet.label
        for cabinet in rows
        if cabinet.pk not in surveys or surveys[cabinet.pk].outcome == SurveyOutcome.UNSUITABLE
    ]


@dataclass(frozen=True, slots=True)
class CabinetOfVisit:
    """A cabinet of a visit: its line, its cautions as they now read, and its newest survey."""

    line: VisitCabinet
    cautions: list[Caution]
    survey: CabinetSurvey | None

    @property
    def acknowledged(self) -> bool:
        """Whether somebody acknowledged the cautions as they now read."""
        return self.line.cautions_sha256 == digest(self.cautions)

    def acknowledged_by(self, staff_id: UUID | None) -> bool:
        """Say whether this person acknowledged the cautions as they now read."""
        return self.acknowledged and self.line.acknowledged_by_id == staff_id


def work_of(visit: Visit) -> list[CabinetOfVisit]:
    """Return the cabinets of a visit with what has to be known of each."""
    lines = cabinets_of(visit)
    surveys = surveys_now(line.cabinet_id for line in lines)
    return [
        CabinetOfVisit(
            line,
            cautions_of_facts(_facts(line.cabinet, surveys.get(line.cabinet_id))),
            surveys.get(line.cabinet_id),
        )
        for line in lines
    ]


# --- kit -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KitEntry:
    """A line of a kit list, with its part."""

    part: KitPart
    line: KitLine


def rules_now() -> list[KitRule]:
    """Return the rules in force, of parts that are still in use, by part and in the order they were set."""
    rows = KitRule.objects.filter(withdrawn=False, part__discontinued=False).select_related("part")
    return list(rows.order_by("part__code", "registered", "id"))


def kit_of(visits: Iterable[Visit]) -> list[KitEntry]:
    """Return what to take along for some visits together."""
    [found] = kits_of([visits])
    return found


def kits_of(vans: Iterable[Iterable[Visit]]) -> list[list[KitEntry]]:
    """Return what each van takes along for its visits together: three queries for all of them."""
    loads = [{visit.pk: visit for visit in visits} for visits in vans]
    lines = list(
        VisitCabinet.objects.filter(visit__in={key for load in loads for key in load}, withdrawn=False)
        .order_by("visit", "position", "id")
        .select_related("cabinet__model")
    )
    facts = facts_of(line.cabinet for line in lines)
    rules = rules_now()
    parts: Mapping[UUID, KitPart] = {rule.part_id: rule.part for rule in rules}
    plain = [_plain(rule) for rule in rules]
    kits = []
    for load in loads:
        mine = [line for line in lines if line.visit_id in load]
        jobs = [(VisitKind(load[line.visit_id].kind), facts[line.cabinet_id]) for line in mine]
        kits.append([KitEntry(parts[line.part], line) for line in kit(jobs, plain)])
    return kits


def visits_of_van(scope: Scope, day: date, installer_id: UUID | None) -> list[Visit]:
    """Return the visits of a day that are still to be made, of one person or of nobody, by location."""
    found = visits_in_sight(scope).filter(planned_on=day, state__in=[str(state) for state in OPEN])
    found = found.filter(installer=installer_id)
    return list(visits_as_shown(found).order_by("location__name", "id"))


@dataclass(frozen=True, slots=True)
class DayOfNobody:
    """The visits of a depot on a day for which nobody is named yet, and what they need together."""

    depot: Depot
    day: date
    visits: list[Visit]
    kit: list[KitEntry]


def days_of_nobody(scope: Scope) -> list[DayOfNobody]:
    """Return the visits to be made that are nobody's, summed by depot and day, the earliest first.

    Up to DAYS_LISTED_MAX of them. Each costs the queries of `kit_of`.
    """
    found = visits_in_sight(scope).filter(state__in=[str(state) for state in OPEN], installer=None)
    rows = visits_as_shown(found).select_related("location__depot")
    groups: dict[tuple[date, UUID], list[Visit]] = {}
    for visit in rows.order_by("planned_on", "location__depot__code", "location__name", "id"):
        groups.setdefault((visit.planned_on, visit.location.depot_id), []).append(visit)
    listed = list(groups.items())[:DAYS_LISTED_MAX]
    return [DayOfNobody(some[0].location.depot, day, some, kit_of(some)) for (day, _), some in listed]


def _plain(rule: KitRule) -> Rule:
    return Rule(
        part=rule.part_id,
        quantity=rule.quantity,
        name=rule.name,
        condition=KitCondition(rule.condition),
        basis=KitBasis(rule.basis),
        for_each=rule.for_each,
        width_from_mm=rule.width_from_mm,
        width_below_mm=rule.width_below_mm,
        visit_kind=VisitKind(rule.visit_kind) if rule.visit_kind else None,
    )
