"""Reminders: instants at which workers want to be told that they came."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import delete, insert, select
from sqlmodel import Session, col

from service.domain.events import EventKind
from service.store.events import Happening
from service.store.rows import locked
from service.store.tables import ReminderRow

ACTOR = "engine"
AT_ONCE = 200


def keep(session: Session, worker: str, wanted: Mapping[str, datetime | None]) -> None:
    """Let a worker be reminded under each name at its instant and at no other; None: not at all."""
    if not wanted:
        return
    named = col(ReminderRow.worker) == worker, col(ReminderRow.name).in_(sorted(wanted))
    session.execute(delete(ReminderRow).where(*named))
    rows = [{"worker": worker, "name": name, "due_at": at} for name, at in sorted(wanted.items()) if at is not None]
    if rows:
        session.execute(insert(ReminderRow), rows)


def anything_due(session: Session, now: datetime) -> bool:
    """Whether the instant of any has come."""
    statement = select(col(ReminderRow.name)).where(col(ReminderRow.due_at) <= now).limit(1)
    return session.scalar(statement) is not None


def take(session: Session, now: datetime) -> Sequence[Happening]:
    """Take those whose instant has come, the first ones of many, and what is to be appended to the log about them.

    Locked before they are deleted: of two engines one takes each.
    """
    due = select(ReminderRow).where(col(ReminderRow.due_at) <= now).order_by(col(ReminderRow.due_at)).limit(AT_ONCE)
    statement = locked(due, lock=True)
    if session.get_bind().dialect.name == "postgresql":
        statement = due.with_for_update(skip_locked=True)
    rows = list(session.scalars(statement))
    happenings = [
        Happening(kind=EventKind.REMINDER_CAME, at=now, actor=ACTOR, data={"worker": row.worker, "name": row.name})
        for row in rows
    ]
    for row in rows:
        session.delete(row)
    return happenings
