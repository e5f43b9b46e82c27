"""manage.py demo: a year of an invented company, to look at."""

import importlib.util
import os
import socket
import sys
import time
from argparse import ArgumentParser, ArgumentTypeError
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, connection, connections

from registry.actions._action import SYSTEM
from registry.actions.checkpoints import make_checkpoint
from registry.ledger.audit import audit
from registry.management._codes import ScenarioError, find_device, find_location
from registry.management.scenario import Scenario, read_scenario, replay, replayed
from registry.models import (
    Account,
    Cabinet,
    CabinetWhereabouts,
    Contact,
    Depot,
    Device,
    DeviceWhereabouts,
    Entry,
    Location,
    Product,
    Staff,
)
from registry.models.base import Record
from registry.queries.timelines import Event, device_trace, location_timeline

HOST = "127.0.0.1"  # the logins are printed, so nobody else's machine may reach them
PORT_DEFAULT = 8000
WORKERS, THREADS = 1, 8  # one process keeps SQLite's one writer from waiting for others
SAMPLE_LINES = 14  # of a timeline; the newest of a longer one

COUNTED: list[tuple[str, type[Record]]] = [
    ("accounts", Account),
    ("locations", Location),
    ("cabinets", Cabinet),
    ("devices", Device),
    ("products", Product),
    ("contacts", Contact),
    ("depots", Depot),
    ("people", Staff),
]


class Command(BaseCommand):
    """Replay the demo's scenario, show what is in it, and serve it on this machine alone."""

    help = "Fill an empty database with a year of an invented company, and serve it on this machine alone."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Take the port, and whether to serve at all."""
        parser.add_argument("--port", type=_port, default=PORT_DEFAULT, help="port on 127.0.0.1 (8000)")
        parser.add_argument("--no-serve", action="store_true", help="fill the database and stop")

    def handle(self, *_args: Any, **options: Any) -> None:
        """Do it all; every foreseeable failure is one sentence."""
        serve, port = not options["no_serve"], options["port"]
        if serve:
            _require_server()
            _require_free(port)
        try:
            self._fill_and_show()
        except ScenarioError as error:
            raise CommandError(str(error)) from None
        except KeyboardInterrupt:
            raise CommandError("Stopped. Run it again, and it goes on where it stopped.") from None
        except DatabaseError as error:
            raise CommandError(
                f"The database cannot be used: {_first_line(error)} Check RIMEBOOK_DATABASE_URL and"
                " RIMEBOOK_DATA_DIR, and that nothing else is writing to it."
            ) from None
        if serve:
            self._serve(port)

    def _fill_and_show(self) -> None:
        scenario = read_scenario(Path(settings.BASE_DIR) / "fixtures" / "demo")
        begin = time.monotonic()
        if Entry._meta.db_table in connection.introspection.table_names():
            replayed(scenario)  # a register that is not the demo's is refused before it is migrated
        call_command("migrate", verbosity=0)
        fresh = replay(scenario)
        self._tell(f"{scenario.distributor}: an invented distributor of packaged ice, and a year of its work")
        self._show_replay(scenario, fresh, time.monotonic() - begin)
        self._show_counts()
        self._show_samples(scenario)
        self._show_logins(scenario)

    def _show_replay(self, scenario: Scenario, fresh: int, seconds: float) -> None:
        first, last = scenario.happenings[0].at, scenario.happenings[-1].at
        span = f"{first:%Y-%m-%d} to {last:%Y-%m-%d}"
        total = len(scenario.happenings)
        if fresh:
            self._tell(
                f"Replayed: {fresh} of {total} entries, {span} by a simulated clock, in {seconds:.1f} s."
            )
        else:
            self._tell(f"The demo is there already: {total} entries, {span}. Nothing was written.")
        report = audit()
        found = "nothing was found" if report.clean else f"{report.found} FINDINGS"
        self._tell(
            f"Audited: {report.entries} entries replayed, {report.rows} rows compared,"
            f" {report.guards} guards looked for; {found}."
        )
        for finding in report.findings:
            self._tell(f"  FOUND: {finding.words}")
        signed = make_checkpoint(SYSTEM)
        self._tell(f"Signed: a checkpoint of {signed.size} entries, by the key {signed.public_key}.")

    def _show_counts(self) -> None:
        counts = [f"{model._default_manager.count()} {noun}" for noun, model in COUNTED]
        self._tell(f"Registered: {', '.join(counts)}.")
        places = []
        for noun, model in (("cabinets", CabinetWhereabouts), ("devices", DeviceWhereabouts)):
            present = model.objects.current().filter(valid_to=None).order_by("place")
            held = [f"{present.filter(place=place).count()} {place}" for place in _distinct_places(present)]
            places.append(f"{noun} at {', '.join(held)}")
        self._tell(f"Where they are now: {'; '.join(places)}.")

    def _show_samples(self, scenario: Scenario) -> None:
        location = find_location(scenario.sample["location"])
        device = find_device(scenario.sample["device"])
        zone = ZoneInfo(location.time_zone)
        times = f"times in {location.time_zone}"
        self._tell(f"\nTimeline of {scenario.sample['location']}, {location.label} ({times}):")
        self._show_events(location_timeline(location.pk), zone)
        self._tell(f"\nTrace of device {device.serial} ({times}):")
        self._show_events(device_trace(device.pk), zone)

    def _show_events(self, events: list[Event], zone: ZoneInfo) -> None:
        if len(events) > SAMPLE_LINES:
            self._tell(f"  ... {len(events) - SAMPLE_LINES} earlier")
        for event in events[-SAMPLE_LINES:]:
            reason = f" ({event.reason})" if event.reason else ""
            self._tell(f"  {_local(event.occurred_at, zone)}  {event.words}{reason}")
            self._tell(
                f"      entry {event.index}, recorded {_local(event.recorded_at, zone)} by {event.who}"
                f" through {event.face}"
            )
            for line in event.replaced:
                self._tell(f"      {line}")

    def _show_logins(self, scenario: Scenario) -> None:
        self._tell("\nSign in as (for the demo only, and good for nothing else):")
        roles = dict(Staff.objects.values_list("username", "role"))
        for person in scenario.people:
            username = person["username"]
            role = roles.get(username, person["role"])
            self._tell(f"  {username:<10} {scenario.password:<22} {role:<14} {person['name']}")

    def _serve(self, port: int) -> None:
        self._tell(f"\nServing at http://{HOST}:{port}/ for this machine alone. Stop it with Ctrl-C.")
        self.stdout.flush()
        connections.close_all()
        # No shell: a list of our own words takes the place of this process.
        os.execv(sys.executable, server_command(port))  # noqa: S606

    def _tell(self, words: str) -> None:
        self.stdout.write(words)


def server_command(port: int) -> list[str]:
    """Return the command line of the server that takes this process's place."""
    return [
        *(sys.executable, "-m", "gunicorn", "config.wsgi:application"),
        *("--chdir", str(settings.BASE_DIR)),
        *("--bind", f"{HOST}:{port}"),
        *("--workers", str(WORKERS), "--threads", str(THREADS)),
        "--no-control-socket",
    ]


def _port(typed: str) -> int:
    try:
        port = int(typed)
    except ValueError:
        port = 0
    if not 1 <= port <= 65_535:
        raise ArgumentTypeError(f"{typed!r} is no port. Give a number from 1 to 65535.")
    return port


def _require_server() -> None:
    if importlib.util.find_spec("gunicorn") is None:
        raise CommandError("gunicorn is not installed. Install the requirements, or add --no-serve.")


def _require_free(port: int) -> None:
    """Raise CommandError where the port cannot be listened on."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise CommandError(
                f"Port {port} cannot be used ({error.strerror}). Choose another with --port."
            ) from None


def _first_line(error: Exception) -> str:
    lines = str(error).strip().splitlines() or [type(error).__name__]
    return f"{lines[0].rstrip('.')}."


def _local(moment: datetime, zone: ZoneInfo) -> str:
    """Return a moment by the clock of a place, with the short name of its zone then."""
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M %Z}"


def _distinct_places(present: Any) -> list[str]:
    return list(present.values_list("place", flat=True).distinct())
