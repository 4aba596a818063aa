"""A shot that was entered under two codes: its takes go to the other, its code stays and leads there."""

import pytest
from httpx import Response

from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import (
    PRODUCTION,
    add_shot,
    add_stage,
    begin,
    catch_up,
    correct,
    count,
    decide,
    post,
    report,
    revise,
)
from tests.api.test_doors import is_problem

SHOTS = f"/v1/productions/{PRODUCTION}/shots"
REPORTS = f"/v1/productions/{PRODUCTION}/reports/nightly"


@pytest.fixture(autouse=True)
def twice(database: Database, clock: Clock, coordinator: Caller, mill: str) -> None:
    begin(database, clock)
    add_stage(database, clock, "harbour")
    shots = [{"code": code, "episode": "101", "cut_frames": 96} for code in ("0120", "120", "0130")]
    assert coordinator.post(SHOTS, shots).status_code == 201


def merge(coordinator: Caller, shot: str, into: str, **more: object) -> Response:
    headers = {"If-Match": coordinator.get(f"{SHOTS}/{shot}").headers["ETag"]}
    return coordinator.post(f"{SHOTS}/{shot}/merge", {"into": into, "reason": "entered twice", **more}, headers=headers)


def numbers(coordinator: Caller, shot: str) -> dict[int, int]:
    """The frames of each take."""
    takes = coordinator.get(f"{SHOTS}/{shot}/takes").json()["items"]
    return {each["take"]: each["series"][0]["total_frames"] for each in takes}


def test_takes_and_what_was_decided_go_to_the_other_and_so_do_later_counts(
    database: Database, clock: Clock, coordinator: Caller, terminal: Caller
) -> None:
    post(terminal, count(1, 40, take=2), count(2, 50, shot="120"), spool="s")
    decide(coordinator, 1, "circle", shot="120")
    clock.pass_time(days=1)
    report(database, clock)

    done = merge(coordinator, "120", "0120")

    assert done.status_code == 200, done.text
    said = done.json()
    assert (said["correction"]["what"], said["correction"]["frames"]) == ("merge", 50)
    changes = {
        each["shot"]: [(each[when]["planned_frames"], each[when]["credited_frames"]) for when in ("before", "after")]
        for each in said["shots"]
    }
    assert changes == {"120": [(96, 50), (0, 0)], "0120": [(96, 40), (96, 50)]}
    assert numbers(coordinator, "0120") == {1: 50, 2: 40}
    assert coordinator.get(f"{SHOTS}/0120/takes/1").json()["circled"] is True
    merged = coordinator.get(f"{SHOTS}/120").json()
    assert (merged["omitted"], merged["merged_into"], merged["takes"]) == (True, "0120", [])
    assert merged["rev"] == 2
    late, new = post(terminal, count(3, 52, shot="120"), count(4, 3, shot="120", take=3), spool="s").json()["answers"]
    assert late["counted_for"] == {"shot": "0120", "part": "", "take": 1}
    assert (late["series_total_frames"], new["counted_for"]["take"]) == (52, 3)
    catch_up(database, clock)
    revise(database, clock)
    progress = coordinator.get(f"{SHOTS}/0120").json()["progress"]
    assert (progress["shot_frames"], progress["credited_frames"]) == (95, 52)
    # The night before brought what it brought; the plan and the credit changed today.
    night = coordinator.get(f"{REPORTS}/2026-03-02").json()["total"]
    assert night["frames_shot"] == {"net": 90, "gross": 90, "deletions": 0, "corrected": 0}
    assert (night["credited_frames"], night["planned_frames"]) == (90, 288)
    today = coordinator.get(f"{REPORTS}/2026-03-03").json()["total"]
    assert today["planned_frames"] == 192
    assert today["credited_change"]["causes"] == {"corrected": -40, "counted": 2}


def test_numbers_that_collide_are_refused_unless_they_may_follow(coordinator: Caller, terminal: Caller) -> None:
    post(
        terminal,
        count(1, 40),
        count(2, 41, take=3),
        count(3, 50, shot="120"),
        count(4, 9, shot="120", take=4),
        spool="s",
    )

    problem = is_problem(merge(coordinator, "120", "0120"), 409, "takes-collide")
    assert (problem["takes"], problem["highest"]) == ([1], 3)
    assert numbers(coordinator, "120") == {1: 50, 4: 9}

    done = merge(coordinator, "120", "0120", renumber=True)

    assert done.status_code == 200, done.text
    assert numbers(coordinator, "0120") == {1: 40, 3: 41, 4: 50, 7: 9}
    (answer,) = post(terminal, count(5, 55, shot="120"), spool="s").json()["answers"]
    assert answer["counted_for"] == {"shot": "0120", "part": "", "take": 4}
    # Moved on once more, those that come late still find it.
    assert correct(coordinator, 4, move_to={"shot": "0130", "take": 1}).status_code == 200
    assert numbers(coordinator, "0130") == {1: 55}


def test_counts_that_waited_under_the_merged_code_count(
    coordinator: Caller, terminal: Caller, database: Database
) -> None:
    add_shot(database, "0140", parts=[("", 2, None, None)])
    (answer,) = post(terminal, count(1, 12, shot="0140"), spool="s").json()["answers"]
    assert answer["outcome"] == "unmatched"

    done = merge(coordinator, "0140", "0130")

    assert done.json()["shots"][1]["after"]["credited_frames"] == 12
    assert coordinator.get("/v1/counts/unmatched").json()["items"] == []
    (answer,) = post(terminal, count(2, 14, shot="0140"), spool="s").json()["answers"]
    assert (answer["outcome"], answer["counted_for"]["shot"]) == ("counted", "0130")


def test_what_cannot_be_merged_is_refused_and_a_merge_is_for_good(coordinator: Caller, admin: Caller) -> None:
    is_problem(merge(coordinator, "0120", "0120"), 409, "merged-with-itself")
    is_problem(merge(coordinator, "0120", "0999"), 404, "shot-unknown")
    stale = {"If-Match": '"7.0"'}
    body = {"into": "0120", "reason": "entered twice"}
    is_problem(coordinator.post(f"{SHOTS}/120/merge", body, headers=stale), 412, "stale")
    is_problem(coordinator.post(f"{SHOTS}/120/merge", body), 428, "missing-precondition")
    assert merge(coordinator, "120", "0120").status_code == 200

    assert is_problem(merge(coordinator, "120", "0130"), 409, "shot-merged")["into"] == "0120"
    is_problem(merge(coordinator, "0130", "120"), 409, "shot-merged")
    is_problem(merge(coordinator, "0120", "0130"), 409, "merge-chain")
    is_problem(coordinator.change(f"{SHOTS}/120", {"omitted": False}), 409, "shot-merged")
    taken = coordinator.post(SHOTS, {"code": "120", "episode": "101", "cut_frames": 5})
    is_problem(taken, 409, "shot-taken")


def test_a_cut_list_does_not_bring_a_merged_shot_back(coordinator: Caller) -> None:
    assert merge(coordinator, "120", "0120").status_code == 200
    cuts = f"/v1/productions/{PRODUCTION}/episodes/101/cuts"
    listed = coordinator.send(
        "POST",
        cuts,
        content=b"shot,frames\n0120,96\n120,20\n0130,96\n",
        params={"format": "csv", "frame_rate": "25/1"},
        headers={"Content-Type": "text/csv"},
    )
    assert listed.is_success, listed.text

    locked = coordinator.send("POST", f"{cuts}/1/lock", headers={"If-Match": listed.headers["ETag"]})

    assert is_problem(locked, 409, "shot-merged")["shot"] == "120"
    assert coordinator.get(f"{SHOTS}/120").json()["omitted"] is True
