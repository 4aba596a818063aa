"""A queue over a window, and Little's law where the window begins and ends empty."""

from datetime import timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.queues import Stay, Turn, comp_stays, implied_wait, queue
from tests.domain.viewings import at


def test_the_published_example_of_littles_law() -> None:
    # J. D. C. Little and S. C. Graves, Little's Law, as quoted at funcall.blogspot.com: 160 held, 96 a year,
    # 1.67 years.
    wait = implied_wait(Fraction(160), Fraction(96))
    assert wait == Fraction(5, 3)
    assert round(float(wait), 2) == 1.67
    assert implied_wait(Fraction(160), Fraction(0)) is None


def test_a_queue_counted_by_hand() -> None:
    found = queue([Stay(at(1), at(3)), Stay(at(2), at(6)), Stay(at(8), at(9))], at(0), closes_at=at(10))
    assert (found.mean_number, found.arrivals, found.arrivals_per_h) == (Fraction(7, 10), 3, Fraction(3, 10))
    assert (found.mean_wait_h, found.whole, found.keeps_littles_law) == (Fraction(7, 3), True, True)


def test_a_window_that_cuts_a_stay_says_so_and_claims_no_law() -> None:
    found = queue([Stay(at(-1), at(3)), Stay(at(2), None)], at(0), closes_at=at(10))
    assert (found.mean_number, found.arrivals, found.mean_wait_h) == (Fraction(11, 10), 1, None)
    assert (found.whole, found.keeps_littles_law) == (False, None)


def test_an_empty_queue_has_no_mean_wait() -> None:
    found = queue([], at(0), closes_at=at(10))
    assert (found.mean_number, found.arrivals_per_h) == (Fraction(0), Fraction(0))
    assert (found.mean_wait_h, found.keeps_littles_law) == (None, True)


def test_a_window_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="ends after it begins"):
        queue([], at(1), closes_at=at(1))


@given(st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 10_000)), max_size=30))
def test_littles_law_holds_exactly_where_the_window_begins_and_ends_empty(minutes: list[tuple[int, int]]) -> None:
    stays = [Stay(at(0) + timedelta(minutes=min(pair)), at(0) + timedelta(minutes=max(pair))) for pair in minutes]
    found = queue(stays, at(0), closes_at=at(0) + timedelta(minutes=10_001))
    assert found.whole
    assert found.keeps_littles_law


@pytest.mark.parametrize(
    ("turns", "stays"),
    [
        ("1 came, 3 delivered, 4 left", [(1, 3)]),
        ("1 came, 3 left, 5 came", [(1, 3), (5, None)]),
        ("0 delivered, 1 came", [(1, None)]),
        ("1 came, 2 delivered, 3 delivered, 5 withdrawn", [(1, 2), (5, None)]),
        ("1 came, 2 omitted, 3 restored, 4 delivered", [(1, 2), (3, 4)]),
        ("1 came, 2 delivered, 3 left, 4 came", [(1, 2), (4, None)]),
        ("2 omitted, 3 restored, 4 withdrawn", []),
    ],
    ids=[
        "delivered",
        "sent back and there again",
        "a delivery of before it came is of other frames",
        "withdrawn",
        "omitted and restored",
        "there again after a delivery",
        "never there",
    ],
)
def test_a_shot_waits_for_its_comp_while_it_is_in_compositing_without_one(
    turns: str, stays: list[tuple[float, float | None]]
) -> None:
    named = {turn.name.lower(): turn for turn in Turn}
    told = [each.split(" ") for each in turns.split(", ")]
    found = comp_stays([(at(int(hour)), named[turn]) for hour, turn in reversed(told)])
    assert list(found) == [Stay(at(came), None if went is None else at(went)) for came, went in stays]
