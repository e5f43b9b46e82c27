"""Labels as the phone reads them: the same files as the server's rules pass, and the server's own word."""

import json
import random
from pathlib import Path
from typing import Any

import pytest
from biip.gs1_application_identifiers import _GS1_APPLICATION_IDENTIFIERS
from playwright.sync_api import Page

from registry.rules.errors import RuleBroken
from registry.rules.identifiers import read_scan

VECTORS = Path(__file__).resolve().parents[2] / "fixtures" / "vectors" / "identifiers"
FIELD = "/static/registry/field"
# Each: what is imported, and how a file's cases are answered; wrong ones are told.
CHECKS = {
    "check_characters": """({checkCharacters, isValid}, file) => {
        const refused = (work) => { try { return work(); } catch (error) {
            return error instanceof RangeError ? "refused" : String(error); } };
        return [
            ...file.cases.filter((one) => checkCharacters(one.method, one.payload) !== one.check
                || !one.valid.every((text) => isValid(one.method, text))
                || one.invalid.some((text) => isValid(one.method, text))),
            ...file.undetected.filter((one) => !isValid(one.method, one.slip + one.check)),
            ...file.refused_payloads.filter((one) =>
                refused(() => checkCharacters(one.method, one.payload)) !== "refused"),
        ]; }""",
    "normalisation": """({normalise}, file) => {
        const said = (one) => { try { return normalise(one.typed); } catch (error) { return error; } };
        return [
            ...file.accepted.filter((one) => said(one) !== one.normalised),
            ...file.refused.filter((one) => said(one).code !== one.code
                || (said(one).details.position ?? null) !== one.position),
        ]; }""",
    "serial_schemes": """({accept}, file) => {
        const said = (one) => { try { return accept(file.schemes[one.scheme], one.typed); }
            catch (error) { return error; } };
        return [
            ...file.accepted.filter((one) => said(one) !== one.serial),
            ...file.refused.filter((one) => said(one).details?.problem !== one.problem),
        ]; }""",
    "suggestions": """({nearest}, file) => file.cases.filter((one) => JSON.stringify(
            nearest(one.typed, file.schemes[one.scheme], new Set(one.assignable), one.limit ?? 5)
        ) !== JSON.stringify(one.expected))""",
    "scans": """({readScan}, file) => file.cases.filter((one) => {
            try {
                const {kind, value, source, serial, elements} = readScan(one.text);
                return JSON.stringify([kind, value, source, serial, elements])
                    !== JSON.stringify([one.kind, one.value, one.source, one.serial, one.elements]);
            } catch (error) { return error.code !== one.code; }
        })""",
}
MODULES = {
    "check_characters": "check_characters.js",
    "normalisation": "schemes.js",
    "serial_schemes": "schemes.js",
    "suggestions": "suggestions.js",
    "scans": "scans.js",
}


@pytest.mark.parametrize("name", CHECKS)
def test_the_phone_answers_every_case_of_the_vector_files(modules: Page, name: str) -> None:
    text = (VECTORS / f"{name}.json").read_text()

    wrong = modules.evaluate(
        f"async (text) => ({CHECKS[name]})(await import('{FIELD}/{MODULES[name]}'), JSON.parse(text))", text
    )

    assert wrong == []


def test_a_phone_that_reads_otherwise_than_a_file_says_is_found_out(modules: Page) -> None:
    text = (VECTORS / "scans.json").read_text().replace('"gln"', '"gtin"', 1)

    wrong = modules.evaluate(
        f"async (text) => ({CHECKS['scans']})(await import('{FIELD}/scans.js'), JSON.parse(text))", text
    )

    assert len(wrong) == 1


def test_the_phone_says_of_mutilated_codes_what_the_server_says(modules: Page) -> None:
    dice = random.Random(27)
    known = [case["text"] for case in json.loads((VECTORS / "scans.json").read_text())["cases"]]
    codes = known + [mutilated(dice, dice.choice(known)) for _ in range(4000)]

    told = modules.evaluate(
        f"""async (text) => {{
            const {{ readScan }} = await import('{FIELD}/scans.js');
            return JSON.parse(text).map((code) => {{
                try {{ const {{kind, value, source, serial, elements}} = readScan(code);
                    return [kind, value, source, serial, elements]; }}
                catch (error) {{ return [error.code ?? String(error)]; }}
            }});
        }}""",
        json.dumps(codes),
    )

    said = [(code, ours, server(code)) for code, ours in zip(codes, told, strict=True)]
    assert [(code, ours, theirs) for code, ours, theirs in said if ours != theirs] == []


def mutilated(dice: random.Random, code: str) -> str:
    """Return a code with one to three characters lost, doubled, swapped or put in."""
    text = list(code)
    for _ in range(dice.randint(1, 3)):
        at = dice.randrange(len(text) + 1)
        match dice.randrange(4):
            case 0:
                text[at : at + 1] = []
            case 1:
                text[at:at] = text[at : at + 1]
            case 2:
                text[at : at + 2] = text[at : at + 2][::-1]
            case _:
                text[at:at] = [dice.choice('019AZaz-.*()]/%?&=+:#@[\u001d \u00a0\u2013\u0669\u00e9"')]
    return "".join(text)


def server(code: str) -> list[Any]:
    """Return what the server's rules say of a code."""
    try:
        scan = read_scan(code)
    except RuleBroken as broken:
        return [str(broken.code)]
    return [scan.kind, scan.value, scan.source, scan.serial, [list(pair) for pair in scan.elements]]


def test_the_phone_knows_the_same_gs1_identifiers_as_the_server(modules: Page) -> None:
    told = modules.evaluate(
        f"""async () => [...(await import('{FIELD}/application_identifiers.js')).IDENTIFIERS]
            .map(([name, {{pattern, marked}}]) => [name, pattern, marked]).sort()"""
    )

    assert told == sorted(
        [
            known.ai,
            known.pattern.removeprefix(f"^{known.ai}").removesuffix("$").replace(r"\d", "[0-9]"),
            known.separator_required,
        ]
        for known in _GS1_APPLICATION_IDENTIFIERS.values()
    )


PACK = {
    "device_models": [
        {"id": "m3", "name": "Plumb-3", "serial": {"prefix": "P3", "alphabet": "0123456789",
         "payload_length": 6, "check_method": "luhn", "check_covers_prefix": False}},
        {"id": "m5", "name": "Plumb-5", "serial": {"prefix": "P5", "alphabet": "0123456789",
         "payload_length": 6, "check_method": "none", "check_covers_prefix": False}},
        {"id": "m6", "name": "Plumb-6", "serial": {"prefix": "P5", "alphabet": "0123456789",
         "payload_length": 6, "check_method": "none", "check_covers_prefix": False}},
    ],
    "devices": [{"id": "d1", "serial": "P30042176", "device_model": "m3", "place": "your van"}],
}  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "state", "problem", "suggested"),
    [
        ("p3-004217-6", "ok", None, []),
        ("]C1010950600013435221P30042176", "ok", None, []),  # as GS1-128 gives it, the serial beside the GTIN
        ("P3O042176", "wrong", "wrong_character", ["P30042176"]),
        ("P30042716", "wrong", "wrong_check", ["P30042176"]),
        ("0042176", "wrong", "missing_prefix", ["P30042176"]),
        ("P35801261", "unknown", None, []),  # a right serial, which nobody booked in
        ("P5-004217-9", "wrong", "wrong_length", []),
        ("(414)9506000134352", "wrong", "wrong_kind", []),
        ("(01)09506000134353", "wrong", "check_invalid", []),
        ("", "wrong", "scan_invalid", []),
    ],
)
def test_a_label_is_judged_without_the_register(
    modules: Page, typed: str, state: str, problem: str | None, suggested: list[str]
) -> None:
    told = judged(modules, typed)

    assert (told["state"], told["problem"]) == (state, problem)
    assert [device["serial"] for device in told["suggestions"]] == suggested
    assert told["words"]


def judged(modules: Page, typed: str) -> Any:
    """Return what the phone says of a label."""
    return modules.evaluate(
        f"async ([typed, pack]) => (await import('{FIELD}/serials.js')).judge(typed, pack)", [typed, PACK]
    )


def test_a_serial_of_two_models_is_not_settled_by_guessing(modules: Page) -> None:
    told = judged(modules, "P5123456")

    assert told["state"] == "ambiguous"
    assert [model["name"] for model in told["models"]] == ["Plumb-5", "Plumb-6"]
