"""Enter what a stage's log says, and put the production days right that its calls and wraps decide."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.counts import CaptureTime
from service.domain.events import EventKind
from service.domain.shifts import DAY_SIGNALS, Line, LogConflict, Signal
from service.domain.studio import Studio, production_day
from service.store import counts as ledger
from service.store import rows
from service.store import shifts as store
from service.store.events import Happening, append_all
from service.store.failures import Outdated
from service.store.tables import ShotRow, StageLogRow, StageRow, TerminalRow
from service.store.takes import locked_shots

KINDS: Mapping[Signal, EventKind] = {
    Signal.CALL: EventKind.STAGE_CALLED,
    Signal.WRAP: EventKind.STAGE_WRAPPED,
    Signal.WAITING: EventKind.STAGE_WAITED,
    Signal.RESUMED: EventKind.STAGE_RESUMED,
    Signal.POWER_OFF: EventKind.STAGE_POWERED_OFF,
}


@dataclass(frozen=True, slots=True)
class Author:
    """Who enters a line: the name of the key, and the terminal it belongs to, where it does."""

    by: str
    terminal_id: int | None = None


@dataclass(frozen=True, slots=True)
class Entered:
    """A line of a stage's log; `fresh` unless it stood there before."""

    row: StageLogRow
    fresh: bool


def enter(
    session: Session, stage: StageRow, line: Line, *, time: CaptureTime, studio: Studio, author: Author, now: datetime
) -> Entered:
    """Enter a line, whatever the log said before; the same one again changes nothing. Raises LogConflict.

    A line with an identity is the same by that, another by kind, instant and reason. Counts captured around a call or a
    wrap are dated again, however late it comes.
    """
    stage_id = stage.id or 0
    store.keep_stage(session, stage_id, alone=True)
    if author.terminal_id is not None:
        session.get_one(TerminalRow, author.terminal_id).last_seen_at = now
    known = _known(session, stage_id, line, terminal_id=author.terminal_id, at=time.captured_at)
    if known is not None:
        return Entered(known, fresh=False)
    row = _row(stage_id, line, time, author=author, now=now)
    try:
        rows.add(session, row)
    except rows.NameTaken:
        # Its terminal was put beside another stage meanwhile, whose lock is another, and brought it there.
        raise Outdated from None
    shots: Sequence[ShotRow] = ()
    if line.signal in DAY_SIGNALS:
        shots, row.redated_counts = _date_again(session, stage_id, row.at, studio)
    data = {"stage": stage.code, "at": row.at.isoformat(), "reason": line.reason}
    said = Happening(kind=KINDS[line.signal], at=now, actor=author.by, data=data)
    append_all(session, [said, *_moved(shots, stage.code, by=author.by, now=now)])
    return Entered(row, fresh=True)


def _known(session: Session, stage_id: int, line: Line, *, terminal_id: int | None, at: datetime) -> StageLogRow | None:
    """The line as it stood there before; raises LogConflict."""
    identity = line.identity
    if identity is None or terminal_id is None:
        return store.find(session, stage_id, line.signal, at, reason=line.reason)
    serial = (identity.spool, identity.serial)
    known = ledger.known(session, terminal_id, [serial]).get(serial)
    if known is None:
        return None
    if known.digest != line.digest:
        raise LogConflict(identity.spool, identity.serial)
    return store.named(session, terminal_id, identity)


def _row(stage_id: int, line: Line, time: CaptureTime, *, author: Author, now: datetime) -> StageLogRow:
    identity = line.identity
    return StageLogRow(
        stage_id=stage_id,
        kind=line.signal.value,
        at=time.captured_at,
        reason=line.reason,
        time_basis=time.basis.value,
        adjusted=time.adjusted,
        terminal_id=author.terminal_id,
        spool=identity.spool if identity else None,
        serial=identity.serial if identity else None,
        digest=line.digest if identity else None,
        redated_counts=0,
        by=author.by,
        noted_at=now,
    )


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
