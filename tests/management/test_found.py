"""manage.py found: a register begins once, with somebody who can let others in."""

import io
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from registry.models import Entry, Staff
from tests.factories.world import PASSWORD, World


def begin(monkeypatch: pytest.MonkeyPatch, password: str = PASSWORD) -> str:
    told = io.StringIO()
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{password}\n"))
    call_command("found", "hester", "Hester Marrow", stdout=told)
    return told.getvalue()


def test_a_register_begins_with_an_administrator_who_can_sign_in(
    db: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = begin(monkeypatch)

    first = Staff.objects.get()
    assert words == "The register has begun. Sign in at /console/ as hester.\n"
    assert (first.username, first.role, first.everywhere) == ("hester", "administrator", True)
    assert first.check_password(PASSWORD)
    assert [(entry.index, entry.verb, entry.face) for entry in Entry.objects.all()] == [
        (1, "register.founded", "command")
    ]


def test_a_weak_password_begins_nothing(db: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CommandError, match="too short"):
        begin(monkeypatch, "short")
    assert not Staff.objects.exists()


def test_a_register_begins_once(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CommandError, match="has begun already"):
        begin(monkeypatch)
