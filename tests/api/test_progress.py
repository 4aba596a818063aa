"""Takes, decisions and the figures read back, each hard case of counting from the posts to the sums."""

from collections.abc import Callable

import pytest

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import PRODUCTION, add_shot, add_stage, begin, catch_up, count, decide, post

SHOT = f"/v1/productions/{PRODUCTION}/shots/0120"


@pytest.fixture(autouse=True)
def _production(database: Database, clock: Clock, mill: str) -> None:
    begin(database, clock)
    add_stage(database, clock, "barn")


@pytest.fixture
def barn(key: Callable[..., Caller]) -> Caller:
    """The caller at the stage `barn`."""
    return key(Scope.COUNT, terminal="barn-capture")


@pytest.fixture
def sums(database: Database, clock: Clock, coordinator: Caller) -> Callable[..., dict[str, object]]:
    """Reads the figures of the production after the worker caught up."""

    def read(by: str = "episode") -> dict[str, object]:
        catch_up(database, clock)
        answer = coordinator.get(f"/v1/productions/{PRODUCTION}/progress?by={by}")
        assert answer.status_code == 200, answer.text
        said: dict[str, object] = answer.json()
        return said

    return read


def figures(said: dict[str, object], *names: str) -> tuple[object, ...]:
    total = said["total"]
    assert isinstance(total, dict)
    return tuple(total[f"{name}_frames"] for name in names)


Sums = Callable[..., dict[str, object]]


def test_an_abandoned_take_counts_as_shot_and_earns_nothing_until_it_is_circled(
    database: Database, terminal: Caller, coordinator: Caller, sums: Sums
) -> None:
    add_shot(database, cut_frames=120)
    post(terminal, count(1, 80, outcome="abandoned"), count(2, 30, take=2))
    assert figures(sums(), "planned", "shot", "credited", "remaining") == (120, 110, 30, 90)
    assert decide(coordinator, 1, "circle").json()["credited_frames"] == 80
    assert figures(sums(), "shot", "credited") == (110, 80)


def test_a_finished_take_stands_until_the_next_one_is_finished(
    database: Database, terminal: Caller, sums: Sums
) -> None:
    add_shot(database, cut_frames=120)
    post(terminal, count(1, 120, outcome="finished"), count(2, 3, take=2))
    said = sums()
    assert figures(said, "credited", "shot") == (120, 123)
    assert said["total"]["provisional_shots"] == 1  # type: ignore[index]


def test_a_retake_from_a_frame_on_completes_what_was_kept(
    database: Database, terminal: Caller, coordinator: Caller, sums: Sums
) -> None:
    add_shot(database)
    post(terminal, count(1, 96, outcome="finished"))
    rejected = decide(coordinator, 1, "reject", first=61, last=96).json()
    assert (rejected["credited_frames"], rejected["remaining_frames"]) == (60, 36)
    post(terminal, count(2, 36, take=2, starts_at=61))
    decide(coordinator, 2, "circle")
    assert figures(sums(), "credited", "remaining", "shot") == (96, 0, 132)


def test_mixed_holds_are_posted_in_frames_and_what_is_over_is_over(
    database: Database, terminal: Caller, sums: Sums
) -> None:
    add_shot(database)
    post(terminal, count(1, 47 * 2 + 12))
    assert figures(sums(), "shot", "credited", "overshoot") == (106, 96, 10)


def test_a_split_shot_is_one_shot_and_both_stages_work(
    database: Database, terminal: Caller, barn: Caller, sums: Sums
) -> None:
    add_shot(database, parts=[("left", 1, 1, 60), ("right", 2, 55, 96)])
    post(terminal, count(1, 60))
    post(barn, count(1, 42))
    said = sums("stage")
    assert figures(said, "planned", "credited", "shot") == (96, 96, 102)
    stages = {each["stage"]: each for each in said["items"]}  # type: ignore[attr-defined]
    assert {code: (each["planned_frames"], each["credited_frames"]) for code, each in stages.items()} == {
        "barn": (42, 42),
        "mill": (60, 60),
    }


def test_a_frame_needs_every_required_camera(database: Database, terminal: Caller, sums: Sums) -> None:
    add_shot(database, cameras=["left", "right"])
    post(terminal, count(1, 50, camera="left"), count(2, 50, camera="right"), count(3, 96, camera="spare"))
    said = sums()
    assert figures(said, "credited", "shot") == (50, 196)
    assert said["total"]["per_cent"] == 52.1  # type: ignore[index]
    post(terminal, count(4, 50, camera="right", starts_at=47))
    assert figures(sums(), "credited") == (4,)


def test_two_passes_of_the_same_frames_are_those_frames(database: Database, terminal: Caller, sums: Sums) -> None:
    add_shot(database, passes=["light", "matte"])
    post(terminal, count(1, 48, **{"pass": "light"}), count(2, 48, **{"pass": "matte"}))
    assert figures(sums(), "credited") == (48,)


def test_plates_come_any_time_and_are_no_progress(
    database: Database, terminal: Caller, sums: Sums, coordinator: Caller
) -> None:
    add_shot(database, moving_camera=True)
    said = post(terminal, count(1, 30), count(2, 96, purpose="plate")).json()["answers"]
    assert [each["credited_frames"] for each in said] == [30, 30]
    assert [each["series_total_frames"] for each in said] == [30, 96]
    assert figures(sums(), "shot", "credited") == (30, 30)


@pytest.mark.parametrize("purpose", ["rehearsal", "test", "reference"])
def test_what_is_not_shot_for_the_cut_never_counts(
    database: Database, terminal: Caller, sums: Sums, purpose: str
) -> None:
    add_shot(database)
    post(terminal, count(1, 96, purpose=purpose, outcome="finished"))
    assert figures(sums(), "shot", "credited") == (0, 0)


def test_deleted_frames_are_deletions_and_the_history_keeps_what_was_reached(
    database: Database, terminal: Caller, coordinator: Caller, sums: Sums
) -> None:
    add_shot(database)
    post(terminal, count(1, 60), count(2, 52))
    days = sums("day")["items"]
    assert days[0]["frames_shot"] == {"net": 52, "gross": 60, "deletions": 8, "corrected": 0}  # type: ignore[index]
    series = coordinator.get(f"{SHOT}/takes/1").json()["series"][0]
    assert (series["total_frames"], series["reached_frames"]) == (52, 60)
    assert [step["change_frames"] for step in series["history"]] == [60, -8]


def test_six_hours_offline_are_counted_on_the_days_they_were_captured(
    database: Database, terminal: Caller, clock: Clock, sums: Sums
) -> None:
    add_shot(database)
    post(terminal, count(40, 80, at="2026-03-02T09:55:00Z"))
    assert sums("day")["items"][0]["day"] == "2026-03-02"  # type: ignore[index]
    late = [count(n, 2 * n, at=f"2026-03-01T{20 + n // 20}:{n % 20:02d}:00Z") for n in range(39, 0, -1)]
    assert post(terminal, *late).status_code == 200
    days = sums("day")["items"]
    assert [(each["day"], each["frames_shot"]["net"]) for each in days] == [  # type: ignore[attr-defined]
        ("2026-03-01", 78),
        ("2026-03-02", 2),
    ]
    assert days[1]["credited_change"] == {"frames": 80, "causes": {"counted": 80}}  # type: ignore[index]
    assert figures(sums(), "shot", "credited") == (80, 80)


def test_a_day_after_midnight_is_the_day_before_until_the_studio_starts_its_day(
    database: Database, terminal: Caller, admin: Caller, clock: Clock, sums: Sums
) -> None:
    add_shot(database)
    clock.now = clock.now.replace(year=2027, month=1, day=1, hour=12)
    post(terminal, count(1, 10, at="2027-01-01T02:10:00Z"), count(2, 12, at="2027-01-01T05:00:00Z"))
    days = sums("day")["items"]
    assert [(each["day"], each["week"]) for each in days] == [  # type: ignore[attr-defined]
        ("2026-12-31", "2026-W53"),
        ("2027-01-01", "2026-W53"),
    ]


def test_between_call_and_wrap_it_is_the_day_of_the_call_however_late_the_call_is_entered(
    database: Database, terminal: Caller, coordinator: Caller, clock: Clock, sums: Sums
) -> None:
    add_shot(database)
    clock.now = clock.now.replace(day=6)
    friday_0530 = "2026-03-06T05:30:00Z"
    said = post(terminal, count(1, 10, at=friday_0530)).json()["answers"][0]
    assert said["production_day"] == "2026-03-06"
    call = terminal.post("/v1/stages/mill/log", {"kind": "call", "at": "2026-03-05T22:00:00Z"})
    assert (call.status_code, call.json()["redated_counts"]) == (201, 1)
    first = sums("day")["items"][0]  # type: ignore[index]
    assert (first["day"], first["frames_shot"]["net"]) == ("2026-03-05", 10)
    wrap = coordinator.post("/v1/stages/mill/log", {"kind": "wrap", "at": "2026-03-06T06:00:00Z"})
    assert wrap.json()["redated_counts"] == 0
    said = post(terminal, count(2, 12, at="2026-03-06T05:59:59Z"), count(3, 15, at="2026-03-06T06:00:00Z")).json()
    assert [each["production_day"] for each in said["answers"]] == ["2026-03-05", "2026-03-06"]
    days = sums("day")["items"]
    assert [each["frames_shot"]["net"] for each in days] == [12, 3]  # type: ignore[attr-defined]


def test_a_take_whose_counts_were_dated_again_is_not_the_one_the_caller_holds(
    database: Database, terminal: Caller, coordinator: Caller, clock: Clock
) -> None:
    add_shot(database)
    clock.now = clock.now.replace(day=6)
    post(terminal, count(1, 10, at="2026-03-06T05:30:00Z"))
    paths = (f"{SHOT}/takes", f"{SHOT}/takes/1", SHOT)
    held = [coordinator.get(path).headers["ETag"] for path in paths]
    terminal.post("/v1/stages/mill/log", {"kind": "call", "at": "2026-03-05T22:00:00Z"})
    for path, etag in zip(paths, held, strict=True):
        assert coordinator.get(path, headers={"If-None-Match": etag}).status_code == 200
    history = coordinator.get(paths[1]).json()["series"][0]["history"]
    assert [step["production_day"] for step in history] == ["2026-03-05"]


def test_the_same_call_again_changes_nothing_and_another_stages_key_may_not_call(
    terminal: Caller, barn: Caller, coordinator: Caller
) -> None:
    body = {"kind": "call", "at": "2026-03-02T08:00:00Z"}
    answered = [terminal.post("/v1/stages/mill/log", body).status_code for _ in range(2)]
    assert answered == [201, 200]
    documented = terminal.get("/openapi.json").json()["paths"]["/v1/stages/{stage}/log"]["post"]["responses"]
    assert {str(status) for status in answered} <= documented.keys()
    refused = barn.post("/v1/stages/mill/log", body)
    assert (refused.status_code, refused.json()["type"]) == (403, "/problems/bound-to-stage")
    assert [each["kind"] for each in coordinator.get("/v1/stages/mill/log").json()["items"]] == ["call"]
    fast = {"kind": "wrap", "at": "2026-03-02T11:10:00Z", "sent_at": "2026-03-02T11:10:00Z"}
    assert terminal.post("/v1/stages/mill/log", fast).json()["at"] == "2026-03-02T10:00:00Z"


def test_credited_change_says_its_cause(database: Database, terminal: Caller, coordinator: Caller, sums: Sums) -> None:
    add_shot(database)
    post(terminal, count(1, 60, outcome="finished"))
    decide(coordinator, 1, "reject")
    decide(coordinator, 1, "circle")
    decide(coordinator, 1, "withdraw")
    change = sums("day")["items"][0]["credited_change"]  # type: ignore[index]
    assert change == {"frames": 60, "causes": {"circled": 60, "counted": 60, "rejected": -60}}


def test_a_decision_must_name_the_state_it_decides_on(
    database: Database, terminal: Caller, coordinator: Caller
) -> None:
    add_shot(database)
    post(terminal, count(1, 60))
    path = f"{SHOT}/takes/1"
    read = coordinator.get(path)
    unnamed = coordinator.post(f"{path}/decisions", {"verdict": "circle"})
    assert (unnamed.status_code, unnamed.headers["ETag"]) == (428, read.headers["ETag"])
    post(terminal, count(2, 61))
    match = {"If-Match": read.headers["ETag"]}
    assert coordinator.post(f"{path}/decisions", {"verdict": "circle"}, headers=match).status_code == 200
    second = coordinator.post(f"{path}/decisions", {"verdict": "reject"}, headers=match)
    assert second.status_code == 412
    assert second.json()["current"]["circled"] is True
    assert len(coordinator.get(path).json()["decisions"]) == 1


@pytest.mark.parametrize(
    ("decision", "pointer"),
    [
        ({"verdict": "circle", "first": 1}, "#"),
        ({"verdict": "accept", "first": 9, "last": 3}, "#/last"),
        ({"verdict": "approve"}, "#/verdict"),
        ({"verdict": "accept", "first": True, "last": 3}, "#/first"),
        ({}, "#/verdict"),
    ],
)
def test_a_decision_that_makes_no_sense_is_refused_by_name(
    database: Database, terminal: Caller, coordinator: Caller, decision: object, pointer: str
) -> None:
    add_shot(database)
    post(terminal, count(1, 60))
    answer = coordinator.post(f"{SHOT}/takes/1/decisions", decision, headers={"If-Match": "*"})
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]


def test_a_decision_on_a_camera_nobody_knows_is_refused_and_names_those_there_are(
    database: Database, terminal: Caller, coordinator: Caller
) -> None:
    add_shot(database, cameras=["wide", "close"])
    post(terminal, count(1, 60, camera="spare"))
    refused = decide(coordinator, 1, "accept", camera="wdie")
    assert (refused.status_code, refused.json()["type"]) == (422, "/problems/camera-unknown")
    assert refused.json()["cameras"] == ["wide", "close", "spare"]
    assert [decide(coordinator, 1, "accept", camera=camera).status_code for camera in ("spare", "close")] == [200, 200]


def test_a_take_that_was_never_counted_is_unknown(database: Database, coordinator: Caller) -> None:
    add_shot(database)
    answer = coordinator.get(f"{SHOT}/takes/7")
    assert (answer.status_code, answer.json()["type"]) == (404, "/problems/take-unknown")


def test_who_shot_how_much_is_for_coordinators(
    database: Database, terminal: Caller, coordinator: Caller, reader: Caller, sums: Sums
) -> None:
    add_shot(database)
    post(terminal, count(1, 60, animator="Ilse"), count(2, 64, animator="Odo"))
    animators = sums("animator")["items"]
    assert [(each["animator"], each["frames_shot"]["net"]) for each in animators] == [  # type: ignore[attr-defined]
        ("Ilse", 60),
        ("Odo", 4),
    ]
    assert reader.get(f"/v1/productions/{PRODUCTION}/progress?by=animator").status_code == 403
    shown = reader.get(f"{SHOT}/takes/1").json()["series"][0]["history"]
    assert {step["animator"] for step in shown} == {None}


def test_without_the_worker_there_are_no_figures_and_the_door_still_counts(
    database: Database, terminal: Caller, reader: Caller
) -> None:
    add_shot(database)
    assert post(terminal, count(1, 60)).status_code == 200
    said = reader.get(f"/v1/productions/{PRODUCTION}/progress").json()
    assert (said["position"], said["total"], said["items"]) == (0, None, [])


def test_a_reader_who_has_the_figures_is_told_so(
    database: Database, terminal: Caller, reader: Caller, sums: Sums
) -> None:
    add_shot(database)
    post(terminal, count(1, 60))
    sums()
    path = f"/v1/productions/{PRODUCTION}/progress"
    etag = reader.get(path).headers["ETag"]
    assert reader.get(path, headers={"If-None-Match": etag}).status_code == 304
    post(terminal, count(2, 61))
    assert reader.get(path, headers={"If-None-Match": etag}).status_code == 200


def test_two_terminals_of_one_series_the_latest_capture_rules(
    database: Database, terminal: Caller, barn: Caller, sums: Sums
) -> None:
    add_shot(database)
    post(terminal, count(1, 40, at="2026-03-02T09:00:00Z"))
    post(barn, count(1, 30, at="2026-03-02T08:00:00Z"))
    assert figures(sums(), "shot") == (40,)
    post(barn, count(2, 33, at="2026-03-02T09:30:00Z"))
    assert figures(sums(), "shot") == (33,)


def test_frames_without_a_planned_stage_are_shown_at_the_stage_that_shot_them(
    database: Database, terminal: Caller, sums: Sums
) -> None:
    add_shot(database)
    post(terminal, count(1, 40))
    items = sums("stage")["items"]
    assert [(each["stage"], each["credited_frames"]) for each in items] == [("mill", 40)]  # type: ignore[attr-defined]


def test_a_terminal_that_may_decide_circles_and_rejects_takes_in_the_order_of_its_serials(
    database: Database, terminal: Caller, admin: Caller, coordinator: Caller, sums: Sums
) -> None:
    add_shot(database)
    studio = {"name": "Lantern Yard", "time_zone": "UTC", "day_starts_at": "05:00", "terminals_may_decide": True}
    assert admin.send("PUT", "/v1/studio", json=studio).status_code == 200
    post(terminal, count(5, 96, outcome="circled"))
    take = coordinator.get(f"{SHOT}/takes/1").json()
    assert (take["circled"], [each["by"] for each in take["decisions"]]) == (True, ["mill-capture"])
    # The one said earlier arrives later and changes nothing.
    post(terminal, count(4, 90, outcome="ng"))
    take = coordinator.get(f"{SHOT}/takes/1").json()
    assert (take["circled"], take["ng"], take["series"][0]["total_frames"]) == (True, False, 96)
    post(terminal, count(6, 96, outcome="ng"))
    assert coordinator.get(f"{SHOT}/takes/1").json()["ng"] is True
    assert figures(sums(), "credited", "shot") == (0, 96)
    # Circled first and finished after it, received the other way round.
    post(terminal, count(8, 50, take=2, outcome="finished"))
    post(terminal, count(7, 50, take=2, outcome="circled"))
    assert coordinator.get(f"{SHOT}/takes/2").json()["circled"] is True


def test_an_insert_has_frames_of_its_own(terminal: Caller, coordinator: Caller, sums: Sums) -> None:
    lengths = {"0120": 96, "0121": 24}
    plans = [{"code": code, "episode": "101", "scene": "quay", "cut_frames": n} for code, n in lengths.items()]
    assert coordinator.post(f"/v1/productions/{PRODUCTION}/shots", plans).status_code == 201
    needs = f"/v1/productions/{PRODUCTION}/shots/0121/needs"
    assert coordinator.send("PUT", needs, json={"insert_of": "0120"}).is_success
    post(terminal, count(1, 24, shot="0121"))
    said = sums("scene")
    assert figures(said, "planned", "credited", "remaining") == (120, 24, 96)
    assert [(each["scene"], each["shots"]) for each in said["items"]] == [("quay", 2)]  # type: ignore[attr-defined]
    assert coordinator.get(f"/v1/productions/{PRODUCTION}/shots/0120").json()["progress"]["credited_frames"] == 0
