"""Cuts: which frames of which shot an edit shows, in the numbers that shots keep for good.

At a shot's first lock its cut frames are numbered 1…L for good; a later list changes what is planned, never the
numbers. Which end was trimmed is read from the list's source side; where that cannot tell, the tail is taken.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.domain.findings import Finding, FindingKind
from service.domain.frames import FrameSet
from service.domain.uses import Use

Ranges = tuple[tuple[int, int], ...]

WHOLE_EPISODE = "episode"
# As far as the identities reach that counts may name.
MOST_SPAN_FRAMES = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotCut:
    """What a cut shows of one shot, in frame identities.

    `uses` are inclusive ranges in the order of the record; `dissolves` the frames beyond them that dissolves show;
    `source_zero` is the frame number that identity 1 has on the reel `source`, both None where no list has told.
    """

    uses: Ranges
    dissolves: Ranges = ()
    source: str | None = None
    source_zero: int | None = None

    @property
    def frames(self) -> int:
        """How many frames of the shot the cut shows; a frame shown twice is one."""
        return len(FrameSet.of(self.uses))


@dataclass(frozen=True, slots=True, kw_only=True)
class CutShot:
    """A shot as it stands before a new cut.

    `listed`: a locked cut has named it; `counted`: something was shot of it, so that its numbers mean frames.
    """

    cut: ShotCut
    listed: bool
    counted: bool


@dataclass(frozen=True, slots=True)
class Numbered:
    """What a list shows of a shot, in its numbers; where `end_known` is False the tail was taken, not told."""

    cut: ShotCut
    end_known: bool


def numbered(listed: Sequence[Use], standing: CutShot | None, *, untold: frozenset[str]) -> Numbered:
    """The frames of one shot that its uses show, at least one, in the order of the record.

    `untold` are the reels whose numbers say nothing of a shot's ends (see `untold_reels`).
    """
    reel = _reel(listed)
    told = None if reel in untold else reel
    if standing is None or not standing.listed:
        first = _first_numbers(listed, reel, told=told)
        if standing is None or not standing.counted or _lengths(first.cut.uses) == _lengths(standing.cut.uses):
            return first
        return Numbered(first.cut, end_known=False)
    base = standing.cut
    if told is not None and told == base.source and base.source_zero is not None:
        uses = _by_source(listed, base.source_zero)
        if _overlap(uses, base.uses) and _span(uses) <= MOST_SPAN_FRAMES:
            return Numbered(_cut(uses, listed, base.source, base.source_zero), end_known=True)
    return _from_the_head(listed, base, reel)


def _reel(listed: Sequence[Use]) -> str | None:
    """The one reel all uses come from, frame by frame; None where there is none such."""
    reels = {use.source if use.source_frames == use.frames and use.source_in is not None else None for use in listed}
    return reels.pop() if len(reels) == 1 else None


def _first_numbers(listed: Sequence[Use], reel: str | None, *, told: str | None) -> Numbered:
    zero = min((use.source_in for use in listed if use.source_in is not None), default=None)
    if len(listed) == 1:
        zero = zero if reel is not None else None
        return Numbered(_cut(((1, listed[0].frames),), listed, reel, zero), end_known=True)
    if told is not None and zero is not None and _span(uses := _by_source(listed, zero)) <= MOST_SPAN_FRAMES:
        return Numbered(_cut(uses, listed, told, zero), end_known=True)
    return Numbered(_cut(_in_a_row(listed, ()), listed, None, None), end_known=False)


def _from_the_head(listed: Sequence[Use], base: ShotCut, reel: str | None) -> Numbered:
    """Each use begins where it began, so that what it gained or lost lies at its tail."""
    uses = _in_a_row(listed, base.uses)
    source, zero = base.source, base.source_zero
    if reel is not None:
        zeros = {(use.source_in or 0) - (first - 1) for use, (first, _) in zip(listed, uses, strict=True)}
        if len(zeros) == 1:
            source, zero = reel, zeros.pop()
    return Numbered(_cut(uses, listed, source, zero), end_known=_lengths(uses) == _lengths(base.uses))


def _by_source(listed: Sequence[Use], zero: int) -> Ranges:
    firsts = ((use.source_in or 0) - zero + 1 for use in listed)
    return tuple((first, first + use.frames - 1) for first, use in zip(firsts, listed, strict=True))


def _in_a_row(listed: Sequence[Use], before: Ranges) -> Ranges:
    uses: list[tuple[int, int]] = []
    for place, use in enumerate(listed):
        after = uses[-1][1] + 1 if uses else None
        stood = before[place][0] if place < len(before) else None
        first = stood if stood is not None and (after is None or stood >= after) else after or 1
        uses.append((first, first + use.frames - 1))
    return tuple(uses)


def _cut(uses: Ranges, listed: Sequence[Use], source: str | None, zero: int | None) -> ShotCut:
    dissolves = tuple(
        (last + 1, last + use.extra_frames) for (_, last), use in zip(uses, listed, strict=True) if use.extra_frames
    )
    return ShotCut(uses=uses, dissolves=dissolves, source=source, source_zero=zero)


def _lengths(uses: Ranges) -> tuple[int, ...]:
    return tuple(last - first + 1 for first, last in uses)


def _overlap(uses: Ranges, before: Ranges) -> bool:
    return bool(FrameSet.of(uses) & FrameSet.of(before))


def _span(uses: Ranges) -> int:
    return max(last for _, last in uses) - min(first for first, _ in uses) + 1


def by_shot(uses: Iterable[Use]) -> dict[str, list[Use]]:
    """The uses of each shot, in the order of the record."""
    found: dict[str, list[Use]] = defaultdict(list)
    for use in sorted(uses, key=lambda each: each.record_in):
        found[use.shot].append(use)
    return found


def untold_reels(listed: Mapping[str, Sequence[Use]], standing: Mapping[str, CutShot]) -> frozenset[str]:
    """The reels that only repeat the record, as a flattened animatic does, and so tell nothing of a shot's ends.

    Such a reel shows several shots at one constant distance from the record. It is believed all the same where shots
    whose length did not change lie where they lay on it: a flattened reel moves them with the record.
    """
    spans: dict[str, set[int]] = defaultdict(set)
    shots: dict[str, set[str]] = defaultdict(set)
    for shot, uses in listed.items():
        for use in uses:
            if use.source is not None and use.source_in is not None:
                spans[use.source].add(use.source_in - use.record_in)
                shots[use.source].add(shot)
    return frozenset(
        reel
        for reel, distances in spans.items()
        if len(distances) == 1
        and (distances == {0} or (len(shots[reel]) > 1 and not _lies_still(reel, shots[reel], listed, standing)))
    )


def _lies_still(
    reel: str, shots: Iterable[str], listed: Mapping[str, Sequence[Use]], standing: Mapping[str, CutShot]
) -> bool:
    still = []
    for shot in shots:
        before = standing.get(shot)
        if before is None or before.cut.source != reel or before.cut.source_zero is None:
            continue
        if tuple(use.frames for use in listed[shot]) == _lengths(before.cut.uses):
            still.append(_by_source(listed[shot], before.cut.source_zero) == before.cut.uses)
    return bool(still) and all(still)


class CoversRefused(Exception):
    """What a list is said to cover is nothing the current cut has; the message says what would be right."""


def covered(covers: str, current: Sequence[Use]) -> frozenset[str] | None:
    """The shots of the current cut that a list of `FIRST-LAST` speaks for; None for all of the episode.

    A code may hold hyphens: the text is divided where both sides are shots of the cut. Raises CoversRefused.
    """
    if covers == WHOLE_EPISODE:
        return None
    order = list(by_shot(current))
    place = {shot: index for index, shot in enumerate(order)}
    pieces = covers.split("-")
    halves = [("-".join(pieces[:at]), "-".join(pieces[at:])) for at in range(1, len(pieces))]
    found = [(place[first], place[last]) for first, last in halves if first in place and last in place]
    if not found:
        known = f"its first shot is {order[0]}, its last {order[-1]}" if order else "the episode has none yet"
        raise CoversRefused(
            f"Write `episode`, or FIRST-LAST with two shots of the current cut ({known}), as 0120-0180."
        )
    if len(found) > 1:
        raise CoversRefused("The text can be divided into two shots in more than one way; name others.")
    ((first, last),) = found
    if first > last:
        raise CoversRefused(
            f"{order[last]} comes before {order[first]} in the current cut; write the earlier one first."
        )
    return frozenset(order[first : last + 1])


def merged(
    listed: Sequence[Use], current: Sequence[Use], covers: frozenset[str] | None
) -> tuple[tuple[Use, ...], tuple[Finding, ...]]:
    """The whole episode's uses in the order of the record, and what is to be said of where old and new meet.

    Shots the list does not cover keep their uses as they stand; a list that names one of them is at fault.
    """
    if covers is None:
        return tuple(sorted(listed, key=lambda use: use.record_in)), ()
    kept = [use for use in current if use.shot not in covers]
    outside = {use.shot for use in kept}
    findings = [
        Finding(
            kind=FindingKind.NOT_COVERED,
            line=uses[0].line,
            detail=f"The list does not cover {shot}: let it cover more, or leave the shot out.",
            shot=shot,
        )
        for shot, uses in by_shot(listed).items()
        if shot in outside
    ]
    new = {id(use) for use in listed}
    whole = sorted((*kept, *listed), key=lambda use: use.record_in)
    for earlier, later in pairwise(whole):
        if (id(earlier) in new) != (id(later) in new):
            findings += _seam(earlier, later, line=(earlier if id(earlier) in new else later).line)
    return tuple(whole), tuple(findings)


def _seam(earlier: Use, later: Use, *, line: int) -> Iterable[Finding]:
    apart = later.record_in - (earlier.record_in + earlier.frames)
    if apart:
        kind = FindingKind.GAP if apart > 0 else FindingKind.OVERLAP
        what = "lie between" if apart > 0 else "of the record belong to both"
        detail = f"{abs(apart)} frames {what} {earlier.shot} and {later.shot}, of which the list covers only one."
        yield Finding(kind=kind, line=line, detail=detail, shot=later.shot)
