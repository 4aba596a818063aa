"""API keys over HTTP."""

import hashlib
import json
import logging
import re

import pytest
from sqlmodel import select

from service.store import events
from service.store.engine import Database
from service.store.tables import IdempotencyRow, KeyRow
from tests.api.conftest import Caller, Clock
from tests.api.test_doors import is_problem, pointers


def test_key_is_made_shown_once_and_opens_the_door(admin: Caller, mill: str) -> None:
    made = admin.post("/v1/keys", {"name": "office", "scope": "read"})
    assert made.status_code == 201
    token = made.json()["key"]
    # 5 random bytes in base 32, 32 in base64url without padding (RFC 4648, sections 6 and 5).
    assert re.fullmatch(r"td_[a-z2-7]{8}_[A-Za-z0-9_-]{43}", token)
    assert made.headers["Cache-Control"] == "no-store"
    assert Caller(admin.client, token).get(f"/v1/stages/{mill}").status_code == 200
    read = admin.get("/v1/keys/office")
    assert read.json() == {
        "name": "office",
        "scope": "read",
        "terminal": None,
        "stage": None,
        "production": None,
        "roles": [],
        "prefix": token[:11],
        "state": "live",
        "expires_at": None,
        "revoked_at": None,
        "rev": 1,
        "made_at": "2026-03-02T10:00:00Z",
    }


def test_secret_is_kept_nowhere(admin: Caller, database: Database, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    headers = {"Idempotency-Key": "once"}
    token = admin.post("/v1/keys", {"name": "office", "scope": "read"}, headers=headers).json()["key"]
    again = admin.post("/v1/keys", {"name": "office", "scope": "read"}, headers=headers)
    assert again.status_code == 201
    assert again.json()["key"] is None
    with database.reading() as session:
        row = session.exec(select(KeyRow).where(KeyRow.name == "office")).one()
        kept = session.exec(select(IdempotencyRow)).one()
        log = [event.data for event in events.read_after(session, 0, limit=100)]
    assert row.digest == hashlib.sha256(token.encode()).hexdigest()
    for place in (row.model_dump_json(), kept.model_dump_json(), json.dumps(log), caplog.text):
        assert token[12:] not in place


def test_rotated_key_opens_by_its_new_secret_alone(admin: Caller) -> None:
    made = admin.post("/v1/keys", {"name": "office", "scope": "read"})
    old, state = made.json()["key"], {"If-Match": made.headers["ETag"]}
    is_problem(admin.post("/v1/keys/office/rotate"), 428, "missing-precondition")
    rotated = admin.post("/v1/keys/office/rotate", headers=state)
    assert rotated.status_code == 200
    assert is_problem(admin.post("/v1/keys/office/rotate", headers=state), 412, "stale")["current"]["rev"] == 2
    assert rotated.json()["rev"] == 2
    is_problem(Caller(admin.client, old).get("/v1/stages"), 401, "unknown-key")
    assert Caller(admin.client, rotated.json()["key"]).get("/v1/stages").status_code == 200


def test_revoked_key_stays_revoked(admin: Caller, clock: Clock) -> None:
    admin.post("/v1/keys", {"name": "office", "scope": "read"})
    first = admin.post("/v1/keys/office/revoke").json()
    clock.pass_time(days=1)
    assert admin.post("/v1/keys/office/revoke").json() == first
    assert (first["state"], first["revoked_at"]) == ("revoked", "2026-03-02T10:00:00Z")
    is_problem(admin.post("/v1/keys/office/rotate", headers={"If-Match": "*"}), 409, "key-is-revoked")
    is_problem(admin.change("/v1/keys/office", {"expires_at": None}), 409, "key-is-revoked")
    is_problem(admin.post("/v1/keys", {"name": "office", "scope": "read"}), 409, "key-taken")


def test_expiry_is_moved_and_taken_away(admin: Caller, clock: Clock) -> None:
    body = {"name": "office", "scope": "read", "expires_at": "2026-03-02T12:00:00+01:00"}
    made = admin.post("/v1/keys", body).json()
    assert made["expires_at"] == "2026-03-02T11:00:00Z"
    clock.pass_time(hours=1)
    assert admin.get("/v1/keys/office").json()["state"] == "expired"
    assert admin.change("/v1/keys/office", {"expires_at": "2026-03-03T00:00:00Z"}).json()["state"] == "live"
    assert admin.change("/v1/keys/office", {"expires_at": None}).json()["expires_at"] is None


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"scope": "count"}, "#/terminal"),
        ({"scope": "count", "terminal": "nobody"}, "#/terminal"),
        ({"scope": "count", "terminal": "mill-capture", "stage": "harbour"}, "#/stage"),
        ({"scope": "read", "terminal": "mill-capture"}, "#/terminal"),
        ({"scope": "read", "stage": "mill"}, "#/stage"),
        ({"scope": "read", "production": "nowhere"}, "#/production"),
        ({"scope": "admin", "production": "nowhere"}, "#/production"),
        ({"scope": "read", "expires_at": "2026-03-02T10:00:00Z"}, "#/expires_at"),
    ],
)
@pytest.mark.usefixtures("mill")
def test_binding_that_cannot_be_is_named(admin: Caller, body: dict[str, str], pointer: str) -> None:
    response = admin.post("/v1/keys", {"name": "k", **body})
    assert pointers(is_problem(response, 422, "unfit-fields")) == [pointer]
    is_problem(admin.get("/v1/keys/k"), 404, "key-unknown")


@pytest.mark.parametrize(
    "instant",
    [
        "2026-12-31T23:00:00",
        "2026-12-31",
        "2026-12-31T23:00Z",
        "20261231T230000Z",
        "2026-W53-4T23:00:00Z",
        "2026-12-31T23:60:00Z",
        "2026-12-31T24:00:00Z",
        "2026-02-29T23:00:00Z",
        "2026-12-31T23:00:00+25:00",
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-14:00",
        "\u0662\u0660\u0662\u0666-12-31T23:00:00Z",
        1798758000,
        True,
        "",
        "tomorrow",
    ],
)
def test_instant_without_offset_or_outside_rfc_3339_is_refused(admin: Caller, instant: object) -> None:
    response = admin.post("/v1/keys", {"name": "k", "scope": "read", "expires_at": instant})
    problem = is_problem(response, 422, "invalid-request")
    assert pointers(problem) == ["#/expires_at"]


@pytest.mark.parametrize("scope", ["root", "READ", "", None, 1, True, ["read"]])
def test_scope_is_one_of_four(admin: Caller, scope: object) -> None:
    problem = is_problem(admin.post("/v1/keys", {"name": "k", "scope": scope}), 422, "invalid-request")
    assert pointers(problem) == ["#/scope"]


def test_count_key_tells_terminal_and_stage(admin: Caller, mill: str) -> None:
    made = admin.post("/v1/keys", {"name": "k", "scope": "count", "terminal": "mill-capture", "stage": mill}).json()
    assert (made["terminal"], made["stage"]) == ("mill-capture", "mill")
