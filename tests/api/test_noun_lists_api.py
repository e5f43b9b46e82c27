"""What holds alike of the lists of accounts, contacts, the catalogue, people, tokens, periods and entries."""

from typing import Any
from uuid import uuid4

import pytest

from tests.api.client import Api, Person, ok, tables_read, told
from tests.api.noun_lists import LISTS
from tests.factories.world import World


@pytest.fixture
def administrator(api: Api, world: World) -> Person:
    return api.as_(world.administrator)


def keys(rows: list[Any], name: str) -> list[Any]:
    return [row[LISTS[name].key] for row in rows]


@pytest.mark.parametrize("name", LISTS)
def test_a_list_reads_as_much_for_thirty_rows_as_for_three(
    administrator: Person, world: World, name: str
) -> None:
    listed = LISTS[name]
    query = listed.query(world)
    # The rows that are added alone: what the company began with refers to less.
    while len(administrator.rows(listed.path, page_size=200, **query)) < 36:
        listed.add(world)
    for rows in (3, 30):
        asked = {"page_size": rows, "ordering": f"-{listed.orderings[0]}", **query}
        assert len(ok(administrator.get(listed.path, **asked))["results"]) == rows
        assert tables_read(lambda asked=asked: administrator.get(listed.path, **asked)) == listed.reads


@pytest.mark.parametrize("name", LISTS)
def test_one_thing_is_read_in_as_many_queries_as_are_named(
    administrator: Person, world: World, name: str
) -> None:
    listed = LISTS[name]
    for _ in range(2):
        listed.add(world)
    ordering = "-id" if name == "contacts" else f"-{listed.orderings[0]}"
    rows = ok(administrator.get(listed.path, ordering=ordering, **listed.query(world)))["results"]
    newest = next(row for row in rows if name != "accounts" or row["parent"])
    address = listed.address(newest)

    assert tables_read(lambda: administrator.get(address)) == listed.one
    assert ok(administrator.get(address)).body.items() >= newest.items()


@pytest.mark.parametrize("name", LISTS)
def test_all_pages_hold_each_row_once_in_any_order(administrator: Person, world: World, name: str) -> None:
    listed = LISTS[name]
    for _ in range(5):
        listed.add(world)
    query = listed.query(world)
    whole = administrator.rows(listed.path, page_size=200, **query)
    assert len(whole) >= 5

    for ordering in listed.orderings:
        for sign in ("", "-"):
            for size in (1, 2, 5):
                found = administrator.rows(listed.path, page_size=size, ordering=f"{sign}{ordering}", **query)
                assert sorted(keys(found, name)) == sorted(keys(whole, name))
                values = [row[ordering] for row in found]
                assert values == sorted(values, reverse=sign == "-"), (ordering, sign)


@pytest.mark.parametrize("name", LISTS)
def test_rows_that_look_alike_are_told_apart_and_rows_that_come_meanwhile_disturb_nothing(
    administrator: Person, world: World, name: str
) -> None:
    listed = LISTS[name]
    for _ in range(5):
        listed.add(world)
    query = listed.query(world)
    alike = listed.orderings[-1]
    before = keys(administrator.rows(listed.path, page_size=200, **query), name)

    found = []
    for page in administrator.pages(listed.path, page_size=2, ordering=alike, **query):
        found += keys(page["results"], name)
        listed.add(world)

    assert len(found) == len(set(found))
    assert set(before) <= set(found)
    if listed.dated:  # what came meanwhile is not of the moment of the question
        assert set(before) == set(found)


@pytest.mark.parametrize("name", [name for name, listed in LISTS.items() if listed.dated])
def test_the_next_page_asks_at_the_moment_of_the_first(
    administrator: Person, world: World, name: str
) -> None:
    listed = LISTS[name]
    for _ in range(3):
        listed.add(world)
    first, *others = list(administrator.pages(listed.path, page_size=1, **listed.query(world)))

    assert others
    assert f"known_at={first['known_index']}" in first["next"]
    assert {(page["as_of"], page["known_index"]) for page in others} == {
        (first["as_of"], first["known_index"])
    }


@pytest.mark.parametrize("name", LISTS)
def test_what_a_list_does_not_know_is_refused_and_named(
    administrator: Person, world: World, name: str
) -> None:
    listed = LISTS[name]
    query = listed.query(world)
    wrong = [
        ("ordering", "password"),
        ("page_size", "0"),
        ("page_size", "201"),
        ("cursor", "bm9uZQ"),
        ("colour", "blue"),
    ]
    if not listed.dated:
        wrong += [("as_of", "2026-02-20T00:00:00Z"), ("known_at", "3")]
    for parameter, value in wrong:
        reply = told(administrator.get(listed.path, **{parameter: value, **query}), 422, "value_invalid")
        assert [error["parameter"] for error in reply["errors"]] == [parameter]


@pytest.mark.parametrize("name", LISTS)
def test_an_absent_thing_is_not_found(administrator: Person, world: World, name: str) -> None:
    absent = {"entries": "entries/999/", "periods": f"periods/locationstate/{uuid4()}/"}
    told(administrator.get(absent.get(name, f"{name}/{uuid4()}/")), 404, "not_found")


@pytest.mark.parametrize("name", LISTS)
def test_what_is_known_already_is_not_sent_again(administrator: Person, world: World, name: str) -> None:
    listed = LISTS[name]
    listed.add(world)
    rows = ok(administrator.get(listed.path, **listed.query(world)))["results"]
    address = listed.address(rows[0])

    again = administrator.get(address, tag=administrator.seen(address))

    assert (again.status, again.text) == (304, "")
