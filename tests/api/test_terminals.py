"""What is known of terminals: what they say of themselves, since when they are silent, and what they posted."""

from collections.abc import Callable
from typing import Any

import pytest

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, begin, count, post
from tests.api.test_doors import is_problem

TERMINAL = "/v1/terminals/mill-capture"


@pytest.fixture(autouse=True)
def shot(database: Database, clock: Clock, mill: str) -> None:
    begin(database, clock)
    add_shot(database)


def listed(caller: Caller) -> dict[str, Any]:
    (only,) = caller.get("/v1/terminals").json()["items"]
    return dict(only)


def posted(caller: Caller, day: str = "2026-03-02", **asked: str) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = caller.get(f"{TERMINAL}/counts", params={"day": day, **asked}).json()["items"]
    return items


def test_a_terminal_that_never_posted_says_nothing_of_itself(reader: Caller) -> None:
    shown = reader.get(TERMINAL).json()
    told = ("last_seen_at", "silent_since", "spool", "queued", "clock_ahead_s")
    assert {name: shown[name] for name in told} == dict.fromkeys(told)
    assert shown["spools"] == []


def test_a_terminal_says_its_spool_what_waits_and_how_its_clock_stands(terminal: Caller, reader: Caller) -> None:
    post(terminal, count(1, 10), spool="old")
    # The server's clock stands at 10:00: 70 minutes fast, then a second and a quarter slow.
    post(terminal, count(7, 12), spool="k7", queued=31, sent_at="2026-03-02T11:10:00Z")
    assert (listed(reader)["queued"], listed(reader)["clock_ahead_s"]) == (31, 4200.0)
    post(terminal, count(8, 13), spool="k7", queued=0, sent_at="2026-03-02T09:59:58.750Z")
    shown = reader.get(TERMINAL).json()
    assert (shown["spool"], shown["queued"], shown["clock_ahead_s"]) == ("k7", 0, -1.25)
    assert {each["spool"]: (each["counts"], each["last_serial"]) for each in shown["spools"]} == {
        "old": (1, 1),
        "k7": (2, 8),
    }
    is_problem(post(terminal, count(9, 14), queued=-1), 422, "invalid-request")
    post(terminal, count(1, 15), spool="new")
    assert (listed(reader)["spool"], listed(reader)["queued"]) == ("new", None)


def test_a_terminal_is_silent_only_while_its_stage_is_at_work(
    terminal: Caller, coordinator: Caller, clock: Clock
) -> None:
    post(terminal, count(1, 10))
    clock.pass_time(hours=5)
    assert listed(coordinator)["silent_since"] is None
    coordinator.post("/v1/stages/mill/log", {"kind": "call"})
    clock.pass_time(minutes=15)
    assert listed(coordinator)["silent_since"] is None
    etag = coordinator.get(TERMINAL).headers["ETag"]
    clock.pass_time(seconds=1)
    # Of the work, not of the count before it.
    assert listed(coordinator)["silent_since"] == "2026-03-02T15:00:00Z"
    again = coordinator.get(TERMINAL, headers={"If-None-Match": etag})
    assert (again.status_code, again.json()["silent_since"]) == (200, "2026-03-02T15:00:00Z")
    post(terminal, count(2, 11))
    assert listed(coordinator)["silent_since"] is None
    clock.pass_time(hours=1)
    assert listed(coordinator)["silent_since"] == "2026-03-02T15:15:01Z"
    for line in ({"kind": "waiting", "reason": "a lamp"}, {"kind": "resumed"}, {"kind": "wrap"}):
        coordinator.post("/v1/stages/mill/log", line)
        assert listed(coordinator)["silent_since"] is None


def test_every_count_of_a_day_is_listed_with_what_it_counts_for_now(
    terminal: Caller, coordinator: Caller, reader: Caller, key: Callable[..., Caller]
) -> None:
    post(terminal, count(1, 10, animator="Ilse"), count(2, 5, shot="0125", take=3), spool="k7")
    post(terminal, count(3, 12, at="2026-03-01T12:00:00Z"), spool="k7")
    waiting = coordinator.get("/v1/counts/unmatched").json()["items"][0]["id"]
    first, second = posted(coordinator)
    assert [posted(coordinator, outcome=each) for each in ("counted", "unmatched")] == [[first], [second]]
    assert (first["answer"]["planned_frames"], first["answer"]["credited_frames"]) == (96, 10)
    assert (first["outcome"], first["counted_for"]) == ("counted", {"shot": "0120", "part": "", "take": 1})
    assert (second["outcome"], second["reason"], second["counted_for"]) == ("unmatched", "unknown shot", None)
    body = {"production": "lantern-bay", "shot": "0120", "take": 2}
    assert coordinator.post(f"/v1/counts/unmatched/{waiting}/match", body).status_code == 200
    matched = posted(coordinator)[1]
    assert (matched["outcome"], matched["first_outcome"]) == ("counted", "unmatched")
    assert matched["answer"] == second["answer"]
    assert matched["answer"]["reason"] == "unknown shot"
    assert (matched["shot"], matched["take"]) == ("0125", 3)
    assert matched["counted_for"] == {"shot": "0120", "part": "", "take": 2}
    (early,) = posted(coordinator, "2026-03-01")
    assert (early["serial"], early["late"], early["adjusted"]) == (3, True, False)
    assert [each["late"] for each in posted(coordinator)] == [False, False]
    assert [each["animator"] for each in posted(reader)] == [None, None]
    coordinator.post("/v1/productions", {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"})
    assert posted(key(Scope.READ, production="tin-moon")) == []
    is_problem(coordinator.get(f"{TERMINAL}/counts"), 422, "invalid-request")
    is_problem(coordinator.get("/v1/terminals/none/counts", params={"day": "2026-03-02"}), 404, "terminal-unknown")
