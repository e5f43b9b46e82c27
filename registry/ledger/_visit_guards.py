"""What the database refuses of visits: steps out of turn, and what is told of a visit that is none."""

from collections.abc import Iterator

from registry.ledger._guard import INSERT, UPDATE, Guard
from registry.models import AcceptanceCheck, Photo, Visit
from registry.rules.visits import BECOMES, VisitState


def visit_guards(changed: str) -> Iterator[Guard]:
    """Yield the guards of visits; `changed` is the condition that a column of a visit changes."""
    table = Visit._meta.db_table
    steps = " OR ".join(
        f"(OLD.state = '{state}' AND NEW.state = '{wanted}')"
        for state, nexts in BECOMES.items()
        for wanted in nexts
    )
    over = ", ".join(f"'{state}'" for state, nexts in BECOMES.items() if not nexts)
    yield Guard(
        table, "planned_first", INSERT, f"NEW.state <> '{VisitState.PLANNED}'", "a visit is planned first"
    )
    yield Guard(
        table,
        "in_turn",
        UPDATE,
        "NEW.location_id {differs} OLD.location_id OR NEW.kind {differs} OLD.kind"
        f" OR (NEW.state {{differs}} OLD.state AND NOT ({steps}))",
        "a visit takes its steps in turn, and its place and kind stay",
    )
    yield Guard(
        table, "over", UPDATE, f"OLD.state IN ({over}) AND ({changed})", "what is over stays as it is"
    )
    # No foreign key: what is told of a visit that was called off is refused, too.
    # A check knows its location; where a photo's cabinet stood is asked by the action alone.
    for model, there in ((AcceptanceCheck, " AND v.location_id = NEW.location_id"), (Photo, "")):
        yield Guard(
            model._meta.db_table,
            "of_a_visit",
            INSERT,
            f"NEW.visit_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM {table} v WHERE v.id = NEW.visit_id"
            f" AND v.state <> '{VisitState.CANCELLED}'{there})",
            "it names a visit that goes there and was not cancelled",
        )
    yield Guard(
        Photo._meta.db_table,
        "same_visit",
        UPDATE,
        "NEW.visit_id {differs} OLD.visit_id",
        "a photo stays with its visit",
    )
