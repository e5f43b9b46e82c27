"""manage.py token: an administrator lets a phone in."""

import io

import pytest
from django.core.management import CommandError, call_command

from registry.models import ApiToken, Entry
from registry.rules.tokens import digest_of_secret
from tests.actions.unchanged import nothing_changed
from tests.factories.world import World


def issue(*words: str) -> tuple[str, str]:
    told, beside = io.StringIO(), io.StringIO()
    call_command("token", *words, stdout=told, stderr=beside)
    return told.getvalue().rstrip("\n"), beside.getvalue()


def test_a_token_is_issued_by_an_administrator_and_told_once(world: World) -> None:
    secret, beside = issue("installer", "the phone of the Tarnmouth van", "--by", "admin")

    token = ApiToken.objects.get()
    assert bytes(token.digest) == digest_of_secret(secret)
    assert token.staff_id == world.installer.staff_id
    assert f"{token.expires_at:%Y-%m-%d}" in beside
    newest = Entry.objects.order_by("-index")[0]
    assert (newest.verb, newest.staff_id, newest.face) == (
        "token.issued",
        world.administrator.staff_id,
        "command",
    )


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("installer", "phone", "--by", "office"), "As office you cannot do this"),
        (("nobody", "phone", "--by", "admin"), "There is nobody called nobody"),
        (("installer", " ", "--by", "admin"), "The name is missing"),
    ],
)
def test_a_token_that_cannot_be_is_refused_in_a_sentence(
    world: World, words: tuple[str, ...], reason: str
) -> None:
    with nothing_changed(), pytest.raises(CommandError, match=reason):
        issue(*words)
