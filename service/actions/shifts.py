"""Enter a stage's calls and wraps, and put the production days right that they decide."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.events import EventKind
from service.domain.shifts import Signal
from service.domain.studio import Studio, production_day
from service.store import shifts as store
from service.store.events import Happening, append_all
from service.store.tables import ShotRow, StageLogRow, StageRow
from service.store.takes import locked_shots

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
    shots, redated = _date_again(session, stage_id, at, studio)
    data = {"stage": stage.code, "at": at.isoformat()}
    said = Happening(kind=KINDS[signal], at=now, actor=by, data=data)
    append_all(session, [said, *_moved(shots, stage.code, by=by, now=now)])
    return Entered(row, fresh=True, redated=redated)


def _date_again(session: Session, stage_id: int, at: datetime, studio: Studio) -> tuple[list[ShotRow], int]:
    # Shots are locked before their counts, as everywhere.
    locked_shots(session, store.shots_near(session, stage_id, at))
    counts = store.captured_near(session, stage_id, at)
    if not counts:
        return [], 0
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
    shots = locked_shots(session, moved)
    for shot in shots:
        shot.touched += 1
    return shots, redated


def _moved(shots: Sequence[ShotRow], stage: str, *, by: str, now: datetime) -> list[Happening]:
    return [
        Happening(
            kind=EventKind.FRAMES_REDATED,
            at=now,
            actor=by,
            production_id=shot.production_id,
            shot_id=shot.id,
            data={"stage": stage},
        )
        for shot in shots
    ]
