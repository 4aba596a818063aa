"""A stage's log over HTTP: five kinds of line, each known for ever by what its terminal called it."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from service.domain.keys import Scope
from service.domain.shifts import POWER_CAUTION
from service.store import events
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin, count, post
from tests.api.test_doors import is_problem, pointers

Json = dict[str, Any]
LOG = "/v1/stages/mill/log"
CALL = {"kind": "call", "at": "2026-03-02T09:00:00Z", "spool": "k7", "serial": 1}


@pytest.fixture(autouse=True)
def shot(database: Database, clock: Clock) -> None:
    begin(database, clock)
    add_shot(database)


def enter(caller: Caller, line: Json, *, expect: int = 201, **options: object) -> Json:
    answer = caller.post(LOG, line, **options)
    assert answer.status_code == expect, answer.text
    body: Json = answer.json()
    return body


def lines(caller: Caller, **asked: str) -> list[Json]:
    items: list[Json] = caller.get(LOG, params=asked).json()["items"]
    return items


def test_a_log_says_all_five_things_and_is_read_by_kind(
    terminal: Caller, coordinator: Caller, database: Database
) -> None:
    said = [
        {"kind": "call"},
        {"kind": "waiting", "reason": "the spare lamp"},
        {"kind": "resumed", "reason": "found it"},
        {"kind": "wrap"},
        {"kind": "power_off"},
    ]
    for serial, line in enumerate(said, 1):
        enter(terminal, {**line, "at": f"2026-03-02T09:0{serial}:00Z", "spool": "k7", "serial": serial})

    kept = lines(coordinator)
    assert [(each["kind"], each["reason"]) for each in kept] == [(each["kind"], each.get("reason")) for each in said]
    assert {(each["by"], each["terminal"], each["spool"]) for each in kept} == {("count-0", "mill-capture", "k7")}
    assert [each["serial"] for each in kept] == [1, 2, 3, 4, 5]
    assert [each["reason"] for each in lines(coordinator, kind="waiting")] == ["the spare lamp"]
    assert [each["cautions"] for each in kept] == [[], [], [], [], [POWER_CAUTION]]
    is_problem(coordinator.get(LOG, params={"kind": "lunch"}), 422, "invalid-request")
    with database.reading() as session:
        told = [event for event in events.read_after(session, 0, limit=100) if event.kind.startswith("stage.")]
    assert [event.kind for event in told][1:] == [
        "stage.called",
        "stage.waited",
        "stage.resumed",
        "stage.wrapped",
        "stage.powered_off",
    ]
    assert told[2].data == {"stage": "mill", "at": "2026-03-02T09:02:00+00:00", "reason": "the spare lamp"}


def test_power_off_is_answered_with_the_caution(terminal: Caller) -> None:
    caution = (
        "No confirmation is not proof that power is off. Go and look. Fixed wiring is for licensed electricians under "
        "local codes."
    )
    assert enter(terminal, {"kind": "power_off"})["cautions"] == [caution]


def test_waiting_says_what_for(terminal: Caller) -> None:
    problem = is_problem(terminal.post(LOG, {"kind": "waiting"}), 422, "invalid-request")
    assert "Say what the stage waits for" in problem["errors"][0]["detail"]
    is_problem(terminal.post(LOG, {"kind": "waiting", "reason": "x" * 201}), 422, "invalid-request")
    assert lines_of(terminal) == 0


def lines_of(terminal: Caller) -> int:
    kept: int = terminal.get("/v1/spools/k7").json()["log_lines"]
    return kept


def test_nothing_is_refused_for_what_the_log_said_before(terminal: Caller, coordinator: Caller) -> None:
    for kind in ("resumed", "wrap", "wrap", "power_off", "call", "call", "resumed"):
        enter(terminal, {"kind": kind, "at": f"2026-03-02T08:{len(lines(coordinator)):02}:00Z"})

    assert len(lines(coordinator)) == 7


def test_a_line_sent_again_is_answered_as_the_first_time_however_it_was_sent(
    terminal: Caller, coordinator: Caller, clock: Clock
) -> None:
    post(terminal, count(9, 10, at="2026-03-02T06:00:00Z"))
    call = {**CALL, "at": "2026-03-02T04:00:00Z"}
    first = enter(terminal, {**call, "sent_at": "2026-03-02T10:00:00Z"})
    clock.pass_time(hours=3)

    again = enter(terminal, {**call, "sent_at": "2026-03-02T11:11:00Z", "age_s": 3.5}, expect=200)

    assert (again, first["redated_counts"]) == (first, 1)
    assert len(lines(coordinator)) == 1


@pytest.mark.parametrize(
    "other",
    [{"kind": "wrap"}, {"at": "2026-03-02T09:00:01Z"}, {"reason": "early"}],
    ids=lambda other: next(iter(other)),
)
def test_another_line_under_the_same_serial_is_refused(terminal: Caller, coordinator: Caller, other: Json) -> None:
    enter(terminal, CALL)

    problem = is_problem(terminal.post(LOG, {**CALL, **other}), 409, "log-conflict")

    assert (problem["spool"], problem["serial"]) == ("k7", 1)
    assert [each["kind"] for each in lines(coordinator)] == ["call"]
    enter(terminal, CALL, expect=200)


def test_two_lines_of_one_instant_with_serials_of_their_own_are_two(terminal: Caller, coordinator: Caller) -> None:
    enter(terminal, CALL)
    enter(terminal, {**CALL, "serial": 2})
    enter(terminal, {**CALL, "spool": "another"})

    assert len(lines(coordinator)) == 3


def test_lines_and_counts_of_a_spool_have_one_numbering(terminal: Caller, coordinator: Caller) -> None:
    enter(terminal, CALL)
    post(terminal, count(2, 10), spool="k7")

    is_problem(post(terminal, count(1, 10), spool="k7"), 409, "count-conflict")
    is_problem(terminal.post(LOG, {**CALL, "serial": 2}), 409, "log-conflict")

    kept = terminal.get("/v1/spools/k7").json()
    assert (kept["counts"], kept["log_lines"], kept["last_serial"]) == (1, 1, 2)
    assert len(lines(coordinator)) == 1
    enter(terminal, {**CALL, "serial": 7})
    assert terminal.get("/v1/spools/k7").json()["last_serial"] == 7


def test_the_same_serial_of_another_terminal_is_another(
    terminal: Caller, database: Database, clock: Clock, key: Callable[..., Caller]
) -> None:
    add_stage(database, clock, "harbour")
    harbour = key(Scope.COUNT, terminal="harbour-capture")
    enter(terminal, CALL)

    assert harbour.post("/v1/stages/harbour/log", {**CALL, "kind": "wrap"}).status_code == 201


def test_identity_is_whole_and_a_terminals(terminal: Caller, coordinator: Caller) -> None:
    for half in ({"spool": "k7"}, {"serial": 1}):
        problem = is_problem(terminal.post(LOG, {"kind": "call", **half}), 422, "invalid-request")
        assert "both, or neither" in problem["errors"][0]["detail"]
    assert pointers(is_problem(coordinator.post(LOG, CALL), 422, "no-terminal")) == ["#/spool"]
    assert lines(coordinator) == []


def test_without_identity_the_same_kind_and_reason_at_the_same_instant_is_the_same(
    terminal: Caller, coordinator: Caller
) -> None:
    wait = {"kind": "waiting", "reason": "a hand", "at": "2026-03-02T09:00:00Z"}
    first = enter(coordinator, wait)
    assert first["terminal"] is None
    assert enter(coordinator, wait, expect=200) == {**first, "redated_counts": None}
    enter(coordinator, {**wait, "reason": "another hand"})
    enter(coordinator, {**wait, "kind": "resumed"})
    # A line the terminal names is its own, whoever entered the like.
    enter(terminal, {**wait, "spool": "k7", "serial": 1})

    assert [each["kind"] for each in lines(coordinator)] == ["waiting", "waiting", "resumed", "waiting"]


def test_terminals_that_send_an_idempotency_key_are_understood(terminal: Caller, coordinator: Caller) -> None:
    key = {"Idempotency-Key": "k7-1"}
    old = {"kind": "call", "at": "2026-03-02T09:00:00Z", "sent_at": "2026-03-02T09:30:00Z"}
    enter(terminal, old, headers=key)
    assert terminal.post(LOG, old, headers=key).headers["Idempotency-Replayed"] == "true"
    later = {**old, "sent_at": "2026-03-02T09:40:00Z"}
    is_problem(terminal.post(LOG, later, headers=key), 422, "idempotency-key-reused")

    # What has an identity of its own is judged by that.
    enter(terminal, CALL, headers=key)
    enter(terminal, {**CALL, "age_s": 1.0}, headers=key, expect=200)
    is_problem(terminal.post(LOG, {**CALL, "kind": "wrap"}, headers=key), 409, "log-conflict")
    assert len(lines(coordinator)) == 2


@pytest.mark.parametrize(
    ("sent", "at", "basis"),
    [
        ({"age_s": 90}, "2026-03-02T09:58:30Z", ("age", False)),
        ({"age_s": 90, "at": "2026-03-02T11:08:30Z"}, "2026-03-02T09:58:30Z", ("age", True)),
        ({"at": "2026-03-02T11:00:00Z", "sent_at": "2026-03-02T11:10:00Z"}, "2026-03-02T09:50:00Z", ("sent_at", True)),
        ({"at": "2026-03-02T11:00:00Z"}, "2026-03-02T10:00:00Z", ("at", True)),
        ({}, "2026-03-02T10:00:00Z", ("receipt", False)),
    ],
)
def test_the_instant_is_put_right_as_a_captures_is(
    terminal: Caller, sent: Json, at: str, basis: tuple[str, bool]
) -> None:
    said = enter(terminal, {"kind": "resumed", **sent})

    assert (said["at"], (said["time_basis"], said["adjusted"])) == (at, basis)


def test_only_call_and_wrap_decide_production_days(terminal: Caller, clock: Clock) -> None:
    """Call at 22:00 on a Thursday; the frame of 05:30 on Friday, before the wrap, is Thursday's: common practice."""
    clock.now = datetime(2026, 3, 6, 12, tzinfo=UTC)
    said = [("call", "2026-03-05T22:00:00Z"), ("wrap", "2026-03-06T06:00:00Z")]
    others = [(kind, f"2026-03-06T0{hour}:00:00Z") for kind, hour in (("waiting", 1), ("resumed", 2), ("power_off", 3))]
    others += [(kind, at.replace(":00Z", ":30Z")) for kind, at in others]
    for serial, (kind, at) in enumerate([*others[:3], *said, *others[3:]], 1):
        enter(terminal, {"kind": kind, "at": at, "spool": "k7", "serial": serial, "reason": "a remark"})

    answer = post(terminal, count(40, 5, at="2026-03-06T05:30:00Z"), spool="k7").json()["answers"][0]

    assert answer["production_day"] == "2026-03-05"


def test_a_call_that_comes_after_the_frames_of_new_years_night_dates_them_once(
    terminal: Caller, coordinator: Caller, clock: Clock
) -> None:
    """Call on Thursday 31 December 2026, a frame at 02:10 on 1 January: the production day is the last of 2026.

    That day is of ISO week 2026-W53 (ISO 8601; recomputed with `datetime`).
    """
    clock.now = datetime(2027, 1, 1, 9, tzinfo=UTC)
    age_s = (clock.now - datetime(2026, 12, 31, 20, tzinfo=UTC)).total_seconds()
    # The frame lies behind the hour at which days begin, so that without the call it is of the day it was shot.
    frames = [count(2, 24, at="2027-01-01T02:10:00Z"), count(3, 30, at="2027-01-01T06:10:00Z")]
    said = post(terminal, *frames, spool="k7").json()["answers"]
    assert [each["production_day"] for each in said] == ["2026-12-31", "2027-01-01"]

    call = {"kind": "call", "at": "2026-12-31T21:10:00Z", "age_s": age_s, "spool": "k7", "serial": 1}
    answers = [enter(terminal, call), enter(terminal, {**call, "age_s": age_s + 60}, expect=200)]

    assert [each["redated_counts"] for each in answers] == [1, 1]
    assert answers[0]["at"] == "2026-12-31T20:00:00Z"
    history = coordinator.get("/v1/productions/lantern-bay/shots/0120/takes/1").json()["series"][0]["history"]
    assert {post["production_day"] for post in history} == {"2026-12-31"}
    assert datetime(2026, 12, 31, tzinfo=UTC).isocalendar()[:2] == (2026, 53)


def test_a_line_is_heard_of_its_terminal(terminal: Caller, coordinator: Caller, clock: Clock) -> None:
    clock.pass_time(minutes=7)
    enter(terminal, CALL)

    assert coordinator.get("/v1/terminals/mill-capture").json()["last_seen_at"] == "2026-03-02T10:07:00Z"
