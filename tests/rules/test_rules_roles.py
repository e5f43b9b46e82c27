"""Roles: the table of role by act written out a second time, and the depots that a person sees."""

from itertools import product
from uuid import UUID

import pytest
from rule_checks import refused

from registry.rules.errors import Code
from registry.rules.roles import ALLOWED, Act, Role, Scope, require_act, require_depot

TABLE = """
                    office  installer  auditor  administrator
manage_staff        no      no         no       yes
keep_catalogue      yes     no         no       yes
keep_customers      yes     no         no       yes
place_cabinet       yes     yes        no       yes
scrap_cabinet       yes     no         no       yes
set_split           yes     yes        no       yes
receive_devices     yes     no         no       yes
hand_over_device    yes     yes        no       yes
retire_device       yes     no         no       yes
assign_device       yes     yes        no       yes
record_provisional  yes     yes        no       yes
judge_provisional   yes     no         no       yes
take_over           yes     no         no       yes
correct_history     yes     no         no       yes
count               yes     no         yes      yes
record_mounting     yes     yes        no       yes
keep_practice       yes     no         no       yes
erase_photo         yes     no         no       yes
accept_installation yes    yes       no       yes
plan_visit          yes     no         no       yes
work_visit          yes     yes        no       yes
manage_tokens       no      no         no       yes
read_register       yes     yes        yes      yes
read_ledger         yes     no         yes      yes
read_staff          yes     no         yes      yes
"""
HEADER, *ROWS = (line.split() for line in TABLE.strip().splitlines())
ANSWERS = {
    (Role(role), Act(row[0])): answer == "yes"
    for row in ROWS
    for role, answer in zip(HEADER, row[1:], strict=True)
}
SKERRY, LANTERN = UUID(int=1), UUID(int=2)


def test_the_table_names_every_role_and_act() -> None:
    assert set(ANSWERS) == set(product(Role, Act))
    assert set(ALLOWED) == set(Role)


@pytest.mark.parametrize(("role", "act"), ANSWERS, ids=str)
def test_a_role_may_do_what_the_table_says(role: Role, act: Act) -> None:
    if ANSWERS[role, act]:
        require_act(role, act)
    else:
        with refused(Code.ROLE_FORBIDS, None) as caught:
            require_act(role, act)
        assert caught.value.details == {"role": role.value, "act": act.value}
        able = [other.value for other in Role if ANSWERS[other, act]]
        assert (
            caught.value.message == f"As {role} you cannot do this. Ask somebody who is {' or '.join(able)}."
        )


@pytest.mark.parametrize("role", Role)
def test_a_person_sees_the_depots_given_to_them(role: Role) -> None:
    scope = Scope(role, frozenset({SKERRY}))
    assert scope.covers(SKERRY)
    assert not scope.covers(LANTERN)
    require_depot(scope, SKERRY)
    with refused(Code.NOT_FOUND, None):
        require_depot(scope, LANTERN)
    with refused(Code.NOT_FOUND, "to"):
        require_depot(scope, LANTERN, "to")


@pytest.mark.parametrize("role", Role)
def test_nobody_sees_a_depot_by_role_alone(role: Role) -> None:
    with refused(Code.NOT_FOUND, None):
        require_depot(Scope(role), SKERRY)


@pytest.mark.parametrize("role", Role)
def test_who_is_let_in_everywhere_needs_no_depot_by_name(role: Role) -> None:
    require_depot(Scope(role, everywhere=True), SKERRY)
    assert Scope(role, frozenset({LANTERN}), everywhere=True).covers(SKERRY)
