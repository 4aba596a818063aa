"""Sets of frame identities: which frames of a shot, as few inclusive ranges as will hold them.

A shot's cut frames are numbered 1…L for good; handles run below 1 and above L. Everything the figures say of frames is
said of such sets, because a sum of totals counts a frame twice wherever two stages, takes or cameras overlap.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

# Wider than any identity the door lets in, so that "all of it" also covers what is shot later.
EVERYTHING_FIRST = -(2**40)
EVERYTHING_LAST = 2**40


@dataclass(frozen=True, slots=True)
class FrameSet:
    """A set of frame identities as sorted, disjoint, non-touching inclusive ranges.

    Make one with `frames` or `FrameSet.of`.
    """

    ranges: tuple[tuple[int, int], ...] = ()

    @classmethod
    def of(cls, ranges: Iterable[tuple[int, int]]) -> "FrameSet":
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
    def union(cls, sets: Iterable["FrameSet"]) -> "FrameSet":
        """Every frame that is in at least one of the sets."""
        return cls.of(span for each in sets for span in each.ranges)

    def __len__(self) -> int:
        """How many frames are in the set."""
        return sum(last - first + 1 for first, last in self.ranges)

    def __bool__(self) -> bool:
        return bool(self.ranges)

    def __or__(self, other: "FrameSet") -> "FrameSet":
        return FrameSet.of((*self.ranges, *other.ranges))

    def __and__(self, other: "FrameSet") -> "FrameSet":
        return FrameSet(tuple(_overlaps(self.ranges, other.ranges)))

    def __sub__(self, other: "FrameSet") -> "FrameSet":
        return FrameSet(tuple(_without(self.ranges, other.ranges)))

    @property
    def first(self) -> int | None:
        """The lowest frame identity, or None of an empty set."""
        return self.ranges[0][0] if self.ranges else None

    @property
    def last(self) -> int | None:
        """The highest frame identity, or None of an empty set."""
        return self.ranges[-1][1] if self.ranges else None


def frames(first: int, last: int) -> FrameSet:
    """The frames first…last, both included; empty where last < first."""
    return FrameSet.of([(first, last)])


def run(starts_at: int, total_frames: int) -> FrameSet:
    """The frames a series of `total_frames` covers from the identity `starts_at` on."""
    return frames(starts_at, starts_at + total_frames - 1)


def common(first: FrameSet, others: Iterable[FrameSet]) -> FrameSet:
    """The frames of *first* that are in every one of the others."""
    for each in others:
        first = first & each
    return first


NOTHING = FrameSet()
EVERYTHING = frames(EVERYTHING_FIRST, EVERYTHING_LAST)


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
    for first, last in ranges:
        start = first
        for hole_first, hole_last in holes:
            if hole_last < start:
                continue
            if hole_first > last:
                break
            if hole_first > start:
                yield start, hole_first - 1
            start = hole_last + 1
        if start <= last:
            yield start, last
