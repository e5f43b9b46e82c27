"""The company, founded once through actions and written again as those wrote it: 350 tests begin with it."""

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from django.db import connection, transaction

from registry.ledger.clock import SimulatedClock
from tests.conftest import outside_actions
from tests.factories.world import World

Statement = tuple[str, Any]


@pytest.fixture(scope="session")
def founding() -> tuple[list[Statement], list[World]]:
    """The statements that founded the company, and what they founded; empty until the first test."""
    return [], []


@pytest.fixture
def world(clock: SimulatedClock, founding: tuple[list[Statement], list[World]]) -> World:
    """A founded register with people, depots, models, products, an account and a location."""
    statements, founded = founding
    if founded:
        with outside_actions(), transaction.atomic(), connection.cursor() as cursor:
            for sql, params in statements:
                cursor.execute(sql, params)
    else:
        with connection.execute_wrapper(_keeping(statements)):
            founded.append(World.found(clock))
    return replace(copy.deepcopy(founded[0]), clock=clock)


def _keeping(statements: list[Statement]) -> Callable[..., Any]:
    def keep(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        assert not many
        if sql.lstrip().upper().startswith(("INSERT", "UPDATE", "DELETE")):
            statements.append((sql, params))
        return execute(sql, params, many, context)

    return keep
