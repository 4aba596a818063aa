"""When a stage was worked on and at what, by its log, its captures and the phases of its shots."""

from datetime import UTC, datetime, timedelta

from service.domain.idleness import for_kit
from service.domain.shifts import Signal
from service.domain.spans import TimeSet, seconds_of
from service.domain.takes import Purpose
from service.domain.work import Capture, LogLine, Mark, Stretch, Use, Wait, Worked, stretches, waits, worked

MIDNIGHT = datetime(2026, 3, 2, tzinfo=UTC)


def at(hour: float) -> datetime:
    return MIDNIGHT + timedelta(hours=hour)


def second(hour: float) -> int:
    return seconds_of(at(hour))


def between(*spans: tuple[float, float]) -> TimeSet:
    return TimeSet.of((second(start), second(end) - 1) for start, end in spans)


def said(hour: float, signal: Signal, reason: str | None = None) -> LogLine:
    return LogLine(at(hour), signal, reason)


def captured(*hours: float, shot_id: int | None = 1, purpose: Purpose = Purpose.SHOOT) -> list[Capture]:
    return [Capture(at(hour), shot_id, purpose) for hour in hours]


CALLED = [said(9, Signal.CALL), said(18, Signal.WRAP)]


def test_from_call_to_wrap() -> None:
    assert stretches(CALLED, captured(10, 12)) == (Stretch(second(9), second(18), inferred=False),)


def test_without_a_wrap_work_ended_with_the_last_sign_of_life() -> None:
    log = [said(9, Signal.CALL), said(11, Signal.POWER_OFF)]

    assert stretches(log, captured(10)) == (Stretch(second(9), second(11), inferred=True),)
    assert stretches(log, captured(10, 15)) == (Stretch(second(9), second(15), inferred=True),)
    # A call after which nothing was heard is an instant.
    assert stretches(log[:1], []) == ()


def test_a_call_ends_work_that_nobody_wrapped_at_its_last_sign_of_life() -> None:
    log = [said(9, Signal.CALL), said(33, Signal.CALL), said(42, Signal.WRAP)]

    assert stretches(log, captured(12, 16)) == (
        Stretch(second(9), second(16), inferred=True),
        Stretch(second(33), second(42), inferred=False),
    )


def test_two_who_call_in_one_second_call_once() -> None:
    log = [said(9, Signal.CALL), LogLine(at(9) + timedelta(milliseconds=400), Signal.CALL), said(18, Signal.WRAP)]

    assert stretches(log, captured(20)) == (Stretch(second(9), second(18), inferred=False),)


def test_a_wrap_days_later_wraps_nothing_up() -> None:
    log = [said(9, Signal.CALL), said(80, Signal.WRAP)]

    assert stretches(log, captured(12)) == (Stretch(second(9), second(12), inferred=True),)


def test_captures_without_a_call_are_work_as_long_as_they_follow_on_one_another() -> None:
    assert stretches([], captured(9, 10, 12, 14.5, 15)) == (
        Stretch(second(9), second(12), inferred=True),
        Stretch(second(14.5), second(15), inferred=True),
    )
    assert stretches([], captured(9)) == ()


def test_what_is_captured_after_the_wrap_is_work_of_its_own() -> None:
    assert stretches(CALLED, captured(17, 18.5, 19)) == (
        Stretch(second(9), second(18), inferred=False),
        Stretch(second(18.5), second(19), inferred=True),
    )


def test_nothing_lies_between_one_wrap_and_the_next_call() -> None:
    log = [said(9, Signal.CALL), said(10, Signal.WRAP), said(11, Signal.CALL), said(12, Signal.WRAP)]

    assert [(each.start, each.end) for each in stretches(log, captured(9.9, 11.1))] == [
        (second(9), second(10)),
        (second(11), second(12)),
    ]


def test_a_wait_ends_with_the_next_line_the_next_capture_or_after_a_day() -> None:
    log = [said(9, Signal.WAITING, "kit"), said(10, Signal.RESUMED), said(11, Signal.WAITING, "rain")]

    assert waits(log, captured(8, 11.5)) == (
        Wait(second(9), second(10), "kit"),
        Wait(second(11), second(11.5), "rain"),
    )
    assert waits(log[2:], []) == (Wait(second(11), second(35), "rain"),)


def test_a_reason_is_for_kit_where_its_first_word_says_so() -> None:
    assert [for_kit(each) for each in ("kit", "Kit: the lens", "KIT, both lamps")] == [True] * 3
    assert [for_kit(each) for each in ("kitchen fire", "the kit", "")] == [False] * 3


def done(
    captures: list[Capture],
    *,
    log: list[LogLine] = CALLED,
    marks: tuple[Mark, ...] = (),
    booked: dict[Use, TimeSet] | None = None,
) -> Worked:
    return worked(log, captures, marks=marks, booked=booked or {})


def test_each_capture_says_what_work_is_at_from_then_on() -> None:
    plates = captured(16, 17, purpose=Purpose.PLATE)
    found = done([*captured(10, 12), *plates]).uses

    assert found[Use.SHOOTING] == between((9, 16))
    assert found[Use.PLATE] == between((16, 18))


def test_a_wait_is_no_work() -> None:
    log = [said(9, Signal.CALL), said(13, Signal.WAITING, "kit"), said(14, Signal.RESUMED), said(18, Signal.WRAP)]

    assert done(captured(10, 15), log=log).uses[Use.SHOOTING] == between((9, 13), (14, 18))


def test_before_the_first_capture_bookings_say_it_then_what_the_stage_was_at_last() -> None:
    yesterday = (Mark(at(-10), 5, Use.DRESSING),)
    booked = {Use.UPKEEP: between((9, 10))}

    found = done(captured(12), marks=yesterday, booked=booked).uses

    assert found[Use.UPKEEP] == between((9, 10))
    assert found[Use.DRESSING] == between((10, 12))
    assert found[Use.SHOOTING] == between((12, 18))


def test_what_is_captured_comes_before_what_was_booked() -> None:
    assert done(captured(9, 17), booked={Use.UPKEEP: between((9, 18))}).uses[Use.UPKEEP] == between()


def test_the_one_capture_that_ended_a_piece_of_work_says_what_it_was() -> None:
    assert done(captured(12), log=[said(9, Signal.CALL)]).uses[Use.SHOOTING] == between((9, 12))


def test_work_for_no_shot_is_upkeep() -> None:
    assert done([]).uses[Use.UPKEEP] == between((9, 18))


def test_a_shot_that_leaves_the_stage_leaves_what_comes_after_to_others() -> None:
    left = (Mark(at(14), 1, None), Mark(at(11), 2, None))
    found = done(captured(10), marks=left, booked={Use.DRESSING: between((9, 18))})

    assert found.uses[Use.SHOOTING] == between((10, 14))
    assert found.uses[Use.DRESSING] == between((9, 10), (14, 18))
    assert found.in_hand == {1: between((10, 14))}


def test_tests_and_unmatched_counts_are_signs_of_life_alone() -> None:
    tests = [*captured(10, purpose=Purpose.TEST), *captured(13, shot_id=None)]
    found = done(tests, log=[said(9, Signal.CALL)], marks=(Mark(at(0), 3, Use.DRESSING),))

    assert found.uses[Use.DRESSING] == found.inferred == between((9, 13))
