"""The installer looks at first readings, checks, signs off; others see it, and from when is billed."""

from registry.models import AcceptanceCheck
from registry.models.base import new_key
from registry.rules.simulation import Fault
from tests.api.client import Api, ok, told
from tests.factories.playing import BELOW, MINUTE, hung, passed, report
from tests.factories.world import World, person


def test_first_readings_say_what_to_wait_for_and_then_that_one_may_leave(world: World, api: Api) -> None:
    assignment, installer = hung(world), api.as_(world.installer)
    path = f"assignments/{assignment.period}/first-readings/"

    waiting = ok(installer.get(path))
    assert (waiting["result"], [f["code"] for f in waiting["findings"]]) == ("fail", ["report_missing"])
    assert [zone["distance_mm"] for zone in waiting["zones"]] == [None, None, None]

    [said] = report(world, assignment.device.serial, reports=1)
    seen = ok(installer.get(path))
    assert seen["result"] == "pass"
    assert [zone["distance_mm"] for zone in seen["zones"]] == list(said)
    assert seen["reports"][0]["distances_mm"] == list(said)
    assert seen["air_c"].startswith("-")
    assert (seen["report_interval_min"], seen["serial"]) == (60, assignment.device.serial)
    assert any("tape" in advice for advice in seen["advice"])
    assert not AcceptanceCheck.objects.exists()


def test_a_fail_becomes_a_pass_after_the_repair_and_is_signed_off(world: World, api: Api) -> None:
    assignment, installer = hung(world), api.as_(world.installer)
    path = f"assignments/{assignment.period}/acceptance/"
    report(world, assignment.device.serial, Fault.SWAPPED, reports=4)

    failed = ok(installer.post(path, {"tape_mm": list(BELOW)}), 201)
    assert (failed["result"], [f["code"] for f in failed["findings"]]) == ("fail", ["order_swapped"])
    refusal = installer.post(f"acceptance/{failed['id']}/sign-off/", {}, tag="*")
    told(refusal, 422, "check_failed", None)

    world.clock.at += 60 * MINUTE
    report(world, assignment.device.serial, reports=5)
    body = {"id": str(new_key()), "tape_mm": list(BELOW), "note": "Plugged in again."}
    mended = installer.post(path, body, key='"second look"')
    again = installer.post(path, body, key='"second look"')
    check = ok(mended, 201).body
    assert (check["id"], check["result"], ok(again, 201).body) == (body["id"], "pass", check)
    assert ok(installer.get(mended.headers["Location"].removeprefix("/api/v1/"))).body == check

    signed = ok(installer.post(f"acceptance/{check['id']}/sign-off/", {"note": "Told."}, tag=mended.tag)).body
    assert (signed["signed_off_by_name"], signed["sign_off_note"]) == ("Installer", "Told.")
    assert {**signed, "signed_off_at": None} == {
        **check, "signed_off_by": signed["signed_off_by"], "signed_off_by_name": "Installer",
        "sign_off_note": "Told.",
    }  # fmt: skip
    billing = ok(api.as_(world.office).get(f"assignments/{assignment.period}/billing-start/"))
    assert (billing["rule"], billing["acceptance"]) == ("acceptance", check["id"])
    assert billing["on"] is not None


def test_checks_are_listed_by_what_they_are_about_and_hidden_from_other_depots(
    world: World, api: Api
) -> None:
    check, other = passed(world), passed(world)
    office = api.as_(world.office)

    def keys(**query: object) -> set[str]:
        return {one["id"] for one in ok(office.get("acceptance/", **query))["results"]}

    assert keys() == {str(check.pk), str(other.pk)}
    for query in (
        {"assignment": check.assignment},
        {"device": check.device_id},
        {"cabinet": check.cabinet_id},
    ):
        assert keys(**query) == {str(check.pk)}
    assert keys(result="fail") == keys(signed_off="true") == set()
    stranger = api.as_(person(world, "office", world.fellgate))
    assert ok(stranger.get("acceptance/"))["results"] == []
    told(stranger.get(f"acceptance/{check.pk}/"), 404, "not_found")
    told(stranger.post(f"acceptance/{check.pk}/sign-off/", {}, tag="*"), 404, "not_found")
    told(stranger.post(f"assignments/{check.assignment}/acceptance/", {"tape_mm": [1]}), 404, "not_found")
    told(stranger.get(f"assignments/{check.assignment}/first-readings/"), 404, "not_found")


def test_the_tape_is_one_figure_a_sensor(world: World, api: Api) -> None:
    assignment, installer = hung(world), api.as_(world.installer)
    path = f"assignments/{assignment.period}/acceptance/"

    told(installer.post(path, {"tape_mm": [900, 600]}), 422, "value_invalid", "#/tape_mm")
    told(installer.post(path, {}), 422, "value_invalid", "#/tape_mm")
    assert ok(installer.post(path, {"tape_mm": [900, None, 300]}), 201)["tape_mm"] == [900, None, 300]
