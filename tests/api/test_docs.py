"""The documentation over HTTP: whole, by example, without a network."""

import difflib
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urljoin

import pytest
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from jsonschema import Draft202012Validator
from jsonschema.validators import validator_for

from service.api import docs
from service.api.errors import all_refusals, status_of
from service.app import openapi
from service.domain.events import MEANINGS, EventKind
from service.domain.keys import Scope
from service.domain.refusals import Refusal
from service.store.engine import Database
from tests.api.conftest import Clock, TestClient
from tests.api.documented import OPERATIONS, world
from tests.api.remembered import Remembered

COMMITTED = Path(docs.__file__).with_name("openapi.json")
DECLARED = sorted(set(all_refusals()), key=lambda kind: kind.slug())


@pytest.fixture
def document(client: TestClient) -> dict[str, Any]:
    response = client.get("/openapi.json")
    assert response.headers["Content-Type"] == "application/json"
    found: dict[str, Any] = response.json()
    return found


def operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield path, method, operation


def whole(document: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any]:
    """*schema* with what it refers to."""
    return {**schema, "components": document["components"]}


def test_every_operation_is_described_and_named_by_noun_and_verb(document: dict[str, Any]) -> None:
    names = []
    for path, method, operation in operations(document):
        where = f"{method} {path}"
        assert len(operation["summary"]) > 5, where
        assert len(operation["description"]) > len(operation["summary"]), where
        assert re.fullmatch(r"[a-z]+(_[a-z]+)+", operation["operationId"]), where
        assert operation["tags"], where
        assert {each["name"] for each in document["tags"]} >= set(operation["tags"]), where
        names.append(operation["operationId"])
    assert len(set(names)) == len(names)


def test_every_parameter_and_field_is_described(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        for parameter in operation.get("parameters", ()):
            assert parameter.get("description"), f"{method} {path} {parameter['name']}"
    for name, schema in document["components"]["schemas"].items():
        for field, described in schema.get("properties", {}).items():
            assert described.get("description"), f"{name}.{field}"


def test_lengths_say_their_unit(document: dict[str, Any]) -> None:
    for name, schema in document["components"]["schemas"].items():
        for field, described in schema.get("properties", {}).items():
            if re.search(r"_frames$", field):
                assert "frame" in described["description"].lower(), f"{name}.{field}"
            if re.search(r"_s$", field):
                assert "second" in described["description"].lower(), f"{name}.{field}"


def test_every_body_has_an_example_that_is_one(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        if "requestBody" not in operation:
            assert method not in {"put", "patch"}
            continue
        for media in operation["requestBody"]["content"].values():
            assert media["example"], f"{method} {path}"
            Draft202012Validator(whole(document, media["schema"])).validate(media["example"])


def test_every_answer_has_an_example_that_is_one(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        successes = {status: each for status, each in operation["responses"].items() if status.startswith("2")}
        assert successes, f"{method} {path}"
        for media in (each for answer in successes.values() for each in answer["content"].values()):
            shown = [media["example"]] if "example" in media else [each["value"] for each in media["examples"].values()]
            assert shown, f"{method} {path}"
            for example in shown:
                Draft202012Validator(whole(document, media["schema"])).validate(example)


def test_every_refusal_is_documented_as_a_problem(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        for status, answer in operation["responses"].items():
            if not status.startswith(("4", "5")) or path == "/readyz":
                continue
            media = answer["content"]["application/problem+json"]
            validator = Draft202012Validator(whole(document, media["schema"]))
            assert media["examples"], f"{method} {path} {status}"
            for slug, reference in media["examples"].items():
                assert reference == {"$ref": f"#/components/examples/{slug}"}
                example = document["components"]["examples"][slug]
                validator.validate(example["value"])
                assert example["value"]["type"] == f"/problems/{slug}"
                assert example["value"]["status"] == int(status)


def test_guarded_operations_say_what_a_key_may_lack(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        guarded = path.startswith("/v1/")
        assert ("security" in operation) == guarded, f"{method} {path}"
        assert {"401", "403"} <= operation["responses"].keys() or not guarded, f"{method} {path}"


def test_changes_name_the_state_and_writes_may_be_repeated(document: dict[str, Any]) -> None:
    for path, method, operation in operations(document):
        headers = {each["name"] for each in operation.get("parameters", ()) if each["in"] == "header"}
        where = f"{method} {path}"
        assert ("If-Match" in headers) == ("412" in operation["responses"]), where
        assert "If-Match" in headers or method not in {"patch", "put"}, where
        # A count has an identity of its own; what is imagined is not kept, and a cookie must not be.
        unkept = {"counts_post", "what_if", "stream_cookie_give", "stream_cookie_take_back"}
        kept = method != "get" and operation["operationId"] not in unkept
        assert ("Idempotency-Key" in headers) == kept, where


def test_document_is_openapi_3_1_with_schemas_that_are_schemas(document: dict[str, Any]) -> None:
    assert document["openapi"].startswith("3.1.")
    for schema in document["components"]["schemas"].values():
        validator_for(schema, Draft202012Validator).check_schema(schema)
    assert "HTTPValidationError" not in json.dumps(document)
    references = set(re.findall(r'"#/components/schemas/([^"]+)"', json.dumps(document)))
    assert references <= document["components"]["schemas"].keys()


def test_every_documented_problem_has_its_page(client: TestClient, document: dict[str, Any]) -> None:
    documented = set(re.findall(r'"(/problems/[a-z-]+)"', json.dumps(document)))
    assert documented
    listing = client.get("/problems")
    assert listing.headers["Content-Type"].startswith("text/html")
    for name in documented:
        assert f"<code>{name}</code>" in listing.text
        page = client.get(name)
        assert page.status_code == 200
        assert f"<code>{name}</code>" in page.text


@pytest.mark.parametrize("kind", DECLARED, ids=lambda kind: kind.slug())
def test_every_refusal_has_a_status_a_message_and_a_page(client: TestClient, kind: type[Refusal]) -> None:
    assert 400 <= status_of(kind) < 600
    assert kind.message().endswith((".", "`", "`."))
    assert not {"type", "title", "status", "detail", "instance", "errors"} & {
        name for name in kind.__dataclass_fields__ if name != "faults"
    }
    assert kind.slug() in client.get("/problems").text
    assert client.get(f"/problems/{kind.slug()}").status_code == 200


def test_events_hold_what_their_kind_is_said_to_hold(
    *,
    app: FastAPI,
    client: TestClient,
    database: Database,
    clock: Clock,
    document: dict[str, Any],
    remembered: Remembered,
) -> None:
    studio = world(app, client, database, clock, remembered=remembered)
    for operation in OPERATIONS:
        if operation.writes:
            operation.check(studio.send(operation))
    told = document["components"]["schemas"]["EventKind"]["description"]
    log = studio.callers[Scope.ADMIN].get("/v1/events?limit=1000").json()["items"]
    assert len({event["kind"] for event in log}) > 15
    for event in log:
        assert f"- `{event['kind']}`: {MEANINGS[event['kind']]}" in told
        names = set(re.findall(r"`(\w+)`", MEANINGS[event["kind"]]))
        if event["kind"] == EventKind.PRODUCTION_CHANGED:
            assert event["data"].keys() <= names
        else:
            assert event["data"].keys() == names, event


def test_unknown_problem_is_a_problem(client: TestClient) -> None:
    assert client.get("/problems/no-such").json()["type"] == "/problems/not-here"


def test_pages_take_nothing_from_elsewhere(client: TestClient) -> None:
    for page in ("/docs", "/problems", "/problems/stale"):
        response = client.get(page)
        policy = response.headers["Content-Security-Policy"]
        assert policy.startswith("default-src 'none'")
        assert "'unsafe-eval'" not in policy
        assert "<script>" not in response.text
        for link in re.findall(r'(?:href|src)="([^"]+)"', response.text):
            if link.startswith("data:"):
                continue
            assert "//" not in link
            found = client.get(urljoin(page, link))
            assert found.status_code == 200, link
            assert found.content


def test_the_committed_document_is_what_the_service_describes() -> None:
    """Other tools read `service/api/openapi.json` where it lies, so a change of the API is a change of that file."""
    described = json.dumps(openapi(), indent=2, ensure_ascii=False) + "\n"
    committed = COMMITTED.read_text(encoding="utf-8") if COMMITTED.exists() else ""
    if committed != described:
        lines = difflib.unified_diff(
            committed.splitlines(), described.splitlines(), "committed", "described by the code", lineterm="", n=2
        )
        pytest.fail("\n".join([*lines, f"Where this is meant: .venv/bin/tiedown openapi > {COMMITTED}"]), pytrace=False)


def test_document_covers_every_route(app: FastAPI, document: dict[str, Any]) -> None:
    routes = {
        (route.path_format, method.lower())
        for route in iter_route_contexts(app.routes)
        if route.include_in_schema
        for method in route.methods or ()
    }
    assert routes == {(path, method) for path, method, _ in operations(document)}
