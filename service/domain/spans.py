"""Spans of time: half-open, `[start, end)`, in whole UTC seconds, so that what touches does not overlap.

Lengths are differences of instants, never of what clocks on a wall show: a night over a change of summer time is an
hour longer or shorter than its hours say.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from heapq import heappop, heappush

from service.domain.ranges import RangeSet

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND = timedelta(seconds=1)


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """From `start_at` to just before `end_at`, aware instants; raises ValueError unless it ends after it starts."""

    start_at: datetime
    end_at: datetime

    def __post_init__(self) -> None:
        if self.end_at <= self.start_at:
            raise ValueError("a span ends after it starts")

    @property
    def length_s(self) -> int:
        """Its length in seconds, fractions left out at both ends."""
        return seconds_of(self.end_at) - seconds_of(self.start_at)

    def overlaps(self, other: "Span") -> bool:
        """Whether they have an instant in common; touching spans have none."""
        return self.start_at < other.end_at and other.start_at < self.end_at


def seconds_of(instant: datetime) -> int:
    """Whole seconds of an aware instant since 1970-01-01T00:00Z, a fraction left out."""
    return (instant - _EPOCH) // _SECOND


def instant_of(seconds: int) -> datetime:
    """The instant (UTC) so many seconds after 1970-01-01T00:00Z."""
    return _EPOCH + seconds * _SECOND


@dataclass(frozen=True, slots=True)
class TimeSet(RangeSet):
    """A set of seconds since 1970-01-01T00:00Z; its length is a number of seconds. Make one with `times`.

    `ranges` are its seconds as inclusive ranges, in order, that neither touch nor overlap.
    """

    @property
    def spans(self) -> tuple[Span, ...]:
        """The set as spans that neither touch nor overlap, in order."""
        return tuple(Span(instant_of(first), instant_of(last + 1)) for first, last in self.ranges)


NEVER = TimeSet()


def times(spans: Iterable[Span]) -> TimeSet:
    """The union of spans in any order; what lies in two of them is in it once."""
    return TimeSet.of((seconds_of(span.start_at), seconds_of(span.end_at) - 1) for span in spans)


@dataclass(frozen=True, slots=True)
class Level:
    """That `number` spans overlap all through `span`."""

    span: Span
    number: int


def levels(spans: Iterable[Span]) -> Iterator[Level]:
    """How many of the spans overlap, instant by instant, from the first start to the last end, where any does.

    A sweep over the starts and ends: as many steps as spans have ends, after sorting them. What ends at an instant
    leaves before what starts there comes. Neighbours differ in number.
    """
    ends: dict[datetime, int] = {}
    for span in spans:
        ends[span.start_at] = ends.get(span.start_at, 0) + 1
        ends[span.end_at] = ends.get(span.end_at, 0) - 1
    number, since = 0, None
    for instant, change in sorted(ends.items()):
        if change == 0:
            continue
        if number and since is not None:
            yield Level(Span(since, instant), number)
        number, since = number + change, instant


def highest(spans: Iterable[Span]) -> int:
    """How many of the spans overlap at most at any instant; 0 of none."""
    return max((level.number for level in levels(spans)), default=0)


def overlapping(spans: Sequence[Span]) -> Iterator[tuple[int, int]]:
    """Each pair of spans that overlap, by their places in the sequence, what starts first before the other.

    Of two that start together the one that stands first. Cost: sorting, and a step for each pair found.
    """
    under_way: list[tuple[datetime, int]] = []
    for place in sorted(range(len(spans)), key=lambda each: (spans[each].start_at, each)):
        while under_way and under_way[0][0] <= spans[place].start_at:
            heappop(under_way)
        for _, other in sorted(under_way, key=lambda each: each[1]):
            yield other, place
        heappush(under_way, (spans[place].end_at, place))
