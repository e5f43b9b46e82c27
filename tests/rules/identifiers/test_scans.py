"""Scans: every form a code is written in, and every way it can be wrong."""

import socket
import urllib.request

import pytest
from biip.gs1_digital_link_uris import GS1DigitalLinkURI
from biip.gs1_messages import GS1Message
from hypothesis import given, settings
from hypothesis import strategies as st
from identifier_vectors import load, named, outcome

from registry.rules.errors import Code, RuleBroken
from registry.rules.identifiers import (
    CheckMethod,
    Scan,
    ScanKind,
    ScanSource,
    SerialScheme,
    accept,
    read_element_string,
    read_scan,
)

CASES = load("scans")["cases"]
READ = [case for case in CASES if "kind" in case]
REFUSED = [case for case in CASES if "code" in case]
CODES = {Code.SCAN_INVALID, Code.SCAN_AMBIGUOUS, Code.CHECK_INVALID}


@pytest.mark.parametrize("case", READ, ids=named)
def test_a_code_is_read(case: dict[str, object]) -> None:
    assert read_scan(case["text"]) == Scan(
        kind=ScanKind(case["kind"]),
        value=case["value"],
        source=ScanSource(case["source"]),
        serial=case["serial"],
        elements=tuple((identifier, value) for identifier, value in case["elements"]),
    )


@pytest.mark.parametrize("case", REFUSED, ids=named)
def test_a_wrong_code_is_refused_by_name(case: dict[str, str]) -> None:
    with pytest.raises(RuleBroken) as refusal:
        read_scan(case["text"])
    assert refusal.value.code == case["code"]
    assert refusal.value.field == "scan"
    refusal.value.message.encode("utf-8")


def test_the_vectors_hold_every_kind_source_and_code() -> None:
    assert {case["kind"] for case in READ} == set(ScanKind)
    assert {case["source"] for case in READ} == set(ScanSource)
    assert {case["code"] for case in REFUSED} == CODES


@pytest.mark.parametrize(
    ("parse", "text"),
    [
        (GS1Message.parse, "4149506000134353"),
        (GS1Message.parse, "0109506000134353"),
        (GS1Message.parse, "800309506000134353ABC"),
        (GS1Message.parse, "254RM12"),
        (GS1Message.parse, "2112345"),
        (GS1Message.parse, "8004ABC123"),
        (GS1Message.parse, "9506000134353"),
        (GS1Message.parse, "414\u0669506000134352"),
        (GS1Message.parse, "8004" + "9" * 33 + "ABC"),
        (GS1Message.parse_hri, "(01)09506000134352(21)A(1)"),
        (GS1DigitalLinkURI.parse, "https://id.gs1.org/01/0"),
        (GS1DigitalLinkURI.parse, "https://id.gs1.org/01/09520123456788/10/A?10=B"),
        (GS1DigitalLinkURI.parse, "https://id.gs1.org/414/%D9%A9506000134352"),
    ],
)
def test_the_library_still_lets_pass_what_we_refuse(parse: object, text: str) -> None:
    # When this fails the library has grown stricter, and a check of ours may be dropped.
    assert parse(text).element_strings  # type: ignore[operator]


def test_a_plain_scan_is_left_for_the_scheme_to_judge() -> None:
    scheme = SerialScheme("P3", "0123456789", 6, CheckMethod.LUHN)
    assert accept(scheme, read_scan("]Q1p3-004217-6").value) == "P30042176"
    with pytest.raises(RuleBroken) as refusal:
        accept(scheme, read_scan("P3-004217-7").value)
    assert refusal.value.code is Code.SERIAL_INVALID


def test_the_serial_of_a_product_is_left_for_the_scheme_to_judge() -> None:
    scheme = SerialScheme("P3", "0123456789", 6, CheckMethod.LUHN)
    assert accept(scheme, read_scan("(01)09506000134352(21)p3-004217-6").serial) == "P30042176"


def test_a_caller_that_expects_a_key_reads_an_unmarked_element_string() -> None:
    text = "80049506000134352ABC"
    assert read_scan(text).kind is ScanKind.SERIAL
    assert read_element_string(text) == Scan(
        ScanKind.GIAI,
        "9506000134352ABC",
        ScanSource.ELEMENT_STRING,
        elements=(("8004", "9506000134352ABC"),),
    )


@pytest.mark.parametrize("text", ["P30042176", "4149506000134353", "", "4149506000134352\n", "0" * 501])
def test_an_unmarked_element_string_is_judged_like_a_marked_one(text: str) -> None:
    with pytest.raises(RuleBroken) as refusal:
        read_element_string(text)
    assert refusal.value.code in CODES


@pytest.mark.parametrize("text", ["", "  ", "\u001d", "\u001d ", "]C1", "]C1\u001d", "]Q1 "])
def test_an_empty_code_is_told_to_be_empty(text: str) -> None:
    with pytest.raises(RuleBroken, match="The code is empty"):
        read_scan(text)


@pytest.mark.parametrize("text", ["ftp://id.gs1.org/414/9520123456788", "urn:epc:id:giai:4000001.111"])
def test_another_scheme_is_told_to_be_no_link_we_read(text: str) -> None:
    with pytest.raises(RuleBroken, match="Only http and https"):
        read_scan(text)


def test_a_number_is_no_scan() -> None:
    with pytest.raises(RuleBroken) as refusal:
        read_scan(4149506000134352)  # type: ignore[arg-type]
    assert refusal.value.code is Code.SCAN_INVALID


def test_five_hundred_characters_are_read_and_one_more_is_not() -> None:
    link = "https://id.gs1.org/414/9520123456788?note="
    assert read_scan(link + "x" * (500 - len(link))).value == "9520123456788"
    with pytest.raises(RuleBroken, match="longer than 500"):
        read_scan(link + "x" * (501 - len(link)))


def test_a_link_is_read_without_touching_the_network(monkeypatch: pytest.MonkeyPatch) -> None:
    def unreachable(*_arguments: object, **_options: object) -> None:
        raise AssertionError("a link was followed")

    monkeypatch.setattr(socket, "socket", unreachable)
    monkeypatch.setattr(socket, "getaddrinfo", unreachable)
    monkeypatch.setattr(urllib.request, "urlopen", unreachable)
    assert read_scan("https://id.gs1.org/414/9520123456788").value == "9520123456788"


def test_a_date_in_a_code_is_carried_and_not_judged() -> None:
    # Month 02, day 30: whether a date exists may depend on the century, and that on the clock.
    scan = read_scan("]C1" + "0109506000134352" + "17260230")
    assert scan.elements[1] == ("17", "260230")


def test_a_code_cannot_be_changed_afterwards() -> None:
    with pytest.raises(AttributeError):
        read_scan("P30042176").value = "P30042184"  # type: ignore[misc]


FORMS = st.sampled_from(["", "]C1", "]d2", "]Q3", "]E0", "(01)", "(8004)", "https://id.gs1.org/", "\u001d"])
PIECES = st.lists(
    st.one_of(
        st.text(max_size=12),
        st.sampled_from(
            [
                "01",
                "/01/",
                "09506000134352",
                "9506000134352",
                "21",
                "/21/",
                "414",
                "8003",
                "8004",
                "(",
                ")",
                "?10=A",
            ]
        ),
        st.text(alphabet="0123456789", max_size=20),
    ),
    max_size=8,
).map("".join)


@settings(derandomize=True, database=None, deadline=None, max_examples=1_000)
@given(FORMS, PIECES)
def test_any_text_is_read_or_refused_with_the_three_codes(form: str, text: str) -> None:
    scan = outcome(read_scan, form + text)
    if isinstance(scan, RuleBroken):
        assert scan.code in CODES
        assert scan.field == "scan"
    else:
        assert scan.value
        assert scan.value.isascii()


@settings(derandomize=True, database=None, deadline=None, max_examples=200)
@given(st.integers(min_value=0, max_value=10**12 - 1), st.integers(min_value=0, max_value=9))
def test_no_form_lets_a_wrong_check_digit_pass(payload: int, digit: int) -> None:
    number = f"{payload:012d}{digit}"
    forms = [
        f"(414){number}",
        f"]C1414{number}",
        f"https://id.gs1.org/414/{number}",
        f"(8003)0{number}A",
        f"]E0{number}",
    ]
    verdicts = {isinstance(outcome(read_scan, text), Scan) for text in forms}
    weighted = sum(
        int(character) * (3 if place % 2 else 1) for place, character in enumerate(reversed(number))
    )
    assert verdicts == {weighted % 10 == 0 and payload != 0}
