"""What holds for every operation, whichever is added: the application is asked for them, nothing here lists them.

Whoever departs from a convention is named here with the reason, and is found out where it departs no more.
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from httpx import Response

from service.store import events
from service.store.engine import Database
from tests.api.conftest import Caller, Clock, TestClient
from tests.api.documented import BY_NAME, DOCUMENT, OPERATIONS, PROBLEM, Operation, World, world
from tests.api.remembered import Remembered

# What begins and does not end; `tests/api/test_stream.py` follows it.
ENDLESS = {"stream_follow"}
GUARDED = [each for each in OPERATIONS if each.guarded]
READS = [each for each in GUARDED if not each.writes and each.name not in ENDLESS]
WRITES = [each for each in GUARDED if each.writes]
CHANGES = [each for each in WRITES if each.subject is not None]

NO_PAGES = {
    "event_list": "its cursor is a position in the log, `after`, which clients keep for years",
    "worker_list": "they are as many as packages are installed, beside the head of the log at the same moment",
    "notice_kind_list": "they are a closed set and what installed packages add to it",
    "progress_get": "sums of one position, which pages read at different moments would not add up to",
}
NAMES_NO_STATE = {
    "note_strike": "a note says for good what it says, and is struck once: a second time is 409 and says who did it",
    "key_revoke": "whoever revokes a lost key wants it dead whatever else was changed of it; twice is once",
    "what_if": "nothing is changed, so no state is named",
    "shots_move": "many shots have no one state; each may be named with the `rev` it was read at",
    "quarantine_retry": "an event that waits is tried again, whoever asks; one that waits no more is 409",
    "quarantine_skip": "an event is skipped once: a second time is 409 and says what became of it",
    "rebuild_ask": "rows are made anew, whatever they are, and asking twice is asking once",
    "rebuild_give_up": "a rebuild is given up once: a second time is 409",
    "worker_disable": "whoever disables a worker that does harm wants it off whatever else is so; twice is once",
    "delivery_redeliver": "a message is sent again, whatever became of it; asked twice is asked once",
    "watch_test": "a watch is tried as it stands",
    "watch_enable": "a watch hears again, whatever else was changed of it; twice is once",
    "watch_remove": "whoever removes a watch wants nothing sent any more, whatever else was changed of it",
    "worker_enable": "a worker is enabled, whoever disabled it; twice is once",
    "stream_cookie_take_back": "the cookie is the browser's, and forgetting it twice is forgetting it",
    "unmatched_match": "a count is matched once: a second match is 409 and says for what it counts already",
}
DIRECTORS_TOO = {"take_decide", "note_add", "note_strike"}
HAS_OWN_IDENTITY = {
    "counts_post": "terminal, spool and serial name a count for ever",
    "stream_cookie_give": "it stores nothing, and a cookie that was kept could be given to somebody else",
    "stream_cookie_take_back": "it stores nothing, and the browser's second try does what the first did",
    "what_if": "it stores nothing, not even its answer: asked again it is answered as things stand then",
}
TAKES_ANY_QUERY = {
    "health_get": "probes append what they like, and need no key",
    "readiness_get": "probes append what they like, and need no key",
}
NAMES_WHAT_NEED_NOT_BE = {
    "spool_get": "a terminal asks of its own spool before anything of it came, and is told who it is",
}
# Shown in the first answer alone.
SECRETS = ("key", "secret")
GIVES_SECRETS = {"key_make", "key_rotate", "watch_add", "watch_rotate"}


@pytest.fixture
def studio(app: FastAPI, client: TestClient, database: Database, clock: Clock, *, remembered: Remembered) -> World:
    return world(app, client, database, clock, remembered=remembered)


def by_name(operation: Operation) -> str:
    return operation.name


def refused(operation: Operation, response: Response, status: int, slug: str | None = None) -> dict[str, Any]:
    """Assert that an answer is a refusal the document describes, and return it."""
    operation.check(response)
    problem: dict[str, Any] = response.json()
    assert (response.status_code, response.headers["Content-Type"]) == (status, PROBLEM), (operation.name, problem)
    assert problem["status"] == status
    assert slug is None or problem["type"] == f"/problems/{slug}", (operation.name, problem)
    assert problem["detail"]
    assert response.headers["Cache-Control"] == "no-store"
    return problem


@pytest.mark.parametrize(
    ("exceptions", "departing"),
    [
        (NO_PAGES, {each.name for each in READS if each.lists and "cursor" not in each.parameters("query")}),
        (NAMES_NO_STATE, {each.name for each in CHANGES if "If-Match" not in each.parameters("header")}),
        (HAS_OWN_IDENTITY, {each.name for each in WRITES if "Idempotency-Key" not in each.parameters("header")}),
        (TAKES_ANY_QUERY, {each.name for each in OPERATIONS if not each.guarded}),
    ],
    ids=["pages", "states", "identities", "queries"],
)
def test_who_departs_from_a_convention_has_a_reason(exceptions: Mapping[str, str], departing: set[str]) -> None:
    assert exceptions.keys() == departing


@pytest.mark.parametrize("operation", [each for each in OPERATIONS if each.name not in ENDLESS], ids=by_name)
def test_its_example_does_what_the_document_says(studio: World, operation: Operation) -> None:
    response = studio.send(operation)
    assert response.status_code == operation.success, response.text
    operation.check(response)
    if "Location" in response.headers:
        there = studio.caller(operation).get(response.headers["Location"])
        assert (there.status_code, there.headers["ETag"]) == (200, response.headers["ETag"])


def test_every_read_has_an_etag_and_is_not_repeated_to_who_holds_it(studio: World) -> None:
    # RFC 9110, sections 8.8.3, 9.3.2, 13.1.2 and 15.4.5.
    for operation in READS:
        got = studio.send(operation)
        head = studio.caller(operation).send("HEAD", studio.path(operation), params=operation.query)
        assert (head.status_code, head.content, head.headers) == (200, b"", got.headers), operation.name
        negotiated = "406" in operation.described["responses"]
        assert got.headers["Vary"] == ("Accept, Authorization" if negotiated else "Authorization"), operation.name
        assert got.headers["Cache-Control"] == "private, no-cache", operation.name
        etag = got.headers["ETag"]
        for tag in (etag, f"W/{etag}", f'"other", {etag}', "*"):
            held = studio.send(operation, headers={"If-None-Match": tag})
            operation.check(held)
            assert held.status_code == 304, (operation.name, tag)
            assert {held.headers[name] == got.headers[name] for name in ("ETag", "Vary", "Cache-Control")} == {True}
        assert studio.send(operation, headers={"If-None-Match": '"other"'}).content == got.content, operation.name


def test_every_list_comes_in_pages_that_follow_by_link(studio: World) -> None:
    for operation in READS:
        if not operation.lists or operation.name in NO_PAGES:
            continue
        assert {"limit", "cursor"} <= operation.parameters("query").keys(), operation.name
        whole = studio.send(operation).json()
        found = list(pages(studio, operation, {"limit": 1}))
        assert [page["items"] for page in found] == [[item] for item in whole["items"]], operation.name
        assert len(found) > 1, f"{operation.name}: the world of the examples needs two of them"
        assert whole["next"] is None, operation.name
        refused(operation, studio.send(operation, params={"cursor": "invented"}), 422, "invalid-cursor")
        for limit in (0, 501):
            refused(operation, studio.send(operation, params={"limit": limit}), 422, "invalid-request")


def pages(studio: World, operation: Operation, params: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Every page of a list, found by `Link` alone (RFC 8288)."""
    response = studio.send(operation, params=params)
    while True:
        operation.check(response)
        page = response.json()
        yield page
        assert ("next" in response.links) == (page["next"] is not None), operation.name
        if "next" not in response.links:
            return
        response = studio.send(operation, path=response.links["next"]["url"])


@pytest.mark.parametrize("operation", CHANGES, ids=by_name)
def test_a_change_names_the_state_it_changes(studio: World, operation: Operation) -> None:
    # RFC 9110, section 13.1.1, and RFC 6585, section 3.
    if operation.name in NAMES_NO_STATE:
        return
    present = studio.etag(operation)
    assert present is not None, f"{operation.name}: what it changes must be readable, at {operation.subject}"
    rev, head, whose = present.strip('"').split(".")
    unnamed = studio.send(operation, headers={"If-Match": ""})
    assert refused(operation, unnamed, 428, "missing-precondition")["etag"] == unnamed.headers["ETag"] == present
    stale = ('"999.0"', f'"{rev}.{head}.00000000"', f"W/{present}", f'"{rev}9.{head}.{whose}"')
    for tag in stale:
        late = studio.send(operation, headers={"If-Match": tag})
        assert refused(operation, late, 412, "stale")["current"], tag
        assert late.headers["ETag"] == present, tag
    malformed = refused(operation, studio.send(operation, headers={"If-Match": "999.0"}), 422, "invalid-request")
    assert malformed["errors"][0]["place"] == "header If-Match"
    assert studio.etag(operation) == present, "what was refused changed something"
    # Figures that moved meanwhile do not count, and whoever has `rev` from a list writes it by hand.
    done = studio.send(operation, headers={"If-Match": f'"other.0", "{rev}.other.{whose}"'})
    operation.check(done)
    assert done.headers["ETag"] == studio.etag(operation) != present
    refused(operation, studio.send(operation, headers={"If-Match": present}), 412, "stale")
    by_hand = done.headers["ETag"].partition(".")[0] + '.0"'
    assert studio.send(operation, headers={"If-Match": by_hand}).status_code != 412


@pytest.mark.parametrize("operation", WRITES, ids=by_name)
def test_a_write_sent_again_is_done_once(studio: World, operation: Operation, database: Database) -> None:
    key = {"Idempotency-Key": "b0d6f1de-0a4c"}
    if "If-Match" in operation.parameters("header"):
        key |= {"If-Match": studio.etag(operation) or ""}
    body = studio.body(operation)
    first = studio.send(operation, headers=key, body=body)
    assert first.status_code == operation.success, first.text
    with database.reading() as session:
        head = events.head(session)
    again = studio.send(operation, headers=key, body=body)
    with database.reading() as session:
        assert events.head(session) == head
    if operation.name in HAS_OWN_IDENTITY:
        assert "Idempotency-Replayed" not in again.headers
        return
    operation.check(again)
    assert again.headers["Idempotency-Replayed"] == "true"
    assert again.status_code == first.status_code
    shown = first.json()
    assert again.json() == shown | {name: None for name in SECRETS if name in shown and operation.name in GIVES_SECRETS}
    assert {**again.headers, "idempotency-replayed": "", "content-length": ""} == {
        **first.headers,
        "idempotency-replayed": "",
        "content-length": "",
    }
    if body is not None:
        longer = (body if isinstance(body, str) else json.dumps(body)).encode() + b"\n"
        typed = {**key, "Content-Type": operation.media or ""}
        sent = studio.send(operation, headers=typed, body=None, content=longer)
        refused(operation, sent, 422, "idempotency-key-reused")
    other = BY_NAME["stage_add" if operation.name != "stage_add" else "episode_add"]
    refused(other, studio.send(other, headers=key), 422, "idempotency-key-reused")
    for unusable in ("with space", "x" * 256):
        problem = refused(operation, studio.send(operation, headers={"Idempotency-Key": unusable}), 422)
        assert problem["errors"][0]["place"] == "header Idempotency-Key"


def test_nothing_is_told_without_a_key_or_to_a_key_of_another_scope(studio: World) -> None:
    for operation in GUARDED:
        unproven = studio.send(operation, caller=Caller(studio.client, "td_none"))
        refused(operation, unproven, 401, "unknown-key")
        asked = studio.scopes[operation.name]
        for scope, caller in studio.callers.items():
            if not any(scope.covers(each) for each in asked):
                kind = "role-missing" if operation.name in DIRECTORS_TOO else "scope-too-narrow"
                problem = refused(operation, studio.send(operation, caller=caller), 403, kind)
                assert set(problem["needed"]) == asked
    for operation in OPERATIONS:
        response = studio.client.request(operation.method, studio.path(operation))
        assert (response.status_code == 401) == operation.guarded, operation.name


def test_query_parameters_nobody_knows_are_refused(studio: World) -> None:
    for operation in OPERATIONS:
        response = studio.send(operation, params={"surprise": "1"})
        if operation.name in TAKES_ANY_QUERY:
            assert response.status_code == 200
            continue
        (error,) = refused(operation, response, 422, "invalid-request")["errors"]
        assert error["place"] == "query surprise"


def test_a_query_parameter_of_one_value_is_given_once(studio: World) -> None:
    for operation in GUARDED:
        for name, parameter in operation.parameters("query").items():
            forms = [parameter["schema"], *parameter["schema"].get("anyOf", ())]
            if any(form.get("type") == "array" for form in forms):
                continue
            # Twice the same would not be told from once by its value.
            response = studio.send(operation, params={name: ["1", "1"]})
            errors = refused(operation, response, 422, "invalid-request")["errors"]
            assert [error["place"] for error in errors] == [f"query {name}"], operation.name


def test_what_a_path_names_and_is_not_there_is_404(studio: World) -> None:
    for operation in OPERATIONS:
        for name, parameter in operation.parameters("path").items():
            if operation.name in NAMES_WHAT_NEED_NOT_BE:
                assert studio.send(operation, path=studio.path(operation, **{name: "nowhere"})).status_code == 200
                continue
            nowhere = "9998" if parameter["schema"]["type"] == "integer" else "nowhere"
            response = studio.send(operation, path=studio.path(operation, **{name: nowhere}), headers={"If-Match": "*"})
            # Every day of the calendar is there; what is none is not a day that is missing.
            refused(operation, response, 422 if parameter["schema"].get("format") == "date" else 404)


def test_bodies_are_json_of_the_declared_fields_alone(studio: World) -> None:
    typed = {"Content-Type": "application/json"}
    for operation in WRITES:
        body = studio.body(operation)
        if operation.media != "application/json":
            continue
        unknown = refused(operation, studio.send(operation, body={**body, "surprise": 1}), 422, "invalid-request")
        assert [error["pointer"] for error in unknown["errors"]] == ["#/surprise"], operation.name
        for content, headers, status, slug in (
            (b"{", typed, 400, "broken-json"),
            (b'{"a": NaN}', typed, 400, "broken-json"),
            (json.dumps(body).encode(), {"Content-Type": "text/plain"}, 415, "unsupported-media"),
            (b" " * 1_000_001, typed, 413, "body-too-large"),
            (b"", typed, 422, "invalid-request"),
            (b"7", typed, 422, "invalid-request"),
        ):
            refused(operation, studio.send(operation, body=None, content=content, headers=headers), status, slug)


def test_every_path_knows_its_methods(studio: World) -> None:
    # RFC 9110, section 15.5.6: the answer says which methods would do.
    documentation = {
        each.path_format: set(each.methods or ()) - {"HEAD"}
        for each in iter_route_contexts(studio.app.routes)
        if not each.include_in_schema
    }
    described = {path: {method.upper() for method in methods} for path, methods in DOCUMENT["paths"].items()}
    operation_of = {each.path: each for each in OPERATIONS}
    for template, methods in (documentation | described).items():
        path = studio.path(operation_of[template]) if template in operation_of else template.replace("{name}", "stale")
        allowed = methods | ({"HEAD"} if "GET" in methods else set()) | {"OPTIONS"}
        asked = studio.client.options(path)
        assert (asked.status_code, set(asked.headers["Allow"].split(", "))) == (204, allowed), template
        for method in {"GET", "POST", "PUT", "PATCH", "DELETE", "TRACE"} - allowed:
            response = studio.client.request(method, path)
            problem = response.json()
            assert (response.status_code, problem["type"]) == (405, "/problems/method-not-allowed"), (method, path)
            assert response.headers["Content-Type"] == PROBLEM
            assert set(response.headers["Allow"].split(", ")) == set(problem["allowed"]) == allowed
