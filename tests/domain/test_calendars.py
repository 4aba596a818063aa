"""Calendars over a year of days, with the two changes of summer time, against the law of the clock."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.calendars import Calendar, DayOut, Hours, Weekday, open_between, open_on, wall_instant
from service.domain.spans import Span
from service.domain.studio import zone

DAY = Hours(9 * 60, 18 * 60)
NIGHT = Hours(22 * 60, 6 * 60)
EVERY_DAY = dict.fromkeys(Weekday, (DAY,))
EVERY_NIGHT = dict.fromkeys(Weekday, (NIGHT,))
ROUND_THE_CLOCK = {weekday: (Hours(0, 24 * 60),) for weekday in Weekday}
ZONES = st.sampled_from(
    ["UTC", "Europe/London", "America/New_York", "Australia/Lord_Howe", "America/Havana", "Asia/Kathmandu"]
)


def hours_on(day: str, hours: Mapping[Weekday, tuple[Hours, ...]], time_zone: str) -> float:
    return len(open_on(Calendar(hours), date.fromisoformat(day), time_zone=time_zone)) / 3600


@pytest.mark.parametrize(
    ("day", "time_zone", "length"),
    [
        # The instants of the changes are those of the IANA time zone database.
        ("2026-03-29", "Europe/London", 23),
        ("2026-10-25", "Europe/London", 25),
        ("2026-10-26", "Europe/London", 24),
        ("2026-03-08", "America/New_York", 23),
        ("2026-11-01", "America/New_York", 25),
        ("2026-04-05", "Australia/Lord_Howe", 24.5),
        ("2026-10-04", "Australia/Lord_Howe", 23.5),
    ],
)
def test_a_day_is_as_long_as_its_clock_makes_it(day: str, time_zone: str, length: float) -> None:
    assert hours_on(day, ROUND_THE_CLOCK, time_zone) == length


# London's clock changes at 2026-03-29T01:00Z and 2026-10-25T01:00Z (IANA time zone database).
@pytest.mark.parametrize(("day", "length"), [("2026-10-24", 9), ("2026-03-28", 7), ("2026-10-23", 8)])
def test_a_night_over_the_change_is_an_hour_longer_or_shorter(day: str, length: int) -> None:
    assert hours_on(day, EVERY_NIGHT, "Europe/London") == length


def test_hours_that_the_clock_passes_over_are_not_there() -> None:
    gap = {weekday: (Hours(75, 105),) for weekday in Weekday}
    into = {weekday: (Hours(0, 90),) for weekday in Weekday}
    out_of = {weekday: (Hours(90, 180),) for weekday in Weekday}

    # On 29 March 2026 London's clock goes from 01:00 to 02:00.
    assert [hours_on("2026-03-29", hours, "Europe/London") for hours in (gap, into, out_of)] == [0, 1, 1]
    assert [hours_on("2026-03-30", hours, "Europe/London") for hours in (gap, into, out_of)] == [0.5, 1.5, 1.5]


def test_a_day_out_takes_the_place_of_its_weekday() -> None:
    christmas, new_year = date(2026, 12, 25), date(2026, 12, 31)
    calendar = Calendar(
        EVERY_DAY,
        {christmas: DayOut((), "Christmas"), new_year: DayOut((Hours(9 * 60, 12 * 60),), "New Year's Eve")},
    )

    lengths = [len(open_on(calendar, day, time_zone="UTC")) / 3600 for day in (christmas, new_year, date(2026, 12, 24))]
    assert lengths == [0, 3, 9]


def test_the_hours_of_the_night_before_reach_into_a_window() -> None:
    window = Span(datetime(2026, 10, 24, 23, tzinfo=UTC), datetime(2026, 10, 25, 23, tzinfo=UTC))

    found = open_between(Calendar(EVERY_NIGHT), window, time_zone="Europe/London")

    assert found.spans == (
        Span(window.start_at, datetime(2026, 10, 25, 6, tzinfo=UTC)),
        Span(datetime(2026, 10, 25, 22, tzinfo=UTC), window.end_at),
    )


@given(st.dates(date(2024, 1, 1), date(2030, 12, 31)), st.integers(0, 24 * 60), ZONES)
def test_a_wall_instant_shows_what_was_asked_or_is_the_instant_of_the_change(
    day: date, minute: int, time_zone: str
) -> None:
    found = wall_instant(day, minute, time_zone=time_zone)

    wanted = datetime.combine(day, datetime.min.time()) + timedelta(minutes=minute)
    rules = zone(time_zone)
    if found.astimezone(rules).replace(tzinfo=None) == wanted:
        # The first time it is shown: an hour before, the clock showed something earlier.
        assert (found - timedelta(hours=1)).astimezone(rules).replace(tzinfo=None) < wanted
    else:
        just_before = (found - timedelta(seconds=1)).astimezone(rules)
        assert just_before.replace(tzinfo=None) < wanted < found.astimezone(rules).replace(tzinfo=None)
        assert just_before.utcoffset() != found.astimezone(rules).utcoffset()


@given(st.dates(date(2024, 1, 1), date(2030, 12, 31)), st.integers(1, 20), ZONES)
def test_days_are_open_as_much_one_by_one_as_together(day: date, days: int, time_zone: str) -> None:
    calendar = Calendar(EVERY_DAY)
    window = Span(
        wall_instant(day, 0, time_zone=time_zone), wall_instant(day + timedelta(days=days), 0, time_zone=time_zone)
    )

    each = [len(open_on(calendar, day + timedelta(days=offset), time_zone=time_zone)) for offset in range(days)]
    assert len(open_between(calendar, window, time_zone=time_zone)) == sum(each)
