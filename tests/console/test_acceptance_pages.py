"""Acceptance in the console: a check with its findings and picture, and the list of a cabinet's checks."""

from registry.actions import acceptance
from registry.rules.simulation import Fault
from tests.console.pages import at, signed_in, text_of
from tests.factories.playing import checked, hung, passed, report
from tests.factories.world import World


def test_a_check_shows_what_was_found_and_what_to_do_and_the_inside_as_it_was(world: World) -> None:
    assignment = hung(world)
    [said, *_] = report(world, assignment.device.serial, Fault.SWAPPED)
    check = checked(world, assignment, note="Cables looked odd.")

    page = signed_in(world.office).get(at("acceptance", check.pk))

    words, html = text_of(page), page.content.decode()
    assert "failed" in words
    assert "Sensors 1 and 2 read each other's distances" in words
    assert "Plug them in again as recorded" in words
    assert "Nobody has signed it off." in words
    assert ", ".join(str(distance) for distance in said) in words
    assert html.count('class="sensor"') == 3
    assert "tape 420" in html
    assert check.readings_sha256 in words


def test_a_cabinet_a_device_and_a_store_list_their_checks_with_who_signed_them_off(world: World) -> None:
    check, desk = passed(world), signed_in(world.office)
    pages = [
        at("cabinet", check.cabinet_id),
        at("device", check.device_id),
        at("location", check.location_id),
    ]
    checked_there = f"device {check.device.serial} in cabinet {check.cabinet.asset_tag} passed"

    for address in pages:
        assert f"{checked_there}, not signed off" in text_of(desk.get(address))
    acceptance.sign_off(world.installer, check_id=check.pk)
    for address in pages:
        page = desk.get(address)
        assert f"{checked_there}, signed off by Installer" in text_of(page)
        assert at("acceptance", check.pk) in page.content.decode()
        assert f"The check of device {check.device.serial} in cabinet" in text_of(page)
