"""What all tests share: the database, the clock, the people, and a watch over who writes."""

import copy
import gc
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from django.conf import settings
from django.db import connection, connections, transaction
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from tests import postgresql
from tests.factories.world import World

WORK_STARTS_AT = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)  # a Monday of the invented company

hypothesis_settings.register_profile(
    "rimebook", deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
hypothesis_settings.load_profile("rimebook")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--database", choices=["sqlite", "postgresql"], default="sqlite", help="where database tests run"
    )


def pytest_configure(config: pytest.Config) -> None:
    settings.AXES_ENABLED = False  # a test of the lock-out turns it on
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # speed, not secrecy
    if config.getoption("--database") == "postgresql":
        from config.settings import database_at

        with suppress(AttributeError):  # none is open yet where nothing has asked for it
            del connections["default"]
        connections.settings = connections.configure_settings(
            {"default": database_at(postgresql.server_url())}
        )


def pytest_report_header(config: pytest.Config) -> str:
    return f"database: {config.getoption('--database')}"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what the other database alone can be asked: it is no test here, so nothing is skipped."""
    chosen = config.getoption("--database")
    left_out = [
        item for item in items if (mark := item.get_closest_marker("statement_of")) and mark.args != (chosen,)
    ]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


def pytest_collection_finish() -> None:
    """Let the collector of garbage pass over what lives as long as the run, and come less often."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip loudly what needs PostgreSQL where there is none; never in CI."""
    if item.get_closest_marker("postgresql") and postgresql.binaries() is None:
        if os.environ.get("CI"):
            pytest.fail("PostgreSQL is missing, and CI skips nothing")
        pytest.skip("NO POSTGRESQL SERVER ON THIS MACHINE: install Debian's package postgresql")


# --- who writes -------------------------------------------------------------------------------------

_allowed: ContextVar[bool] = ContextVar("writes_allowed", default=False)


@contextmanager
def outside_actions() -> Iterator[None]:
    """Let a test write to the register's tables behind the actions' back, on purpose."""
    token = _allowed.set(True)
    try:
        yield
    finally:
        _allowed.reset(token)


def _refuse_stray_writes(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
    from registry.actions import _action

    words = sql.lstrip().upper()
    if (
        words.startswith(("INSERT", "UPDATE", "DELETE"))
        and '"REGISTRY_' in words
        and not (_allowed.get() or _action.is_open())
    ):
        raise AssertionError(f"a write outside any action: {sql[:200]}")
    return execute(sql, params, many, context)


@pytest.fixture(autouse=True)
def watch(request: pytest.FixtureRequest) -> Iterator[None]:
    """In every database test: all guards stand, and only actions write."""
    if not {"db", "transactional_db"} & set(request.fixturenames):
        yield
        return
    request.getfixturevalue("transactional_db" if "transactional_db" in request.fixturenames else "db")
    from registry.ledger import guards

    assert guards.missing(connection) == []
    with connection.execute_wrapper(_refuse_stray_writes):
        yield


@pytest.fixture
def real_transactions(transactional_db: None) -> Iterator[None]:
    """Commit for real. The guards are lifted for the flush at the end, which puts them back."""
    yield
    from registry.ledger import guards

    guards.remove(connection)


# --- the clock and the company ----------------------------------------------------------------------


@pytest.fixture
def clock(db: None) -> Iterator[Any]:
    """A simulated clock that stands at WORK_STARTS_AT until a test moves it."""
    from registry.ledger import clock as ledger_clock

    with ledger_clock.simulated(WORK_STARTS_AT) as simulated:
        yield simulated


Statement = tuple[str, Any]


@pytest.fixture(scope="session")
def founding() -> tuple[list[Statement], list[World]]:
    """The statements that founded the company, and what they founded; empty until the first test."""
    return [], []


@pytest.fixture
def world(clock: Any, founding: tuple[list[Statement], list[World]]) -> World:
    """A founded register with people, depots, models, products, an account and a location.

    It is founded once through actions and written again as those wrote it: a thousand tests begin with it.
    """
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
