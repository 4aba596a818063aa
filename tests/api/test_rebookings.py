"""Moving many bookings over HTTP, all or none."""

import threading
from collections.abc import Callable
from typing import Any

import pytest

from service.domain.bookings import Clash
from service.domain.keys import Scope
from service.domain.rebookings import Outcome
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin
from tests.api.test_bookings import ALL, book, change, numbers
from tests.api.test_doors import is_problem

Json = dict[str, Any]
MOVE = "/v1/rebookings"


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock) -> None:
    begin(database, clock)
    add_stage(database, clock, "mill")
    add_stage(database, clock, "barn")
    add_shot(database)


def hours(start: str, end: str, day: str = "2026-03-03") -> Json:
    return {"start": f"{day}T{start}:00Z", "end": f"{day}T{end}:00Z"}


def move(caller: Caller, *which: int, expect: int = 200, **how: object) -> Json:
    named = {"bookings": [{"booking": number} for number in which]} if which else {}
    answer = caller.post(MOVE, {**named, **how})
    assert answer.status_code == expect, answer.text
    body: Json = answer.json()
    return body


def start_of(caller: Caller, number: int) -> str:
    return str(caller.get(f"{ALL}/{number}").json()["start"])


def test_a_preview_says_which_clashes_come_and_go_and_moves_nothing(coordinator: Caller) -> None:
    wish = book(coordinator, **hours("08:00", "10:00"), firmness="pencilled")["booking"]
    firm = book(coordinator, **hours("09:00", "11:00"))["booking"]
    late = book(coordinator, **hours("13:00", "15:00"))["booking"]

    told = move(coordinator, wish, shift_s=4 * 3600, preview=True)
    ((gone,), (new,)) = told["clashes_before"], told["clashes_after"]
    assert ([each["booking"] for each in gone["bookings"]], gone["changes"]) == ([wish, firm], True)
    assert ([each["booking"] for each in new["bookings"]], new["changes"]) == ([wish, late], True)
    assert (new["bookings"][0]["start"], new["firm"], told["refused"]) == ("2026-03-03T12:00:00Z", False, None)
    assert (told["moved"], start_of(coordinator, wish)) == (False, "2026-03-03T08:00:00Z")
    refused = move(coordinator, firm, shift_s=3 * 3600, preview=True)["refused"]
    assert (refused["status"], refused["number"]) == (409, 1)


def test_what_a_move_changes_is_worked_out_once_and_not_for_each_clash(
    coordinator: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Outcome] = []

    def new(outcome: Outcome) -> frozenset[Clash]:
        asked.append(outcome)
        return frozenset(outcome.after) - frozenset(outcome.before)

    monkeypatch.setattr(Outcome, "new", property(new))
    several = [book(coordinator, **hours("08:00", "10:00"), firmness="pencilled")["booking"] for _ in range(5)]
    told = move(coordinator, *several, shift_days=1, preview=True)
    assert (len(told["clashes_after"]), told["clashes_after_in_all"], len(asked)) == (10, 10, 1)


def test_two_confirmed_bookings_change_places(coordinator: Caller) -> None:
    first = book(coordinator, **hours("08:00", "10:00"), animator="Ilse")["booking"]
    second = book(coordinator, **hours("09:00", "12:00"), stage="barn", animator="Tove")["booking"]
    own = [
        {"booking": first, **hours("09:00", "12:00"), "stage": "barn"},
        {"booking": second, **hours("08:00", "10:00"), "stage": "mill"},
    ]

    moved = coordinator.post(MOVE, {"bookings": own}).json()
    assert [(each["rev"], each["after"]["stage"]) for each in moved["bookings"]] == [(2, "barn"), (2, "mill")]
    assert [start_of(coordinator, each) for each in (first, second)] == ["2026-03-03T09:00:00Z", "2026-03-03T08:00:00Z"]
    assert coordinator.get(f"{ALL}/{first}").json()["firmness"] == "confirmed"


def test_bookings_that_follow_each_other_move_together_and_others_stand_in_the_way(coordinator: Caller) -> None:
    first = book(coordinator, **hours("08:00", "10:00"))["booking"]
    second = book(coordinator, **hours("10:00", "12:00"))["booking"]
    other = book(coordinator, **hours("08:00", "10:00"), stage="barn")["booking"]

    move(coordinator, first, second, shift_s=2 * 3600)
    assert [start_of(coordinator, each) for each in (first, second)] == ["2026-03-03T10:00:00Z", "2026-03-03T12:00:00Z"]
    problem = move(coordinator, other, expect=409, stage="mill", shift_s=2 * 3600)
    assert (problem["type"], problem["number"]) == ("/problems/rebooking-clash", 1)
    assert [each["booking"] for each in problem["clashes"][0]["bookings"]] == [first, other]
    assert coordinator.get(f"{ALL}/{other}").json()["rev"] == 1


def test_a_week_moves_by_days_and_its_history_says_so(coordinator: Caller, admin: Caller) -> None:
    for day in ("2026-10-23", "2026-10-24", "2026-10-26"):
        book(coordinator, **hours("21:00", "22:00", day))
    assert admin.send("PUT", "/v1/studio", json=LONDON).status_code == 200

    where = {"first_day": "2026-10-23", "last_day": "2026-10-24", "stage": "mill"}
    moved = move(coordinator, where=where, shift_days=7)
    assert [each["booking"] for each in moved["bookings"]] == [1, 2]
    # 22:00 in London, in summer time before and in winter time after.
    assert start_of(coordinator, 1) == "2026-10-30T22:00:00Z"
    history = "/v1/productions/lantern-bay/shots/0120/history"
    assert len(coordinator.get(history, params={"kind": "booking.changed"}).json()["items"]) == 2
    nobody = {**where, "animator": "Ilse"}
    assert move(coordinator, where=nobody, shift_days=1, preview=True)["bookings"] == []
    (fault,) = move(coordinator, where=nobody, shift_days=1, expect=422)["errors"]
    assert fault["pointer"] == "#/where"


LONDON: Json = {
    "name": "Quay Road",
    "time_zone": "Europe/London",
    "day_starts_at": "05:00",
    "plate_minimum_frames": 25,
    "terminals_may_decide": False,
}


def test_a_time_that_does_not_exist_is_refused_by_the_bookings_number(coordinator: Caller, admin: Caller) -> None:
    assert admin.send("PUT", "/v1/studio", json=LONDON).status_code == 200
    first = book(coordinator, **hours("01:30", "09:00", "2026-03-28"))["booking"]
    second = book(coordinator, **hours("09:00", "12:00", "2026-03-28"))["booking"]

    problem = move(coordinator, first, second, expect=422, shift_days=1)
    (fault,) = problem["errors"]
    assert fault["detail"].startswith(f"Booking {first} would begin or end on 2026-03-29 at 01:30")
    assert start_of(coordinator, second) == "2026-03-28T09:00:00Z"


def test_none_is_moved_where_one_was_changed_or_cancelled_or_is_unknown(coordinator: Caller) -> None:
    first = book(coordinator, **hours("08:00", "10:00"))["booking"]
    second = book(coordinator, **hours("10:00", "12:00"))["booking"]
    change(coordinator, second, 1, note="the long one")

    named = [{"booking": first, "rev": 1}, {"booking": second, "rev": 1}]
    problem = is_problem(coordinator.post(MOVE, {"bookings": named, "shift_days": 1}), 409, "bookings-changed")
    assert problem["bookings"] == [second]
    assert move(coordinator, first, 77, expect=404, shift_days=1)["type"] == "/problems/booking-unknown"
    coordinator.post(f"{ALL}/{second}/cancel", {"reason": "no lamps"}, headers={"If-Match": "*"})
    assert move(coordinator, first, second, expect=409, shift_days=1)["type"] == "/problems/booking-cancelled"
    assert start_of(coordinator, first) == "2026-03-03T08:00:00Z"


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"shift_days": 1}, "Give exactly one of bookings and where."),
        ({"bookings": [{"booking": 1}]}, "Say how they move"),
        ({"where": {"first_day": "2026-03-03", "last_day": "2026-03-03"}}, "Say how they move"),
        ({"bookings": [{"booking": 1, "start": "2026-03-03T08:00:00Z"}]}, "Give both start and end"),
        ({"bookings": [{"booking": 1}, {"booking": 1}], "shift_days": 1}, "Name each booking once."),
        ({"bookings": [{"booking": 1}], "shift_days": 1, "shift_s": 1}, "not by both"),
        ({"where": {"first_day": "2026-03-03", "last_day": "2026-03-02"}, "shift_s": 1}, "400 days in all at most"),
        (
            {"where": {"first_day": "2026-03-03", "last_day": "2026-03-03", "shot": "0120"}, "shift_s": 1},
            "Name the `production` of the shot, too.",
        ),
    ],
)
def test_what_is_unclear_is_refused_and_says_why(coordinator: Caller, said: Json, told: str) -> None:
    answer = coordinator.post(MOVE, said)

    assert answer.status_code == 422
    assert told in answer.text


def test_a_key_of_one_production_moves_its_own_and_sees_only_when_anothers_are(
    coordinator: Caller, admin: Caller, key: Callable[..., Caller]
) -> None:
    moon = {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"}
    assert admin.post("/v1/productions", moon).status_code == 201
    theirs = key(Scope.COORDINATE, production="tin-moon")
    ours = book(coordinator, **hours("08:00", "10:00"))["booking"]
    own = book(theirs, production="tin-moon", shot=None, **hours("10:00", "12:00"))["booking"]

    assert move(theirs, ours, expect=404, shift_days=1)["type"] == "/problems/booking-unknown"
    (clash,) = move(theirs, own, expect=409, shift_s=-3600)["clashes"]
    assert [(each["booking"], each["production"], each["shot"]) for each in clash["bookings"]] == [
        (ours, None, None),
        (own, "tin-moon", None),
    ]
    where = {"first_day": "2026-03-03", "last_day": "2026-03-03"}
    assert [each["booking"] for each in move(theirs, where=where, shift_days=1)["bookings"]] == [own]


def test_moved_from_eight_threads_at_once_no_time_is_confirmed_twice(coordinator: Caller) -> None:
    """Each thread moves the two bookings of a day of its own onto the same day."""
    pairs = []
    for day in range(10, 18):
        on = f"2026-03-{day}"
        both = [book(coordinator, **hours(*times, on)) for times in (("08:00", "10:00"), ("10:00", "12:00"))]
        pairs.append([each["booking"] for each in both])
    answers: list[int] = []

    def gather(place: int) -> None:
        named = [{"booking": number} for number in pairs[place]]
        answers.append(coordinator.post(MOVE, {"bookings": named, "shift_days": 20 - 10 - place}).status_code)

    threads = [threading.Thread(target=gather, args=(place,)) for place in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(answers) == [200, *[409] * 7]
    there = numbers(coordinator, **{"from": "2026-03-20T00:00:00Z", "to": "2026-03-21T00:00:00Z"})
    assert there in pairs
    assert len(numbers(coordinator)) == 16


def test_of_very_many_clashes_those_the_move_makes_are_told_first_and_all_are_counted(coordinator: Caller) -> None:
    there, elsewhere = hours("08:00", "12:00", "2026-10-26"), hours("08:00", "12:00", "2026-10-27")
    stand = [book(coordinator, **there, firmness="pencilled")["booking"] for _ in range(12)]
    moves = [book(coordinator, **elsewhere, firmness="pencilled")["booking"] for _ in range(18)]

    told = move(coordinator, *moves, shift_days=-1, preview=True)

    before = len(moves) * (len(moves) - 1) // 2
    after = before + len(moves) * len(stand)
    assert (told["clashes_before_in_all"], told["clashes_after_in_all"]) == (before, after)
    assert len(told["clashes_after"]) == 200 < after
    assert all(each["changes"] for each in told["clashes_after"])
