"""Which workers an operator disabled: no engine imports them or gives them anything to do."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete
from sqlmodel import Session, col, select

from service.store.cursors import insert_unless_there
from service.store.tables import SwitchRow


@dataclass(frozen=True, slots=True)
class Disabled:
    """That a worker is disabled: by which key, or the command; since when; and why."""

    by: str
    at: datetime
    reason: str


def disabled(session: Session) -> dict[str, Disabled]:
    """The workers that are disabled, by name."""
    return {row.worker: _disabled(row) for row in session.exec(select(SwitchRow).order_by(col(SwitchRow.worker)))}


def find(session: Session, worker: str) -> Disabled | None:
    """That a worker is disabled; None where it is not."""
    row = session.exec(select(SwitchRow).where(col(SwitchRow.worker) == worker)).one_or_none()
    return None if row is None else _disabled(row)


def disable(session: Session, worker: str, wanted: Disabled) -> bool:
    """Disable a worker, whether it was ever seen or not; False where it is disabled already."""
    values: dict[str, object] = {"worker": worker, "by": wanted.by, "at": wanted.at, "reason": wanted.reason}
    return insert_unless_there(session, SwitchRow, values)


def enable(session: Session, worker: str) -> bool:
    """Enable a worker; False where it is not disabled."""
    return session.exec(delete(SwitchRow).where(col(SwitchRow.worker) == worker)).rowcount == 1


def _disabled(row: SwitchRow) -> Disabled:
    return Disabled(row.by, row.at, row.reason)
