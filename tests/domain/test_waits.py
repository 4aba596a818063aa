"""How long takes wait for a decision: percentiles against published values and the standard library's."""

import statistics
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.waits import FirstTakes, Spread, decided_waits, first_takes, hours, percentile, waits_at
from tests.domain.viewings import SHOT, at, said, series, shot, take


@pytest.mark.parametrize(
    ("values", "share", "value"),
    [
        # The linear interpolation method at liquisearch.com, "Percentile", worked examples; type 7 of Hyndman and Fan.
        ([15, 20, 35, 40, 50], Fraction(40, 100), Fraction(29)),
        # As the documentation of numpy.percentile has it for its default, "linear", the same type 7.
        (range(1, 11), Fraction(9, 10), Fraction(91, 10)),
        ([7], Fraction(9, 10), Fraction(7)),
        ([1, 2], Fraction(1), Fraction(2)),
        ([1, 2], Fraction(0), Fraction(1)),
    ],
)
def test_percentiles_are_those_of_type_7(values: list[int], share: Fraction, value: Fraction) -> None:
    assert percentile([Fraction(each) for each in values], share) == value


def test_no_values_have_no_percentile() -> None:
    assert percentile([], Fraction(1, 2)) is None
    assert Spread.of([]) == Spread(takes=0, p50_h=None, p90_h=None)


@given(st.lists(st.fractions(-1000, 1000, max_denominator=60), min_size=2, max_size=40), st.integers(2, 20))
def test_percentiles_are_those_of_the_standard_library(values: list[Fraction], parts: int) -> None:
    # statistics.quantiles, method "inclusive", of the Python standard library.
    shares = [Fraction(cut, parts) for cut in range(1, parts)]
    assert [percentile(values, share) for share in shares] == statistics.quantiles(values, n=parts, method="inclusive")


def test_hours_are_exact() -> None:
    assert hours(timedelta(minutes=20)) == Fraction(1, 3)
    assert hours(timedelta(microseconds=1)) * 3_600_000_000 == 1


def test_a_decision_waited_from_the_first_offer_to_the_first_verdict_whatever_came_later() -> None:
    later = [said(1, "reject", 5), said(2, "withdraw", 6), said(3, "circle", 30)]
    of = [shot(take(series(1, 96, offered=2), decisions=later))]
    assert list(decided_waits(of, at(0), closes_at=at(24))) == [timedelta(hours=3)]
    assert list(decided_waits(of, at(24), closes_at=at(48))) == []


def test_the_day_of_a_decision_ends_before_the_next_begins() -> None:
    of = [shot(take(series(1, 96, offered=2), decisions=[said(1, "circle", 5)]))]
    assert len(list(decided_waits(of, at(5), closes_at=at(6)))) == 1
    assert list(decided_waits(of, at(4), closes_at=at(5))) == []


def test_a_verdict_on_what_nobody_offered_ends_no_wait() -> None:
    never = shot(take(series(1, 40, abandoned=True), decisions=[said(1, "reject", 5)]))
    before = shot(take(series(1, 96, offered=8), decisions=[said(1, "reject", 5)]))
    assert list(decided_waits([never, before], at(0), closes_at=at(24))) == []


def test_a_verdict_on_an_optional_camera_ends_no_wait() -> None:
    tracks = series(1, 96, offered=1), series(1, 96, offered=1, camera="witness")
    of = [shot(take(*tracks, decisions=[said(1, "circle", 2, camera="witness"), said(2, "circle", 7, camera="main")]))]
    assert list(decided_waits(of, at(0), closes_at=at(24))) == [timedelta(hours=6)]


def test_what_waits_is_reckoned_as_of_an_instant() -> None:
    of = [
        shot(take(series(1, 96, offered=1), decisions=[said(1, "circle", 10)])),
        shot(take(series(1, 96, offered=4))),
        shot(take(series(1, 96, offered=20))),
    ]
    assert sorted(waits_at(of, at(8))) == [timedelta(hours=4), timedelta(hours=7)]
    assert Spread.of(waits_at(of, at(8))) == Spread(takes=2, p50_h=Fraction(11, 2), p90_h=Fraction(67, 10))
    assert sorted(waits_at(of, at(21))) == [timedelta(hours=1), timedelta(hours=17)]


def rate(*shots: object, opens: float = 0, closes: float = 24) -> tuple[int, int]:
    found = first_takes(shots, at(opens), closes_at=at(closes))  # type: ignore[arg-type]
    return found.approved, found.decided


def test_a_first_take_that_is_circled_is_approved() -> None:
    assert rate(shot(take(series(1, 96, offered=1), decisions=[said(1, "circle", 2)]))) == (1, 1)


def test_a_first_take_that_is_accepted_range_by_range_is_approved_when_all_planned_frames_are() -> None:
    ranges = [said(1, "accept", 2, first=1, last=60), said(2, "accept", 3, first=61, last=96)]
    assert rate(shot(take(series(1, 100, offered=1), decisions=ranges))) == (1, 1)
    assert rate(shot(take(series(1, 100, offered=1), decisions=ranges[:1]))) == (0, 1)


def test_a_shot_whose_second_take_is_circled_was_decided_and_not_at_once() -> None:
    rejected = take(series(1, 96, offered=1), decisions=[said(1, "reject", 2)])
    second = take(series(2, 96, offered=3), decisions=[said(2, "circle", 4)])
    assert rate(shot(rejected, second)) == (0, 1)
    assert rate(shot(replace(rejected, said=()), second)) == (0, 1)


def test_a_take_given_up_before_does_not_count_unless_it_was_rejected() -> None:
    given_up = take(series(1, 40, abandoned=True))
    second = take(series(2, 96, offered=3), decisions=[said(2, "circle", 4)])
    assert rate(shot(given_up, second)) == (1, 1)
    assert rate(shot(replace(given_up, said=[said(1, "reject", 2)]), second)) == (0, 1)


def test_parts_are_decided_apart_and_omitted_shots_left_out() -> None:
    left = take(series(1, 60, offered=1, part="left"), decisions=[said(1, "circle", 2)])
    right = take(series(2, 42, offered=1, starts_at=55, part="right"), decisions=[said(2, "reject", 2)])
    assert rate(shot(left, right)) == (1, 2)
    assert rate(shot(left, right, plan=replace(SHOT, omitted=True))) == (0, 0)


def test_a_shot_belongs_to_the_days_of_its_first_verdict() -> None:
    of = shot(take(series(1, 96, offered=1), decisions=[said(1, "reject", 2), said(2, "circle", 30)]))
    assert rate(of) == (0, 1)
    assert rate(of, closes=48) == (1, 1)
    assert rate(of, opens=24, closes=48) == (0, 0)


def test_the_rate_of_none_decided_is_undefined() -> None:
    assert FirstTakes(decided=0, approved=0).rate is None
    assert FirstTakes(decided=3, approved=1).rate == Fraction(1, 3)
