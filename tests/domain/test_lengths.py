"""Paces of animators, and how long frames that remain take on a stage's calendar."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.calendars import Calendar, Hours, Weekday, stage_days
from service.domain.lengths import NO_HOURS, NO_PACE, NOTHING_REMAINS, SLOW_DAYS, ends_after, expected, length
from service.domain.paces import DayWork, Pace, Paces, day_outputs, pace
from service.domain.spans import Span

RATE = Fraction(25)
WEEK = Calendar({day: (Hours(9 * 60, 18 * 60),) for day in tuple(Weekday)[:5]})
MONDAY = datetime(2026, 3, 2, 9, tzinfo=UTC)


def work(animator: str, day: int, net: int, shot_id: int = 1) -> DayWork:
    return DayWork(animator, date(2026, 3, day), shot_id, net)


def found(*seconds: int) -> Pace:
    of = pace(Fraction(each) for each in seconds)
    assert of is not None
    return of


def test_credited_seconds_are_shared_out_by_the_frames_each_day_gained() -> None:
    # Take 1 was rejected: 110 frames shot for 100 credited, which last four seconds at 25.
    worked = [work("Ilse", 2, 50), work("Ilse", 3, 30), work("Tove", 3, 30)]

    outputs = day_outputs(worked, {1: 100}, frame_rate=RATE)
    assert outputs == {
        ("Ilse", date(2026, 3, 2)): Fraction(20, 11),
        ("Ilse", date(2026, 3, 3)): Fraction(12, 11),
        ("Tove", date(2026, 3, 3)): Fraction(12, 11),
    }


def test_a_day_of_which_nothing_is_left_counts_and_one_of_an_omitted_shot_does_not() -> None:
    worked = [work("Ilse", 2, 50), work("Ilse", 3, 0), work("Ilse", 4, -10), work("Ilse", 5, 80, shot_id=2)]

    outputs = day_outputs(worked, {1: 50}, frame_rate=RATE)
    assert sorted((day.day, seconds) for (_, day), seconds in outputs.items()) == [
        (2, Fraction(2)),
        (3, Fraction(0)),
        (4, Fraction(0)),
    ]


def test_a_pace_is_pooled_and_its_percentiles_are_type_7() -> None:
    # 1…10 at .9 is 9.1 (numpy's default, type 7 of Hyndman and Fan), at .1 it is 1.9.
    ten = found(*range(1, 11))

    assert (ten.seconds_a_day, ten.p10_s, ten.p50_s, ten.p90_s) == (
        Fraction(11, 2),
        Fraction(19, 10),
        Fraction(11, 2),
        Fraction(91, 10),
    )
    assert pace([Fraction(4)] * 2) is None
    assert pace([Fraction(0)] * 5) is None


def test_an_animator_of_few_days_is_reckoned_with_by_the_production() -> None:
    worked = [*(work("Ilse", day, 100) for day in (2, 3, 4)), work("Tove", 2, 25), work("", 6, 75)]
    paces = Paces.read(day_outputs(worked, {1: 400}, frame_rate=RATE))

    own, together = paces.best("Ilse"), paces.best("Tove")
    assert own is not None
    assert together is not None
    assert (own[0].seconds_a_day, own[1]) == (Fraction(4), "Ilse")
    # 4, 4, 4 and 1 second: what nobody was named for is no animator-day.
    assert (together[0].seconds_a_day, together[1], together[0].animator_days) == (Fraction(13, 4), None, 4)
    assert Paces({}, None).best("Ilse") is None


def test_how_long_frames_take_early_as_usual_and_late() -> None:
    takes = length(200, found(2, 4, 4, 4, 6), frame_rate=RATE)

    # Eight seconds: at 2.8, 4 and 5.2 a day.
    assert (takes.early_days, takes.usual_days, takes.late_days) == (Fraction(20, 13), Fraction(2), Fraction(20, 7))
    assert length(200, found(0, 0, 4), frame_rate=RATE).usual_days is None


def test_days_are_those_of_the_calendar() -> None:
    def end(days: Fraction, start_at: datetime = MONDAY) -> datetime | None:
        (found_at,) = ends_after([days], WEEK, start_at, time_zone="UTC")
        return found_at

    assert end(Fraction(2)) == datetime(2026, 3, 3, 18, tzinfo=UTC)
    assert end(Fraction(7)) == datetime(2026, 3, 10, 18, tzinfo=UTC)
    # Begun at noon, two thirds of the day are left.
    assert end(Fraction(1), MONDAY + timedelta(hours=3)) == datetime(2026, 3, 3, 12, tzinfo=UTC)
    assert end(Fraction(1, 3), datetime(2026, 3, 7, 3, tzinfo=UTC)) == datetime(2026, 3, 9, 12, tzinfo=UTC)
    assert end(Fraction(0), datetime(2026, 3, 7, 3, tzinfo=UTC)) == datetime(2026, 3, 7, 3, tzinfo=UTC)
    several = [Fraction(2), None, Fraction(0), Fraction(2), Fraction(1, 9)]
    assert ends_after(several, WEEK, MONDAY, time_zone="UTC") == [
        end(Fraction(2)),
        None,
        MONDAY,
        end(Fraction(2)),
        MONDAY + timedelta(hours=1),
    ]
    assert ends_after([Fraction(1)], Calendar({}), MONDAY, time_zone="UTC") == [None]


@settings(max_examples=60)
@given(st.fractions(Fraction(1, 50), 12, max_denominator=60), st.integers(0, 6 * 24 * 60))
def test_the_end_is_where_so_many_stage_days_have_gone_by(days: Fraction, start_min: int) -> None:
    start_at = MONDAY + timedelta(minutes=start_min)

    (end,) = ends_after([days], WEEK, start_at, time_zone="Europe/London")
    assert end is not None
    assert stage_days(WEEK, Span(start_at, end), time_zone="Europe/London") >= days
    sooner = end - timedelta(seconds=1)
    assert sooner == start_at or stage_days(WEEK, Span(start_at, sooner), time_zone="Europe/London") < days


def test_what_is_not_known_is_none_and_says_why() -> None:
    def told(frames: int, seconds: Sequence[int], calendar: Calendar = WEEK) -> tuple[object, ...]:
        known = (found(*seconds), "Ilse") if seconds else None
        of = expected(frames, known, calendar, start_at=MONDAY, frame_rate=RATE, time_zone="UTC")
        return of.early_at is None, of.usual_at is None, of.late_at is None, of.reason

    assert told(0, [4, 4, 4]) == (True, True, True, NOTHING_REMAINS)
    assert told(50, []) == (True, True, True, NO_PACE)
    assert told(50, [4, 4, 4], Calendar({})) == (True, True, True, NO_HOURS)
    assert told(50, [0, 0, 4, 4, 4, 4]) == (False, False, True, SLOW_DAYS)
    assert told(50, [4, 4, 4]) == (False, False, False, None)
