"""The schema: valid, complete, frozen; and true, as a fuzzer asks for everything in it as everybody.

`contract.json` holds every address, method and status that was ever promised. Where one is added on
purpose, write it anew and look at the difference:

    .venv/bin/python -m tests.api.contract
"""

import itertools
import json
import re
from http import HTTPStatus
from typing import Any

import jsonschema
import pytest
import schemathesis
from django.test import Client
from django.urls import URLPattern
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.generation.feedback import FeedbackSources
from schemathesis.pytest._test_builder import build_operation_test
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from config.wsgi import application
from registry.actions import tokens
from registry.api.documents import NowhereView
from registry.api.problems import ApiCode
from registry.api.urls import urlpatterns
from registry.rules.errors import Code
from tests.actions.unchanged import undone
from tests.api import count_operations, evidence_operations, noun_operations, operations, visit_operations
from tests.api.contract import CONTRACT, METHODS, contract_of
from tests.api.fuzz import connection_kept, feed_of
from tests.factories.world import World

ROOT = "/api/v1/"
ROLES = ("office", "installer", "auditor", "administrator")
OPEN = {("get", f"{ROOT}problems/{{code}}/")}  # asked by whoever meets a problem, signed in or not
# Not in the schema: the schema itself, the page that shows it, and everywhere else.
UNSAID = {"schema/", "docs/", ""}
# Only commands meet these, before there is a register.
NEVER_ANSWERED = {Code.ALREADY_FOUNDED, Code.NOT_FOUNDED}
# Answered where an address knows no such method, so of no operation.
OF_NO_OPERATION = {ApiCode.METHOD_UNKNOWN}


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    answer = Client().get(f"{ROOT}schema/", query_params={"format": "json"})
    assert answer.status_code == 200
    found: dict[str, Any] = json.loads(answer.content)
    return found


def operations_of(schema: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    """Return every operation by its method and address."""
    return {
        (method, path): operation
        for path, item in schema["paths"].items()
        for method, operation in item.items()
        if method in METHODS
    }


# --- valid and complete -----------------------------------------------------------------------------------


def test_it_is_openapi_3_1(schema: dict[str, Any]) -> None:
    # OpenAPI Specification 3.1.1, by its own JSON Schema; section 4.8.24: bodies are JSON Schema 2020-12.
    assert schema["openapi"] == "3.1.1"
    validate_schema(schema)
    for name, component in schema["components"]["schemas"].items():
        jsonschema.Draft202012Validator.check_schema(component)
        assert name[0].isupper()


def test_every_reference_in_it_leads_somewhere(schema: dict[str, Any]) -> None:
    wanted = set(re.findall(r'"\$ref": "([^"]+)"', json.dumps(schema)))
    assert wanted <= {f"#/components/schemas/{name}" for name in schema["components"]["schemas"]}
    assert len(wanted) > 50


def test_it_is_made_without_a_warning() -> None:
    GENERATOR_STATS.reset()
    with GENERATOR_STATS.silence():
        SchemaGenerator().get_schema(request=None, public=True)
    assert dict(GENERATOR_STATS._warn_cache) == {}
    assert dict(GENERATOR_STATS._error_cache) == {}


def test_it_names_every_address_and_method(schema: dict[str, Any]) -> None:
    served = set()
    for pattern in urlpatterns:
        assert isinstance(pattern, URLPattern)
        view = getattr(pattern.callback, "cls", None)
        if str(pattern.pattern) in UNSAID:
            continue
        assert view is not None
        assert view is not NowhereView
        address = ROOT + re.sub(r"<\w+:(\w+)>", r"{\1}", str(pattern.pattern))
        served |= {(method, address) for method in METHODS if hasattr(view, method)}
    assert served == set(operations_of(schema))


def test_operations_have_names_of_their_own(schema: dict[str, Any]) -> None:
    names = [operation["operationId"] for operation in operations_of(schema).values()]
    assert len(set(names)) == len(names)
    summaries = [operation.get("summary", "") for operation in operations_of(schema).values()]
    assert all(summaries)


def test_everything_but_what_is_open_says_what_strangers_and_the_wrong_people_are_told(
    schema: dict[str, Any],
) -> None:
    for key, operation in operations_of(schema).items():
        answers = set(operation["responses"])
        if key in OPEN:
            assert not {"401", "403"} & answers
        else:
            assert {"401", "403"} <= answers, key
            reports = key == ("post", f"{ROOT}readings/")
            assert {"device_token" if reports else "token": []} in operation["security"]


def test_every_code_is_said_where_it_is_answered(schema: dict[str, Any]) -> None:
    said = {
        code
        for operation in operations_of(schema).values()
        for status, answer in operation["responses"].items()
        if int(status) >= 400
        for code in codes_in(answer, schema)
    }
    every = {*map(str, Code), *map(str, ApiCode)}
    assert said == every - {str(code) for code in (*NEVER_ANSWERED, *OF_NO_OPERATION)}
    [kind] = [
        answer
        for key, operation in operations_of(schema).items()
        if key in OPEN
        for status, answer in operation["responses"].items()
        if status == "200"
    ]
    [reference] = re.findall(r"schemas/(\w+)", json.dumps(kind))
    assert set(enum_in(schema["components"]["schemas"][reference]["properties"]["code"], schema)) == every


def codes_in(answer: dict[str, Any], schema: dict[str, Any]) -> list[str]:
    """Return the codes that the schema of a problem knows; its words must name the same."""
    reference = answer["content"]["application/problem+json"]["schema"]["$ref"]
    component = schema["components"]["schemas"][reference.rsplit("/", 1)[1]]
    codes = enum_in(component["properties"]["code"], schema)
    assert answer["description"] == ", ".join(codes)
    return codes


def enum_in(part: dict[str, Any], schema: dict[str, Any]) -> list[str]:
    if "$ref" in part:
        return enum_in(schema["components"]["schemas"][part["$ref"].rsplit("/", 1)[1]], schema)
    if "enum" in part:
        found: list[str] = part["enum"]
        return found
    if "const" in part:
        return [part["const"]]
    return enum_in(part["allOf"][0], schema)


def test_every_status_of_a_problem_is_one_that_its_codes_have(schema: dict[str, Any]) -> None:
    for (method, path), operation in operations_of(schema).items():
        for status, answer in operation["responses"].items():
            if int(status) >= 400:
                assert list(answer["content"]) == ["application/problem+json"], (method, path, status)
                assert HTTPStatus(int(status))


def test_every_body_is_closed(schema: dict[str, Any]) -> None:
    for key, operation in operations_of(schema).items():
        if "requestBody" not in operation:
            continue
        content = operation["requestBody"]["content"]
        assert list(content) == ["application/json"], key
        name = content["application/json"]["schema"]["$ref"].rsplit("/", 1)[1]
        assert schema["components"]["schemas"][name]["additionalProperties"] is False, name


# --- frozen -------------------------------------------------------------------------------------------------


def test_what_was_promised_is_kept(schema: dict[str, Any]) -> None:
    promised = json.loads(CONTRACT.read_text())
    now = contract_of(schema)
    assert {key: now.get(key) for key in promised} == promised, "an address, method or status is gone"
    assert now == promised, "something is new: write the contract anew, see the docstring"


# --- true ---------------------------------------------------------------------------------------------------

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
EXAMPLES = 4  # of an operation, each asked by two of the roles


def as_fuzzed() -> Any:
    """Return the schema as the fuzzer reads it, over the application itself."""
    config = schemathesis.Config.from_dict(
        {
            "generation": {
                "deterministic": True,
                "max-examples": EXAMPLES,
                "no-shrink": True,
                "allow-extra-parameters": False,
            },
            "phases": {"coverage": {"enabled": False}, "stateful": {"enabled": False}},
        }
    )
    return schemathesis.openapi.from_wsgi(f"{ROOT}schema/?format=json", application, config=config)


def secrets_of(world: World) -> dict[str, str]:
    """Return a token's secret for each role."""
    return {
        role: tokens.issue_token(world.administrator, staff_id=getattr(world, role).staff_id, name="a phone")[
            1
        ]
        for role in ROLES
    }


def test_nothing_is_answered_to_anybody_that_the_schema_does_not_say(
    world: World, subtests: pytest.Subtests, caplog: pytest.LogCaptureFixture
) -> None:
    """Every case is asked as two roles in turn, and taken back: the next one meets the same register."""
    secrets, feed = secrets_of(world), feed_of(world)
    statuses: dict[str, set[int]] = {role: set() for role in ROLES}
    pairs = itertools.cycle([ROLES[:2], ROLES[2:]])

    def ask(case: schemathesis.Case) -> None:
        feed.into(case)
        for role in next(pairs):
            case.headers["Authorization"] = f"Bearer {secrets[role]}"
            with undone():
                answer = case.call()
            statuses[role].add(answer.status_code)
            case.validate_response(answer, checks=CHECKS)

    with connection_kept():
        for result in as_fuzzed().get_all_operations():
            operation = result.ok()
            test = build_operation_test(
                config=operation.schema.config,
                operation=operation,
                test_func=ask,
                given_kwargs={},
                feedback=FeedbackSources(),
            )
            with subtests.test(operation=operation.label):
                try:
                    test()
                except FailureGroup as failures:
                    raise AssertionError("\n".join(str(one) for one in failures.exceptions)) from None
            caplog.clear()

    # It got somewhere: a fuzzer that is only turned away shows nothing. (Keys are new, so is its luck.)
    assert set().union(*statuses.values()) >= {200, 201, 400, 403, 404, 409, 422}
    for role, met in statuses.items():
        assert met >= {200, 404, 422}, role


ACCEPTED = {
    **operations.OPERATIONS,
    **noun_operations.OPERATIONS,
    **count_operations.OPERATIONS,
    **visit_operations.OPERATIONS,
    **evidence_operations.OPERATIONS,
}


def test_every_accepted_change_is_answered_as_the_schema_says(
    world: World, subtests: pytest.Subtests
) -> None:
    secret = secrets_of(world)["administrator"]
    found = {}
    with connection_kept():
        fuzzed = as_fuzzed()
        paths = {result.ok().path for result in fuzzed.get_all_operations()}
        for name, make in ACCEPTED.items():
            with undone(), subtests.test(change=name):
                wanted = make(world)
                path = f"{ROOT}{wanted.path}"
                # An address without a name in it is looked up as it stands: a pattern may fit it, too.
                operation = (
                    fuzzed[path][wanted.method]
                    if path in paths
                    else fuzzed.find_operation_by_path(wanted.method, path)
                )
                assert operation is not None
                case = operation.Case(
                    path_parameters=path_parameters(operation.path, f"{ROOT}{wanted.path}"),
                    headers={
                        "Authorization": f"Bearer {secret}",
                        "Idempotency-Key": f'"{name}"',
                        "If-Match": "*",
                    },
                    body=json.loads(json.dumps(wanted.body, default=str)),
                )
                answer = case.call()
                assert answer.status_code in (200, 201), answer.text
                case.validate_response(answer, checks=CHECKS)
                found[operation.method, operation.path] = answer.status_code
        changing = {
            (result.ok().method, result.ok().path)
            for result in fuzzed.get_all_operations()
            if result.ok().method != "get"
        }
    # A checkpoint is no change, nor is a report of a device; their answers have tests of their own.
    assert {*found, ("post", f"{ROOT}checkpoints/"), ("post", f"{ROOT}readings/")} == changing


def path_parameters(path: str, address: str) -> dict[str, str]:
    """Return what stands in an address where its pattern has names."""
    pattern = re.sub(r"\{(\w+)\}", r"(?P<\1>[^/]+)", path)
    match = re.fullmatch(pattern, address)
    assert match is not None, (path, address)
    return match.groupdict()
