"""Bookings over HTTP."""

import threading
from collections.abc import Callable
from typing import Any

import pytest

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin
from tests.api.test_doors import is_problem

Json = dict[str, Any]
ALL = "/v1/bookings"
DAY: Json = {
    "production": "lantern-bay",
    "shot": "0120",
    "stage": "mill",
    "activity": "shooting",
    "firmness": "confirmed",
    "start": "2026-03-03T08:00:00Z",
    "end": "2026-03-03T17:00:00Z",
}


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock) -> None:
    begin(database, clock)
    add_stage(database, clock, "mill")
    add_stage(database, clock, "barn")
    add_shot(database)


def book(caller: Caller, expect: int = 201, **said: object) -> Json:
    answer = caller.post(ALL, {**DAY, **said})
    assert answer.status_code == expect, answer.text
    body: Json = answer.json()
    return body


def change(caller: Caller, number: int, rev: int, *, expect: int = 200, **said: object) -> Json:
    answer = caller.send("PATCH", f"{ALL}/{number}", json=said, headers={"If-Match": f'"{rev}.0"'})
    assert answer.status_code == expect, answer.text
    body: Json = answer.json()
    return body


def numbers(caller: Caller, **asked: str) -> list[int]:
    answer = caller.get(ALL, params=asked)
    assert answer.status_code == 200, answer.text
    return [item["booking"] for item in answer.json()["items"]]


def test_a_confirmed_booking_keeps_others_out_and_is_named(coordinator: Caller) -> None:
    first = book(coordinator)

    late = coordinator.post(ALL, {**DAY, "start": "2026-03-03T16:59:59Z", "end": "2026-03-03T20:00:00Z"})
    problem = is_problem(late, 409, "booking-clash")
    assert (problem["booking"], problem["taken"], problem["shot"]) == (first["booking"], "Stage mill", "0120")
    assert "from 2026-03-03T08:00:00+00:00 to 2026-03-03T17:00:00+00:00" in problem["detail"]
    # What touches does not clash, and nothing of the refused one is kept.
    book(coordinator, start="2026-03-03T17:00:00Z", end="2026-03-03T20:00:00Z")
    assert len(numbers(coordinator)) == 2


def test_pencilled_bookings_may_overlap_and_say_so(coordinator: Caller) -> None:
    first = book(coordinator, animator="Ilse")

    second = book(coordinator, firmness="pencilled", stage="barn", animator="Ilse")

    assert [(each["booking"], each["shared"]) for each in second["clashes"]] == [(first["booking"], "animator")]
    assert coordinator.get(f"{ALL}/{first['booking']}").json()["clashes"][0]["booking"] == second["booking"]
    problem = change(coordinator, second["booking"], 1, expect=409, firmness="confirmed")
    assert problem["taken"] == "Ilse"
    assert coordinator.get(f"{ALL}/{second['booking']}").json()["firmness"] == "pencilled"


def test_a_booking_is_moved_and_cancelled_and_stays_in_the_record(coordinator: Caller) -> None:
    number = book(coordinator)["booking"]

    moved = change(coordinator, number, 1, start="2026-03-04T08:00:00Z", end="2026-03-04T17:00:00Z", shot=None)
    assert (moved["start"], moved["shot"], moved["rev"]) == ("2026-03-04T08:00:00Z", None, 2)
    assert change(coordinator, number, 1, expect=412, stage="barn")["current"]["rev"] == 2
    same = change(coordinator, number, 2, stage="mill")
    assert same["rev"] == 2
    said = {"reason": "the set is not dry"}
    cancelled = coordinator.post(f"{ALL}/{number}/cancel", said, headers={"If-Match": '"2.0"'})
    assert cancelled.json()["cancel_reason"] == "the set is not dry"
    assert change(coordinator, number, 3, expect=409, stage="barn")["type"] == "/problems/booking-cancelled"
    assert (numbers(coordinator), numbers(coordinator, cancelled="true")) == ([], [number])
    # Its time is free again.
    book(coordinator, start="2026-03-04T08:00:00Z", end="2026-03-04T17:00:00Z")


def test_a_shots_history_tells_of_its_bookings(coordinator: Caller) -> None:
    book(coordinator, animator="Ilse")

    told = coordinator.get("/v1/productions/lantern-bay/shots/0120/history", params={"kind": "booking.made"}).json()
    (entry,) = told["items"]
    assert entry["said"] == (
        "Confirmed booking 1 of stage mill and Ilse for shooting, 2026-03-03T08:00:00+00:00 to "
        "2026-03-03T17:00:00+00:00."
    )


def test_bookings_are_listed_by_when_they_begin_and_page_by_page(coordinator: Caller) -> None:
    days = (5, 3, 4)
    made = {day: book(coordinator, start=f"2026-03-0{day}T08:00:00Z", end=f"2026-03-0{day}T17:00:00Z") for day in days}
    in_order = [made[day]["booking"] for day in (3, 4, 5)]

    assert numbers(coordinator) == in_order
    page = coordinator.get(ALL, params={"limit": "2"}).json()
    rest = coordinator.get(ALL, params={"limit": "2", "cursor": page["next"]}).json()
    assert [each["booking"] for each in (*page["items"], *rest["items"])] == in_order
    assert rest["next"] is None
    window = {"from": "2026-03-03T17:00:00Z", "to": "2026-03-05T08:00:00Z"}
    assert numbers(coordinator, **window) == [made[4]["booking"]]
    assert numbers(coordinator, stage="barn") == numbers(coordinator, activity="strike") == []
    assert numbers(coordinator, production="lantern-bay", shot="0120", stage="mill") == in_order


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"stage": None}, "Name the stage, the animator or both"),
        ({"activity": "holding"}, "Say in `note` why the set must not be touched."),
        ({"end": "2026-03-03T08:00:00Z"}, "Let it end after it starts, 400 days later at most."),
        ({"end": "2027-08-01T08:00:00Z"}, "400 days later at most."),
        ({"start": "2026-03-03T08:00:00.5Z"}, "Write a whole second"),
        ({"stage": "loft"}, "There is no stage loft."),
        ({"shot": "0999"}, "0999"),
    ],
)
def test_what_cannot_be_booked_is_refused_and_says_why(coordinator: Caller, said: Json, told: str) -> None:
    answer = coordinator.post(ALL, {**DAY, **said})

    assert answer.status_code in {404, 422}
    assert told in answer.text
    assert numbers(coordinator) == []


def test_another_productions_booking_is_told_of_without_what_it_is_about(
    coordinator: Caller, admin: Caller, key: Callable[..., Caller]
) -> None:
    moon = {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"}
    assert admin.post("/v1/productions", moon).status_code == 201
    book(coordinator)
    theirs = key(Scope.COORDINATE, production="tin-moon")

    problem = book(theirs, expect=409, production="tin-moon", shot=None)
    assert (problem["taken"], problem["production"], problem["shot"]) == ("Stage mill", None, None)
    pencilled = book(theirs, production="tin-moon", shot=None, firmness="pencilled")
    assert [(each["production"], each["shot"]) for each in pencilled["clashes"]] == [(None, None)]
    assert numbers(theirs) == [pencilled["booking"]]
    assert theirs.get(f"{ALL}/1").status_code == 404


def test_of_many_who_confirm_the_same_time_at_once_one_does(coordinator: Caller) -> None:
    answers: list[int] = []

    def insist(place: int) -> None:
        stage, who = (("mill", None), (None, "Ilse"))[place % 2]
        answers.append(coordinator.post(ALL, {**DAY, "stage": stage, "animator": who}).status_code)

    threads = [threading.Thread(target=insist, args=(place,)) for place in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(answers) == [201, 201, 409, 409, 409, 409, 409, 409]
    assert len(numbers(coordinator)) == 2
