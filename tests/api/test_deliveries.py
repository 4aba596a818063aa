"""Messages to watches over HTTP: found, sent again, tried."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pytest
from fastapi import FastAPI

from service.actions.deliveries import LEASE, claim, settle
from service.domain.channels import Receipt
from service.domain.events import EventKind
from service.domain.keys import Scope
from service.store import events, watches
from service.store.engine import Database
from tests.api.conftest import Caller, Clock, TestClient
from tests.api.documented import EXAMPLES, World, world
from tests.api.remembered import Remembered

FAILING, WAITING = str(EXAMPLES["delivery"]), "msg_other"


@pytest.fixture
def studio(app: FastAPI, client: TestClient, database: Database, clock: Clock, *, remembered: Remembered) -> World:
    return world(app, client, database, clock, remembered=remembered)


@pytest.fixture
def office(studio: World) -> Caller:
    return studio.callers[Scope.COORDINATE]


def listed(caller: Caller, **filters: str) -> Sequence[str]:
    return [each["delivery"] for each in caller.get("/v1/deliveries", params=filters).json()["items"]]


def attempts(database: Database, clock: Clock, outcome: Receipt) -> int:
    """Try what is due once; how many messages that were."""
    with database.writing() as session:
        claimed = claim(session, owner="engine", now=clock(), at_once=9, under_way={})
        for each in claimed:
            settle(session, each, outcome, detail="So it is.", status=None, retry_after_s=None, now=clock())
    return len(claimed)


def test_messages_are_found_by_watch_state_and_time(office: Caller, clock: Clock) -> None:
    assert listed(office) == [WAITING, FAILING]
    assert listed(office, watch="mill-approvals", state="waiting") == [WAITING, FAILING]
    assert listed(office, watch="other") == listed(office, state="dead") == []
    assert listed(office, since=clock().isoformat()) == [WAITING, FAILING]
    assert listed(office, since=(clock() + timedelta(seconds=1)).isoformat()) == []


def test_a_failed_message_shows_its_tries_and_need_not_wait(office: Caller, database: Database, clock: Clock) -> None:
    shown = office.get(f"/v1/deliveries/{FAILING}").json()
    assert (shown["state"], shown["tries"], shown["notices"], shown["error"]) == ("waiting", 1, 1, "away")
    assert [(each["number"], each["outcome"], each["status"]) for each in shown["attempts"]] == [(1, "failed", 503)]
    assert attempts(database, clock, Receipt.DELIVERED) == 0

    for _ in range(2):
        renewed = office.post(f"/v1/deliveries/{FAILING}/redeliver").json()
        assert (renewed["state"], renewed["tries"], renewed["next_try_at"]) == ("waiting", 0, None)
    assert attempts(database, clock, Receipt.DELIVERED) == 1
    with database.reading() as session:
        told = events.read_after(session, 0, limit=1000, kinds={EventKind.DELIVERY_RENEWED})
    assert [each.data for each in told] == [{"watch": "mill-approvals", "delivery": FAILING, "state": "waiting"}]
    assert listed(office, state="delivered") == [FAILING]


def test_what_is_being_sent_and_what_goes_nowhere_is_not_sent_again(
    office: Caller, database: Database, clock: Clock
) -> None:
    clock.pass_time(seconds=60)
    with database.writing() as session:
        (claimed,) = claim(session, owner="engine", now=clock(), at_once=9, under_way={})
    under_way = office.post(f"/v1/deliveries/{FAILING}/redeliver")
    assert (under_way.status_code, under_way.json()["type"]) == (409, "/problems/being-sent")
    clock.pass_time(seconds=LEASE.total_seconds())
    assert attempts(database, clock, Receipt.GONE) == 1

    for path in (f"deliveries/{FAILING}/redeliver", "watches/mill-approvals/test"):
        off = office.post(f"/v1/{path}")
        assert (off.status_code, off.json()["why"]) == (409, "is disabled")
    assert office.get(f"/v1/deliveries/{WAITING}").json()["state"] == "withdrawn"
    assert claimed.watch_id == 1


def test_a_watch_is_tried_and_what_is_not_delivered_is_counted(
    office: Caller, database: Database, clock: Clock, client: TestClient
) -> None:
    tested = office.post("/v1/watches/mill-approvals/test")
    assert (tested.status_code, tested.json()["test"], tested.json()["state"]) == (202, True, "waiting")
    assert attempts(database, clock, Receipt.REFUSED) == 1
    assert office.get(f"/v1/deliveries/{tested.json()['delivery']}").json()["state"] == "dead"
    assert client.get("/readyz").json()["not_delivered"] == {"dead": 0, "failing": 1}
    clock.pass_time(seconds=60)
    assert attempts(database, clock, Receipt.REFUSED) == 1
    assert client.get("/readyz").json()["not_delivered"] == {"dead": 1, "failing": 0}


def test_a_key_of_another_production_sees_none(
    studio: World, office: Caller, database: Database, client: TestClient
) -> None:
    made: Any = studio.callers[Scope.ADMIN].post(
        "/v1/keys", {"name": "tin-office", "scope": "coordinate", "production": "tin-moon"}
    )
    bound = Caller(client, made.json()["key"])
    for method, path in (
        ("GET", f"/v1/deliveries/{FAILING}"),
        ("POST", f"/v1/deliveries/{FAILING}/redeliver"),
        ("POST", "/v1/watches/mill-approvals/test"),
    ):
        assert bound.send(method, path).status_code == 404
    assert listed(bound) == []
    with database.writing() as session:
        watch = watches.by_id(session, 1)
        assert watch is not None
        watch.bound_to = 2
    assert listed(bound) == listed(office) == [WAITING, FAILING]
