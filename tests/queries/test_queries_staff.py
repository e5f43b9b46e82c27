"""What a person may see, as the register stands."""

from collections.abc import Callable

import pytest

from registry.actions import staff
from registry.models import Staff
from registry.queries.staff import scope_of
from registry.rules.roles import Role, Scope
from tests.factories.world import World, person

Count = Callable[[int], object]


def them(world: World, role: str, *depots: object, everywhere: bool = False) -> Staff:
    return Staff.objects.get(pk=person(world, role, *depots, everywhere=everywhere).staff_id)


@pytest.mark.parametrize("role", [str(role) for role in Role])
def test_a_scope_is_the_role_and_the_depots_given_now_in_one_query(
    world: World, role: str, django_assert_num_queries: Count
) -> None:
    someone = them(world, role, world.tarnmouth, world.fellgate)
    with django_assert_num_queries(1):  # type: ignore[attr-defined]
        scope = scope_of(someone)
    assert scope == Scope(
        Role(role), frozenset({world.tarnmouth.pk, world.fellgate.pk}), everywhere=False, staff_id=someone.pk
    )

    staff.change_depots(world.administrator, staff_id=someone.pk, depots=[world.fellgate.pk])
    assert scope_of(someone).depots == {world.fellgate.pk}, "the other was taken back"
    staff.change_depots(world.administrator, staff_id=someone.pk, depots=[])
    assert scope_of(someone).depots == frozenset()


def test_who_has_all_depots_is_asked_for_none(world: World, django_assert_num_queries: Count) -> None:
    someone = them(world, "auditor", world.tarnmouth, everywhere=True)
    with django_assert_num_queries(0):  # type: ignore[attr-defined]
        scope = scope_of(someone)
    assert scope == Scope(Role.AUDITOR, everywhere=True, staff_id=someone.pk)
    assert scope.covers(world.fellgate.pk)


def test_what_is_given_to_one_person_is_not_given_to_another(world: World) -> None:
    one, other = them(world, "installer", world.tarnmouth), them(world, "installer", world.fellgate)
    assert scope_of(one).covers(world.tarnmouth.pk)
    assert not scope_of(one).covers(world.fellgate.pk)
    assert not scope_of(other).covers(world.tarnmouth.pk)
