"""Enter a stage's calls and wraps, and put the production days right that they decide."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.events import EventKind
from service.domain.shifts import Signal
from service.domain.studio import Studio, production_day
from service.store import shifts as store
from service.store.events import Happening, append_all
from service.store.tables import ShotRow, StageLogRow, StageRow

KINDS = {Signal.CALL: EventKind.STAGE_CALLED, Signal.WRAP: EventKind.STAGE_WRAPPED}


@dataclass(frozen=True, slots=True)
class Entered:
    """An entry of a stage's log; `fresh` unless it stood there before; `redated` counts moved to another day by it."""

    row: StageLogRow
    fresh: bool
    redated: int


def enter(
    session: Session, stage: StageRow, signal: Signal, *, at: datetime, studio: Studio, by: str, now: datetime
) -> Entered:
    """Enter a call or a wrap; the same one again changes nothing.

    Counts captured around it are dated again, however late it comes.
    """
    stage_id = stage.id or 0
    store.keep_stage(session, stage_id, alone=True)
    known = store.find(session, stage_id, signal, at)
    if known is not None:
        return Entered(known, fresh=False, redated=0)
    row = StageLogRow(stage_id=stage_id, kind=signal.value, at=at, by=by, noted_at=now)
    session.add(row)
    session.flush()
    shot_ids, redated = _date_again(session, stage_id, at, studio)
    data = {"stage": stage.code, "at": at.isoformat()}
    said = Happening(kind=KINDS[signal], at=now, actor=by, data=data)
    append_all(session, [said, *_moved(session, shot_ids, stage.code, by=by, now=now)])
    return Entered(row, fresh=True, redated=redated)


def _date_again(session: Session, stage_id: int, at: datetime, studio: Studio) -> tuple[set[int], int]:
    counts = store.captured_near(session, stage_id, at)
    if not counts:
        return set(), 0
    captured = [row.captured_at for row in counts]
    shifts = store.around(session, stage_id, min(captured), max(captured))
    moved: set[int] = set()
    redated = 0
    for row in counts:
        day_on = production_day(row.captured_at, studio, shifts=shifts)
        if day_on != row.day_on:
            row.day_on = day_on
            redated += 1
            moved |= {row.shot_id} if row.shot_id is not None else set()
    return moved, redated


def _moved(session: Session, shot_ids: set[int], stage: str, *, by: str, now: datetime) -> list[Happening]:
    return [
        Happening(
            kind=EventKind.FRAMES_REDATED,
            at=now,
            actor=by,
            production_id=session.get_one(ShotRow, shot_id).production_id,
            shot_id=shot_id,
            data={"stage": stage},
        )
        for shot_id in sorted(shot_ids)
    ]
