"""When a booking's frames will be there, over HTTP."""

from collections.abc import Callable
from typing import Any

import pytest

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, begin, catch_up, count, post
from tests.api.test_bookings import ALL, book

Json = dict[str, Any]


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock, admin: Caller, mill: str) -> None:
    begin(database, clock)
    add_shot(database, cut_frames=500)
    add_shot(database, "0130", cut_frames=100)
    hours = {day: [{"opens": "09:00", "closes": "18:00"}] for day in ("monday", "tuesday", "wednesday", "thursday")}
    assert admin.send("PUT", "/v1/studio/calendar", json={"hours": hours}).status_code == 200


def shoot(database: Database, clock: Clock, terminal: Caller, *, days: int) -> None:
    """Ilse shoots four seconds of `0120` on each of some days."""
    for day in range(1, days + 1):
        assert post(terminal, count(day, 100 * day, animator="Ilse")).is_success
        clock.pass_time(days=1)
    catch_up(database, clock)


def test_an_end_follows_from_what_remains_and_the_animators_pace(
    coordinator: Caller, terminal: Caller, database: Database, clock: Clock
) -> None:
    shoot(database, clock, terminal, days=3)
    # 200 of 500 frames remain, and Thursday is the fourth day of the week.
    number = book(coordinator, animator="Ilse", start="2026-03-05T09:00:00Z", end="2026-03-05T18:00:00Z")["booking"]

    told = coordinator.get(f"{ALL}/{number}/expected-end").json()
    assert (told["remaining_frames"], told["remaining_s"], told["reason"]) == (200, 8.0, None)
    assert told["from"] == "2026-03-05T10:00:00Z"
    assert (told["pace"]["animator"], told["pace"]["seconds_a_day"], told["pace"]["animator_days"]) == ("Ilse", 4.0, 3)
    # Two days at 4 s: eight ninths of Thursday, then Monday, and a ninth of Tuesday.
    assert told["usual"] == told["early"] == {"days": 2.0, "end": "2026-03-10T10:00:00Z"}
    other = book(coordinator, animator="Tove", firmness="pencilled", shot="0130")["booking"]
    told = coordinator.get(f"{ALL}/{other}/expected-end").json()
    assert (told["pace"]["animator"], told["usual"]["days"]) == (None, 1.0)


def test_where_no_pace_is_known_it_says_so(
    coordinator: Caller, terminal: Caller, database: Database, clock: Clock
) -> None:
    shoot(database, clock, terminal, days=2)
    number = book(coordinator, animator="Ilse")["booking"]

    told = coordinator.get(f"{ALL}/{number}/expected-end").json()
    assert (told["usual"]["end"], told["pace"], told["remaining_frames"]) == (None, None, 300)
    assert told["reason"].startswith("No pace is known yet")


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ({"activity": "strike"}, "The booking is for strike; an end is expected of shooting alone."),
        ({"shot": None}, "The booking is for no single shot."),
    ],
)
def test_of_what_shoots_nothing_no_end_is_expected(coordinator: Caller, said: Json, reason: str) -> None:
    number = book(coordinator, **said)["booking"]

    told = coordinator.get(f"{ALL}/{number}/expected-end").json()
    assert (told["reason"], told["usual"]) == (reason, {"days": None, "end": None})


def test_paces_are_shown_to_coordinators_alone(coordinator: Caller, key: Callable[..., Caller]) -> None:
    number = book(coordinator)["booking"]

    assert key(Scope.READ).get(f"{ALL}/{number}/expected-end").status_code == 403
