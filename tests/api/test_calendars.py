"""The hours of a studio and its stages over HTTP."""

from typing import Any

import pytest

from service.store import events
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_stage, begin
from tests.api.test_doors import is_problem

Json = dict[str, Any]
STUDIO, MILL = "/v1/studio/calendar", "/v1/stages/mill/calendar"
NINE_TO_SIX = [{"opens": "09:00", "closes": "18:00"}]
NIGHT = [{"opens": "22:00", "closes": "06:00"}]
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday")
CHRISTMAS = {"day": "2026-12-25", "hours": [], "reason": "Christmas Day"}


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock, admin: Caller) -> None:
    begin(database, clock)
    add_stage(database, clock, "mill")
    studio = {"name": "Tin Pier Pictures", "time_zone": "Europe/London", "day_starts_at": "05:00"}
    assert admin.send("PUT", "/v1/studio", json=studio).status_code == 200


def put(caller: Caller, path: str, calendar: Json, *, expect: int = 200, etag: str = "") -> Json:
    answer = caller.send("PUT", path, json=calendar, headers={"If-Match": etag} if etag else {})
    assert answer.status_code == expect, answer.text
    body: Json = answer.json()
    return body


def hours(caller: Caller, first: str, last: str, *, stage: str = "mill") -> Json:
    answer = caller.get(f"/v1/stages/{stage}/hours", params={"from": first, "to": last})
    assert answer.status_code == 200, answer.text
    body: Json = answer.json()
    return body


def test_a_stage_without_hours_of_its_own_keeps_the_studios(coordinator: Caller) -> None:
    assert hours(coordinator, "2026-12-21", "2026-12-27")["open_s"] == 0

    put(coordinator, STUDIO, {"hours": dict.fromkeys(WEEKDAYS, NINE_TO_SIX), "days_out": [CHRISTMAS]})

    week = hours(coordinator, "2026-12-21", "2026-12-27")
    assert [day["open_s"] // 3600 for day in week["days"]] == [9, 9, 9, 9, 0, 0, 0]
    assert [day["reason"] for day in week["days"]] == [None, None, None, None, "Christmas Day", None, None]
    assert week["open_s"] == 36 * 3600
    assert (week["time_zone"], week["days"][0]["weekday"]) == ("Europe/London", "monday")


def test_a_stages_own_hours_and_days_come_before_the_studios(coordinator: Caller) -> None:
    put(coordinator, STUDIO, {"hours": dict.fromkeys(WEEKDAYS, NINE_TO_SIX), "days_out": [CHRISTMAS]})
    open_day = {
        "day": "2026-12-25",
        "hours": [{"opens": "10:00", "closes": "12:30"}],
        "reason": "snow",
    }

    put(coordinator, MILL, {"days_out": [open_day]})
    assert [day["open_s"] for day in hours(coordinator, "2026-12-24", "2026-12-25")["days"]] == [32400, 9000]

    put(coordinator, MILL, {"hours": {"friday": NIGHT}}, etag='"1.0"')
    # Its day is its own no more, and the studio's Christmas stands again.
    assert [day["open_s"] for day in hours(coordinator, "2026-12-24", "2026-12-25")["days"]] == [0, 0]
    assert hours(coordinator, "2026-12-18", "2026-12-18")["days"][0]["spans"] == [
        {"start": "2026-12-18T22:00:00Z", "end": "2026-12-19T06:00:00Z"}
    ]


# London's clock changes at 2026-03-29T01:00Z and 2026-10-25T01:00Z (IANA time zone database).
@pytest.mark.parametrize(("day", "length"), [("2026-10-24", 9), ("2026-03-28", 7), ("2026-10-31", 8)])
def test_a_night_is_as_long_as_it_elapses(coordinator: Caller, day: str, length: int) -> None:
    put(coordinator, MILL, {"hours": {"saturday": NIGHT}})

    assert hours(coordinator, day, day)["open_s"] == length * 3600


def test_what_was_set_is_read_back_and_told(coordinator: Caller, database: Database) -> None:
    said = put(coordinator, STUDIO, {"hours": {"monday": NINE_TO_SIX}, "days_out": [CHRISTMAS]})

    read = coordinator.get(STUDIO)
    assert read.json() == said
    assert (said["hours"]["monday"], said["hours"]["sunday"], said["days_out"]) == (NINE_TO_SIX, [], [CHRISTMAS])
    assert read.headers["etag"].startswith('"1.0')
    assert coordinator.get(MILL).json() == {"hours": None, "days_out": [], "rev": 0}
    with database.reading() as session:
        (*_, event) = events.read_after(session, 0, limit=100)
    assert (event.kind, event.data["stage"], event.data["hours"]) == ("calendar.set", None, {"monday": [[540, 1080]]})


def test_of_two_who_set_at_once_the_second_is_shown_what_the_first_said(coordinator: Caller) -> None:
    put(coordinator, MILL, {"hours": {"monday": NINE_TO_SIX}})
    put(coordinator, MILL, {"hours": {"monday": NIGHT}}, etag='"1.0"')

    refused = put(coordinator, MILL, {"hours": {}}, expect=412, etag='"1.0"')
    assert refused["current"]["hours"]["monday"] == NIGHT
    put(coordinator, MILL, {"hours": {}}, expect=428)
    same = put(coordinator, MILL, {"hours": {"monday": NIGHT}}, etag='"2.0"')
    assert same["rev"] == 2


@pytest.mark.parametrize(
    ("calendar", "name", "told"),
    [
        (
            {"hours": {"monday": [*NINE_TO_SIX, {"opens": "17:00", "closes": "20:00"}]}},
            "unfit-fields",
            "Hours of one day lie apart: 09:00 to 18:00 and 17:00 to 20:00 do not.",
        ),
        (
            {"hours": {"monday": [*NIGHT, {"opens": "23:00", "closes": "23:30"}]}},
            "unfit-fields",
            "22:00 to 06:00 and 23:00 to 23:30",
        ),
        (
            {"hours": {}, "days_out": [CHRISTMAS, CHRISTMAS]},
            "invalid-request",
            "Name each day once; 2026-12-25 is there twice.",
        ),
        ({"hours": {"moonday": NINE_TO_SIX}}, "invalid-request", "monday"),
        ({"hours": {"monday": [{"opens": "9", "closes": "18:00"}]}}, "invalid-request", "as 05:00"),
    ],
)
def test_hours_that_cannot_be_are_refused_and_nothing_is_kept(
    coordinator: Caller, calendar: Json, name: str, told: str
) -> None:
    answer = coordinator.send("PUT", STUDIO, json=calendar)

    assert is_problem(answer, 422, name)
    assert told in answer.text
    assert coordinator.get(STUDIO).json()["rev"] == 0


@pytest.mark.parametrize(("first", "last"), [("2026-10-25", "2026-10-24"), ("2026-01-01", "2027-03-01")])
def test_days_that_end_before_they_begin_or_are_too_many_are_refused(
    coordinator: Caller, first: str, last: str
) -> None:
    answer = coordinator.get("/v1/stages/mill/hours", params={"from": first, "to": last})

    assert is_problem(answer, 422, "unfit-fields")
    assert "Let `to` be `from` or a later day, 400 days in all at most." in answer.text
