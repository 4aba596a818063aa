"""What the API says where events were cleaned away: what is missing, from where on nothing is, and what to do."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlmodel import select

from service.actions.cleaning import clean
from service.domain.keys import Scope
from service.store import catalogue
from service.store.engine import Database
from service.store.tables import CursorRow
from tests.api.conftest import Caller, Clock, TestClient
from tests.api.scenes import PRODUCTION, begin, catch_up, count, post
from tests.api.test_doors import is_problem
from tests.api.test_workers import PROGRESS

SHOTS = f"/v1/productions/{PRODUCTION}/shots"


@pytest.fixture
def gone(database: Database, clock: Clock, mill: str, coordinator: Caller, terminal: Caller) -> list[int]:
    """Two of three counts of `0120`, which *progress* had read; an unmatched count and one of `0130` are left."""
    del mill
    begin(database, clock)
    for code in ("0120", "0130"):
        coordinator.post(SHOTS, {"code": code, "episode": "101", "cut_frames": 96, "stage": "mill"})
    for serial, frames in enumerate((40, 52, 96), start=1):
        post(terminal, count(serial, frames))
    post(terminal, count(4, 12, shot="0130"), count(5, 3, shot="0777"))
    told = coordinator.get("/v1/events?limit=500&kind=frames.counted").json()["items"]
    catch_up(database, clock)
    clock.pass_time(days=8)
    with database.writing() as session:
        taken = clean(session, keep=timedelta(days=7), now=clock())
    ids = [each["id"] for each in told if each["shot"] == "0120"]
    assert taken == len(ids) - 1 == 2
    return ids[:-1]


def read(caller: Caller, query: str) -> dict[str, Any]:
    answer = caller.get(f"/v1/events?limit=500&{query}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_a_reader_is_told_what_is_missing_and_from_where_on_nothing_is(gone: list[int], reader: Caller) -> None:
    for after in (0, gone[0], gone[1] - 1):
        problem = is_problem(reader.get(f"/v1/events?after={after}"), 410, "cleaned-away")
        assert (problem["after"], problem["cleaned_to"]) == (after, gone[1])
        assert f"after={gone[1]}" in problem["detail"]

    whole = read(reader, f"after={problem['cleaned_to']}")
    assert whole["cleaned_to"] is None
    kept = read(reader, "gaps=true")
    assert kept["cleaned_to"] == gone[1]
    assert set(gone).isdisjoint(each["id"] for each in kept["items"])
    assert [each for each in kept["items"] if each["id"] > gone[1]] == whole["items"]
    assert [each["data"]["total_frames"] for each in whole["items"] if each["kind"] == "frames.counted"] == [96, 12]


def test_whoever_asks_for_nothing_that_is_missing_is_not_refused(
    gone: list[int], reader: Caller, coordinator: Caller, key: Callable[..., Caller]
) -> None:
    coordinator.post("/v1/productions", {"code": "gull-street", "title": "G", "frame_rate": "25/1"})

    assert read(reader, "kind=shot.added&kind=frames.unmatched")["cleaned_to"] is None
    assert [each["kind"] for each in read(reader, "production=gull-street")["items"]] == ["production.added"]
    assert read(key(Scope.READ, production="gull-street"), "")["cleaned_to"] is None
    assert is_problem(reader.get("/v1/events?kind=frames.counted"), 410, "cleaned-away")["cleaned_to"] == gone[1]
    is_problem(key(Scope.READ, production=PRODUCTION).get("/v1/events"), 410, "cleaned-away")


def test_a_history_says_how_many_counts_it_has_no_more(gone: list[int], reader: Caller) -> None:
    for query, missing in {
        "": True,
        "?counts=folded&order=newest&limit=1": True,
        "?kind=frames.counted": True,
        "?kind=shot.added": False,
        "?from=2026-03-02": True,
        "?from=2026-03-03": False,
    }.items():
        page = reader.get(f"{SHOTS}/0120/history{query}").json()
        told = {"events": 2, "to": gone[1], "until": "2026-03-02T10:00:00Z"} if missing else None
        assert page["cleaned"] == told, query
        assert gone[0] not in [each["position"] for each in page["items"]]
        assert reader.get(f"{SHOTS}/0130/history{query}").json()["cleaned"] is None


def test_a_worker_that_needs_a_rebuild_is_named_with_what_to_do(
    gone: list[int], database: Database, clock: Clock, admin: Caller, client: TestClient
) -> None:
    with database.writing() as session:
        catalogue.record(session, "host", [PROGRESS], now=clock(), forget_before=clock())
        catalogue.beat(session, catalogue.ENGINE, host="host", now=clock())
        # As a copy of its rows from before.
        session.exec(select(CursorRow).where(CursorRow.worker == "progress")).one().position = gone[0]

    (worker,) = admin.get("/v1/workers").json()["items"]
    assert (worker["state"], worker["needs_rebuild"], worker["lacks_to"]) == ("loaded", True, None)
    assert "POST /v1/workers/progress/rebuild" in worker["what_to_do"]
    ready = client.get("/readyz").json()
    assert (ready["status"], ready["workers"][0]["needs_rebuild"]) == ("degraded", True)
    assert any("progress needs a rebuild" in each and "/rebuild" in each for each in ready["reasons"])

    asked = admin.post("/v1/workers/progress/rebuild").json()
    # The catalogue says it makes no rows from facts.
    assert (asked["by_facts"], asked["lacks_to"]) == (False, gone[1])
    (worker,) = admin.get("/v1/workers").json()["items"]
    assert (worker["needs_rebuild"], worker["rebuild"]["lacks_to"]) == (True, gone[1])
    assert "are being made anew" in worker["what_to_do"]
    catch_up(database, clock)
    (worker,) = admin.get("/v1/workers").json()["items"]
    assert (worker["needs_rebuild"], worker["lacks_to"], worker["rebuild"]) == (False, gone[1], None)
    assert client.get("/readyz").json()["status"] == "ready"
