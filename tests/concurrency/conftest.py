"""What the races share: on which database they are run."""

from collections.abc import Iterator

import pytest

from tests.concurrency.databases import NewDatabase, postgresql_databases, sqlite_databases


@pytest.fixture(scope="module", params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def new_database(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[NewDatabase]:
    """Return how to make a migrated database: the migrations run once, each race gets a copy."""
    home = tmp_path_factory.mktemp("races")
    make = postgresql_databases() if request.param == "postgresql" else sqlite_databases(home)
    with make as new:
        yield new
