"""Events: verbs that are promises, and the sentences in which entries are read."""

import re

import pytest

from registry.rules.events import SENTENCES, Face, Kind, Verb, sentence

# Verbs are hashed into the ledger: the list is written out here a second time.
VERBS = """
register.founded
staff.added staff.role_changed staff.depots_changed staff.deactivated staff.reactivated staff.password_set
token.issued token.revoked device_token.issued device_token.revoked readings.sealed
depot.registered depot.corrected
account.registered account.corrected account.closed account.reopened
location.registered location.corrected location.state_set location.closed location.handed_over
location.taken_over
contact.registered contact.corrected contact.erased
cabinet_model.registered cabinet_model.corrected
cabinet.registered cabinet.corrected cabinet.moved cabinet.scrapped
product.registered product.corrected split.set
device_model.registered device_model.corrected
devices.received device.corrected device.handed_over device.sent_to_repair device.returned device.lost
device.retired device.assigned device.removed device.swapped
provisional.recorded provisional.confirmed provisional.merged provisional.rejected
period.corrected period.withdrawn
count.drawn count.finding_recorded count.place_not_counted count.place_reopened count.closed
count.difference_accepted count.difference_dismissed
mounting.recorded mounting.corrected mounting_practice.set photo.added photo.erased
acceptance.checked acceptance.signed_off
visit.planned visit.corrected visit.released visit.cautions_acknowledged visit.begun visit.finished
visit.cancelled survey.recorded
kit.adopted kit_part.registered kit_part.corrected kit_rule.set kit_rule.withdrawn
"""
KINDS = """
account location contact depot cabinet_model cabinet product device_model device staff token count
mounting mounting_practice photo
device_token reading_seal acceptance visit survey kit_part kit_rule
"""
PARTS_BESIDE_KINDS = {"from", "to", "removed", "subject", "at", "van"}


def parts_of(verb: Verb) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", SENTENCES[verb]))


def test_no_verb_kind_or_face_was_renamed_or_taken_back() -> None:
    assert sorted(VERBS.split()) == sorted(verb.value for verb in Verb)
    assert sorted(KINDS.split()) == sorted(kind.value for kind in Kind)
    assert {face.value for face in Face} == {"console", "api", "field", "command"}
    for verb in Verb:
        assert verb.value.replace(".", "_") == verb.name.lower()


@pytest.mark.parametrize("verb", Verb)
def test_every_verb_has_a_sentence_of_known_parts(verb: Verb) -> None:
    assert parts_of(verb) <= set(Kind) | PARTS_BESIDE_KINDS
    for bracket in re.findall(r"\[[^\]]*\]", SENTENCES[verb]):
        assert len(re.findall(r"\{\w+\}", bracket)) == 1, "a bracket stands or falls with one part"


@pytest.mark.parametrize("verb", Verb)
def test_every_sentence_reads_well_with_all_its_parts(verb: Verb) -> None:
    words = sentence(verb, {part: [f"<{part}>"] for part in parts_of(verb)})
    assert not set("[]{}") & set(words)
    assert all(f"<{part}>" in words for part in parts_of(verb))
    assert "nothing" not in words
    assert "  " not in words
    assert words[0].isupper() or words[0] == "<"
    assert not words.endswith((".", " "))


@pytest.mark.parametrize("empty", [None, []], ids=["absent", "empty"])
@pytest.mark.parametrize("verb", Verb)
def test_every_sentence_reads_well_without_its_optional_parts(verb: Verb, empty: list[str] | None) -> None:
    optional = set(re.findall(r"\[[^\]]*\{(\w+)\}[^\]]*\]", SENTENCES[verb]))
    parts = {part: [f"<{part}>"] for part in parts_of(verb) - optional}
    words = sentence(verb, parts if empty is None else parts | dict.fromkeys(optional, empty))
    assert not set("[]{}") & set(words)
    assert not any(f"<{part}>" in words for part in optional)
    assert "nothing" not in words
    assert "  " not in words


@pytest.mark.parametrize(
    "parts", [{}, {"account": []}, {"account": iter(())}], ids=["absent", "list", "iterator"]
)
def test_a_part_without_subjects_is_read_as_nothing(parts: dict[str, list[str]]) -> None:
    assert sentence(Verb.ACCOUNT_CLOSED, {"account": iter(["LF"])}) == "Account LF was closed"
    assert sentence(Verb.ACCOUNT_CLOSED, parts) == "Account nothing was closed"


CABINET_MOVES = {"cabinet": ["SK-7"], "from": ["Lantern Fuel 12"], "to": ["Skerry depot"]}


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({}, ""),
        ({"device": ["RB-1"]}, " with RB-1"),
        ({"removed": ["RB-2", "RB-3"]}, "; RB-2 and RB-3 came out"),
        ({"device": ["RB-1"], "removed": ["RB-2"]}, " with RB-1; RB-2 came out"),
    ],
)
def test_each_bracket_stands_or_falls_by_itself(more: dict[str, list[str]], words: str) -> None:
    told = sentence(Verb.CABINET_MOVED, CABINET_MOVES | more)
    assert told == f"Cabinet SK-7 went from Lantern Fuel 12 to Skerry depot{words}"


@pytest.mark.parametrize(
    ("labels", "words"),
    [
        (["a"], "a"),
        (["a", "b"], "a and b"),
        (["a", "b", "c"], "a, b and c"),
        (["a", "b", "c", "d"], "a, b, c and d"),
        (["a", "b", "c", "d", "e"], "a, b, c and 2 more"),
        ([str(number) for number in range(500)], "0, 1, 2 and 497 more"),
    ],
    ids=len,
)
def test_a_long_list_of_subjects_is_counted(labels: list[str], words: str) -> None:
    told = sentence(Verb.DEVICES_RECEIVED, {"device": labels, "depot": ["Skerry"]})
    assert told == f"{words} came into depot Skerry"


def test_braces_and_brackets_in_a_name_are_left_alone() -> None:
    odd = "{depot} [with {device}]"
    assert sentence(Verb.DEPOT_REGISTERED, {"depot": [odd]}) == f"Depot {odd} was registered"
