"""What holds cost, in days of the stage's calendar, worked out by hand and against counting minutes."""

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from service.domain.calendars import Calendar, DayOut, Hours, Weekday, open_on, stage_days
from service.domain.holds import HoldState, cost, state_of
from service.domain.spans import Span
from service.domain.studio import due_instant

NINE_TO_SIX = Hours(9 * 60, 18 * 60)
WEEK = dict.fromkeys(tuple(Weekday)[:5], (NINE_TO_SIX,))
LONDON = "Europe/London"
MINUTE = timedelta(minutes=1)


def at(day: str, clock: str) -> datetime:
    return datetime.fromisoformat(f"{day}T{clock}:00").replace(tzinfo=UTC)


def test_a_hold_over_a_weekend_costs_the_days_with_hours_and_the_shares_of_days() -> None:
    # Monday 2 March 2026 at noon to the next Monday at noon: two thirds of a day, four days, a third of a day.
    held = Span(at("2026-03-02", "12:00"), at("2026-03-09", "12:00"))

    assert stage_days(Calendar(WEEK), held, time_zone="UTC") == Fraction(2, 3) + 4 + Fraction(1, 3)
    closed = Calendar(WEEK, {date(2026, 3, 4): DayOut((), "the founder's day")})
    assert stage_days(closed, held, time_zone="UTC") == 4
    assert stage_days(Calendar({}), held, time_zone="UTC") == 0


def test_a_night_is_one_stage_day_however_long_the_clocks_make_it() -> None:
    nights = Calendar({Weekday.SATURDAY: (Hours(22 * 60, 6 * 60),)})
    # 24 to 25 October 2026: nine hours. Held from when the clock first shows 01:00, a third of it has gone by.
    held = Span(at("2026-10-25", "00:00"), at("2026-10-25", "12:00"))

    assert stage_days(nights, held, time_zone=LONDON) == Fraction(6, 9)
    # 28 to 29 March 2026: seven hours, two of them before midnight UTC.
    assert stage_days(nights, Span(at("2026-03-29", "00:00"), at("2026-03-29", "12:00")), time_zone=LONDON) == Fraction(
        5, 7
    )


def test_what_a_hold_cost_so_far_and_since_its_end() -> None:
    held = Span(at("2026-03-02", "09:00"), at("2026-03-04", "18:00"))
    calendar = Calendar(WEEK)

    def when(day: str, clock: str) -> tuple[object, ...]:
        spent = cost(held, calendar, time_zone="UTC", now=at(day, clock))
        return state_of(held, at(day, clock)), spent.whole, spent.so_far, spent.since_its_end

    assert when("2026-03-01", "12:00") == (HoldState.TO_COME, 3, 0, 0)
    assert when("2026-03-03", "12:00") == (HoldState.STANDING, 3, Fraction(4, 3), 0)
    assert when("2026-03-04", "18:00") == (HoldState.PAST_ITS_END, 3, 3, 0)
    assert when("2026-03-06", "09:00") == (HoldState.PAST_ITS_END, 3, 3, 1)


@given(st.integers(0, 20 * 24 * 60), st.integers(1, 6 * 24 * 60))
def test_stage_days_are_those_that_counting_minutes_finds(start_min: int, length_min: int) -> None:
    calendar = Calendar({**WEEK, Weekday.SATURDAY: (Hours(22 * 60, 6 * 60),)})
    start_at = due_instant(date(2026, 10, 12), datetime.min.time(), time_zone=LONDON) + start_min * MINUTE
    held = Span(start_at, start_at + length_min * MINUTE)

    found = Fraction(0)
    for offset in range(-1, 40):
        whole = open_on(calendar, date(2026, 10, 12) + timedelta(days=offset), time_zone=LONDON)
        minutes = [span.start_at + n * MINUTE for span in whole.spans for n in range(span.length_s // 60)]
        if minutes:
            found += Fraction(sum(held.start_at <= each < held.end_at for each in minutes), len(minutes))
    assert stage_days(calendar, held, time_zone=LONDON) == found
