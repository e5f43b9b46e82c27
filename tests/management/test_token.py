"""manage.py token: an administrator lets a phone in."""

import io

import pytest
from django.core.management import CommandError, call_command

from registry.models import ApiToken, DeviceToken, Entry
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


def issue_for_reports(*words: str) -> str:
    told, beside = io.StringIO(), io.StringIO()
    call_command("device_token", *words, "--by", "admin", stdout=told, stderr=beside)
    assert "It expires on" in beside.getvalue()
    return told.getvalue().rstrip("\n")


def test_a_gateway_and_a_device_get_tokens_that_report(world: World) -> None:
    device = world.device()
    for words, whose in ((["Gateway Tarnmouth"], None), (["Its own", "--serial", device.serial], device.pk)):
        secret = issue_for_reports(*words)
        token = DeviceToken.objects.get(name=words[0])
        assert (bytes(token.digest), token.device_id) == (digest_of_secret(secret), whose)


def test_a_token_for_a_device_that_is_not_there_is_refused_in_a_sentence(world: World) -> None:
    with nothing_changed(), pytest.raises(CommandError, match="There is no device PB3999999"):
        issue_for_reports("Its own", "--serial", "PB3999999")
