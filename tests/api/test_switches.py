"""A worker disabled and enabled over HTTP: who says so, where it is told of, and that it hinders nobody."""

from datetime import timedelta

import pytest

from service.store import catalogue
from service.store.catalogue import Entry
from service.store.engine import Database
from tests.api.conftest import Caller, Clock, TestClient

LAMPS = Entry(
    worker="lamp-hours",
    version=0,
    distribution="lamp-hours",
    state="broken",
    error="ImportError: no lamps",
    events=(),
    tables={},
    settings_schema={},
)
IN_SETTINGS = Entry(
    worker="lamp-hours",
    version=0,
    distribution="lamp-hours",
    state="disabled in settings",
    error="the settings say `enabled = false`",
    events=(),
    tables={},
    settings_schema={},
)
WHY = {"reason": "it sends every reading twice"}


def found(database: Database, clock: Clock, **entries: Entry) -> None:
    """What each host has."""
    with database.writing() as session:
        for host, entry in entries.items():
            catalogue.record(session, host, [entry], now=clock(), forget_before=clock() - timedelta(days=2))
            catalogue.beat(session, catalogue.ENGINE, host=host, now=clock())


@pytest.fixture
def engine(database: Database, clock: Clock) -> None:
    """Two machines: on one of them the worker cannot be imported, on the other the settings disable it."""
    found(database, clock, mill=LAMPS, barn=IN_SETTINGS)


@pytest.mark.usefixtures("engine")
def test_a_disabled_worker_says_by_whom_since_when_and_why_and_hinders_nobody(
    admin: Caller, client: TestClient, clock: Clock
) -> None:
    assert client.get("/readyz").json()["status"] == "degraded"

    answer = admin.post("/v1/workers/lamp-hours/disable", WHY)

    off = {"by": "admin-0", "at": "2026-03-02T10:00:00Z", **WHY}
    assert (answer.status_code, answer.json()) == (
        200,
        {"worker": "lamp-hours", "disabled": off, "already": False, "off_in_settings": ["barn"]},
    )
    (worker,) = admin.get("/v1/workers").json()["items"]
    assert (worker["state"], worker["disabled"]) == ("disabled", off)
    assert "/v1/workers/lamp-hours/enable" in worker["what_to_do"]
    ready = client.get("/readyz").json()
    assert (ready["status"], ready["reasons"]) == ("ready", [])
    assert [(each["state"], each["disabled"]) for each in ready["workers"]] == [("disabled", off)]
    refused = admin.post("/v1/workers/lamp-hours/rebuild")
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/worker-disabled")

    clock.pass_time(seconds=60)
    again = admin.post("/v1/workers/lamp-hours/disable", {"reason": "the lamps are out"}).json()
    assert (again["already"], again["disabled"]) == (True, off)
    back = [admin.post("/v1/workers/lamp-hours/enable", {"reason": "mended"}).json() for _ in range(2)]
    assert [(each["already"], each["disabled"]) for each in back] == [(False, None), (True, None)]
    told = [
        (each["kind"], each["actor"], each["data"])
        for each in admin.get("/v1/events").json()["items"]
        if each["kind"].startswith("worker.")
    ]
    assert told == [
        ("worker.disabled", "admin-0", {"worker": "lamp-hours", **WHY}),
        ("worker.enabled", "admin-0", {"worker": "lamp-hours", "reason": "mended"}),
    ]
    assert client.get("/readyz").json()["status"] == "degraded"


def test_the_settings_word_stands_and_is_named_as_that(
    admin: Caller, client: TestClient, database: Database, clock: Clock
) -> None:
    found(database, clock, barn=IN_SETTINGS)
    admin.post("/v1/workers/lamp-hours/disable", WHY)
    admin.post("/v1/workers/lamp-hours/enable", WHY)
    admin.post("/v1/workers/lamp-hours/disable", WHY)

    (worker,) = admin.get("/v1/workers").json()["items"]

    assert (worker["state"], worker["disabled"]["reason"]) == ("disabled in settings", WHY["reason"])
    assert "take `enabled` out of [workers.lamp-hours]" in worker["what_to_do"]
    assert client.get("/readyz").json()["reasons"] == []


def test_a_worker_nobody_ever_had_is_not_disabled(admin: Caller) -> None:
    for way in ("disable", "enable"):
        answer = admin.post(f"/v1/workers/lamp-hours/{way}", WHY)
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/worker-unknown")
