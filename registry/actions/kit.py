"""Kit: parts that go on a van, and the rules by which they are counted."""

from collections.abc import Mapping
from uuid import UUID

from registry.actions._action import Writing, action
from registry.actions._records import cleaned, correct_record
from registry.actions._steps import find
from registry.models import KitPart, KitRule
from registry.rules.errors import Code, RuleBroken
from registry.rules.events import Verb
from registry.rules.kit import (
    PART_FIELDS,
    PART_REQUIRED,
    RULE_FIELDS,
    RULE_REQUIRED,
    USUAL,
    check_rule,
)
from registry.rules.roles import Act


@action(Act.KEEP_CATALOGUE)
def register_kit_part(writing: Writing, *, particulars: Mapping[str, object]) -> KitPart:
    """Register a part (rules.kit.PART_FIELDS); raises RuleBroken CODE_TAKEN and what cleaning does."""
    part = writing.insert(KitPart(**cleaned(KitPart, particulars, PART_FIELDS, required=PART_REQUIRED)))
    writing.tell(Verb.KIT_PART_REGISTERED, writing.now, {"kit_part": part})
    return part


@action(Act.KEEP_CATALOGUE)
def correct_kit_part(
    writing: Writing, *, part_id: UUID, particulars: Mapping[str, object], reason: str = ""
) -> KitPart:
    """Correct a part, or mark it discontinued; raises as `_records.correct_record` does."""
    part = correct_record(writing, KitPart, part_id, particulars, PART_FIELDS)
    writing.tell(Verb.KIT_PART_CORRECTED, writing.now, {"kit_part": part}, reason=reason)
    return part


@action(Act.KEEP_CATALOGUE)
def set_kit_rule(writing: Writing, *, part_id: UUID, particulars: Mapping[str, object]) -> KitRule:
    """Set a rule by which a part is taken along (rules.kit.RULE_FIELDS).

    A rule is not changed: withdraw it and set another. Raises RuleBroken VALUE_INVALID, NOT_FOUND and what
    cleaning does.
    """
    part = find(KitPart, part_id, "part")
    values = cleaned(KitRule, particulars, RULE_FIELDS, required=RULE_REQUIRED)
    rule = KitRule(part=part, **values)
    check_rule(rule.width_from_mm, rule.width_below_mm)
    writing.insert(rule)
    writing.tell(Verb.KIT_RULE_SET, writing.now, {"kit_part": part, "kit_rule": rule})
    return rule


@action(Act.KEEP_CATALOGUE)
def withdraw_kit_rule(writing: Writing, *, rule_id: UUID, reason: str = "") -> KitRule:
    """Withdraw a rule; raises RuleBroken NOTHING_CHANGES, NOT_FOUND."""
    rule = writing.revise(find(KitRule, rule_id, "rule"), withdrawn=True)
    writing.tell(
        Verb.KIT_RULE_WITHDRAWN, writing.now, {"kit_part": rule.part, "kit_rule": rule}, reason=reason
    )
    return rule


@action(Act.KEEP_CATALOGUE)
def adopt_kit(writing: Writing) -> list[KitPart]:
    """Register the usual parts with their rules, where none of their codes is taken.

    Common practice to begin with, to be changed by the office. Raises RuleBroken CODE_TAKEN.
    """
    taken = KitPart.objects.filter(code__in=[usual.code for usual in USUAL]).order_by("code")
    if codes := list(taken.values_list("code", flat=True)):
        raise RuleBroken(
            Code.CODE_TAKEN,
            f"There is a kit part {' and '.join(codes)} already. Register what is missing one by one.",
            field="code",
        )
    parts = []
    for usual in USUAL:
        part = writing.insert(KitPart(code=usual.code, name=usual.name))
        for name, quantity, besides in usual.rules:
            writing.insert(KitRule(part=part, name=name, quantity=quantity, **besides))
        parts.append(part)
    writing.tell(Verb.KIT_ADOPTED, writing.now, {"kit_part": parts})
    return parts
