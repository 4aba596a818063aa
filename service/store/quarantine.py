"""The events that workers could not digest: which wait, which are to be tried again, and what became of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, update
from sqlmodel import Session, col, select

from service.domain.events import Event
from service.store.cursors import CursorKey
from service.store.events import event_of
from service.store.rows import locked
from service.store.tables import EventRow, QuarantineRow

DIGESTED, SKIPPED = "digested", "skipped"


@dataclass(frozen=True, slots=True)
class Waiting:
    """An event that was set aside, with the event itself."""

    row: QuarantineRow
    event: Event


def page(
    session: Session, worker: str, *, after: int, limit: int, production_id: int | None = None
) -> Sequence[Waiting]:
    """At most `limit` events that wait, set aside after the entry with id `after`; of one production where given."""
    statement = (
        select(QuarantineRow, EventRow)
        .join(EventRow, col(EventRow.id) == col(QuarantineRow.event_id))
        .where(
            col(QuarantineRow.worker) == worker,
            col(QuarantineRow.id) > after,
            col(QuarantineRow.released_at).is_(None),
        )
    )
    if production_id is not None:
        statement = statement.where(col(EventRow.production_id) == production_id)
    found = session.exec(statement.order_by(col(QuarantineRow.id)).limit(limit))
    return [Waiting(row, event_of(event)) for row, event in found]


def find(session: Session, worker: str, event_id: int, *, lock: bool = False) -> Waiting | None:
    """An event that the newest version of a worker which set it aside could not digest, whatever became of it."""
    statement = (
        select(QuarantineRow)
        .where(col(QuarantineRow.worker) == worker, col(QuarantineRow.event_id) == event_id)
        .order_by(col(QuarantineRow.version).desc(), col(QuarantineRow.id))
        .limit(1)
    )
    row = session.scalars(locked(statement, lock=lock)).one_or_none()
    event = session.get(EventRow, event_id) if row is not None else None
    return None if row is None or event is None else Waiting(row, event_of(event))


def to_retry(session: Session, key: CursorKey) -> Event | None:
    """The first event that somebody asked to be tried again."""
    statement = (
        select(EventRow)
        .join(QuarantineRow, col(QuarantineRow.event_id) == col(EventRow.id))
        .where(*_of(key), col(QuarantineRow.released_at).is_(None), col(QuarantineRow.retry_at).is_not(None))
        .order_by(col(EventRow.id))
        .limit(1)
    )
    row = session.scalars(statement).one_or_none()
    return None if row is None else event_of(row)


def begin_retry(session: Session, key: CursorKey, event_id: int) -> bool:
    """Count a try before it runs, and take the request for it back; False where it was taken back already."""
    begun = session.exec(
        update(QuarantineRow)
        .where(*_of(key), col(QuarantineRow.event_id) == event_id, col(QuarantineRow.retry_at).is_not(None))
        .values(retry_at=None, attempts=col(QuarantineRow.attempts) + 1)
    )
    return begun.rowcount == 1


def ask_again(session: Session, key: CursorKey, event_id: int, *, now: datetime) -> None:
    """Let an event be tried once more: the last try came to nothing through no fault of the worker's."""
    session.exec(update(QuarantineRow).where(*_of(key), col(QuarantineRow.event_id) == event_id).values(retry_at=now))


def note_error(session: Session, key: CursorKey, event_id: int, *, error: str) -> None:
    """Keep what went wrong at the last try."""
    session.exec(update(QuarantineRow).where(*_of(key), col(QuarantineRow.event_id) == event_id).values(error=error))


def digested(session: Session, key: CursorKey, event_id: int, *, now: datetime) -> None:
    """Let an event go that was digested after all."""
    session.exec(
        update(QuarantineRow)
        .where(*_of(key), col(QuarantineRow.event_id) == event_id, col(QuarantineRow.released_at).is_(None))
        .values(released_at=now, release=DIGESTED)
    )


def _of(key: CursorKey) -> tuple[ColumnElement[bool], ...]:
    return (
        col(QuarantineRow.worker) == key.worker,
        col(QuarantineRow.version) == key.version,
        col(QuarantineRow.partition) == key.partition,
    )
