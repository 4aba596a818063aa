"""Hold orders over HTTP, and bookings of the parts of split shots."""

from typing import Any

import pytest

from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin

Json = dict[str, Any]
ORDERS = "/v1/productions/lantern-bay/hold-orders"
HELD: Json = {
    "production": "lantern-bay",
    "shot": "0120",
    "stage": "mill",
    "activity": "holding",
    "firmness": "confirmed",
    "start": "2026-03-02T09:00:00Z",
    "end": "2026-03-04T18:00:00Z",
    "note": "frames 61 to 96 may be shot again",
    "asked_by": "Ada Quill",
}


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock, coordinator: Caller) -> None:
    begin(database, clock)
    add_stage(database, clock, "mill")
    add_stage(database, clock, "barn")
    add_shot(database)
    add_shot(database, "0130", parts=[("left", 1, 1, 60), ("right", 2, 55, 96)])
    nine_to_six = {
        day: [{"opens": "09:00", "closes": "18:00"}] for day in ("monday", "tuesday", "wednesday", "thursday")
    }
    assert coordinator.send("PUT", "/v1/studio/calendar", json={"hours": nine_to_six}).status_code == 200


def book(caller: Caller, expect: int = 201, **said: object) -> Json:
    answer = caller.post("/v1/bookings", {**HELD, **said})
    assert answer.status_code == expect, answer.text
    body: Json = answer.json()
    return body


def test_hold_orders_say_why_who_asked_and_what_they_cost(coordinator: Caller, reader: Caller) -> None:
    # The clock shows Monday, 10:00.
    number = book(coordinator)["booking"]

    orders = reader.get(ORDERS).json()
    (order,) = orders["holds"]
    assert (order["booking"], order["note"], order["asked_by"]) == (number, HELD["note"], "Ada Quill")
    assert (order["state"], order["end"]) == ("standing", "2026-03-04T18:00:00Z")
    assert order["cost_stage_days"] == orders["cost_stage_days"] == {"exact": "3", "rounded": 3.0}
    assert order["so_far_stage_days"] == {"exact": "1/9", "rounded": 0.111}
    assert order["since_its_end_stage_days"]["exact"] == "0"
    assert "stage-days" in orders["unit"]
    assert reader.get(ORDERS, params={"stage": "barn"}).json()["holds"] == []


def test_a_hold_past_its_end_stays_until_somebody_decides(coordinator: Caller, clock: Clock) -> None:
    book(coordinator)
    clock.pass_time(days=3, hours=8)

    orders = coordinator.get(ORDERS).json()
    assert orders["states"] == {"to come": 0, "standing": 0, "past its end": 1}
    assert orders["cost_stage_days"]["exact"] == "0"
    assert orders["holds"][0]["since_its_end_stage_days"]["exact"] == "1"
    # What is only planned touches nothing; what was begun on the stage has decided.
    book(coordinator, activity="strike", start="2026-03-09T09:00:00Z", end="2026-03-09T18:00:00Z")
    assert len(coordinator.get(ORDERS).json()["holds"]) == 1
    book(coordinator, activity="strike", start="2026-03-05T09:00:00Z", end="2026-03-05T18:00:00Z")
    assert coordinator.get(ORDERS).json()["holds"] == []


def test_a_hold_that_is_cancelled_stands_no_more(coordinator: Caller) -> None:
    number = book(coordinator)["booking"]

    coordinator.post(f"/v1/bookings/{number}/cancel", {"reason": "accepted"}, headers={"If-Match": "*"})
    assert coordinator.get(ORDERS).json()["holds"] == []


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"stage": None, "animator": "Ilse"}, "Name the `stage` whose set must not be touched."),
        ({"note": None}, "Say in `note` why the set must not be touched."),
        ({"shot": "0120", "part": "left"}, "0120 is not split."),
        ({"shot": "0130", "part": "top"}, "Shot 0130 has no part top; it has left, right."),
        ({"shot": None, "part": "left"}, "Name the `shot` whose part this is."),
    ],
)
def test_what_a_hold_or_a_part_lacks_is_said(coordinator: Caller, said: Json, told: str) -> None:
    assert told in str(book(coordinator, 422, **said)["errors"])


def test_a_split_shot_is_on_two_stages_at_once_and_an_animator_is_not(coordinator: Caller) -> None:
    shooting: Json = {"shot": "0130", "activity": "shooting", "note": None, "asked_by": None}
    left = book(coordinator, **shooting, part="left", animator="Ilse")

    right = book(coordinator, **shooting, part="right", stage="barn", animator="Tove")
    assert (left["part"], right["part"], right["clashes"]) == ("left", "right", [])
    other = {"stage": None, "animator": "Ilse", "part": None}
    clash = book(coordinator, 409, **{**shooting, **other})
    assert (clash["taken"], clash["booking"]) == ("Ilse", left["booking"])


def test_another_shot_takes_the_part_away(coordinator: Caller) -> None:
    number = book(coordinator, shot="0130", part="left")["booking"]

    changed = coordinator.change(f"/v1/bookings/{number}", {"shot": "0120"}).json()
    assert (changed["shot"], changed["part"]) == ("0120", None)
