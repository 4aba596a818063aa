"""Frames put right over HTTP: totals restated, counts moved to their take, and what every report then says."""

from collections.abc import Callable
from itertools import permutations
from typing import Any

import pytest

from service.domain.keys import Scope
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
from tests.api.test_doors import is_problem, pointers

SHOTS = f"/v1/productions/{PRODUCTION}/shots"
REPORTS = f"/v1/productions/{PRODUCTION}/reports/nightly"


@pytest.fixture(autouse=True)
def lantern_bay(database: Database, clock: Clock, mill: str) -> None:
    begin(database, clock)
    add_stage(database, clock, "harbour")
    add_shot(database)
    add_shot(database, "0130")


@pytest.fixture
def harbour(key: Callable[..., Caller]) -> Caller:
    return key(Scope.COUNT, terminal="harbour-capture")


def take_of(reader: Caller, shot: str = "0120", take: int = 1, **asked: str) -> dict[str, Any]:
    found: dict[str, Any] = reader.get(f"{SHOTS}/{shot}/takes/{take}", params=asked).json()
    return found


def figures(reader: Caller, shot: str) -> tuple[int, int]:
    """Frames shot and frames credited, as the worker has them."""
    found = reader.get(f"{SHOTS}/{shot}").json()["progress"]
    return found["shot_frames"], found["credited_frames"]


def days(reader: Caller) -> dict[str, dict[str, int]]:
    found = reader.get(f"/v1/productions/{PRODUCTION}/progress", params={"by": "day"}).json()
    return {each["day"]: each["frames_shot"] for each in found["items"]}


def test_a_total_put_right_is_neither_a_capture_nor_a_deletion(
    database: Database, clock: Clock, coordinator: Caller, terminal: Caller
) -> None:
    counts = [count(serial, total) for serial, total in enumerate((40, 52, 52, 49), start=1)]
    post(terminal, *counts, spool="s")

    done = correct(coordinator, 1, frames_total=47, instead_of_frames=49)

    assert done.status_code == 200, done.text
    said = done.json()
    assert {name: said["correction"][name] for name in ("what", "shot", "take", "before_frames", "frames", "to")} == {
        "what": "total",
        "shot": "0120",
        "take": 1,
        "before_frames": 49,
        "frames": 47,
        "to": None,
    }
    (change,) = said["shots"]
    assert (change["before"]["credited_frames"], change["after"]["credited_frames"]) == (49, 47)
    (series,) = take_of(coordinator)["series"]
    assert (series["total_frames"], series["reached_frames"]) == (47, 52)
    steps = [(step["total_frames"], step["change_frames"], step["corrected_frames"]) for step in series["history"]]
    assert steps == [(40, 40, 0), (52, 12, 0), (52, 0, 0), (49, -3, -2)]
    catch_up(database, clock)
    assert figures(coordinator, "0120") == (47, 47)
    assert days(coordinator) == {"2026-03-02": {"net": 47, "gross": 52, "deletions": 3, "corrected": -2}}

    # The terminal goes on: what it posts is measured by what the correction said.
    post(terminal, count(5, 60), spool="s")
    catch_up(database, clock)
    assert figures(coordinator, "0120") == (60, 60)
    assert days(coordinator) == {"2026-03-02": {"net": 60, "gross": 65, "deletions": 3, "corrected": -2}}


def test_nothing_older_undoes_a_total_put_right_in_whichever_order_it_comes(
    coordinator: Caller, terminal: Caller, harbour: Caller
) -> None:
    older = {"at": "2026-03-02T08:00:00Z"}
    for take, order in enumerate(permutations(range(3)), start=1):
        sent = count(2 * take, 52, take=take, at="2026-03-02T09:00:00Z")
        post(terminal, sent, spool="s")
        assert correct(coordinator, take, frames_total=47).status_code == 200
        late = [
            (terminal, sent, "s", "repeated"),
            (terminal, count(2 * take - 1, 90, take=take, **older), "s", "counted"),
            (harbour, count(take, 70, take=take, **older), "h", "counted"),
        ]
        for place in order:
            caller, body, spool, outcome = late[place]
            (answer,) = post(caller, body, spool=spool).json()["answers"]
            assert answer["outcome"] == outcome
        (series,) = take_of(coordinator, take=take)["series"]
        assert series["total_frames"] == 47
    post(harbour, count(99, 71, at="2026-03-02T09:30:00Z"), spool="h")
    assert take_of(coordinator)["series"][0]["total_frames"] == 71


def test_a_wrong_shot_day_moved_is_right_for_both_shots_and_both_nights(
    database: Database, clock: Clock, coordinator: Caller, terminal: Caller
) -> None:
    """Monday was shot under the right code, Tuesday under the wrong one, and a clerk finds out on Thursday."""
    post(terminal, count(1, 30, shot="0130", animator="Ines"), spool="s")
    clock.pass_time(days=1)
    post(terminal, count(2, 20, animator="Ines"), count(3, 44, animator="Ines", outcome="finished"), spool="s")
    decide(coordinator, 1, "circle")
    clock.pass_time(days=2)
    catch_up(database, clock)
    report(database, clock)
    assert coordinator.get(f"{REPORTS}/2026-03-03").json()["revision"] == 1

    clash = is_problem(correct(coordinator, 1, move_to={"shot": "0130"}), 409, "take-has-frames")
    assert (clash["take"], clash["free"]) == (1, 2)
    moved = correct(coordinator, 1, move_to={"shot": "0130", "take": clash["free"]})

    assert moved.status_code == 200, moved.text
    said = moved.json()
    assert said["correction"]["to"] == {"shot": "0130", "part": "", "take": 2}
    assert said["sayings_moved"] is True
    changes = {
        each["shot"]: (each["before"]["credited_frames"], each["after"]["credited_frames"]) for each in said["shots"]
    }
    assert changes == {"0120": (44, 0), "0130": (30, 44)}
    catch_up(database, clock)
    revise(database, clock)
    assert figures(coordinator, "0120") == (0, 0)
    assert figures(coordinator, "0130") == (74, 44)
    is_problem(coordinator.get(f"{SHOTS}/0120/takes/1"), 404, "take-unknown")
    take = take_of(coordinator, "0130", 2)
    assert (take["circled"], [step["serial"] for step in take["series"][0]["history"]]) == (True, [2, 3])
    # Captures stay on their days; what was credited changed today.
    expected = {"2026-03-02": (30, 1), "2026-03-03": (44, 2)}
    for day, (gross, revision) in expected.items():
        told = coordinator.get(f"{REPORTS}/{day}").json()
        assert told["total"]["frames_shot"] == {"net": gross, "gross": gross, "deletions": 0, "corrected": 0}
        assert told["revision"] == revision
    now = coordinator.get(f"{REPORTS}/2026-03-05").json()["total"]
    assert now["credited_change"] == {"frames": -30, "causes": {"corrected": -30}}
    listed = [
        [each["id"] for each in coordinator.get(f"{SHOTS}/{shot}/corrections").json()["items"]]
        for shot in ("0120", "0130")
    ]
    assert listed == [[said["correction"]["id"]]] * 2
    assert coordinator.get(f"{SHOTS}/0130/corrections", params={"take": 1}).json()["items"] == []


def test_counts_that_come_after_a_move_count_for_what_they_say_but_older_ones_follow(
    coordinator: Caller, terminal: Caller
) -> None:
    post(terminal, count(5, 20), spool="s")
    assert correct(coordinator, 1, move_to={"shot": "0130"}).status_code == 200

    older, newer = post(terminal, count(4, 18), count(6, 9), spool="s").json()["answers"]

    assert older["counted_for"] == {"shot": "0130", "part": "", "take": 1}
    assert (older["outcome"], older["series_total_frames"]) == ("counted", 20)
    assert ("counted_for" in newer, newer["series_total_frames"]) == (False, 9)
    # And once those that followed were moved on, or back, so are the next.
    assert correct(coordinator, 1, shot="0130", move_to={"shot": "0120", "take": 3}).status_code == 200
    (oldest,) = post(terminal, count(3, 11), spool="s").json()["answers"]
    assert oldest["counted_for"] == {"shot": "0120", "part": "", "take": 3}
    assert take_of(coordinator, "0120", 3)["series"][0]["total_frames"] == 20


def test_one_camera_of_a_take_moves_alone_and_leaves_what_was_decided(coordinator: Caller, terminal: Caller) -> None:
    post(terminal, count(1, 20), count(2, 30, camera="top"), count(3, 8, shot="0130"), spool="s")
    decide(coordinator, 1, "circle")
    both = {"series": ["camera main with pass main", "camera top with pass main"], "take": 1}

    unclear = is_problem(correct(coordinator, 1, frames_total=9), 422, "series-unclear")
    unknown = is_problem(correct(coordinator, 1, frames_total=9, camera="mian"), 422, "series-unknown")
    assert {name: unclear[name] for name in both} == {name: unknown[name] for name in both} == both
    assert pointers(unclear) == ["#/camera"]
    assert correct(coordinator, 1, camera="top", frames_total=31).status_code == 200
    moved = correct(coordinator, 1, camera="top", move_to={"shot": "0130"})

    # The other take has counts, but none of this camera.
    assert moved.json()["sayings_moved"] is False
    there = {each["camera"]: each["total_frames"] for each in take_of(coordinator, "0130")["series"]}
    assert there == {"main": 8, "top": 31}
    assert (take_of(coordinator)["circled"], take_of(coordinator, "0130")["circled"]) == (True, False)


def test_captures_are_counted_as_they_were_held(coordinator: Caller, terminal: Caller) -> None:
    body = {name: value for name, value in count(1, 0).items() if name != "frames_total"}
    post(terminal, {**body, "captures_total": 24, "frames_per_capture": 2}, count(2, 106, take=2), spool="s")

    done = correct(coordinator, 1, captures_total=22)

    assert (done.json()["correction"]["frames"], done.json()["correction"]["captures_total"]) == (44, 22)
    # Mixed holds: 47 captures on twos and one of 12 frames say nothing by their number.
    problem = is_problem(correct(coordinator, 2, captures_total=48), 422, "posted-in-frames")
    assert pointers(problem) == ["#/captures_total"]


def test_what_cannot_be_put_right_is_refused_and_says_why(
    coordinator: Caller, terminal: Caller, reader: Caller, database: Database
) -> None:
    add_shot(database, "0140", parts=[("left", 1, None, 48), ("right", 2, 49, None)])
    post(terminal, count(1, 20), spool="s")
    path = f"{SHOTS}/0120/takes/1/corrections"
    etag = coordinator.get(f"{SHOTS}/0120/takes/1").headers["ETag"]

    for wrong in ({}, {"frames_total": 1, "captures_total": 1}, {"frames_total": 1, "move_to": {"shot": "0130"}}):
        is_problem(coordinator.post(path, {"reason": "r", **wrong}), 422, "invalid-request")
    is_problem(coordinator.post(path, {"frames_total": 1}), 422, "invalid-request")
    is_problem(coordinator.post(path, {"frames_total": 1, "reason": "r"}), 428, "missing-precondition")
    is_problem(reader.post(path, {"frames_total": 1, "reason": "r"}), 403, "scope-too-narrow")
    is_problem(correct(coordinator, 1, frames_total=20), 409, "total-stands")
    other = is_problem(correct(coordinator, 1, frames_total=19, instead_of_frames=18), 409, "other-total")
    assert (other["frames"], other["instead_of_frames"]) == (20, 18)
    is_problem(correct(coordinator, 1, move_to={"shot": "0120"}), 409, "take-has-frames")
    is_problem(correct(coordinator, 1, move_to={"shot": "0150"}), 404, "shot-unknown")
    part = is_problem(correct(coordinator, 1, move_to={"shot": "0140", "part": "top"}), 422, "part-unknown")
    assert part["parts"] == ["left", "right"]
    assert coordinator.get(f"{SHOTS}/0120/takes/1").headers["ETag"] == etag
    assert coordinator.get(f"{SHOTS}/0120/corrections").json()["items"] == []
    # Of two who put it right at once, the second is shown what the first did.
    assert correct(coordinator, 1, frames_total=19).status_code == 200
    late = coordinator.post(path, {"frames_total": 18, "reason": "r"}, headers={"If-Match": etag})
    assert is_problem(late, 412, "stale")["current"]["series"][0]["total_frames"] == 19


def test_frames_go_to_the_part_that_shoots_them(coordinator: Caller, terminal: Caller, database: Database) -> None:
    add_shot(database, "0140", parts=[("left", 2, None, 48), ("right", 1, 49, None)])
    post(terminal, count(1, 20), count(2, 10, take=2), spool="s")

    first = correct(coordinator, 1, move_to={"shot": "0140"})
    second = correct(coordinator, 2, move_to={"shot": "0140", "part": "left"})

    assert [each.json()["correction"]["to"]["part"] for each in (first, second)] == ["right", "left"]
    assert take_of(coordinator, "0140", 1, part="right")["series"][0]["starts_at"] == 49
    assert first.json()["shots"][1]["after"]["credited_frames"] == 20
    assert correct(coordinator, 1, shot="0140", part="right", frames_total=21).status_code == 200


def test_a_take_whose_counts_were_moved_no_longer_stands_in(coordinator: Caller, terminal: Caller) -> None:
    post(terminal, count(1, 40), count(2, 12, take=2), spool="s")

    moved = correct(coordinator, 2, move_to={"shot": "0130", "take": 1})

    assert [each["after"]["credited_frames"] for each in moved.json()["shots"]] == [40, 12]
