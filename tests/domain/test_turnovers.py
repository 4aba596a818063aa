"""How long a stage takes from one shot to the next."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction

from service.domain.turnovers import Run, TurnoverTimes, turnovers


def at(hour: float) -> datetime:
    return datetime(2026, 3, 2, tzinfo=UTC) + timedelta(hours=hour)


def run(shot_id: int, began: float, accepted: float | None = None) -> Run:
    return Run(shot_id=shot_id, began_at=at(began), accepted_at=None if accepted is None else at(accepted))


def test_from_the_last_accepted_frame_to_the_next_first_frame() -> None:
    (found,) = turnovers([run(1, 9, 12), run(2, 15.5)])

    assert (found.left_id, found.taken_id, found.length_s) == (1, 2, 12600)


def test_returning_to_a_set_that_was_held_is_none() -> None:
    found = turnovers([run(1, 9, 12), run(2, 14, 15), run(1, 16, 17), run(3, 20)])

    assert [(each.left_id, each.taken_id) for each in found] == [(1, 2), (1, 3)]


def test_of_a_shot_of_which_nothing_is_accepted_nobody_can_say_when_it_was_done() -> None:
    assert turnovers([run(1, 9), run(2, 14)]) == ()


def test_the_middle_and_the_ninth_tenth() -> None:
    # Type 7 of R. J. Hyndman and Y. Fan, Sample Quantiles in Statistical Packages (1996): of 1…10 the ninth tenth is
    # 9.1, and of 15, 20, 35, 40, 50 the middle 35.
    assert TurnoverTimes.of(range(1, 11)) == TurnoverTimes(number=10, p50_s=Fraction(11, 2), p90_s=Fraction(91, 10))
    assert TurnoverTimes.of([50, 15, 35, 20, 40]).p50_s == 35
    assert TurnoverTimes.of([]) == TurnoverTimes(number=0, p50_s=None, p90_s=None)
