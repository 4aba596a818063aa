"""Occupancy against worked examples, a reference library, a plain count of quarters of an hour, and its invariants."""

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

import pandas as pd
import portion
import pytest

from service.domain.bookings import Activity, Firmness
from service.domain.calendars import Calendar, Hours, Weekday, open_between
from service.domain.idleness import Idle, ShotWaits
from service.domain.occupancy import USE_OF, Promise, StageFacts, edges, stage_days
from service.domain.shifts import Signal
from service.domain.spans import Span, instant_of, levels, seconds_of, times
from service.domain.stagefigures import Figures, occupied_s, overtime_s
from service.domain.studio import Studio, day_opens
from service.domain.takes import Purpose
from service.domain.work import PRECEDENCE, Capture, LogLine, Mark, Use

H = 3600
UTC_STUDIO = Studio(day_starts_at_min=0)
MONDAY = date(2026, 3, 2)
LATER = datetime(2027, 6, 1, tzinfo=UTC)


def at(hour: float, day: date = MONDAY) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(hours=hour)


def span(start: float, end: float, day: date = MONDAY) -> Span:
    return Span(at(start, day), at(end, day))


def firm(start: float, end: float, activity: Activity = Activity.SHOOTING, shot_id: int | None = None) -> Promise:
    return Promise(span(start, end), activity, Firmness.CONFIRMED, shot_id)


def pencilled(start: float, end: float, activity: Activity = Activity.SHOOTING) -> Promise:
    return Promise(span(start, end), activity, Firmness.PENCILLED)


def figures(facts: StageFacts, *, day: date = MONDAY, studio: Studio = UTC_STUDIO, as_of: datetime = LATER) -> Figures:
    return stage_days(facts, [day], studio, as_of=as_of)[0].figures


def shot(start: float, end: float, *, every: float = 0.5, shot_id: int = 1) -> list[Capture]:
    times_ = [start + number * every for number in range(round((end - start) / every) + 1)]
    return [Capture(at(each), shot_id, Purpose.SHOOT) for each in times_]


def called(start: float, end: float | None) -> list[LogLine]:
    return [LogLine(at(start), Signal.CALL), *([] if end is None else [LogLine(at(end), Signal.WRAP)])]


def test_a_worked_day() -> None:
    # Recomputed elsewhere with the reference libraries portion and pandas: [9,12) [11,14) [14,15) [16,17) in [8,18).
    promises = [pencilled(9, 12), pencilled(11, 14), pencilled(14, 15), pencilled(16, 17)]
    found = figures(StageFacts(open=times([span(8, 18)]), promises=promises))

    assert found.planned[Use.SHOOTING].open_s == 7 * H
    assert found.planned_utilisation == Fraction(7, 10)
    assert (found.overlap_s, found.most_at_once, found.pencilled_s) == (1 * H, 2, 7 * H)
    assert found.planned[Use.IDLE].open_s == 3 * H


def test_touching_bookings_do_not_overlap() -> None:
    found = figures(StageFacts(open=times([span(8, 18)]), promises=[firm(9, 12), firm(12, 14)]))

    assert (found.overlap_s, found.most_at_once) == (0, 1)


def test_work_outside_the_hours_is_overtime_and_never_more_than_all_of_them() -> None:
    # Hours 9–18, busy 10–20: eight ninths and two hours beyond, as recomputed with portion and pandas.
    found = figures(StageFacts(open=times([span(9, 18)]), log=called(10, 20)))

    assert found.utilisation == Fraction(8, 9)
    assert overtime_s(found.actual) == 2 * H


def test_what_lies_over_one_another_counts_once_and_confirmed_before_pencilled() -> None:
    promises = [
        firm(9, 12, Activity.HOLDING),
        pencilled(8, 10),
        firm(11, 13, Activity.UPKEEP),
        firm(12, 14, Activity.LIGHTING),
    ]
    found = figures(StageFacts(open=times([span(8, 18)]), promises=promises)).planned

    assert {use: found[use].open_s // H for use in Use} == {
        Use.SHOOTING: 1,
        Use.PLATE: 0,
        Use.DRESSING: 2,
        Use.UPKEEP: 1,
        Use.HELD: 2,
        Use.IDLE: 4,
    }


def test_nothing_available_has_no_utilisation() -> None:
    found = figures(StageFacts(open=times([]), promises=[firm(9, 12)], log=called(9, 12)))

    assert found.planned_utilisation is None
    assert found.utilisation is None
    assert overtime_s(found.planned) == overtime_s(found.actual) == 3 * H


# London's clock changes at 2026-03-29T01:00Z and 2026-10-25T01:00Z (IANA time zone database).
@pytest.mark.parametrize(("day", "length_h"), [(date(2026, 10, 24), 9), (date(2026, 3, 28), 7), (date(2026, 5, 2), 8)])
def test_a_night_shoot_is_as_long_as_it_elapses(day: date, length_h: int) -> None:
    studio = Studio(time_zone="Europe/London")
    night = Calendar({Weekday.SATURDAY: (Hours(22 * 60, 6 * 60),)})
    opens = day_opens(day, studio)
    hours = open_between(night, Span(opens, opens + timedelta(hours=48)), time_zone="Europe/London")
    (shift,) = hours.spans
    log = [LogLine(shift.start_at, Signal.CALL), LogLine(shift.end_at, Signal.WRAP)]

    found = stage_days(StageFacts(open=hours, log=log), [day, day + timedelta(days=1)], studio, as_of=LATER)

    # The call's day goes on to the wrap, past the studio's hour.
    assert [each.figures.actual[Use.UPKEEP].open_s // H for each in found] == [length_h, 0]
    assert found[0].figures.utilisation == 1
    assert found[0].figures.span_s + found[1].figures.span_s == (
        seconds_of(day_opens(day + timedelta(days=2), studio)) - seconds_of(opens)
    )


def test_work_after_midnight_belongs_to_the_day_of_the_call() -> None:
    new_years_eve = date(2026, 12, 31)
    log = [LogLine(at(22, new_years_eve), Signal.CALL), LogLine(at(30, new_years_eve), Signal.WRAP)]
    captures = [Capture(at(hour, new_years_eve), 1, Purpose.SHOOT) for hour in (23, 26 + 1 / 6, 29.5)]
    facts = StageFacts(open=times([span(9, 18, new_years_eve)]), log=log, captures=captures)

    found = stage_days(facts, [new_years_eve, date(2027, 1, 1)], Studio(), as_of=LATER)

    assert [each.figures.actual[Use.SHOOTING].outside_s // H for each in found] == [8, 0]


def test_a_dead_terminal_shoots_no_longer_than_it_lived() -> None:
    # Called on Friday, the last frame at 16:00, and then nothing for the whole weekend.
    friday = date(2026, 3, 6)
    log = [LogLine(at(9, friday), Signal.CALL)]
    captures = [Capture(at(hour, friday), 1, Purpose.SHOOT) for hour in (10, 12, 16)]
    days = [friday + timedelta(days=offset) for offset in range(4)]
    hours = times([span(9, 18, day) for day in days])

    found = stage_days(StageFacts(open=hours, log=log, captures=captures), days, UTC_STUDIO, as_of=LATER)

    assert [each.figures.actual[Use.SHOOTING].open_s // H for each in found] == [7, 0, 0, 0]
    assert [each.figures.inferred_s // H for each in found] == [7, 0, 0, 0]
    assert [each.figures.actual[Use.IDLE].open_s // H for each in found] == [2, 9, 9, 9]


def test_a_day_that_is_not_over_tells_of_what_has_elapsed() -> None:
    facts = StageFacts(open=times([span(9, 18)]), promises=[firm(9, 18)], log=called(9, None), captures=shot(9, 11))
    found = figures(facts, as_of=at(12))

    assert (found.available_s, found.available_elapsed_s, found.elapsed_s) == (9 * H, 3 * H, 12 * H)
    assert found.actual[Use.SHOOTING].open_s == 2 * H
    assert found.actual[Use.IDLE].open_s == 1 * H
    assert found.utilisation == Fraction(2, 3)
    assert found.planned_utilisation == 1


def test_a_confirmed_hold_occupies_the_stage_and_is_no_overtime() -> None:
    promises = [firm(0, 24, Activity.HOLDING), pencilled(0, 24, Activity.HOLDING)]
    found = figures(StageFacts(open=times([span(9, 18)]), promises=promises, log=called(10, 12)))

    assert (found.actual[Use.HELD].open_s, found.actual[Use.HELD].outside_s) == (7 * H, 15 * H)
    assert found.utilisation == 1
    assert overtime_s(found.actual) == 0


def test_dressing_that_phases_alone_tell_of_lasts_in_the_hours_until_the_set_is_approved() -> None:
    tuesday = MONDAY + timedelta(days=1)
    facts = StageFacts(
        open=times([span(9, 18), span(9, 18, tuesday)]),
        marks=[Mark(at(12), 7, Use.DRESSING), Mark(at(17, tuesday), 7, Use.SHOOTING)],
        approved={7: times([Span(at(11, tuesday), at(99, tuesday))])},
    )
    found = [each.figures for each in stage_days(facts, [MONDAY, tuesday], UTC_STUDIO, as_of=LATER)]

    assert [each.actual[Use.DRESSING].open_s // H for each in found] == [6, 2]
    assert [each.inferred_s // H for each in found] == [6, 2]
    assert sum(each.actual[Use.DRESSING].outside_s + each.actual[Use.SHOOTING].open_s for each in found) == 0


def test_dressing_that_nobody_ended_ends_when_the_shot_was_last_heard_of() -> None:
    facts = StageFacts(open=times([span(9, 18)]), marks=[Mark(at(12), 7, Use.DRESSING)], heard={7: at(14)})

    assert figures(facts).actual[Use.DRESSING].open_s == 2 * H


def test_on_a_day_with_work_of_its_own_phases_tell_nothing_more() -> None:
    facts = StageFacts(
        open=times([span(9, 18)]),
        marks=[Mark(at(8), 7, Use.DRESSING), Mark(at(20), 7, Use.SHOOTING)],
        log=called(10, 13),
    )
    found = figures(facts)

    assert (found.actual[Use.DRESSING].open_s, found.inferred_s) == (3 * H, 0)


def test_idle_time_is_shared_out_by_why() -> None:
    log = [
        LogLine(at(9), Signal.CALL),
        LogLine(at(10), Signal.WAITING, "Kit: the long lens"),
        LogLine(at(11), Signal.RESUMED),
        LogLine(at(12), Signal.WAITING, "no power"),
        LogLine(at(12.5), Signal.RESUMED),
        LogLine(at(13), Signal.WRAP),
    ]
    facts = StageFacts(
        open=times([span(8, 20)]),
        promises=[firm(13, 18, shot_id=1)],
        log=log,
        waiting={1: ShotWaits(set_not_approved=times([span(0, 14)]), undecided=times([span(13.5, 16)]))},
    )
    found = figures(facts)

    assert {why: length_s / H for why, length_s in found.idle.items()} == {
        Idle.WAITING_FOR_KIT: 1,
        Idle.STAGE_LOG: 0.5,
        Idle.SET_NOT_APPROVED: 1,
        Idle.WAITING_FOR_A_DECISION: 2,
        Idle.NOT_WORKED_ON: 2,
        Idle.NOTHING_BOOKED: 3,
    }
    assert found.said == {"Kit: the long lens": H, "no power": H // 2}
    assert found.actual[Use.IDLE].open_s == sum(found.idle.values())


def test_a_shot_left_in_hand_says_why_a_stage_without_bookings_stands_still() -> None:
    facts = StageFacts(
        open=times([span(9, 18)]),
        log=called(9, 12),
        captures=shot(9, 12),
        waiting={1: ShotWaits(undecided=times([span(12, 15)]))},
    )
    found = figures(facts).idle

    assert (found[Idle.WAITING_FOR_A_DECISION], found[Idle.NOTHING_BOOKED]) == (3 * H, 3 * H)


def test_days_are_added_up() -> None:
    facts = StageFacts(
        open=times([span(9, 18), span(33, 42)]),
        promises=[firm(9, 18), pencilled(10, 11)],
        log=called(9, 15),
        turnovers_s=[(at(10), 600), (at(34), 1200)],
    )
    days = [each.figures for each in stage_days(facts, [MONDAY, date(2026, 3, 3)], UTC_STUDIO, as_of=LATER)]
    both = Figures.sum(days)

    assert [each.turnovers_s for each in days] == [(600,), (1200,)]
    assert both.turnovers_s == (600, 1200)
    assert (both.available_s, both.overlap_s, both.most_at_once) == (18 * H, H, 2)
    assert (both.planned_utilisation, both.utilisation) == (Fraction(1, 2), Fraction(1, 3))
    assert Figures.sum([]).utilisation is None


# Rules of the IANA time zone database; each has a change in the days looked at, Lord Howe of half an hour.
@pytest.mark.parametrize(
    ("time_zone", "first", "lengths_h"),
    [
        ("Europe/London", date(2026, 3, 28), [23, 24]),
        ("Europe/London", date(2026, 10, 24), [25, 24]),
        ("America/New_York", date(2026, 3, 7), [23, 24]),
        ("America/New_York", date(2026, 10, 31), [25, 24]),
        ("Australia/Lord_Howe", date(2026, 4, 4), [24.5, 24]),
        ("Australia/Lord_Howe", date(2026, 10, 3), [23.5, 24]),
        ("Europe/Helsinki", date(2026, 3, 28), [23, 24]),
        ("Europe/Helsinki", date(2026, 10, 24), [25, 24]),
        ("Pacific/Chatham", date(2026, 4, 4), [25, 24]),
        ("Pacific/Chatham", date(2026, 9, 26), [23, 24]),
        ("America/St_Johns", date(2026, 3, 7), [23, 24]),
        ("America/St_Johns", date(2026, 10, 31), [25, 24]),
    ],
)
def test_the_parts_of_a_day_cover_it_over_a_change_of_the_clock(
    time_zone: str, first: date, lengths_h: list[float]
) -> None:
    studio = Studio(time_zone=time_zone)
    days = [first, first + timedelta(days=1)]
    opens = seconds_of(day_opens(first, studio))
    every_day = Calendar(dict.fromkeys(Weekday, (Hours(22 * 60, 6 * 60), Hours(9 * 60, 18 * 60))))
    window = Span(instant_of(opens), instant_of(opens + 3 * 24 * H))
    promises = [
        Promise(Span(instant_of(opens + start * H), instant_of(opens + end * H)), Activity.SHOOTING, Firmness.CONFIRMED)
        for start, end in ((5, 9), (15, 26), (30, 40))
    ]
    facts = StageFacts(open=open_between(every_day, window, time_zone=time_zone), promises=promises)

    found = [each.figures for each in stage_days(facts, days, studio, as_of=LATER)]

    assert [each.span_s / H for each in found] == lengths_h
    assert edges(days, studio) == [opens, opens + found[0].span_s, opens + found[0].span_s + found[1].span_s]
    for each in found:
        assert_covered(each)


def assert_covered(each: Figures) -> None:
    """What must hold whatever was booked and done."""
    for parts, span_s, available_s in (
        (each.planned, each.span_s, each.available_s),
        (each.actual, each.elapsed_s, each.available_elapsed_s),
    ):
        assert occupied_s(parts) + parts[Use.IDLE].open_s == available_s
        assert occupied_s(parts) <= available_s <= span_s
        assert parts[Use.IDLE].outside_s == 0
        assert sum(part.open_s + part.outside_s for part in parts.values()) <= span_s
    assert sum(each.idle.values()) == each.actual[Use.IDLE].open_s
    assert 0 <= (each.utilisation or 0) <= 1
    assert 0 <= (each.planned_utilisation or 0) <= 1


QUARTERS = 4 * 72
BUSY_USES = dict(zip((Activity.SHOOTING, Activity.PLATE, Activity.DRESSING, Activity.UPKEEP), PRECEDENCE, strict=False))


def drawn(dice: random.Random, most: int) -> list[tuple[int, int]]:
    """Spans in quarters of an hour over three days."""
    starts = [dice.randrange(QUARTERS) for _ in range(dice.randrange(most + 1))]
    return [(start, min(start + dice.randrange(1, 60), QUARTERS)) for start in starts]


def quarter_span(start: int, end: int) -> Span:
    return Span(at(start / 4), at(end / 4))


def as_portion(spans: Sequence[tuple[int, int]]) -> portion.Interval:
    return portion.Interval(*(portion.closedopen(start, end) for start, end in spans))


def size(found: portion.Interval) -> int:
    return sum(each.upper - each.lower for each in found if not each.empty)


def test_a_thousand_generated_plans_are_as_the_reference_library_and_a_plain_count_have_them() -> None:
    # Against the libraries portion (interval arithmetic) and pandas, and against a count of every quarter of an hour.
    dice = random.Random(7)
    days = [MONDAY + timedelta(days=offset) for offset in range(3)]
    for _ in range(1000):
        hours = drawn(dice, 6)
        booked = [(dice.choice(list(Activity)), dice.choice(list(Firmness)), each) for each in drawn(dice, 12)]
        promises = [Promise(quarter_span(*each), activity, firmness) for activity, firmness, each in booked]
        facts = StageFacts(open=times(quarter_span(*each) for each in hours), promises=promises)

        found = [each.figures for each in stage_days(facts, days, UTC_STUDIO, as_of=LATER)]

        available, busy = as_portion(hours), as_portion([each for _, _, each in booked])
        for place, of_day in enumerate(found):
            day = portion.closedopen(place * 96, place * 96 + 96)
            assert of_day.available_s == size(available & day) * 900
            assert occupied_s(of_day.planned) == size(busy & available & day) * 900
            outside = sum(part.outside_s for part in of_day.planned.values())
            assert outside == size((busy - available) & day) * 900
            assert_counted(
                of_day, [(use, firmness, each) for use, firmness, each in booked], range(place * 96, place * 96 + 96)
            )
            assert_covered(of_day)
        used = sum(of_day.planned[use].open_s + of_day.planned[use].outside_s for of_day in found for use in PRECEDENCE)
        assert used == in_pandas([each for _, _, each in booked]) * 900


def in_pandas(booked: Sequence[tuple[int, int]]) -> int:
    """The length of the union of intervals: those that hang together are one group of the sorted table."""
    table = pd.DataFrame(booked, columns=["start", "end"]).sort_values("start")
    run = (table["start"] > table["end"].cummax().shift()).cumsum()
    joined = table.groupby(run).agg({"start": "min", "end": "max"})
    return int((joined["end"] - joined["start"]).sum())


def assert_counted(
    of_day: Figures, booked: Sequence[tuple[Activity, Firmness, tuple[int, int]]], quarters: range
) -> None:
    parts = dict.fromkeys(Use, 0)
    overlap = most = wished = 0
    for quarter in quarters:
        there = [each for each in booked if each[2][0] <= quarter < each[2][1]]
        confirmed = [each for each in there if each[1] is Firmness.CONFIRMED]
        uses = {USE_OF[activity] for activity, _, _ in (confirmed or there)}
        if uses:
            parts[min(uses, key=PRECEDENCE.index)] += 1
        overlap, most = overlap + (len(there) > 1), max(most, len(there))
        wished += bool(there) and not confirmed
    for use in PRECEDENCE:
        assert of_day.planned[use].open_s + of_day.planned[use].outside_s == parts[use] * 900
    assert (of_day.overlap_s, of_day.most_at_once, of_day.pencilled_s) == (overlap * 900, most, wished * 900)


def test_what_was_done_holds_together_whatever_was_posted_in_whatever_order_and_however_often() -> None:
    dice = random.Random(11)
    days = [MONDAY + timedelta(days=offset) for offset in range(3)]
    for _ in range(300):
        log = sorted(
            (LogLine(at(dice.randrange(QUARTERS) / 4), dice.choice(list(Signal)), "the lamp") for _ in range(8)),
            key=lambda line: line.at,
        )
        captures = [
            Capture(at(dice.randrange(QUARTERS) / 4), dice.choice([1, 2, None]), dice.choice(list(Purpose)))
            for _ in range(dice.randrange(20))
        ]
        marks = [
            Mark(at(dice.randrange(QUARTERS) / 4), dice.choice([1, 2]), dice.choice([*PRECEDENCE[:3], None]))
            for _ in range(5)
        ]
        promises = [
            Promise(quarter_span(*each), dice.choice(list(Activity)), dice.choice(list(Firmness)))
            for each in drawn(dice, 4)
        ]
        waiting = {1: ShotWaits(set_not_approved=times(quarter_span(*each) for each in drawn(dice, 3)))}
        hours = times(quarter_span(*each) for each in drawn(dice, 6))

        facts = StageFacts(open=hours, promises=promises, log=log, marks=marks, waiting=waiting)
        in_order = sorted(captures, key=lambda each: each.at)
        as_of = at(dice.randrange(QUARTERS + 50) / 4)
        found = stage_days(replace(facts, captures=in_order), days, UTC_STUDIO, as_of=as_of)

        for each in found:
            assert_covered(each.figures)
        dice.shuffle(captures)
        twice = sorted([*captures, *captures], key=lambda each: each.at)
        assert stage_days(replace(facts, captures=twice), days, UTC_STUDIO, as_of=as_of) == found
        # What is asked for of one day alone is what it is among others.
        alone = [stage_days(replace(facts, captures=in_order), [day], UTC_STUDIO, as_of=as_of)[0] for day in days]
        assert alone == found


def test_the_mean_number_of_bookings_is_their_rate_times_their_mean_length() -> None:
    # Little's law L = λW, exact over a window that starts and ends empty (J. D. C. Little and S. C. Graves, Little's
    # Law, in Building Intuition, 2008; from memory).
    dice = random.Random(3)
    spans = [quarter_span(*each) for _ in range(40) for each in drawn(dice, 3)]
    window_s = QUARTERS * 900
    mean_number = Fraction(sum(level.number * level.span.length_s for level in levels(spans)), window_s)
    rate, mean_stay = Fraction(len(spans), window_s), Fraction(sum(each.length_s for each in spans), len(spans))

    assert mean_number == rate * mean_stay
