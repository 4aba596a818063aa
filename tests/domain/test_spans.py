"""Spans of time against published worked examples and a count of every second."""

from collections import Counter
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.spans import NEVER, Level, Span, highest, instant_of, levels, overlapping, seconds_of, times

MIDNIGHT = datetime(2026, 10, 24, tzinfo=UTC)


def hours(start: float, end: float) -> Span:
    return Span(MIDNIGHT + timedelta(hours=start), MIDNIGHT + timedelta(hours=end))


SPANS = st.lists(
    st.tuples(st.integers(0, 40), st.integers(1, 12)).map(
        lambda drawn: Span(instant_of(drawn[0]), instant_of(drawn[0] + drawn[1]))
    ),
    max_size=12,
)


def seconds_in(span: Span) -> range:
    return range(seconds_of(span.start_at), seconds_of(span.end_at))


def test_a_worked_day() -> None:
    # Recomputed elsewhere with the reference libraries portion and pandas: [9,12) [11,14) [14,15) [16,17) in [8,18).
    spans = [hours(9, 12), hours(11, 14), hours(14, 15), hours(16, 17)]
    busy = times(spans)

    assert len(busy) == 7 * 3600
    assert sum(span.length_s for span in spans) == 8 * 3600
    assert len(times([hours(8, 18)]) - busy) == 3 * 3600
    assert highest(spans) == 2
    assert [level for level in levels(spans) if level.number == 2] == [Level(hours(11, 12), 2)]
    assert busy.spans == (hours(9, 15), hours(16, 17))


def test_touching_spans_do_not_overlap() -> None:
    spans = [hours(9, 12), hours(12, 14)]

    assert highest(spans) == 1
    assert list(overlapping(spans)) == []
    assert not spans[0].overlaps(spans[1])
    assert list(levels(spans)) == [Level(hours(9, 14), 1)]


def test_work_outside_the_hours_is_no_part_of_them() -> None:
    # Hours 9–18, busy 10–20: eight of nine hours used and two beyond, as recomputed with portion and pandas.
    available, busy = times([hours(9, 18)]), times([hours(10, 20)])

    assert len(busy & available) == 8 * 3600
    assert len(busy - available) == 2 * 3600


@given(SPANS)
def test_a_set_of_times_holds_the_seconds_of_its_spans(spans: list[Span]) -> None:
    expected = {second for span in spans for second in seconds_in(span)}
    found = times(spans)

    assert len(found) == len(expected)
    assert {second for span in found.spans for second in seconds_in(span)} == expected
    assert (found == NEVER) == (not spans)
    assert all(sooner.end_at < later.start_at for sooner, later in pairwise(found.spans))


@given(SPANS)
def test_levels_are_what_counting_each_second_gives(spans: list[Span]) -> None:
    counted = Counter(second for span in spans for second in seconds_in(span))
    found = list(levels(spans))

    assert {second: level.number for level in found for second in seconds_in(level.span)} == counted
    assert highest(spans) == max(counted.values(), default=0)
    for sooner, later in pairwise(found):
        assert sooner.span.end_at < later.span.start_at or sooner.number != later.number


@given(SPANS)
def test_pairs_that_overlap_are_those_that_comparing_all_finds(spans: list[Span]) -> None:
    every = {(one, other) for other in range(len(spans)) for one in range(other) if spans[one].overlaps(spans[other])}

    found = [tuple(sorted(pair)) for pair in overlapping(spans)]
    assert len(found) == len(set(found))
    assert set(found) == every


def test_a_span_that_does_not_last_is_none() -> None:
    with pytest.raises(ValueError, match="ends after it starts"):
        hours(9, 9)
