"""Sets of frame identities: which frames of a shot, as few inclusive ranges as will hold them.

A shot's cut frames are numbered 1…L for good; handles run below 1 and above L. Everything the figures say of frames is
said of such sets, because a sum of totals counts a frame twice wherever two stages, takes or cameras overlap.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from service.domain.ranges import RangeSet

# Wider than any identity the door lets in, so that "all of it" also covers what is shot later.
EVERYTHING_FIRST = -(2**40)
EVERYTHING_LAST = 2**40


@dataclass(frozen=True, slots=True)
class FrameSet(RangeSet):
    """A set of frame identities as `ranges`: sorted, disjoint, non-touching, both ends included.

    Make one with `frames` or `FrameSet.of`; its length is a number of frames.
    """


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
