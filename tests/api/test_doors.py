"""The door: whose key opens it, what a body may be, which state a change names, what is answered twice."""

import asyncio
import json
import logging
from base64 import urlsafe_b64encode
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from httpx import Response
from sqlmodel import select

from service.api.wire import AccessLog, BodyLimit
from service.domain.keys import Scope
from service.store import events
from service.store.engine import Database
from service.store.tables import IdempotencyRow
from tests.api.conftest import Caller, Clock, TestClient

STAGE = {"code": "mill", "name": "The Mill"}
JSON = {"Content-Type": "application/json"}


def is_problem(response: Response, status: int, name: str) -> dict[str, Any]:
    """Assert that *response* is a problem document of this status and type (RFC 9457), and return it."""
    assert response.status_code == status, response.text
    assert response.headers["Content-Type"] == "application/problem+json"
    problem: dict[str, Any] = response.json()
    assert problem["type"] == f"/problems/{name}"
    assert problem["status"] == status
    assert problem["title"]
    assert problem["detail"]
    assert "Traceback" not in response.text
    return problem


def pointers(problem: dict[str, Any]) -> list[str]:
    return [fault["pointer"] for fault in problem["errors"]]


class TestKeys:
    def test_without_a_key_the_answer_says_how_to_send_one(self, client: TestClient) -> None:
        response = client.get("/v1/stages")
        is_problem(response, 401, "missing-key")
        # RFC 6750, section 3: a challenge without error where no token was sent.
        assert response.headers["WWW-Authenticate"] == 'Bearer realm="tiedown"'

    @pytest.mark.parametrize("text", ["nonsense", "td_aaaaaaaa_" + "x" * 43, "td_", "ä", "td_aaaaaaaa_" + "x" * 9000])
    def test_unknown_key_is_refused(self, client: TestClient, text: str) -> None:
        response = client.get("/v1/stages", headers={"Authorization": f"Bearer {text}".encode()})
        is_problem(response, 401, "unknown-key")
        assert 'error="invalid_token"' in response.headers["WWW-Authenticate"]

    def test_right_prefix_with_another_secret_is_refused(self, client: TestClient, reader: Caller) -> None:
        other = reader.token[:-1] + ("A" if reader.token[-1] != "A" else "B")
        is_problem(Caller(client, other).get("/v1/stages"), 401, "unknown-key")

    def test_other_schemes_are_no_key(self, client: TestClient, reader: Caller) -> None:
        response = client.get("/v1/stages", headers={"Authorization": f"Basic {reader.token}"})
        is_problem(response, 401, "missing-key")

    def test_expired_key_says_since_when(self, key: Callable[..., Caller], clock: Clock) -> None:
        caller = key(Scope.READ, expires_at=clock.now + timedelta(hours=1))
        assert caller.get("/v1/stages").status_code == 200
        clock.pass_time(hours=1)
        problem = is_problem(caller.get("/v1/stages"), 401, "expired-key")
        assert problem["expires_at"] == "2026-03-02T11:00:00+00:00"

    def test_revoked_key_says_since_when(self, admin: Caller, reader: Caller) -> None:
        assert admin.post("/v1/keys/read-1/revoke").status_code == 200
        problem = is_problem(reader.get("/v1/stages"), 401, "revoked-key")
        assert problem["key"] == "read-1"

    @pytest.mark.usefixtures("mill")
    @pytest.mark.parametrize(
        ("scope", "allowed"),
        [
            (Scope.READ, {"read"}),
            (Scope.COORDINATE, {"read", "coordinate"}),
            (Scope.ADMIN, {"read", "coordinate", "admin"}),
            (Scope.COUNT, set()),
        ],
    )
    def test_scope_opens_what_it_covers(self, key: Callable[..., Caller], scope: Scope, allowed: set[str]) -> None:
        caller = key(scope, terminal="mill-capture") if scope is Scope.COUNT else key(scope)
        answers = {
            "read": caller.get("/v1/stages"),
            "coordinate": caller.post("/v1/stages", {"code": "harbour", "name": "Harbour"}),
            "admin": caller.get("/v1/keys"),
        }
        for needed, response in answers.items():
            if needed in allowed:
                assert response.status_code in {200, 201}, response.text
            else:
                problem = is_problem(response, 403, "scope-too-narrow")
                assert problem["scope"] == scope

    def test_bound_key_sees_its_production_alone(self, coordinator: Caller, key: Callable[..., Caller]) -> None:
        for code in ("lantern-bay", "gull-street"):
            coordinator.post("/v1/productions", {"code": code, "title": code, "frame_rate": "25/1"})
        bound = key(Scope.COORDINATE, production="gull-street")
        assert [each["code"] for each in bound.get("/v1/productions").json()["items"]] == ["gull-street"]
        is_problem(bound.get("/v1/productions/lantern-bay"), 404, "production-unknown")
        is_problem(bound.post("/v1/stages", STAGE), 403, "bound-to-production")
        assert bound.change("/v1/productions/gull-street", {"title": "Gull Street"}).status_code == 200


class TestBodies:
    @pytest.mark.parametrize(
        ("body", "pointer"),
        [
            ({**STAGE, "colour": "red"}, "#/colour"),
            ({**STAGE, "a/b~c": 1}, "#/a~1b~0c"),
            ({"code": "mill"}, "#/name"),
            ({"code": True, "name": "x"}, "#/code"),
            ({"code": 7, "name": "x"}, "#/code"),
            ({"code": "two words", "name": "x"}, "#/code"),
            ({"code": "a/b", "name": "x"}, "#/code"),
            ({"code": "x" * 65, "name": "x"}, "#/code"),
            ({"code": "", "name": "x"}, "#/code"),
            ({"code": "mill\n", "name": "x"}, "#/code"),
            ({"code": "mill", "name": "   "}, "#/name"),
            ({"code": "mill", "name": "x" * 201}, "#/name"),
            ({"code": "mill", "name": "a\u0007b"}, "#/name"),
            ({"code": "mill", "name": "a\u2028b"}, "#/name"),
            ({"code": "mill", "name": None}, "#/name"),
            ([], "#"),
            ("mill", "#"),
            (None, "#"),
        ],
    )
    def test_wrong_field_is_named(self, coordinator: Caller, body: object, pointer: str) -> None:
        problem = is_problem(coordinator.post("/v1/stages", body), 422, "invalid-request")
        assert pointers(problem) == [pointer]
        assert coordinator.get("/v1/stages").json()["items"] == []

    @pytest.mark.parametrize(
        "content",
        [
            pytest.param(b"{", id="cut short"),
            pytest.param(b'{"code": "mill", "name": NaN}', id="NaN"),
            pytest.param(b'{"code": "mill", "name": "a", "name": "b"}', id="member twice"),
            pytest.param(b'{"code": "mill", "name": "a\x00b"}', id="NUL byte"),
            pytest.param(b'{"code": "mill", "name": "\xff"}', id="not UTF-8"),
            pytest.param(b'{"code": "mill", "name": "\xed\xa0\x80"}', id="half a surrogate pair in UTF-8"),
            pytest.param("{}".encode("utf-16"), id="UTF-16"),
            pytest.param(b"[" * 200_000, id="deep nesting, open"),
            pytest.param(b"[" * 200_000 + b"]" * 200_000, id="deep nesting"),
            pytest.param(b'{"a":' * 50_000 + b"1" + b"}" * 50_000, id="deep objects"),
            pytest.param(b'{"code": "mill", "name": ' + b"9" * 5000 + b"}", id="number of 5 000 digits"),
        ],
    )
    def test_broken_json_is_400(self, coordinator: Caller, content: bytes) -> None:
        response = coordinator.send("POST", "/v1/stages", content=content, headers=JSON)
        is_problem(response, 400, "broken-json")

    @pytest.mark.parametrize(
        ("content", "pointer"),
        [
            (rb'{"code": "mill", "name": "a\u0000b"}', "#/name"),
            (rb'{"code": "mill", "name": "\ud800"}', "#/name"),
            (rb'{"code": "mill", "name": "\udc00\ud800"}', "#/name"),
            (rb'{"code": "mill", "name": "x", "\ud800": 1}', "#"),
            (rb'{"code": "mill", "name": "x", "\u0000": 1}', "#"),
            (rb'{"code": "mill", "name": ["a", {"b": "\uDFFF"}]}', "#/name/1/b"),
        ],
    )
    def test_what_no_database_can_keep_is_named(self, coordinator: Caller, content: bytes, pointer: str) -> None:
        response = coordinator.send("POST", "/v1/stages", content=content, headers=JSON)
        assert pointers(is_problem(response, 422, "invalid-request")) == [pointer]

    def test_whole_surrogate_pair_is_one_character(self, coordinator: Caller) -> None:
        content = rb'{"code": "mill", "name": "\ud83d\udc1f"}'
        response = coordinator.send("POST", "/v1/stages", content=content, headers=JSON)
        assert response.json()["name"] == "\N{FISH}"

    def test_number_of_400_digits_is_refused_without_failing(self, coordinator: Caller) -> None:
        content = b'{"code": "mill", "name": ' + b"9" * 400 + b"}"
        response = coordinator.send("POST", "/v1/stages", content=content, headers=JSON)
        assert pointers(is_problem(response, 422, "invalid-request")) == ["#/name"]

    @pytest.mark.parametrize(
        "headers",
        [
            {"Content-Type": "text/plain"},
            {"Content-Type": "application/x-www-form-urlencoded"},
            {"Content-Type": "application/json; charset=utf-16"},
            {"Content-Type": "application/merge-patch+json"},
            {"Content-Type": "nonsense"},
            {"Content-Type": "application/json", "Content-Encoding": "gzip"},
            {},
        ],
    )
    def test_other_content_types_are_415(self, coordinator: Caller, headers: dict[str, str]) -> None:
        response = coordinator.send("POST", "/v1/stages", content=json.dumps(STAGE).encode(), headers=headers)
        problem = is_problem(response, 415, "unsupported-media")
        assert problem["accepted"] == ["application/json"]

    def test_merge_patch_is_a_change_too(self, coordinator: Caller) -> None:
        # RFC 7396: the media type of a change that leaves out what stays.
        coordinator.post("/v1/stages", STAGE)
        headers = {"Content-Type": "application/merge-patch+json", "If-Match": "*"}
        response = coordinator.send("PATCH", "/v1/stages/mill", content=b'{"name": "Old Mill"}', headers=headers)
        assert response.json()["name"] == "Old Mill"

    def test_body_of_10_megabytes_is_413(self, coordinator: Caller) -> None:
        response = coordinator.send("POST", "/v1/stages", content=b" " * 10_000_000, headers=JSON)
        assert is_problem(response, 413, "body-too-large")["limit_bytes"] == 1_000_000

    def test_body_of_10_megabytes_without_length_is_413(self, coordinator: Caller) -> None:
        chunks = (b" " * 100_000 for _ in range(100))
        response = coordinator.send("POST", "/v1/stages", content=chunks, headers=JSON)
        is_problem(response, 413, "body-too-large")

    def test_body_at_the_limit_is_read(self, coordinator: Caller) -> None:
        content = json.dumps(STAGE).encode()
        content += b" " * (1_000_000 - len(content))
        assert coordinator.send("POST", "/v1/stages", content=content, headers=JSON).status_code == 201

    def test_composed_and_decomposed_letters_are_one_code(self, coordinator: Caller) -> None:
        assert coordinator.post("/v1/stages", {"code": "cafe\u0301", "name": "x"}).json()["code"] == "caf\u00e9"
        assert coordinator.get("/v1/stages/caf%C3%A9").status_code == 200
        assert coordinator.get("/v1/stages/cafe%CC%81").status_code == 200
        is_problem(coordinator.post("/v1/stages", {"code": "caf\u00e9", "name": "x"}), 409, "stage-taken")


class TestPaths:
    @pytest.mark.parametrize(
        "code",
        [
            "%00",
            "mill%00",
            "%ED%A0%80",
            "%FF",
            "..%2Fkeys",
            "%2e%2e",
            "mill%20",
            "%0A",
            "x" * 5000,
            "%F0%9F%90%9F",
            "'--",
        ],
    )
    def test_odd_codes_are_unknown(self, coordinator: Caller, code: str) -> None:
        response = coordinator.get(f"/v1/stages/{code}")
        assert response.status_code == 404, response.text
        assert response.headers["Content-Type"] == "application/problem+json"

    @pytest.mark.parametrize("path", ["/", "/v1", "/v2/stages", "/v1/stages/", "/v1//stages", "/%00", "/v1/stages/a/b"])
    def test_nothing_there_is_a_problem(self, coordinator: Caller, path: str) -> None:
        is_problem(coordinator.get(path), 404, "not-here")

    def test_other_methods_are_405_and_name_those_that_would_do(self, coordinator: Caller) -> None:
        response = coordinator.send("DELETE", "/v1/stages")
        problem = is_problem(response, 405, "method-not-allowed")
        assert response.headers["Allow"] == "GET, HEAD, POST, OPTIONS"
        assert problem["allowed"] == ["GET", "HEAD", "POST", "OPTIONS"]

    def test_unheard_of_method_is_405(self, coordinator: Caller) -> None:
        is_problem(coordinator.send("BREW", "/v1/stages"), 405, "method-not-allowed")

    def test_options_lists_the_methods(self, client: TestClient) -> None:
        response = client.options("/v1/stages/mill")
        assert response.status_code == 204
        assert response.headers["Allow"] == "GET, HEAD, PATCH, OPTIONS"

    def test_head_is_get_without_the_body(self, coordinator: Caller) -> None:
        # RFC 9110, section 9.3.2.
        coordinator.post("/v1/stages", STAGE)
        got, headed = (coordinator.send(method, "/v1/stages/mill") for method in ("GET", "HEAD"))
        assert headed.status_code == 200
        assert headed.content == b""
        assert headed.headers == got.headers

    @pytest.mark.parametrize("host", ["[", "a b", "x" * 3000])
    def test_odd_host_harms_nothing(self, coordinator: Caller, host: str) -> None:
        assert coordinator.get("/v1/stages", headers={"Host": host}).status_code in {200, 400}


class TestPages:
    def test_pages_follow_each_other_by_link(self, coordinator: Caller) -> None:
        codes = [f"stage-{number}" for number in range(7)]
        for code in codes:
            coordinator.post("/v1/stages", {"code": code, "name": code})
        found: list[str] = []
        path: str | None = "/v1/stages?limit=3"
        while path is not None:
            response = coordinator.get(path)
            page = response.json()
            found += [stage["code"] for stage in page["items"]]
            assert ("next" in response.links) == (page["next"] is not None)
            # RFC 8288: a reference relative to what was asked for.
            path = response.links["next"]["url"] if "next" in response.links else None
        assert found == codes

    @pytest.mark.parametrize(
        "query", ["limit=0", "limit=501", "limit=-1", "limit=x", "limit=" + "9" * 5000, "limit=1.5"]
    )
    def test_wrong_limit_names_itself(self, reader: Caller, query: str) -> None:
        problem = is_problem(reader.get(f"/v1/stages?{query}"), 422, "invalid-request")
        assert problem["errors"][0]["place"] == "query limit"

    @pytest.mark.parametrize(
        "cursor",
        ["x", "%00", "W10", "WyIvdjEvc3RhZ2VzIiwgdHJ1ZV0", "eyJhIjoxfQ", "%F0%9F%90%9F", "W1tbW1tb"],
    )
    def test_invented_cursor_is_refused(self, reader: Caller, cursor: str) -> None:
        is_problem(reader.get(f"/v1/stages?cursor={cursor}"), 422, "invalid-cursor")

    @pytest.mark.parametrize(("after", "status"), [(2**31 - 1, 200), (2**31, 422)])
    def test_cursor_reaches_as_far_as_ids_do(self, reader: Caller, after: int, status: int) -> None:
        cursor = urlsafe_b64encode(json.dumps(["/v1/stages", after]).encode()).decode()
        assert reader.get("/v1/stages", params={"cursor": cursor}).status_code == status

    def test_cursor_of_another_list_is_refused(self, coordinator: Caller, admin: Caller) -> None:
        for code in "ab":
            coordinator.post("/v1/stages", {"code": code, "name": code})
        cursor = coordinator.get("/v1/stages?limit=1").json()["next"]
        is_problem(admin.get(f"/v1/keys?cursor={cursor}"), 422, "invalid-cursor")


class TestValidators:
    def test_change_needs_the_state_it_changes(self, coordinator: Caller) -> None:
        coordinator.post("/v1/stages", STAGE)
        response = coordinator.send("PATCH", "/v1/stages/mill", json={"name": "Old Mill"})
        problem = is_problem(response, 428, "missing-precondition")
        assert problem["etag"] == response.headers["ETag"] == coordinator.get("/v1/stages/mill").headers["ETag"]

    def test_second_of_two_changes_gets_the_present_state(self, coordinator: Caller) -> None:
        coordinator.post("/v1/stages", STAGE)
        first = {"If-Match": '"1.0"'}
        assert coordinator.send("PATCH", "/v1/stages/mill", json={"name": "Old"}, headers=first).status_code == 200
        response = coordinator.send("PATCH", "/v1/stages/mill", json={"name": "New"}, headers=first)
        problem = is_problem(response, 412, "stale")
        assert problem["current"]["name"] == "Old"
        now = coordinator.get("/v1/stages/mill")
        assert (response.headers["ETag"], now.json()["name"]) == (now.headers["ETag"], "Old")

    @pytest.mark.parametrize(
        ("tag", "status"),
        [
            ('"1.77"', 200),
            ('"9.0", "1.0"', 200),
            ("*", 200),
            ('"2.0"', 412),
            ('"11.0"', 412),
            # RFC 9110, section 13.1.1: If-Match compares strongly, and a weak tag never matches.
            ('W/"1.0"', 412),
            ("1.0", 422),
            ("nonsense", 422),
            ("", 422),
        ],
    )
    def test_if_match_compares_the_revision_alone(self, coordinator: Caller, tag: str, status: int) -> None:
        coordinator.post("/v1/stages", STAGE)
        response = coordinator.send("PATCH", "/v1/stages/mill", json={"name": "Old"}, headers={"If-Match": tag})
        assert response.status_code == status, response.text

    @pytest.mark.parametrize(
        ("tag", "status"),
        [("{}", 304), ("W/{}", 304), ('"7.1", {}', 304), ("*", 304), ('"1.1"', 200), ('"1.0"', 200), ("nonsense", 200)],
    )
    def test_if_none_match_compares_all(self, coordinator: Caller, tag: str, status: int) -> None:
        held = coordinator.post("/v1/stages", STAGE).headers["ETag"]
        response = coordinator.get("/v1/stages/mill", headers={"If-None-Match": tag.format(held)})
        assert response.status_code == status
        assert (response.content == b"") == (status == 304)
        assert response.headers["ETag"] == held

    def test_tag_of_another_thing_with_the_same_revision_is_none_of_this(self, coordinator: Caller) -> None:
        # RFC 9110, section 8.8.3: a tag tells states of one resource apart, not resources; so it must carry its own.
        other = coordinator.post("/v1/stages", {"code": "harbour", "name": "Harbour"}).headers["ETag"]
        own = coordinator.post("/v1/stages", STAGE).headers["ETag"]
        assert (own.split(".")[:2], own == other) == (other.split(".")[:2], False)
        for tag, status in ((other, 412), (own, 200)):
            response = coordinator.send("PATCH", "/v1/stages/mill", json={"name": "Old"}, headers={"If-Match": tag})
            assert response.status_code == status, response.text

    def test_one_thing_has_one_tag_however_its_path_is_written(self, coordinator: Caller) -> None:
        coordinator.post("/v1/stages", {"code": "caf\u00e9", "name": "x"})
        tags = {
            coordinator.get(f"/v1/stages/{code}").headers["ETag"] for code in ("caf%C3%A9", "cafe%CC%81", "caf%c3%a9")
        }
        assert len(tags) == 1

    def test_list_has_a_validator_of_its_own(self, coordinator: Caller) -> None:
        empty = coordinator.get("/v1/stages").headers["ETag"]
        assert coordinator.get("/v1/stages", headers={"If-None-Match": empty}).status_code == 304
        coordinator.post("/v1/stages", STAGE)
        assert coordinator.get("/v1/stages", headers={"If-None-Match": empty}).status_code == 200

    def test_change_that_says_nothing_is_refused(self, coordinator: Caller) -> None:
        coordinator.post("/v1/productions", {"code": "lantern-bay", "title": "Lantern Bay", "frame_rate": "25/1"})
        response = coordinator.change("/v1/productions/lantern-bay", {})
        problem = is_problem(response, 422, "invalid-request")
        assert "title, frame_rate" in problem["errors"][0]["detail"]


class TestIdempotency:
    def test_same_write_twice_is_done_once(self, coordinator: Caller, database: Database) -> None:
        key = {"Idempotency-Key": "a8098c1a-f86e"}
        first = coordinator.post("/v1/stages", STAGE, headers=key)
        assert first.status_code == 201
        with database.reading() as session:
            head = events.head(session)
        again = coordinator.post("/v1/stages", STAGE, headers=key)
        assert (again.status_code, again.content) == (201, first.content)
        assert again.headers["Idempotency-Replayed"] == "true"
        assert {**again.headers, "idempotency-replayed": ""} == {**first.headers, "idempotency-replayed": ""}
        with database.reading() as session:
            assert events.head(session) == head

    def test_it_is_looked_up_before_the_state_is_compared(self, coordinator: Caller) -> None:
        coordinator.post("/v1/stages", STAGE)
        headers = {"Idempotency-Key": "k", "If-Match": '"1.0"'}
        for _ in range(2):
            response = coordinator.send("PATCH", "/v1/stages/mill", json={"name": "Old"}, headers=headers)
            assert (response.status_code, response.json()["rev"]) == (200, 2)

    def test_key_for_another_body_or_path_is_refused(self, coordinator: Caller) -> None:
        key = {"Idempotency-Key": "k"}
        coordinator.post("/v1/stages", STAGE, headers=key)
        other = coordinator.post("/v1/stages", {**STAGE, "code": "b"}, headers=key)
        is_problem(other, 422, "idempotency-key-reused")
        is_problem(coordinator.post("/v1/productions", STAGE | {"x": 1}, headers=key), 422, "invalid-request")
        production = {"code": "p", "title": "P", "frame_rate": "25/1"}
        is_problem(coordinator.post("/v1/productions", production, headers=key), 422, "idempotency-key-reused")

    def test_refusal_is_not_kept(self, coordinator: Caller) -> None:
        coordinator.post("/v1/stages", STAGE)
        key = {"Idempotency-Key": "k"}
        is_problem(coordinator.post("/v1/stages", STAGE, headers=key), 409, "stage-taken")
        assert coordinator.post("/v1/stages", {**STAGE, "code": "b"}, headers=key).status_code == 201

    def test_two_callers_may_use_the_same_key(self, coordinator: Caller, admin: Caller) -> None:
        key = {"Idempotency-Key": "k"}
        coordinator.post("/v1/stages", STAGE, headers=key)
        is_problem(admin.post("/v1/stages", STAGE, headers=key), 409, "stage-taken")

    def test_answer_is_kept_for_a_week(self, coordinator: Caller, clock: Clock, database: Database) -> None:
        for place in range(3):
            coordinator.post("/v1/stages", {"code": f"s{place}", "name": "x"}, headers={"Idempotency-Key": f"{place}"})
        clock.pass_time(days=7)
        assert coordinator.post("/v1/stages", {"code": "s0", "name": "x"}, headers={"Idempotency-Key": "0"}).is_success
        clock.pass_time(seconds=1)
        again = coordinator.post("/v1/stages", {"code": "s0", "name": "x"}, headers={"Idempotency-Key": "0"})
        is_problem(again, 409, "stage-taken")
        assert coordinator.post("/v1/stages", {"code": "s9", "name": "x"}, headers={"Idempotency-Key": "9"}).is_success
        with database.reading() as session:
            assert [row.idempotency_key for row in session.exec(select(IdempotencyRow))] == ["9"]

    @pytest.mark.parametrize("text", ["", "x" * 256, "with space", "\u00e4"])
    def test_unusable_key_names_its_header(self, coordinator: Caller, text: str) -> None:
        response = coordinator.post("/v1/stages", STAGE, headers={"Idempotency-Key": text.encode()})
        problem = is_problem(response, 422, "invalid-request")
        assert problem["errors"][0]["place"] == "header Idempotency-Key"


@pytest.mark.parametrize(
    ("path", "right"),
    [("/v1/stages?limt=3", "Right would be cursor, limit."), ("/v1/stages/mill?limit=3", "There is none here.")],
)
def test_a_misspelt_query_is_refused_instead_of_passed_over(
    coordinator: Caller, mill: str, path: str, right: str
) -> None:
    problem = is_problem(coordinator.get(path), 422, "invalid-request")
    (error,) = problem["errors"]
    assert error["place"] == f"query {path.partition('?')[2].partition('=')[0]}"
    assert error["detail"].endswith(right)


def test_each_request_is_logged_without_its_key(coordinator: Caller, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, logger="tiedown.access")
    coordinator.send("HEAD", "/v1/stages?limit=3")
    coordinator.get("/nowhere")
    lines = [vars(record) for record in caplog.records if record.name == "tiedown.access"]
    assert [(line["method"], line["path"], line["status"]) for line in lines] == [
        ("HEAD", "/v1/stages", 200),
        ("GET", "/nowhere", 404),
    ]
    assert all(line["took_ms"] > 0 for line in lines)
    assert coordinator.token not in str(lines)


def test_a_client_gone_in_the_middle_of_its_body_is_logged_without_a_status(caplog: pytest.LogCaptureFixture) -> None:
    async def unreached(_scope: object, _receive: object, _send: object) -> None:
        raise AssertionError("half a body reached the application")

    async def receive() -> dict[str, Any]:
        return next(messages)

    async def send(message: object) -> None:
        raise AssertionError(f"{message} was sent to nobody")

    caplog.set_level(logging.INFO, logger="tiedown.access")
    messages: Iterator[dict[str, Any]] = iter(
        [{"type": "http.request", "body": b'{"code": "mi', "more_body": True}, {"type": "http.disconnect"}]
    )
    scope = {"type": "http", "method": "POST", "path": "/v1/stages", "headers": []}
    asyncio.run(AccessLog(BodyLimit(unreached, 1000))(scope, receive, send))
    assert [(record.message, vars(record)["status"]) for record in caplog.records] == [
        ("gone before it was answered", None)
    ]
