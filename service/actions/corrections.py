"""Put frames right: restate what a series holds, or move the counts of a take to the take they are of."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session

from service.actions.sheets import SeriesKey, Sheet, Track
from service.actions.takes import TakeUnknown
from service.domain.corrections import What
from service.domain.events import EventKind
from service.domain.progress import Figures, TakeKey
from service.domain.refusals import Clash, Unfit
from service.domain.studio import Studio
from service.store import corrections
from service.store.events import Happening, append_all
from service.store.tables import CorrectionRow, ShotRow, TakeRow

LAST_TAKE = 9999


@dataclass(eq=False)
class SeriesUnclear(Unfit):
    """Take {take} of shot {shot} was counted in several series, by camera and pass: {series}. Name the one you mean."""

    POINTER = "/camera"

    shot: str
    take: int
    series: tuple[str, ...]


@dataclass(eq=False)
class SeriesUnknown(Unfit):
    """Take {take} of shot {shot} has no such series; by camera and pass it was counted in {series}."""

    POINTER = "/camera"

    shot: str
    take: int
    series: tuple[str, ...]


@dataclass(eq=False)
class PostedInFrames(Unfit):
    """The count that stands was posted in frames, so captures say nothing of its length: give frames_total."""

    POINTER = "/captures_total"


@dataclass(eq=False)
class TotalStands(Clash):
    """Take {take} of shot {shot} holds {frames} frames already: nothing was changed."""

    shot: str
    take: int
    frames: int


@dataclass(eq=False)
class OtherTotal(Clash):
    """Take {take} of shot {shot} holds {frames} frames by now, not the {instead_of_frames} you mean to correct.

    Look at it again, then name what it holds.
    """

    shot: str
    take: int
    frames: int
    instead_of_frames: int


@dataclass(eq=False)
class PartUnknown(Unfit):
    """Shot {shot} has no part {part}; it has {parts}."""

    POINTER = "/move_to/part"

    shot: str
    part: str
    parts: tuple[str, ...]


@dataclass(eq=False)
class TakeHasFrames(Clash):
    """Take {take} of shot {shot} has counts of its own, which would be mixed up with these; take {free} has none."""

    shot: str
    take: int
    free: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """The series of a take that are meant: `key` is the take; of all cameras and passes, or of one."""

    key: TakeKey
    camera: str | None = None
    pass_: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """What a series holds, in captures or in frames; of the total `instead_of_frames` alone, where that is said."""

    captures_total: int | None = None
    frames_total: int | None = None
    instead_of_frames: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """Where counts belong: the shot, and its part and take where they are not those they say."""

    shot: ShotRow
    part: str | None = None
    take: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """Who says so and why, when, and what the studio set."""

    by: str
    reason: str
    now: datetime
    studio: Studio


@dataclass(frozen=True, slots=True)
class ShotChange:
    """The figures of a shot before and after a correction."""

    shot: ShotRow
    before: Figures
    after: Figures


@dataclass(frozen=True, slots=True)
class Corrected:
    """A correction that was made, every shot it touched, and whether decisions and notes went with the counts."""

    row: CorrectionRow
    take: TakeRow
    shots: Sequence[ShotChange]
    sayings_moved: bool = False


Check = Callable[[TakeRow], None]
"""Sees the locked take before anything is written, and raises where the caller knew an older state."""


def restate(session: Session, shot_id: int, series: Series, total: Total, *, check: Check, said: Said) -> Corrected:
    """Let a series hold what somebody says it holds, until a later count of it comes.

    Raises TakeUnknown, SeriesUnknown, SeriesUnclear, PostedInFrames, TotalStands and OtherTotal.
    """
    sheet = Sheet(session, [shot_id], said.studio)
    shot, number = sheet.shots[shot_id], series.key[2]
    take = _locked_take(sheet, shot, series.key, check)
    meant = _meant(sheet, shot, series)
    if len(meant) > 1:
        raise SeriesUnclear(shot.code, number, tuple(_named(key) for key in sorted(meant)))
    ((key, track),) = meant.items()
    before_frames = track.row.total_frames
    if total.instead_of_frames not in {None, before_frames}:
        raise OtherTotal(shot.code, number, before_frames, total.instead_of_frames or 0)
    sheet.prepare({(shot_id, number)})
    frames = _frames(session, track, total)
    if frames == before_frames:
        raise TotalStands(shot.code, number, frames)
    before = sheet.figures(shot_id)
    count = sheet.restate(track, frames)
    row = _row(What.TOTAL, shot, series.key, said)
    (_, row.camera, row.pass_), row.count_id = key, count.id
    row.before_frames, row.frames, row.captures_total = before_frames, frames, total.captures_total
    _keep(session, sheet, row, said)
    return Corrected(row, take, [ShotChange(shot, before, sheet.figures(shot_id))])


def move(session: Session, shot_id: int, series: Series, to: Move, *, check: Check, said: Said) -> Corrected:
    """Let all counts a take has so far count for another take, of the same shot or of another.

    Raises TakeUnknown, SeriesUnknown, PartUnknown and TakeHasFrames.
    """
    to_id = to.shot.id or 0
    sheet = Sheet(session, {shot_id, to_id}, said.studio)
    shot, other = sheet.shots[shot_id], sheet.shots[to_id]
    take = _locked_take(sheet, shot, series.key, check)
    meant = _meant(sheet, shot, series)
    to_take = _to_take(sheet, other, series.key, to, stage_id=next(iter(meant.values())).row.stage_id)
    _require_room(sheet, other, to_take, meant)
    before = {id_: sheet.figures(id_) for id_ in sheet.shots}
    frames = sum(track.row.total_frames for track in meant.values())
    sheet.prepare({(shot_id, series.key[2])})
    moved = sheet.move(shot_id, meant.keys(), to_shot_id=to_id, to_take=to_take, now=said.now)
    shot.detours += 1
    row = _row(What.MOVE, shot, series.key, said)
    row.camera, row.pass_, row.marks = series.camera, series.pass_, moved.marks
    row.to_shot_id, (row.to_part, _, row.to_take) = to_id, to_take
    row.before_frames = row.frames = frames
    _keep(session, sheet, row, said)
    changes = [ShotChange(sheet.shots[id_], before[id_], sheet.figures(id_)) for id_ in dict.fromkeys((shot_id, to_id))]
    return Corrected(row, take, changes, moved.sayings)


def _locked_take(sheet: Sheet, shot: ShotRow, key: TakeKey, check: Check) -> TakeRow:
    take = sheet.take(shot.id or 0, key)
    if take is None:
        raise TakeUnknown(shot.code, key[2], key[1].value)
    check(take)
    return take


def _meant(sheet: Sheet, shot: ShotRow, series: Series) -> Mapping[SeriesKey, Track]:
    """The series of the take that are meant, at least one."""
    every = sheet.series(shot.id or 0, series.key)
    meant = {
        key: track for key, track in every.items() if series.camera in {None, key[1]} and series.pass_ in {None, key[2]}
    }
    if not meant:
        raise SeriesUnknown(shot.code, series.key[2], tuple(_named(key) for key in sorted(every)))
    return meant


def _named(key: SeriesKey) -> str:
    return f"camera {key[1]} with pass {key[2]}"


def _frames(session: Session, track: Track, total: Total) -> int:
    if total.frames_total is not None:
        return total.frames_total
    if track.heads is None:
        raise RuntimeError("prepare the take before restating it")
    count = corrections.count_of(session, track.row.id or 0, track.heads.ruling)
    if count.captures_total is None:
        raise PostedInFrames
    return (total.captures_total or 0) * count.frames_per_capture


def _to_take(sheet: Sheet, shot: ShotRow, key: TakeKey, to: Move, *, stage_id: int) -> TakeKey:
    part, purpose, number = key
    plan = sheet.plan(shot.id or 0)
    parts = tuple(each.part for each in plan.parts) or ("",)
    if to.part is None:
        part = plan.part_by_hand(part or None, stage_id)
    elif to.part in parts:
        part = to.part
    else:
        raise PartUnknown(shot.code, to.part, parts)
    return part, purpose, number if to.take is None else to.take


def _require_room(sheet: Sheet, shot: ShotRow, to_take: TakeKey, meant: Mapping[SeriesKey, Track]) -> None:
    """Raise TakeHasFrames unless the counts come to series that have none, as those of another camera do."""
    taken = {(camera, pass_) for _, camera, pass_ in sheet.series(shot.id or 0, to_take)}
    if taken & {(camera, pass_) for _, camera, pass_ in meant}:
        numbers = {number for _, _, number in sheet.takes(shot.id or 0)}
        free = next(number for number in range(max(numbers) % LAST_TAKE + 1, LAST_TAKE + 2) if number not in numbers)
        raise TakeHasFrames(shot.code, to_take[2], free)


def _row(what: What, shot: ShotRow, key: TakeKey, said: Said) -> CorrectionRow:
    part, purpose, number = key
    return CorrectionRow(
        kind=what.value,
        shot_id=shot.id or 0,
        part=part,
        purpose=purpose.value,
        take=number,
        marks=[],
        before_frames=0,
        frames=0,
        reason=said.reason,
        by=said.by,
        corrected_at=said.now,
    )


def _keep(session: Session, sheet: Sheet, row: CorrectionRow, said: Said) -> None:
    """Write the correction, the journals, and last the events: one for each series it changed."""
    session.add(row)
    sheet.save(now=said.now)
    happenings = sheet.happenings(EventKind.FRAMES_CORRECTED, actor=said.by, now=said.now)
    append_all(session, [told(sheet, row, each) for each in happenings])


def told(sheet: Sheet, row: CorrectionRow, event: Happening) -> Happening:
    """The event of a series with what was corrected, and of counts that were moved where from and where to."""
    origin = goal = None
    if row.to_shot_id is not None:
        origin = {"shot": sheet.shots[row.shot_id].code, "part": row.part, "take": row.take}
        goal = {"shot": sheet.shots[row.to_shot_id].code, "part": row.to_part, "take": row.to_take}
    here = {"shot": sheet.shots[event.shot_id or 0].code, "part": event.data["part"], "take": event.data["take"]}
    left = goal is not None and (here == origin or (row.take is None and here["shot"] != goal["shot"]))
    what = {"correction": row.id, "what": row.kind, "reason": row.reason, "origin": origin, "goal": goal, "left": left}
    return replace(event, data={"shot": here["shot"], **what, **event.data})
