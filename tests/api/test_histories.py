"""The history of a shot, from what was posted and decided to its sentences."""

from collections.abc import Callable
from typing import Any

import pytest

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import PRODUCTION, add_stage, begin, count, decide, post

SHOTS = f"/v1/productions/{PRODUCTION}/shots"
HISTORY = f"{SHOTS}/0120/history"


@pytest.fixture(autouse=True)
def _shot(database: Database, clock: Clock, mill: str, coordinator: Caller) -> None:
    begin(database, clock)
    add_stage(database, clock, "barn")
    for code in ("0120", "0130"):
        made = coordinator.post(SHOTS, {"code": code, "episode": "101", "cut_frames": 96, "stage": "mill"})
        assert made.status_code == 201, made.text


def told(caller: Caller, query: str = "") -> list[dict[str, Any]]:
    answer = caller.get(f"{HISTORY}{query}")
    assert answer.status_code == 200, answer.text
    items: list[dict[str, Any]] = answer.json()["items"]
    return items


def said(caller: Caller, query: str = "") -> list[str]:
    return [each["said"] for each in told(caller, query)]


def shoot(terminal: Caller, coordinator: Caller, clock: Clock) -> None:
    """Take 1 in three counts, its end rejected, then changed: the shot's first and second day."""
    for serial, frames in enumerate((40, 52, 96), start=1):
        clock.pass_time(minutes=10)
        post(terminal, count(serial, frames, animator="Ilse"), count(9 + serial, frames, shot="0130"))
    decide(coordinator, 1, "reject", first=61, last=96, reason="the light flickers")
    clock.pass_time(days=1)
    post(terminal, count(4, 36, take=2, starts_at=61, animator="Pim"))
    changed = coordinator.change(f"{SHOTS}/0120", {"cut_frames": 88, "reason": "the director's note"})
    assert changed.status_code == 200, changed.text


WHOLE = [
    "Added to episode 101: 96 frames of cut; stage mill.",
    "Take 1 on stage mill reached 40 frames (40 more).",
    "Take 1 on stage mill reached 52 frames (12 more).",
    "Take 1 on stage mill reached 96 frames (44 more).",
    "Frames 61 to 96 of take 1 were rejected: the light flickers.",
    "Take 2 on stage mill reached 36 frames (36 more).",
    "Cut length went from 96 to 88 frames: the director's note.",
]


def test_it_says_what_happened_in_order_and_by_whom(
    terminal: Caller, coordinator: Caller, reader: Caller, clock: Clock
) -> None:
    shoot(terminal, coordinator, clock)
    assert said(reader) == WHOLE
    assert said(reader, "?order=newest") == WHOLE[::-1]
    entries = told(coordinator)
    assert entries[1]["by"] == "mill-capture"
    assert entries[4]["by"] == entries[0]["by"] != "mill-capture"
    assert (entries[3]["data"]["before_frames"], entries[3]["data"]["total_frames"]) == (52, 96)
    log = {each["id"]: each for each in reader.get("/v1/events?limit=1000").json()["items"] if each["shot"] == "0120"}
    assert [each["position"] for each in entries] == list(log)
    assert all(each["data"] == log[each["position"]]["data"] for each in entries)


def test_animators_are_named_to_who_plans_the_work(
    terminal: Caller, coordinator: Caller, reader: Caller, clock: Clock
) -> None:
    shoot(terminal, coordinator, clock)
    for query in ("", "?counts=folded"):
        assert {name for each in told(coordinator, query) for name in each["animators"]} == {"Ilse", "Pim"}
        assert [each["animators"] for each in told(reader, query) if each["animators"]] == []
        assert "Ilse" not in reader.get(f"{HISTORY}{query}").text


def test_runs_of_counts_are_told_as_one_where_asked(terminal: Caller, coordinator: Caller, clock: Clock) -> None:
    shoot(terminal, coordinator, clock)
    folded = told(coordinator, "?counts=folded")
    assert [each["said"] for each in folded] == [
        WHOLE[0],
        "Take 1 on stage mill reached 96 frames in 3 postings (96 more).",
        *WHOLE[4:],
    ]
    each = told(coordinator)
    run = folded[1]
    assert (run["events"], run["first_position"], run["position"]) == (3, each[1]["position"], each[3]["position"])
    assert (run["at"], run["data"]) == (each[3]["at"], {**each[3]["data"], "before_frames": 0})


@pytest.mark.parametrize("query", ["order=oldest", "order=newest", "order=newest&counts=folded"])
def test_its_pages_follow_each_other(terminal: Caller, coordinator: Caller, clock: Clock, query: str) -> None:
    shoot(terminal, coordinator, clock)
    whole = told(coordinator, f"?{query}")
    found, asked = [], f"{HISTORY}?{query}&limit=2"
    while asked:
        page = coordinator.get(asked)
        assert len(page.json()["items"]) <= 2
        found += page.json()["items"]
        asked = page.links["next"]["url"] if "next" in page.links else ""
        # What comes meanwhile belongs to the end that was read already, or to the one that is still to come.
        post(terminal, count(50 + len(found), 96 + len(found), shot="0130"))
    assert found == whole


def test_it_can_be_asked_for_kinds_and_days(terminal: Caller, coordinator: Caller, clock: Clock) -> None:
    shoot(terminal, coordinator, clock)
    assert said(coordinator, "?kind=take.decided&kind=shot.added") == [WHOLE[0], WHOLE[4]]
    assert said(coordinator, "?to=2026-03-02") == WHOLE[:5]
    assert said(coordinator, "?from=2026-03-03") == WHOLE[5:]
    assert said(coordinator, "?from=2026-03-03&to=2026-03-03") == WHOLE[5:]
    assert said(coordinator, "?from=2026-03-04") == []


def test_its_days_are_the_studios(terminal: Caller, coordinator: Caller, clock: Clock, admin: Caller) -> None:
    admin.send("PUT", "/v1/studio", json={"name": "S", "time_zone": "UTC", "day_starts_at": "05:00"})
    clock.pass_time(hours=16)  # 02:00 of 3 March, the production day of the 2nd
    post(terminal, count(1, 40))
    clock.pass_time(hours=3)  # 05:00: the 3rd begins
    post(terminal, count(2, 52))
    assert said(coordinator, "?to=2026-03-02&kind=frames.counted") == [WHOLE[1]]
    assert said(coordinator, "?from=2026-03-03") == [WHOLE[2]]


def test_matched_counts_and_dates_put_right_are_in_it(terminal: Caller, coordinator: Caller, clock: Clock) -> None:
    # Half past five in the morning belongs to Monday where the stage was called on Monday night: common practice.
    clock.pass_time(days=1)
    post(terminal, count(1, 40, shot="0140", at="2026-03-03T05:30:00Z"), sent_at="2026-03-03T10:00:00Z")
    made = coordinator.post(SHOTS, {"code": "0140", "episode": "101", "cut_frames": 96})
    assert made.status_code == 201
    called = coordinator.post("/v1/stages/mill/log", {"kind": "call", "at": "2026-03-02T22:00:00Z"})
    assert called.is_success, called.text
    items = coordinator.get(f"{SHOTS}/0140/history").json()["items"]
    assert [each["said"] for each in items] == [
        "Added to episode 101: 96 frames of cut.",
        "Counts that had waited without a shot were matched: take 1 reached 40 frames (40 more).",
        "A call or wrap of stage mill moved frames to another production day.",
    ]


def test_a_stage_is_named_as_it_was(terminal: Caller, coordinator: Caller, admin: Caller, clock: Clock) -> None:
    post(terminal, count(1, 40))
    moved = admin.change("/v1/terminals/mill-capture", {"stage": "barn"})
    assert moved.status_code == 200, moved.text
    assert said(coordinator, "?kind=frames.counted") == [WHOLE[1]]


def test_a_key_of_another_production_reads_nothing_of_it(key: Callable[..., Caller], admin: Caller) -> None:
    admin.post("/v1/productions", {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"})
    assert key(Scope.READ, production="tin-moon").get(HISTORY).status_code == 404
    assert key(Scope.READ, production=PRODUCTION).get(HISTORY).status_code == 200
