"""Occupancy over HTTP: what stages are planned and used for, what is on them now, when they are free, what clashes."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

import pytest

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import Limits, add_shot, add_stage, begin, count, decide, post
from workers import schedule
from workers.builtin.occupancy import Occupancy
from workers.contract import NoSettings
from workers.engine import Outcome, step

Json = dict[str, Any]
H = 3600
NOW, CLASHES, OCCUPANCY = "/v1/stages/now", "/v1/clashes", "/v1/occupancy"
MARCH = {"from": "2026-03-01T00:00:00Z", "to": "2026-04-01T00:00:00Z"}


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock, coordinator: Caller) -> None:
    """Mill and barn, open from nine to six on Monday to Thursday, UTC; the clock shows Monday, 10:00."""
    begin(database, clock)
    for stage in ("mill", "barn"):
        add_stage(database, clock, stage)
    add_shot(database, parts=[("", 1, None, None)])
    add_shot(database, "0130", parts=[("", 1, None, None)])
    hours = [{"opens": "09:00", "closes": "18:00"}]
    week = dict.fromkeys(("monday", "tuesday", "wednesday", "thursday"), hours)
    assert coordinator.send("PUT", "/v1/studio/calendar", json={"hours": week}).status_code == 200


@pytest.fixture
def terminal(key: Callable[..., Caller]) -> Caller:
    return key(Scope.COUNT, terminal="mill-capture")


def read(caller: Caller, path: str, asked: Mapping[str, str] | None = None, *, expect: int = 200) -> Json:
    answer = caller.get(path, params=asked)
    assert answer.status_code == expect, answer.text
    body: Json = answer.json()
    return body


def occupancy(caller: Caller, first: str, last: str | None = None, **asked: str) -> Json:
    return read(caller, OCCUPANCY, {"from": first, "to": last or first, **asked})


def used(time: Json) -> dict[str, float]:
    """Hours by activity within the hours of a stage."""
    return {each["activity"]: each["actual"]["open_s"] / H for each in time["activities"] if each["actual"]["open_s"]}


def book(caller: Caller, start: str, end: str, **more: object) -> Json:
    said = {
        "production": "lantern-bay",
        "stage": "mill",
        "activity": "shooting",
        "firmness": "confirmed",
        "start": start,
        "end": end,
        **more,
    }
    answer = caller.post("/v1/bookings", said)
    assert answer.status_code == 201, answer.text
    body: Json = answer.json()
    return body


def say(caller: Caller, kind: str, at: str, reason: str | None = None) -> None:
    line = {"kind": kind, "at": at} | ({"reason": reason} if reason else {})
    assert caller.post("/v1/stages/mill/log", line).status_code == 201


def capture(clock: Clock, terminal: Caller, at: str, *, serial: int, frames: int, **more: object) -> None:
    clock.now = datetime.fromisoformat(at)
    assert post(terminal, count(serial, frames, **more), spool="a").status_code == 200


def work(database: Database, clock: Clock) -> None:
    worker = Occupancy(NoSettings())
    schedule.enter(database, [worker], now=clock())
    done = schedule.run(database, [worker], settings=Limits(), owner="test", now=clock(), beat=lambda: None)
    assert done is None or done.error is None, done
    while (result := step(database, worker, settings=Limits(), owner="test", now=clock())).outcome is not Outcome.IDLE:
        assert result.again, result


def a_day(coordinator: Caller, terminal: Caller, clock: Clock) -> None:
    """Monday at the mill: booked nine to six, called at nine, an hour's wait for kit, wrapped at four."""
    book(coordinator, "2026-03-02T09:00:00Z", "2026-03-02T18:00:00Z", shot="0120")
    clock.now = datetime(2026, 3, 2, 16, 0, tzinfo=UTC)
    say(coordinator, "call", "2026-03-02T09:00:00Z")
    say(coordinator, "waiting", "2026-03-02T11:00:00Z", "kit: the long lens")
    say(coordinator, "resumed", "2026-03-02T12:00:00Z")
    say(coordinator, "wrap", "2026-03-02T16:00:00Z")
    for serial, hour in enumerate((10, 13, 15), start=1):
        capture(clock, terminal, f"2026-03-02T{hour}:00:00Z", serial=serial, frames=20 * serial)


def test_a_day_is_told_the_same_whether_it_is_kept_or_reckoned(
    database: Database, clock: Clock, coordinator: Caller, reader: Caller, terminal: Caller
) -> None:
    a_day(coordinator, terminal, clock)
    clock.now = datetime(2026, 3, 3, 8, 0, tzinfo=UTC)
    before = occupancy(reader, "2026-03-02")

    work(database, clock)
    after = occupancy(reader, "2026-03-02")

    assert (before["reckoned"], after["reckoned"], after["as_of"]) == (2, 0, None)
    assert (after["total"], after["groups"]) == (before["total"], before["groups"])
    (mill, barn) = after["groups"]
    assert (mill["stage"], used(mill["time"])) == ("mill", {"shooting": 6.0, "idle": 3.0})
    assert mill["time"]["utilisation"] == {"exact": "2/3", "per_cent": 66.7}
    assert mill["time"]["planned_utilisation"] == {"exact": "1", "per_cent": 100.0}
    idle = {each["why"]: each["idle_s"] / H for each in mill["time"]["idle"] if each["idle_s"]}
    # The set of the shot that was booked has been approved by nobody.
    assert idle == {"waiting for kit": 1.0, "set not approved": 2.0}
    assert mill["time"]["said"] == [{"reason": "kit: the long lens", "idle_s": H}]
    assert barn["time"]["utilisation"] == {"exact": "0", "per_cent": 0.0}


def test_stages_days_and_activities_add_up_to_the_same(
    clock: Clock, coordinator: Caller, reader: Caller, terminal: Caller
) -> None:
    a_day(coordinator, terminal, clock)
    clock.now = datetime(2026, 3, 6, 8, 0, tzinfo=UTC)

    answers = {by: occupancy(reader, "2026-03-02", "2026-03-05", by=by) for by in ("stage", "day", "activity")}

    assert len({str(each["total"]) for each in answers.values()}) == 1
    assert [each["day"] for each in answers["day"]["groups"]] == [f"2026-03-0{day}" for day in (2, 3, 4, 5)]
    occupied = {
        by: sum(group["actual"]["open_s"] for group in each["groups"] if group["activity"] != "idle")
        for by, each in answers.items()
    }
    assert set(occupied.values()) == {6 * H}
    alone = occupancy(reader, "2026-03-02", "2026-03-05", stage="barn")
    assert [group["stage"] for group in alone["groups"]] == ["barn"]
    assert alone["total"]["available_s"] == 36 * H


def test_the_open_day_is_told_as_of_the_minute(
    database: Database, clock: Clock, coordinator: Caller, reader: Caller, terminal: Caller
) -> None:
    book(coordinator, "2026-03-02T09:00:00Z", "2026-03-02T18:00:00Z")
    say(coordinator, "call", "2026-03-02T09:00:00Z")
    capture(clock, terminal, "2026-03-02T11:00:00Z", serial=1, frames=5)
    clock.now = datetime(2026, 3, 2, 12, 0, 30, tzinfo=UTC)
    work(database, clock)

    told = occupancy(reader, "2026-03-02", stage="mill")

    assert told["as_of"] == "2026-03-02T12:00:00Z"
    assert (told["total"]["available_s"], told["total"]["available_elapsed_s"]) == (9 * H, 3 * H)
    assert used(told["total"]) == {"shooting": 2.0, "idle": 1.0}
    etag = reader.get(OCCUPANCY, params={"from": "2026-03-02", "to": "2026-03-02"}).headers["ETag"]
    clock.pass_time(seconds=20)
    again = reader.get(OCCUPANCY, params={"from": "2026-03-02", "to": "2026-03-02"}, headers={"If-None-Match": etag})
    assert again.status_code == 304


def test_a_turnover_is_told_once_the_last_take_is_accepted(
    clock: Clock, coordinator: Caller, reader: Caller, terminal: Caller
) -> None:
    capture(clock, terminal, "2026-03-02T12:00:00Z", serial=1, frames=96, outcome="finished")
    capture(clock, terminal, "2026-03-03T10:00:00Z", serial=2, frames=4, shot="0130")
    assert occupancy(reader, "2026-03-03")["total"]["turnover"] == {"number": 0, "p50_s": None, "p90_s": None}

    assert decide(coordinator, 1, "circle").is_success

    clock.pass_time(minutes=1)
    told = occupancy(reader, "2026-03-03")["total"]["turnover"]
    assert told == {"number": 1, "p50_s": 22.0 * H, "p90_s": 22.0 * H}


@pytest.mark.parametrize("last", ["2026-03-01", "2026-06-30"])
def test_days_backwards_or_too_many_are_refused(reader: Caller, last: str) -> None:
    problem = read(reader, OCCUPANCY, {"from": "2026-03-02", "to": last}, expect=422)

    assert "100 days" in problem["errors"][0]["detail"]


def test_what_is_on_a_stage_now_since_when_and_when_it_is_free(
    clock: Clock, coordinator: Caller, reader: Caller, terminal: Caller
) -> None:
    book(coordinator, "2026-03-02T08:00:00Z", "2026-03-03T18:00:00Z", shot="0120")
    book(coordinator, "2026-03-04T09:00:00Z", "2026-03-04T12:00:00Z", shot="0130", activity="dressing")
    say(coordinator, "call", "2026-03-02T09:30:00Z")
    capture(clock, terminal, "2026-03-02T10:30:00Z", serial=1, frames=5)

    mill, barn = read(reader, NOW)["stages"]

    assert (mill["stage"], mill["open"], mill["use"], mill["inferred"]) == ("mill", True, "shooting", False)
    assert mill["working_since"] == "2026-03-02T09:30:00Z"
    assert (mill["on"]["shot"], mill["on"]["since"]) == ("0120", "2026-03-02T10:30:00Z")
    assert (mill["booked"]["shot"], mill["following"]["shot"]) == ("0120", "0130")
    # Both bookings lie between the hours and Wednesday's end.
    assert mill["free_at"] == "2026-03-04T12:00:00Z"
    assert mill["silent"] == []
    assert (barn["use"], barn["on"], barn["free_at"]) == ("idle", None, "2026-03-02T10:30:00Z")

    say(coordinator, "waiting", "2026-03-02T10:30:00Z", "kit: the long lens")
    clock.pass_time(hours=2)
    mill, _ = read(reader, NOW)["stages"]
    assert (mill["use"], mill["working_since"]) == ("idle", None)
    assert mill["waiting"] == {"since": "2026-03-02T10:30:00Z", "reason": "kit: the long lens"}


def test_a_stage_is_at_a_shot_since_its_first_capture_after_another(
    clock: Clock, reader: Caller, terminal: Caller
) -> None:
    for day, hour, shot in ((2, 10, "0130"), (2, 11, "0120"), (3, 10, "0120"), (6, 9, "0120")):
        capture(
            clock, terminal, f"2026-03-0{day}T{hour:02}:00:00Z", serial=10 * day + hour, frames=day * hour, shot=shot
        )

    mill, _ = read(reader, NOW)["stages"]

    assert (mill["on"]["shot"], mill["on"]["since"]) == ("0120", "2026-03-02T11:00:00Z")


def test_a_silent_terminal_is_named(clock: Clock, coordinator: Caller, reader: Caller, terminal: Caller) -> None:
    say(coordinator, "call", "2026-03-02T09:30:00Z")
    capture(clock, terminal, "2026-03-02T10:30:00Z", serial=1, frames=5)
    clock.pass_time(hours=3)

    mill, _ = read(reader, NOW)["stages"]

    assert mill["silent"] == [{"terminal": "mill-capture", "since": "2026-03-02T10:30:00Z"}]


def test_captures_without_a_call_are_work_that_is_inferred_until_it_is_quiet(
    clock: Clock, reader: Caller, terminal: Caller
) -> None:
    capture(clock, terminal, "2026-03-02T10:10:00Z", serial=1, frames=5)
    capture(clock, terminal, "2026-03-02T10:40:00Z", serial=2, frames=9)
    clock.pass_time(minutes=30)

    mill, _ = read(reader, NOW)["stages"]
    assert (mill["use"], mill["inferred"], mill["working_since"]) == ("shooting", True, "2026-03-02T10:10:00Z")

    clock.pass_time(hours=2)
    mill, _ = read(reader, NOW)["stages"]
    assert (mill["use"], mill["inferred"], mill["working_since"]) == ("idle", False, None)


def test_another_productions_work_is_told_of_without_what_it_is_about(
    clock: Clock, admin: Caller, coordinator: Caller, key: Callable[..., Caller], terminal: Caller
) -> None:
    other = {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"}
    assert admin.post("/v1/productions", other).status_code == 201
    hold = {"activity": "holding", "note": "hot", "shot": "0120"}
    book(coordinator, "2026-03-02T09:00:00Z", "2026-03-02T18:00:00Z", **hold)
    capture(clock, terminal, "2026-03-02T10:30:00Z", serial=1, frames=5)
    clock.pass_time(hours=4)
    stranger = key(Scope.COORDINATE, production="tin-moon")
    wish = {"production": "tin-moon", "firmness": "pencilled", "shot": None}
    book(stranger, "2026-03-02T17:00:00Z", "2026-03-02T19:00:00Z", **wish)

    mill, _ = read(stranger, NOW)["stages"]
    assert (mill["use"], mill["booked"]["activity"]) == ("held", "holding")
    assert (mill["on"]["production"], mill["on"]["shot"], mill["on"]["phase"]) == (None, None, None)
    assert (mill["booked"]["production"], mill["booked"]["shot"]) == (None, None)
    (clash,) = read(stranger, CLASHES, MARCH)["items"]
    assert [each["production"] for each in clash["bookings"]] == [None, "tin-moon"]


def test_when_a_stage_is_free(coordinator: Caller, reader: Caller) -> None:
    book(coordinator, "2026-03-02T12:00:00Z", "2026-03-03T10:00:00Z")
    book(coordinator, "2026-03-03T09:00:00Z", "2026-03-03T11:00:00Z", firmness="pencilled")

    told = read(reader, "/v1/stages/mill/free", {"from": "2026-03-02", "to": "2026-03-03"})

    assert (told["available_s"], told["free_s"], told["pencilled_s"]) == (18 * H, 11 * H, H)
    assert told["spans"] == [
        {"start": "2026-03-02T09:00:00Z", "end": "2026-03-02T12:00:00Z", "pencilled": False},
        {"start": "2026-03-03T10:00:00Z", "end": "2026-03-03T11:00:00Z", "pencilled": True},
        {"start": "2026-03-03T11:00:00Z", "end": "2026-03-03T18:00:00Z", "pencilled": False},
    ]
    assert read(reader, "/v1/stages/attic/free", {"from": "2026-03-02", "to": "2026-03-03"}, expect=404)
    read(reader, "/v1/stages/mill/free", {"from": "2026-03-02", "to": "2026-03-01"}, expect=422)


def test_clashes_name_what_both_take_and_come_in_pages(
    coordinator: Caller, reader: Caller, key: Callable[..., Caller]
) -> None:
    first = book(coordinator, "2026-03-02T09:00:00Z", "2026-03-02T18:00:00Z", animator="Ilse")
    wish = {"firmness": "pencilled", "animator": "Ilse"}
    second = book(coordinator, "2026-03-02T17:00:00Z", "2026-03-02T19:00:00Z", **wish)
    third = book(coordinator, "2026-03-02T18:00:00Z", "2026-03-02T20:00:00Z", stage="barn", **wish)
    numbers = [each["booking"] for each in (first, second, third)]

    listed = read(reader, CLASHES, MARCH)["items"]

    assert [[each["booking"] for each in clash["bookings"]] for clash in listed] == [numbers[:2], numbers[1:]]
    assert [(clash["shared"], clash["stage"], clash["animator"]) for clash in listed] == [
        (["animator", "stage"], "mill", "Ilse"),
        (["animator"], None, "Ilse"),
    ]
    assert (listed[0]["start"], listed[0]["end"], listed[0]["firm"]) == (
        "2026-03-02T17:00:00Z",
        "2026-03-02T18:00:00Z",
        False,
    )
    assert read(reader, CLASHES)["items"] == listed
    page = read(reader, CLASHES, {**MARCH, "limit": "1"})
    assert read(reader, CLASHES, {**MARCH, "limit": "1", "cursor": page["next"]})["items"] == listed[1:]
    assert len(read(reader, CLASHES, {**MARCH, "stage": "mill"})["items"]) == 1
    assert read(reader, CLASHES, {**MARCH, "animator": "Tariq"})["items"] == []
    read(reader, CLASHES, {"from": MARCH["to"], "to": MARCH["from"]}, expect=422)


def test_no_stage_is_called_now(admin: Caller) -> None:
    answer = admin.post("/v1/stages", {"code": "now", "name": "Now"})

    assert answer.status_code == 422
    assert "/v1/stages/now" in answer.text
