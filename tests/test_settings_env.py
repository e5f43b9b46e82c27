"""Settings from the environment: a bad value stops the start with one sentence that names it."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from config import env

ROOT = Path(__file__).resolve().parents[1]
KEY = "k" * 50

Patch = pytest.MonkeyPatch


# --- the readers ---------------------------------------------------------------------------------------


def test_a_text_is_trimmed_and_falls_back_where_it_may(monkeypatch: Patch) -> None:
    monkeypatch.setenv("RIMEBOOK_PLACE", "  Tarnmouth ")
    assert env.text("PLACE") == env.text("PLACE", "Fellgate") == "Tarnmouth"
    for blank in ("", "  "):
        monkeypatch.setenv("RIMEBOOK_PLACE", blank)
        assert env.text("PLACE", "Fellgate") == "Fellgate"
        with pytest.raises(env.BadSetting) as caught:
            env.text("PLACE")
        assert str(caught.value) == "RIMEBOOK_PLACE is not set. Set it in the environment and start again."
    monkeypatch.delenv("RIMEBOOK_PLACE")
    assert env.text("PLACE", "") == ""
    with pytest.raises(env.BadSetting, match="RIMEBOOK_PLACE is not set"):
        env.text("PLACE")


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        *[(word, True) for word in ("yes", "TRUE", " on ", "1")],
        *[(word, False) for word in ("no", "False", " OFF ", "0")],
    ],
)
def test_a_switch_reads_eight_words(monkeypatch: Patch, typed: str, meant: bool) -> None:
    monkeypatch.setenv("RIMEBOOK_LAMP", typed)
    assert env.switch("LAMP", not meant) is meant
    monkeypatch.setenv("RIMEBOOK_LAMP", "")
    assert env.switch("LAMP", meant) is meant


@pytest.mark.parametrize("typed", ["maybe", "2", "yes please", "ja"])
def test_a_switch_that_is_neither_on_nor_off_is_refused_by_name(monkeypatch: Patch, typed: str) -> None:
    monkeypatch.setenv("RIMEBOOK_LAMP", typed)
    with pytest.raises(env.BadSetting) as caught:
        env.switch("LAMP", True)
    assert str(caught.value) == f"RIMEBOOK_LAMP is {typed!r}. Write yes or no."


def test_a_whole_number_lies_within_its_bounds(monkeypatch: Patch) -> None:
    def read() -> int:
        return env.whole_number("BAGS", 12, least=8, most=128)

    assert read() == 12
    for typed, number in (("8", 8), (" 128 ", 128), ("40", 40)):
        monkeypatch.setenv("RIMEBOOK_BAGS", typed)
        assert read() == number
    for typed in ("7", "129", "-40", "many", "12.5", "1e2"):
        monkeypatch.setenv("RIMEBOOK_BAGS", typed)
        with pytest.raises(env.BadSetting) as caught:
            read()
        said = str(caught.value)
        assert said.startswith("RIMEBOOK_BAGS is ")
        assert typed in said
        assert said.endswith("Write a whole number from 8 to 128.")


def test_a_choice_is_one_of_its_words_however_it_is_typed(monkeypatch: Patch) -> None:
    def read() -> str:
        return env.choice("SHADE", "ICE", ("ICE", "RIME"))

    assert read() == "ICE"
    for typed, chosen in (("rime", "RIME"), (" Rime ", "RIME"), ("ICE", "ICE"), ("", "ICE")):
        monkeypatch.setenv("RIMEBOOK_SHADE", typed)
        assert read() == chosen
    for typed in ("frost", "ice,rime", "IC"):
        monkeypatch.setenv("RIMEBOOK_SHADE", typed)
        with pytest.raises(env.BadSetting) as caught:
            read()
        assert str(caught.value) == f"RIMEBOOK_SHADE is {typed.upper()!r}. Write one of ICE, RIME."


def test_words_are_parted_by_commas_and_blanks_left_out(monkeypatch: Patch) -> None:
    assert env.words("HOSTS", ["a", "b"]) == ["a", "b"]
    monkeypatch.setenv("RIMEBOOK_HOSTS", " ice.example , ,quay.example,")
    assert env.words("HOSTS", ["a"]) == ["ice.example", "quay.example"]


# --- the start -----------------------------------------------------------------------------------------


def start(folder: Path, print_: str = "'started'", **settings: str) -> subprocess.CompletedProcess[str]:
    """Import the settings in a fresh process that knows no others than these."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("RIMEBOOK_")}
    given = {f"RIMEBOOK_{name}": value for name, value in ({"DATA_DIR": str(folder)} | settings).items()}
    return subprocess.run(
        [sys.executable, "-c", f"import config.settings as s; print({print_})"],
        cwd=ROOT,
        env=clean | given,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (
            {"DATABASE_URL": "mysql://ice@quay/book"},
            "must name sqlite or postgresql; nothing else is tested.",
        ),
        ({"DATABASE_URL": "icebox://quay/book"}, "cannot be read ("),
        ({"DATABASE_URL": "postgresql://ice@quay:door/book"}, "cannot be read ("),
        ({"SECRET_KEY": KEY[:-1]}, "is too short. Use at least 50 random characters."),
        ({"DEBUG": "perhaps"}, "is 'perhaps'. Write yes or no."),
        ({"HTTPS_ONLY": "perhaps"}, "is 'perhaps'. Write yes or no."),
        ({"LOG_LEVEL": "loud"}, "is 'LOUD'. Write one of DEBUG, INFO, WARNING, ERROR, CRITICAL."),
        ({"LOCK_WAIT_S": "0"}, "is 0. Write a whole number from 1 to 60."),
        ({"LOCK_WAIT_S": "61"}, "is 61. Write a whole number from 1 to 60."),
        ({"LOCK_WAIT_S": "2.5"}, "is '2.5'. Write a whole number from 1 to 60."),
        ({"SIGN_IN_TRIES": "2"}, "is 2. Write a whole number from 3 to 100."),
        ({"PASSWORD_LENGTH_MIN": "7"}, "is 7. Write a whole number from 8 to 128."),
        ({"PASSWORD_LENGTH_MIN": "long"}, "is 'long'. Write a whole number from 8 to 128."),
    ],
    ids=lambda value: next(iter(value.items()))[1] if isinstance(value, dict) else "",
)
def test_a_bad_setting_stops_the_start_in_one_sentence_that_names_it(
    tmp_path: Path, bad: dict[str, str], said: str
) -> None:
    good = {"SECRET_KEY": KEY, "DATABASE_URL": f"sqlite:///{tmp_path / 'book.sqlite3'}"}
    refused = start(tmp_path, **(good | bad))
    assert refused.returncode == 1
    assert refused.stdout == ""
    assert refused.stderr.startswith(f"RIMEBOOK_{next(iter(bad))} {said}")
    assert refused.stderr.strip().endswith(".")
    assert "\n" not in refused.stderr.strip(), "one sentence, no traceback"
    started = start(tmp_path, **good)
    assert (started.returncode, started.stdout) == (0, "started\n"), started.stderr


def test_without_any_setting_the_register_starts_safe_beside_its_own_key(tmp_path: Path) -> None:
    told = "s.SECRET_KEY, s.DEBUG, s.SESSION_COOKIE_SECURE, s.ALLOWED_HOSTS, s.DATABASES['default']['NAME']"
    folder = tmp_path / "new"
    first = start(folder, told)
    key = folder / "secret-key"
    assert first.returncode == 0, first.stderr
    assert len(key.read_text()) >= 50
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert first.stdout == (
        f"{key.read_text()} False False ['localhost', '127.0.0.1', '[::1]'] {folder / 'rimebook.sqlite3'}\n"
    )
    assert start(folder, told).stdout == first.stdout, "the next start takes the same key"


def test_good_settings_are_taken(tmp_path: Path) -> None:
    told = "s.DEBUG, s.SECURE_SSL_REDIRECT, s.ALLOWED_HOSTS, s.DATABASES['default']['ENGINE'], s.SECRET_KEY"
    started = start(
        tmp_path,
        told,
        DEBUG="yes",
        HTTPS_ONLY="on",
        ALLOWED_HOSTS="ice.example, quay.example",
        DATABASE_URL="postgresql://rimebook@quay/book",
        SECRET_KEY=KEY,
    )
    assert started.stdout == (
        f"True True ['ice.example', 'quay.example'] django.db.backends.postgresql {KEY}\n"
    ), started.stderr
    assert not (tmp_path / "secret-key").exists()
