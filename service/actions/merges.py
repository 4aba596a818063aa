"""Merge a shot that was entered under two codes: its takes and counts go to the other, its code stays known."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from sqlmodel import Session

from service.actions.corrections import Said, ShotChange, told
from service.actions.releases import hand_over
from service.actions.sheets import Mark, Sheet
from service.actions.unmatched import post_of
from service.domain.corrections import What
from service.domain.events import EventKind
from service.domain.progress import Cause
from service.domain.refusals import Clash
from service.store import corrections
from service.store import counts as ledger
from service.store.events import Happening, append_all
from service.store.tables import CorrectionRow, CountRow, ProductionRow, ShotRow, TerminalRow

LAST_TAKE = 9999


@dataclass(eq=False)
class MergedWithItself(Clash):
    """Shot {shot} cannot be merged into itself: name the other code it was entered under."""

    shot: str


@dataclass(eq=False)
class ShotMerged(Clash):
    """Shot {shot} was merged into {into}, for good: name {into} instead."""

    shot: str
    into: str


@dataclass(eq=False)
class MergeChain(Clash):
    """Other shots were merged into {shot}, and a merge is not led on: merge the other one into {shot} instead."""

    shot: str


@dataclass(eq=False)
class TakesCollide(Clash):
    """Shots {shot} and {into} both have takes {takes}. With renumber: true those of {shot} follow take {highest}."""

    shot: str
    into: str
    takes: tuple[int, ...]
    highest: int


@dataclass(frozen=True, slots=True)
class Merged:
    """A merge that was made, and the figures of both shots around it, those of the merged one first."""

    row: CorrectionRow
    shots: Sequence[ShotChange]


def require_unmerged(session: Session, shot: ShotRow) -> None:
    """Raise ShotMerged where a shot was merged into another."""
    into = corrections.merged_into(session, [shot.id or 0]) if shot.detours else {}
    if into:
        raise ShotMerged(shot.code, session.get_one(ShotRow, into[shot.id or 0]).code)


def merge(
    session: Session,
    production: ProductionRow,
    shot_id: int,
    into_id: int,
    *,
    renumber: bool,
    check: Callable[[ShotRow], None],
    said: Said,
) -> Merged:
    """Make one shot of two; the one that is merged stays as a row, omitted.

    `check` sees the locked shot before anything is written. Raises MergedWithItself, ShotMerged, MergeChain and
    TakesCollide.
    """
    sheet = Sheet(session, {shot_id, into_id}, said.studio)
    shot, into = sheet.shots[shot_id], sheet.shots[into_id]
    check(shot)
    _require_two(session, shot, into)
    offset = _offset(sheet, shot, into, renumber=renumber)
    before = {id_: sheet.figures(id_) for id_ in sheet.shots}
    frames = sum(
        track.row.total_frames for key in sheet.takes(shot_id) for track in sheet.series(shot_id, key).values()
    )
    marks = _move(sheet, shot_id, into_id, offset, said)
    waiting = ledger.unmatched_of(session, production.code, shot.code)
    _count(session, sheet, waiting, into_id=into_id, offset=offset, said=said)
    shot.omitted = True
    shot.detours += 1
    shot.plan_rev += 1
    shot.rev += 1
    sheet.replan(shot_id, replace(sheet.plan(shot_id), omitted=True), Cause.CORRECTED)
    row = CorrectionRow(
        kind=What.MERGE.value,
        shot_id=shot_id,
        to_shot_id=into_id,
        take_offset=offset,
        marks=marks,
        before_frames=frames,
        frames=frames,
        reason=said.reason,
        by=said.by,
        corrected_at=said.now,
    )
    session.add(row)
    sheet.save(now=said.now)
    merged = Happening(
        kind=EventKind.SHOT_MERGED,
        at=said.now,
        actor=said.by,
        production_id=shot.production_id,
        shot_id=shot_id,
        data={
            "production": production.code,
            "shot": shot.code,
            "into": into.code,
            "correction": row.id,
            "take_offset": offset,
            "reason": said.reason,
        },
    )
    series = sheet.happenings(EventKind.FRAMES_CORRECTED, actor=said.by, now=said.now)
    booked = hand_over(session, shot, into, by=said.by, now=said.now)
    append_all(session, [merged, *booked, *(told(sheet, row, each) for each in series)])
    changes = [ShotChange(sheet.shots[id_], before[id_], sheet.figures(id_)) for id_ in (shot_id, into_id)]
    return Merged(row, changes)


def _require_two(session: Session, shot: ShotRow, into: ShotRow) -> None:
    if shot.id == into.id:
        raise MergedWithItself(shot.code)
    require_unmerged(session, shot)
    require_unmerged(session, into)
    if corrections.has_merged(session, shot.id or 0):
        raise MergeChain(shot.code)


def _offset(sheet: Sheet, shot: ShotRow, into: ShotRow, *, renumber: bool) -> int:
    """What the numbers of a shot's takes rise by; a take whose counts were moved away keeps its number for itself."""
    own, others = ({key[2] for key in sheet.every_take(each.id or 0)} for each in (shot, into))
    if not own & others:
        return 0
    highest = max(others)
    if not renumber or highest + max(own) > LAST_TAKE:
        raise TakesCollide(shot.code, into.code, tuple(sorted(own & others)), highest)
    return highest


def _move(sheet: Sheet, shot_id: int, into_id: int, offset: int, said: Said) -> list[Mark]:
    keys = sheet.takes(shot_id)
    sheet.prepare({(shot_id, key[2]) for key in keys})
    marks: list[Mark] = []
    for key in sorted(keys):
        series = sheet.series(shot_id, key)
        part, purpose, number = key
        stage_id = next(iter(series.values())).row.stage_id
        to_take = (sheet.plan(into_id).part_by_hand(part or None, stage_id), purpose, number + offset)
        marks += sheet.move(shot_id, series.keys(), to_shot_id=into_id, to_take=to_take, now=said.now).marks
    return marks


def _count(
    session: Session, sheet: Sheet, waiting: Sequence[CountRow], *, into_id: int, offset: int, said: Said
) -> None:
    """Count what waits under the merged shot's code: where it counts now is said."""
    sheet.prepare({(into_id, row.take + offset) for row in waiting})
    for row in waiting:
        terminal = session.get_one(TerminalRow, row.terminal_id).name
        post = replace(post_of(row), take=row.take + offset)
        part = sheet.plan(into_id).part_by_hand(row.part, row.stage_id)
        series = sheet.count(into_id, part, post, kept=ledger.ledger_post(row, terminal), now=said.now)
        row.shot_id, row.series_id, row.unmatched_reason = into_id, series.id, None
