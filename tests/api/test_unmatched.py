"""Unmatched counts matched many at a time: by ids or by how they were posted, all or none, or only looked at."""

from collections.abc import Callable
from typing import Any

import pytest
from httpx import Response

from service.actions import unmatched
from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import PRODUCTION, add_shot, add_stage, begin, count, post
from tests.api.test_doors import is_problem

WAITING = "/v1/counts/unmatched"


@pytest.fixture(autouse=True)
def lost(database: Database, clock: Clock, terminal: Caller, key: Callable[..., Caller]) -> None:
    """Six counts of two days and two stages that no shot takes: `0125` and `0126` were never entered."""
    begin(database, clock)
    add_stage(database, clock, "harbour")
    add_shot(database)
    post(terminal, count(1, 10, shot="0125"), count(2, 20, shot="0125"), count(3, 5, shot="0126"), spool="s")
    harbour = key(Scope.COUNT, terminal="harbour-capture")
    post(harbour, count(1, 12, shot="0125", take=2), spool="h")
    clock.pass_time(days=1)
    post(terminal, count(4, 31, shot="0125"), spool="s")
    post(harbour, count(2, 14, shot="0125", take=2), spool="h")


def match(coordinator: Caller, **body: object) -> Response:
    return coordinator.post(f"{WAITING}/match", {"production": PRODUCTION, "shot": "0120", **body})


def waiting(coordinator: Caller) -> list[int]:
    return [each["id"] for each in coordinator.get(WAITING).json()["items"]]


def groups(response: Response) -> list[tuple[Any, ...]]:
    assert response.status_code == 200, response.text
    names = ("posted_shot", "stage", "production_day", "take", "counts")
    return [tuple(each[name] for name in names) for each in response.json()["groups"]]


def test_what_was_posted_alike_is_matched_together_on_its_days(coordinator: Caller) -> None:
    where = {"shot": "0125", "stage": "mill", "production": PRODUCTION}
    before = waiting(coordinator)
    expected = [("0125", "mill", "2026-03-02", 1, 2), ("0125", "mill", "2026-03-03", 1, 1)]

    looked = match(coordinator, where=where, preview=True)

    assert groups(looked) == expected
    assert (looked.json()["preview"], looked.json()["counts"]) == (True, 3)
    assert waiting(coordinator) == before
    assert coordinator.get(f"/v1/productions/{PRODUCTION}/shots/0120/takes").json()["items"] == []
    events = coordinator.get("/v1/events?limit=500").json()["items"]
    assert "frames.matched" not in {each["kind"] for each in events}
    done = match(coordinator, where=where)
    assert groups(done) == expected
    assert done.json()["shots"] == looked.json()["shots"]
    assert done.json()["shots"][0]["after"]["credited_frames"] == 31
    assert len(waiting(coordinator)) == 3
    (take,) = coordinator.get(f"/v1/productions/{PRODUCTION}/shots/0120/takes").json()["items"]
    assert [each["production_day"] for each in take["series"][0]["history"]] == ["2026-03-02"] * 2 + ["2026-03-03"]
    # What waits no more is not matched again.
    assert match(coordinator, where=where).json()["counts"] == 0


def test_by_ids_all_are_matched_or_none(coordinator: Caller) -> None:
    ids = waiting(coordinator)
    missing = is_problem(match(coordinator, ids=[ids[0], 99_001, 99_000]), 404, "counts-unknown")
    assert missing["counts"] == [99_000, 99_001]
    assert waiting(coordinator) == ids

    assert groups(match(coordinator, ids=ids[:2], take=7)) == [("0125", "mill", "2026-03-02", 7, 2)]

    matched = is_problem(match(coordinator, ids=ids[1:4]), 409, "counts-matched")
    assert matched["counts"] == [ids[1]]
    assert waiting(coordinator) == ids[2:]
    assert groups(match(coordinator, where={"day": "2026-03-03"}, take=8)) == [
        ("0125", "harbour", "2026-03-03", 8, 1),
        ("0125", "mill", "2026-03-03", 8, 1),
    ]


def test_more_than_are_matched_at_once_are_refused(coordinator: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unmatched, "MOST_MATCHED", 3)
    before = waiting(coordinator)

    assert is_problem(match(coordinator, where={"shot": "0125"}), 422, "too-many-counts")["most"] == 3

    assert waiting(coordinator) == before
    assert match(coordinator, where={"shot": "0125", "stage": "mill"}).json()["counts"] == 3
    is_problem(match(coordinator, ids=list(range(1, 2002))), 422, "invalid-request")


def test_what_is_not_said_clearly_is_refused(coordinator: Caller, key: Callable[..., Caller]) -> None:
    wrong: tuple[dict[str, Any], ...] = ({}, {"ids": [1], "where": {"shot": "0125"}}, {"where": {}}, {"ids": []})
    for body in wrong:
        is_problem(match(coordinator, **body), 422, "invalid-request")
    is_problem(match(coordinator, where={"stage": "attic"}), 404, "stage-unknown")
    # A key bound to a production matches none of another.
    bound = key(Scope.COORDINATE, production=PRODUCTION)
    is_problem(match(bound, where={"production": "tin-moon"}), 404, "production-unknown")
    assert match(bound, where={"shot": "0126"}).json()["counts"] == 1
