"""Differences: what a new cut changes of a shot, at which end, and what that does to a shot in hand."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.domain.frames import FrameSet
from service.domain.moves import Standing, approval_changed, comp_outdated, replanned
from service.domain.phases import Phase
from service.domain.progress import shot_figures
from service.domain.shots import Plan


class Change(StrEnum):
    """What a new cut does to a shot."""

    ADDED = "added"
    LENGTHENED = "lengthened"
    SHORTENED = "shortened"
    SLIPPED = "slipped"
    REPLANNED = "handles or dissolves changed"
    MOVED = "moved"
    OMITTED = "omitted"
    RESTORED = "restored"


class End(StrEnum):
    """Which end of a shot a new cut changes; `unknown` where the list could not tell and the tail was taken."""

    HEAD = "head"
    TAIL = "tail"
    BOTH = "both"
    WITHIN = "within"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class InHand:
    """What a new cut does to a shot of which something was shot, in frames.

    `phase` is where it is, and stays. `reopens` where all of it was credited and now is not; `comp_goes_out_of_date`
    where its comp shows what is asked for and then does not, `approval_goes_out_of_date` where its approval stands for
    the frames as they are and then does not; `stage_ids` are the stages that counted it.
    """

    phase: Phase
    stage_ids: tuple[int, ...]
    credited_frames_before: int
    credited_frames_after: int
    remaining_frames_after: int
    overshoot_frames_after: int
    reopens: bool
    comp_goes_out_of_date: bool
    approval_goes_out_of_date: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """How one shot differs, in frames: no changes where it does not.

    What it was is 0 of a shot that is added or restored.
    """

    shot: str
    changes: tuple[Change, ...]
    end: End | None
    head_frames: int
    tail_frames: int
    cut_frames_before: int
    cut_frames_after: int
    planned_frames_before: int
    planned_frames_after: int
    in_hand: InHand | None = None


def difference(
    shot: str, before: Plan | None, after: Plan, *, end_known: bool = True, moved: bool = False
) -> Difference:
    """How a shot's plan differs from what it was; None before where the shot is new.

    `head_frames` and `tail_frames` are frames gained at an end, negative where frames came off.
    """
    old = None if before is None else FrameSet.of(before.uses)
    new = FrameSet.of(after.uses)
    head, tail = (0, 0) if old is None or after.omitted else _ends(old, new)
    return Difference(
        shot=shot,
        changes=tuple(_changes(before, after, moved=moved)),
        end=None if old is None or after.omitted else _end(old, new, end_known=end_known),
        head_frames=head,
        tail_frames=tail,
        cut_frames_before=0 if before is None else len(before.cut_set),
        cut_frames_after=len(after.cut_set),
        planned_frames_before=0 if before is None else len(before.planned_set),
        planned_frames_after=len(after.planned_set),
    )


def _changes(before: Plan | None, after: Plan, *, moved: bool) -> Iterable[Change]:
    if before is None:
        yield Change.ADDED
        return
    if after.omitted:
        if not before.omitted:
            yield Change.OMITTED
        return
    if before.omitted:
        yield Change.RESTORED
    old, new = FrameSet.of(before.uses), FrameSet.of(after.uses)
    if len(new) != len(old):
        yield Change.LENGTHENED if len(new) > len(old) else Change.SHORTENED
    elif new != old:
        yield Change.SLIPPED
    elif not before.omitted and before.planned_set != after.planned_set:
        yield Change.REPLANNED
    if moved:
        yield Change.MOVED


def _ends(old: FrameSet, new: FrameSet) -> tuple[int, int]:
    return (old.first or 0) - (new.first or 0), (new.last or 0) - (old.last or 0)


def _end(old: FrameSet, new: FrameSet, *, end_known: bool) -> End | None:
    if old == new:
        return None
    if not end_known:
        return End.UNKNOWN
    match _ends(old, new):
        case (0, 0):
            return End.WITHIN
        case (_, 0):
            return End.HEAD
        case (0, _):
            return End.TAIL
        case _:
            return End.BOTH


def in_hand(standing: Standing, plan: Plan) -> InHand | None:
    """What a new plan does to a shot's figures, its comp and its approval; None where nothing was shot of it."""
    if not any(series.total_frames for series in standing.facts.series):
        return None
    then = replanned(standing, plan)
    was, becomes = shot_figures(standing.facts).figures, shot_figures(then.facts).figures
    done = was.planned_frames > 0 and was.remaining_frames == 0
    return InHand(
        phase=standing.phase,
        stage_ids=tuple(sorted({series.stage_id for series in standing.facts.series})),
        credited_frames_before=was.credited_frames,
        credited_frames_after=becomes.credited_frames,
        remaining_frames_after=becomes.remaining_frames,
        overshoot_frames_after=becomes.overshoot_frames,
        reopens=done and becomes.remaining_frames > 0,
        comp_goes_out_of_date=not comp_outdated(standing) and bool(comp_outdated(then)),
        approval_goes_out_of_date=not approval_changed(standing) and bool(approval_changed(then)),
    )


def moved(before: Sequence[str], after: Sequence[str]) -> frozenset[str]:
    """The shots that changed places: as few as leave the others in the order they had.

    A shot whose neighbours only became longer has not moved.
    """
    place = {shot: index for index, shot in enumerate(before)}
    common = [shot for shot in after if shot in place]
    # The longest run of rising old places, found by keeping for each length the lowest place such a run can end with.
    ends: list[int] = []
    tails: list[int] = []
    previous: list[int] = []
    for index, shot in enumerate(common):
        length = bisect_left(ends, place[shot])
        previous.append(tails[length - 1] if length else -1)
        if length == len(ends):
            ends.append(place[shot])
            tails.append(index)
        else:
            ends[length], tails[length] = place[shot], index
    still: set[str] = set()
    index = tails[-1] if tails else -1
    while index >= 0:
        still.add(common[index])
        index = previous[index]
    return frozenset(common) - still
