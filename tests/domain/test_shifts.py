"""Shifts from a stage's log of calls and wraps."""

from datetime import UTC, datetime, timedelta

import pytest

from service.domain.shifts import Shift, Signal, at_work_since, shifts_of

EIGHT = datetime(2026, 3, 2, 8, tzinfo=UTC)


def at(hours: float) -> datetime:
    return EIGHT + timedelta(hours=hours)


def test_a_call_and_its_wrap_are_a_shift_in_whatever_order_they_were_entered() -> None:
    log = [(at(9), Signal.WRAP), (at(0), Signal.CALL)]
    assert shifts_of(log) == (Shift(at(0), at(9)),)


def test_a_second_call_ends_the_shift_before_it() -> None:
    log = [(at(0), Signal.CALL), (at(10), Signal.CALL), (at(19), Signal.WRAP)]
    assert shifts_of(log) == (Shift(at(0), at(10)), Shift(at(10), at(19)))


def test_a_wrap_without_a_call_says_nothing() -> None:
    assert shifts_of([(at(3), Signal.WRAP)]) == ()


def test_a_wrap_and_a_call_at_one_instant_end_one_shift_and_begin_the_next() -> None:
    log = [(at(0), Signal.CALL), (at(9), Signal.CALL), (at(9), Signal.WRAP)]
    assert shifts_of(log) == (Shift(at(0), at(9)), Shift(at(9)))


def test_a_shift_holds_its_call_and_not_its_wrap() -> None:
    shift = Shift(at(0), at(9))
    assert [shift.holds(at(hour)) for hour in (-0.1, 0, 8.9, 9)] == [False, True, True, False]


def test_no_shift_holds_longer_than_a_day() -> None:
    assert [Shift(at(0)).holds(at(hour)) for hour in (23.9, 24)] == [True, False]
    assert not Shift(at(0), at(40)).holds(at(30))


def test_what_is_neither_call_nor_wrap_ends_no_shift_and_begins_none() -> None:
    others = [(at(hour), kind) for kind in Signal if kind not in {Signal.CALL, Signal.WRAP} for hour in (-1, 3, 9)]
    log = [(at(0), Signal.CALL), (at(9), Signal.WRAP)]

    assert shifts_of([*others, *log]) == shifts_of(log) == (Shift(at(0), at(9)),)


@pytest.mark.parametrize(
    ("log", "since"),
    [
        ([], None),
        ([(0, Signal.CALL)], 0),
        ([(0, Signal.CALL), (4, Signal.WRAP)], None),
        ([(0, Signal.CALL), (4, Signal.WAITING)], None),
        ([(0, Signal.CALL), (4, Signal.WAITING), (5, Signal.RESUMED)], 5),
        ([(0, Signal.CALL), (4, Signal.POWER_OFF)], None),
        ([(0, Signal.CALL), (4, Signal.POWER_OFF), (5, Signal.CALL)], 5),
        ([(0, Signal.CALL), (4, Signal.WRAP), (5, Signal.RESUMED)], None),
        ([(0, Signal.RESUMED)], None),
        ([(5, Signal.CALL), (5, Signal.WRAP)], 5),
        ([(0, Signal.CALL), (7, Signal.WRAP)], 0),
        ([(-18, Signal.CALL)], None),
        ([(-17.9, Signal.CALL)], -17.9),
    ],
)
def test_a_stage_is_at_work_from_its_call_or_the_end_of_its_wait(
    log: list[tuple[float, Signal]], since: float | None
) -> None:
    found = at_work_since([(at(hour), signal) for hour, signal in log], at(6))

    assert found == (None if since is None else at(since))
