"""Cabinets and their models: each particular at both sides of its bounds."""

import pytest
from rule_checks import assert_text, assert_whole_number_bounds, assert_words, refused

from registry.rules.cabinets import (
    FIELDS,
    MODEL_FIELDS,
    MODEL_REQUIRED,
    REQUIRED,
    DevicesGo,
    asset_tag,
    check_devices_go,
)
from registry.rules.errors import Code

# Measures of ice merchandisers: common practice, no source.
MODEL_BOUNDS = {
    "interior_width_mm": (100, 5_000, " mm"),
    "interior_depth_mm": (100, 5_000, " mm"),
    "interior_height_mm": (100, 5_000, " mm"),
    "usable_volume_l": (10, 10_000, " litres"),
    "sensor_count": (1, 16, ""),
    "refrigerant_charge_g": (1, 10_000, " g"),
}
MODEL_WORDS = {
    "door": "solid glass slanted unknown",
    "refrigeration": "fan_coil cold_wall unknown",
    "supply": "plug hard_wired unknown",
}


def test_a_cabinet_model_has_these_particulars() -> None:
    assert set(MODEL_FIELDS) == {"name", "refrigerant", *MODEL_BOUNDS, *MODEL_WORDS}
    assert {"name", "sensor_count"} == MODEL_REQUIRED
    assert_text(MODEL_FIELDS["name"], blank=False, length_max=200)
    assert_text(MODEL_FIELDS["refrigerant"], blank=True, length_max=40)


@pytest.mark.parametrize(("field", "bounds"), MODEL_BOUNDS.items())
def test_a_measure_of_a_cabinet_model_lies_within_its_bounds(
    field: str, bounds: tuple[int, int, str]
) -> None:
    assert_whole_number_bounds(MODEL_FIELDS[field], *bounds)
    if field == "sensor_count":
        with refused(Code.VALUE_INVALID, field):
            MODEL_FIELDS[field](None, field)
    else:
        assert MODEL_FIELDS[field](None, field) is None


@pytest.mark.parametrize(("field", "words"), MODEL_WORDS.items())
def test_a_word_of_a_cabinet_model_is_one_of_its_kind(field: str, words: str) -> None:
    assert_words(MODEL_FIELDS[field], words)


def test_a_cabinet_has_these_particulars() -> None:
    assert set(FIELDS) == {"asset_tag", "maker_serial", "setting", "position", "condition"}
    assert {"asset_tag"} == REQUIRED
    assert FIELDS["asset_tag"] is asset_tag
    assert_text(FIELDS["maker_serial"], blank=True, length_max=40)
    assert_words(FIELDS["setting"], "indoor outdoor unknown")
    assert_text(FIELDS["position"], blank=True, length_max=200)
    assert_text(FIELDS["condition"], blank=True, length_max=2_000)


@pytest.mark.parametrize(
    ("typed", "tag"),
    [
        ("sk-0007", "SK-0007"),
        (" SK-0007 ", "SK-0007"),
        ("0007", "0007"),
        # GS1 General Specifications: AI 8004 is a GIAI, AI 8003 a GRAI; character set 82 keeps its case.
        ("(8004)9506000Skerry-7", "(8004)9506000Skerry-7"),
        ("(8003)09506000134352a7", "(8003)09506000134352a7"),
        # Another application identifier names no asset, so it is a company's own tag.
        ("(8005)9506000a", "(8005)9506000A"),
        ("x(8004)1", "X(8004)1"),
    ],
)
def test_an_asset_tag_is_a_code_of_the_company_or_of_gs1(typed: str, tag: str) -> None:
    assert asset_tag(typed, "asset_tag") == tag
    assert asset_tag(tag, "asset_tag") == tag


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ("", Code.TEXT_INVALID),
        ("SK 7", Code.TEXT_INVALID),
        ("x" * 41, Code.TEXT_INVALID),
        (7, Code.TEXT_INVALID),
        ("(8004)", Code.VALUE_INVALID),
        ("(8004)Skerry", Code.VALUE_INVALID),
        ("(8004)9506" + "7" * 27, Code.VALUE_INVALID),
        ("(8003)", Code.VALUE_INVALID),
        ("(8003)09506000134352", Code.VALUE_INVALID),  # a type of asset, no single one
        ("(8003)19506000134352a7", Code.VALUE_INVALID),
        ("(8003)09506000134353a7", Code.CHECK_INVALID),
    ],
)
def test_an_asset_tag_that_names_no_single_cabinet_is_refused(typed: object, code: Code) -> None:
    with refused(code, "asset_tag"):
        asset_tag(typed, "asset_tag")


@pytest.mark.parametrize(
    ("labels", "devices"),
    [([], None), ([], DevicesGo.FOLLOW), (["RB-1"], DevicesGo.FOLLOW), (["RB-1"], DevicesGo.COME_OUT)],
)
def test_a_cabinet_moves_once_it_is_said_where_its_devices_go(
    labels: list[str], devices: DevicesGo | None
) -> None:
    check_devices_go(labels, devices)


def test_a_cabinet_with_devices_does_not_move_silently() -> None:
    with refused(Code.VALUE_INVALID, "devices") as caught:
        check_devices_go(["RB-1", "RB-2"], None)
    assert caught.value.message.startswith("RB-1 and RB-2 ")
    assert caught.value.details == {"devices": ["RB-1", "RB-2"], "choices": ["follow", "come_out"]}


def test_a_tag_that_grows_in_capitals_is_measured_in_capitals() -> None:
    assert asset_tag("ß" * 20, "asset_tag") == "S" * 40
    with refused(Code.TEXT_INVALID, "asset_tag"):
        asset_tag("ß" * 21, "asset_tag")
