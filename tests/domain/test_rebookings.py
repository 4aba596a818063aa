"""Moving many bookings: what the clock shows stays, and clashes are judged where all end up."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.bookings import Booking, Clash, Shared
from service.domain.rebookings import CannotMove, Shift, days_later, outcome, shifted
from service.domain.spans import Span
from service.domain.studio import zone
from tests.domain.test_bookings import BOOKINGS, booking, compared

LONDON = "Europe/London"


def local(text: str, time_zone: str = LONDON, *, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone(time_zone), fold=fold).astimezone(UTC)


@pytest.mark.parametrize(
    ("time_zone", "before", "after", "hours"),
    [
        # The changes of 2026 are those of the IANA database, tzdata 2026f; 22:00 to 06:00 is 8 hours on other nights.
        (LONDON, "2026-10-23T22:00", "2026-10-24T22:00", 9),
        (LONDON, "2026-03-27T22:00", "2026-03-28T22:00", 7),
        ("America/New_York", "2026-10-30T22:00", "2026-10-31T22:00", 9),
        ("Australia/Lord_Howe", "2026-04-03T22:00", "2026-04-04T22:00", 8.5),
        ("Australia/Lord_Howe", "2026-10-02T22:00", "2026-10-03T22:00", 7.5),
    ],
)
def test_a_night_keeps_its_hours_on_the_clock_and_not_its_length(
    time_zone: str, before: str, after: str, hours: float
) -> None:
    start_at = local(before, time_zone)
    night = replace(booking(1, 0, 1), span=Span(start_at, start_at + timedelta(hours=8)))

    moved = shifted(night, Shift(days=1), time_zone=time_zone)
    assert moved.span == Span(local(after, time_zone), local(after, time_zone) + timedelta(hours=hours))
    # By seconds it keeps its length, and by days back again its hours.
    assert shifted(night, Shift(seconds=86_400), time_zone=time_zone).span.length_s == 8 * 3600
    assert shifted(moved, Shift(days=-1), time_zone=time_zone) == night


def test_a_time_that_does_not_exist_is_refused_and_says_which() -> None:
    # London's clocks went forward at 01:00 on 29 March 2026 (IANA, tzdata 2026f).
    early = replace(booking(1, 0, 1), span=Span(local("2026-03-28T01:30"), local("2026-03-28T09:00")))

    with pytest.raises(CannotMove, match="on 2026-03-29 at 01:30, a time that the clock is put forward over"):
        shifted(early, Shift(days=1), time_zone=LONDON)
    assert shifted(early, Shift(days=2), time_zone=LONDON).span.start_at == local("2026-03-30T01:30")


def test_a_time_the_clock_shows_twice_is_meant_as_it_was() -> None:
    once = local("2026-10-24T01:30")
    twice = [local("2026-10-25T01:30", fold=fold) for fold in (0, 1)]

    assert days_later(once, 1, time_zone=LONDON) == twice[0]
    assert [days_later(each, 7, time_zone=LONDON) for each in twice] == [local("2026-11-01T01:30")] * 2
    assert days_later(local("2025-10-26T01:30", fold=1), 364, time_zone=LONDON) == twice[1]


def test_what_would_end_before_it_starts_and_what_leaves_the_calendar_is_refused() -> None:
    within = Span(local("2026-10-25T01:50"), local("2026-10-25T01:10", fold=1))
    with pytest.raises(CannotMove, match="would end before it starts"):
        shifted(replace(booking(1, 0, 1), span=within), Shift(days=1), time_zone=LONDON)
    last = Span(datetime(9998, 12, 30, tzinfo=UTC), datetime(9998, 12, 31, tzinfo=UTC))
    for shift in (Shift(days=2), Shift(days=400), Shift(seconds=190_000), Shift(days=-3_000_000)):
        with pytest.raises(CannotMove, match="beyond the calendar"):
            shifted(replace(booking(1, 0, 1), span=last), shift, time_zone="Australia/Lord_Howe")


def test_two_that_change_places_do_not_clash() -> None:
    first, second, third = booking(1, 9, 12), booking(2, 12, 15), booking(3, 11, 13, stage=2)
    swapped = [replace(first, span=second.span), replace(second, span=first.span)]

    found = outcome([first, second], swapped, [first, second, third])
    assert (found.before, found.after) == ((), ())
    assert outcome([first], swapped[:1], [second, third]).firm == (Clash(1, 2, Shared.STAGE, firm=True),)


def test_of_one_that_takes_no_stage_the_stage_stays_open() -> None:
    alone = booking(1, 9, 12, stage=None, who="Ilse")

    assert shifted(alone, Shift(stage_id=7), time_zone=LONDON) == alone
    assert shifted(booking(1, 9, 12), Shift(stage_id=7), time_zone=LONDON).stage_id == 7


def clashing(several: Sequence[Booking], moved: set[int]) -> list[Clash]:
    in_order = tuple(sorted(several, key=lambda each: each.id))
    return [clash for clash in compared(in_order) if {clash.one, clash.other} & moved]


@settings(max_examples=60)
@given(BOOKINGS, st.sets(st.integers(1, 9)), st.integers(0, 12), st.sampled_from([None, 1, 2]))
def test_clashes_before_and_after_are_those_that_comparing_all_pairs_finds(
    bookings: tuple[Booking, ...], chosen: set[int], seconds: int, stage_id: int | None
) -> None:
    before = [each for each in bookings if each.id in chosen]
    after = [shifted(each, Shift(seconds=seconds, stage_id=stage_id), time_zone=LONDON) for each in before]
    stay = [each for each in bookings if each.id not in chosen]

    found = outcome(before, after, bookings)
    was, becomes = clashing(bookings, chosen), clashing([*stay, *after], chosen)
    assert (list(found.before), list(found.after)) == (was, becomes)
    assert found.gone == set(was) - set(becomes)
    assert found.new == set(becomes) - set(was)
