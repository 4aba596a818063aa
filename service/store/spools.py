"""Spools: what is kept of a terminal's store of counts."""

from dataclasses import dataclass

from sqlalchemy import func
from sqlmodel import Session, col, select

from service.store.tables import CountRow


@dataclass(frozen=True, slots=True)
class Kept:
    """How many counts of a spool are kept, and the highest serial of them."""

    counts: int
    last_serial: int | None


NOTHING = Kept(0, None)


def kept(session: Session, terminal_id: int, spool: str) -> Kept:
    """What is kept of a spool of a terminal."""
    statement = select(func.count(), func.max(CountRow.serial)).where(
        col(CountRow.terminal_id) == terminal_id, col(CountRow.spool) == spool
    )
    return Kept(*session.exec(statement).one())
