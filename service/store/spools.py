"""Spools: what is kept of a terminal's store of counts and lines of its stage's log."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func
from sqlmodel import Session, col, select

from service.store.tables import CountRow, StageLogRow


@dataclass(frozen=True, slots=True)
class Kept:
    """How many counts and log lines of a spool are kept, and the highest serial of either."""

    counts: int
    log_lines: int
    last_serial: int | None


NOTHING = Kept(0, 0, None)


@dataclass(frozen=True, slots=True)
class SpoolCounts:
    """How many counts of a spool are kept, the highest serial among them, and when the last of them came (UTC)."""

    spool: str
    counts: int
    last_serial: int
    last_received_at: datetime


def of_terminal(session: Session, terminal_id: int) -> list[SpoolCounts]:
    """The spools that counts of a terminal came from, the one that came last first."""
    last = func.max(CountRow.received_at)
    statement = (
        select(CountRow.spool, func.count(), func.max(CountRow.serial), last)
        .where(col(CountRow.terminal_id) == terminal_id)
        .group_by(col(CountRow.spool))
        .order_by(last.desc(), col(CountRow.spool))
    )
    return [SpoolCounts(*row) for row in session.exec(statement)]


def kept(session: Session, terminal_id: int, spool: str) -> Kept:
    """What is kept of a spool of a terminal."""
    counts = select(func.count(), func.max(CountRow.serial)).where(
        col(CountRow.terminal_id) == terminal_id, col(CountRow.spool) == spool
    )
    lines = select(func.count(), func.max(StageLogRow.serial)).where(
        col(StageLogRow.terminal_id) == terminal_id, col(StageLogRow.spool) == spool
    )
    (counted, last_count), (logged, last_line) = session.exec(counts).one(), session.exec(lines).one()
    highest = [serial for serial in (last_count, last_line) if serial is not None]
    return Kept(counted, logged, max(highest, default=None))
