"""The register as it is run: a fresh database, a real server on loopback, and programs that talk to it."""

import atexit
import http.client
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any
from uuid import uuid4

from tests import postgresql

ROOT = Path(__file__).resolve().parents[2]
START_TIMEOUT_S = 30
REQUEST_TIMEOUT_S = 30
PASSWORD = "drift-lantern-oar-19"


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    text: str

    @property
    def body(self) -> Any:
        """The JSON of it."""
        return json.loads(self.text)

    @property
    def tag(self) -> str:
        """The entity tag of what was shown."""
        return self.headers["ETag"]


@dataclass
class Phone:
    """A program that holds a token."""

    port: int
    secret: str

    def get(self, path: str, **headers: str) -> Answer:
        """Read."""
        return self.send("GET", path, None, headers)

    def post(self, path: str, body: Any, *, key: str | None = None, tag: str | None = None) -> Answer:
        """Have something done, once: under a fresh key unless told."""
        headers = {"Idempotency-Key": key or f'"{uuid4()}"'} | ({"If-Match": tag} if tag else {})
        return self.send("POST", path, body, headers)

    def patch(self, path: str, body: Any, *, tag: str) -> Answer:
        """Correct what was seen."""
        return self.send("PATCH", path, body, {"If-Match": tag})

    def send(self, method: str, path: str, body: Any, headers: dict[str, str]) -> Answer:
        """Send one request over a connection of its own."""
        client = http.client.HTTPConnection("127.0.0.1", self.port, timeout=REQUEST_TIMEOUT_S)
        sent = {"Authorization": f"Bearer {self.secret}", **headers}
        if body is not None:
            sent["Content-Type"] = "application/json"
        try:
            client.request(method, path, body=None if body is None else json.dumps(body), headers=sent)
            answer = client.getresponse()
            return Answer(answer.status, dict(answer.getheaders()), answer.read().decode())
        finally:
            client.close()


@dataclass
class Served:
    """A register that is being served."""

    port: int
    environment: dict[str, str] = field(repr=False)

    @property
    def url(self) -> str:
        """Where it is."""
        return f"http://127.0.0.1:{self.port}"

    def command(self, *words: str, stdin: str = "") -> str:
        """Run a command of manage.py and return what it prints."""
        return manage(self.environment, *words, stdin=stdin)

    def phone(self, username: str) -> Phone:
        """Return a phone of this person, with a token of its own."""
        return Phone(self.port, self.command("token", username, "a phone", "--by", "hester").strip())


def manage(environment: dict[str, str], *words: str, stdin: str = "") -> str:
    """Run a command of manage.py in an environment; a failure raises with what it said."""
    done = subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=ROOT,
        env=environment,
        input=stdin,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"manage.py {' '.join(words)}: {done.stdout}{done.stderr}")
    return done.stdout


@contextmanager
def served(database: str, *, demo: bool = False, **settings: str) -> Iterator[Served]:
    """Serve a register on a fresh database: one that has just begun, by hester, or the demo's."""
    with tempfile.TemporaryDirectory(prefix="rimebook-walk-") as home:
        url = f"sqlite:///{home}/rimebook.sqlite3" if database == "sqlite" else _own_database()
        environment = {
            **{name: value for name, value in os.environ.items() if not name.startswith("RIMEBOOK_")},
            "RIMEBOOK_DATABASE_URL": url,
            "RIMEBOOK_DATA_DIR": home,
            **{f"RIMEBOOK_{name}": value for name, value in settings.items()},
        }
        if demo:
            shutil.copytree(_replayed_demo(), home, dirs_exist_ok=True)
        else:
            manage(environment, "migrate", "--verbosity", "0")
            manage(environment, "found", "hester", "Hester Marrow", stdin=f"{PASSWORD}\n")
        port = free_port()
        with (Path(home) / "server.log").open("w+") as log:
            server = subprocess.Popen(
                [
                    *(sys.executable, "-m", "gunicorn", "config.wsgi:application"),
                    *("--bind", f"127.0.0.1:{port}", "--workers", "1", "--threads", "8"),
                    "--no-control-socket",
                ],
                cwd=ROOT,
                env=environment,
                stdout=log,
                stderr=log,
            )
            try:
                wait_for(port, server)
                yield Served(port, environment)
            finally:
                server.terminate()
                server.wait(20)
                log.seek(0)
                told = log.read()
        assert "Traceback" not in told, told


@cache
def _replayed_demo() -> Path:
    """Return a folder with the demo's year on SQLite, replayed once a process and copied from there."""
    home = tempfile.mkdtemp(prefix="rimebook-demo-")
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    plain = {name: value for name, value in os.environ.items() if not name.startswith("RIMEBOOK_")}
    place = {"RIMEBOOK_DATABASE_URL": f"sqlite:///{home}/rimebook.sqlite3", "RIMEBOOK_DATA_DIR": home}
    manage({**plain, **place}, "demo", "--no-serve")
    return Path(home)


def _own_database() -> str:
    """Return the address of a fresh database on the throw-away server."""
    import psycopg

    url = postgresql.server_url()
    name = f"walk_{uuid4().hex[:12]}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return url.rsplit("/", 1)[0] + f"/{name}"


def free_port() -> int:
    """Return a port of loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def wait_for(port: int, server: "subprocess.Popen[bytes]") -> None:
    """Wait until a server answers on a port; raises TimeoutError, AssertionError where it ended."""
    begin = time.monotonic()
    while time.monotonic() - begin < START_TIMEOUT_S:
        assert server.poll() is None, "the server ended at once"
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise TimeoutError("the server did not start")
