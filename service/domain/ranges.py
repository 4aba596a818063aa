"""Sets of whole numbers, kept as few inclusive ranges as will hold them: frame identities, and seconds of time."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Self


@dataclass(frozen=True, slots=True)
class RangeSet:
    """A set of whole numbers as sorted, disjoint, non-touching inclusive ranges; make one with `of`.

    Joining, meeting and taking away cost as much as there are ranges on both sides.
    """

    ranges: tuple[tuple[int, int], ...] = ()

    @classmethod
    def of(cls, ranges: Iterable[tuple[int, int]]) -> Self:
        """The union of inclusive `(first, last)` ranges in any order.

        A range whose last lies before its first is empty.
        """
        merged: list[tuple[int, int]] = []
        for first, last in sorted(span for span in ranges if span[0] <= span[1]):
            if merged and first <= merged[-1][1] + 1:
                merged[-1] = (merged[-1][0], max(merged[-1][1], last))
            else:
                merged.append((first, last))
        return cls(tuple(merged))

    @classmethod
    def union(cls, sets: Iterable[Self]) -> Self:
        """Everything that is in at least one of the sets."""
        return cls.of(span for each in sets for span in each.ranges)

    def __len__(self) -> int:
        """How many numbers are in the set."""
        return sum(last - first + 1 for first, last in self.ranges)

    def __bool__(self) -> bool:
        return bool(self.ranges)

    def __or__(self, other: Self) -> Self:
        return type(self).of((*self.ranges, *other.ranges))

    def __and__(self, other: Self) -> Self:
        return type(self)(tuple(_overlaps(self.ranges, other.ranges)))

    def __sub__(self, other: Self) -> Self:
        return type(self)(tuple(_without(self.ranges, other.ranges)))

    @property
    def first(self) -> int | None:
        """The lowest number, or None of an empty set."""
        return self.ranges[0][0] if self.ranges else None

    @property
    def last(self) -> int | None:
        """The highest number, or None of an empty set."""
        return self.ranges[-1][1] if self.ranges else None

    def nth(self, place: int) -> int:
        """The number at a place in the set, counted from 1; raises IndexError where it has not so many."""
        left = place
        for first, last in self.ranges:
            if left <= last - first + 1:
                return first + left - 1
            left -= last - first + 1
        raise IndexError(place)


def _overlaps(left: tuple[tuple[int, int], ...], right: tuple[tuple[int, int], ...]) -> Iterator[tuple[int, int]]:
    here = there = 0
    while here < len(left) and there < len(right):
        first, last = max(left[here][0], right[there][0]), min(left[here][1], right[there][1])
        if first <= last:
            yield first, last
        if left[here][1] < right[there][1]:
            here += 1
        else:
            there += 1


def _without(ranges: tuple[tuple[int, int], ...], holes: tuple[tuple[int, int], ...]) -> Iterator[tuple[int, int]]:
    at = 0
    for first, last in ranges:
        start = first
        while at < len(holes) and holes[at][0] <= last:
            if holes[at][0] > start:
                yield start, holes[at][0] - 1
            start = max(start, holes[at][1] + 1)
            if holes[at][1] > last:
                # It may reach into the next range, too.
                break
            at += 1
        if start <= last:
            yield start, last
