"""Databases of their own for processes of their own: a SQLite file each, or a database of a server."""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import uuid4

import psycopg

from tests import postgresql

TIMEOUT_S = 120  # a race takes a few seconds; one that hangs is ended

NewDatabase = Callable[[], AbstractContextManager[str]]


@contextmanager
def sqlite_databases(home: Path) -> Iterator[NewDatabase]:
    """Give a way to make a migrated SQLite file: migrated once, copied each time."""
    pattern = home / "pattern.sqlite3"
    run_python(["manage.py", "migrate", "--verbosity=0"], f"sqlite:///{pattern}", home)

    @contextmanager
    def new() -> Iterator[str]:
        copy = home / f"{uuid4().hex}.sqlite3"
        shutil.copy(pattern, copy)
        yield f"sqlite:///{copy}"

    yield new


@contextmanager
def postgresql_databases() -> Iterator[NewDatabase]:
    """Give a way to make a migrated PostgreSQL database: migrated once, copied each time."""
    server = postgresql.server_url()

    def url(name: str) -> str:
        return f"{server.rsplit('/', 1)[0]}/{name}"

    def execute(statement: str) -> None:
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(statement)

    @contextmanager
    def database(pattern: str) -> Iterator[str]:
        name = f"race_{uuid4().hex}"
        execute(f"CREATE DATABASE {name} TEMPLATE {pattern}")
        yield name
        execute(f"DROP DATABASE {name} WITH (FORCE)")

    @contextmanager
    def new() -> Iterator[str]:
        with database(pattern) as name:
            yield url(name)

    with database("template1") as pattern:
        with TemporaryDirectory() as home:
            run_python(["manage.py", "migrate", "--verbosity=0"], url(pattern), Path(home))
        yield new


def run_python(arguments: list[str], url: str, data_dir: Path, **environment: str) -> str:
    """Run Python in a process of its own against the database at a URL; return what it printed."""
    done = subprocess.run(
        [sys.executable, *arguments],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
        env={
            **os.environ,
            "RIMEBOOK_DATABASE_URL": url,
            "RIMEBOOK_DATA_DIR": str(data_dir),
            **environment,
        },
        timeout=TIMEOUT_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
