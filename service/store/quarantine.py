"""The events that workers could not digest: which wait, which are to be tried again, and what became of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, and_, or_, update
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, func, select

from service.domain.editions import EditionState
from service.domain.events import Event
from service.store.cursors import CursorKey
from service.store.cursors import quarantine as set_aside
from service.store.events import event_of
from service.store.tables import EditionRow, EventRow, QuarantineRow

DIGESTED, SKIPPED = "digested", "skipped"
# What was set aside for rows that are no more shown waits for nobody.
_IN_USE = and_(
    col(EditionRow.worker) == col(QuarantineRow.worker),
    col(EditionRow.edition) == col(QuarantineRow.edition),
    col(EditionRow.state).in_([EditionState.RULING.value, EditionState.FILLING.value]),
)


@dataclass(frozen=True, slots=True)
class Waiting:
    """An event that was set aside, with the event itself and the version of the worker that set it aside."""

    row: QuarantineRow
    event: Event
    version: int


def page(
    session: Session, worker: str, *, after: int, limit: int, production_id: int | None = None
) -> Sequence[Waiting]:
    """At most `limit` events that wait, set aside after the entry with id `after`; of one production where given."""
    statement = (
        select(QuarantineRow, EventRow, col(EditionRow.version))
        .join(EventRow, col(EventRow.id) == col(QuarantineRow.event_id))
        .join(EditionRow, _IN_USE)
        .where(
            col(QuarantineRow.worker) == worker,
            col(QuarantineRow.id) > after,
            col(QuarantineRow.released_at).is_(None),
        )
    )
    if production_id is not None:
        statement = statement.where(col(EventRow.production_id) == production_id)
    found = session.exec(statement.order_by(col(QuarantineRow.id)).limit(limit))
    return [Waiting(row, event_of(event), version) for row, event, version in found]


def find(session: Session, worker: str, event_id: int, *, lock: bool = False) -> Waiting | None:
    """An event set aside for the newest edition of a worker's rows that could not digest it, whatever became of it."""
    statement = (
        select(QuarantineRow)
        .join(EditionRow, _IN_USE)
        .where(col(QuarantineRow.worker) == worker, col(QuarantineRow.event_id) == event_id)
        .order_by(col(QuarantineRow.edition).desc(), col(QuarantineRow.id))
        .limit(1)
    )
    if lock:
        statement = statement.with_for_update(of=QuarantineRow).execution_options(populate_existing=True)
    row = session.scalars(statement).one_or_none()
    event = session.get(EventRow, event_id) if row is not None else None
    made = session.get(EditionRow, (row.worker, row.edition)) if row is not None else None
    return None if row is None or event is None or made is None else Waiting(row, event_of(event), made.version)


def wait_behind(session: Session, key: CursorKey, waiting: Mapping[int, int], *, now: datetime) -> None:
    """Set events aside, each behind another one of its shot, by their ids: tried by themselves when that is let go."""
    for event_id, before in waiting.items():
        set_aside(
            session,
            key,
            event_id=event_id,
            attempts=0,
            error=f"It waits behind the event {before} of the same shot.",
            now=now,
        )
        ask_again(session, key, event_id, now=now)


def behind_others(session: Session, key: CursorKey, batch: Sequence[Event]) -> dict[int, int]:
    """The events of a batch that have to wait, each by its id, with the last one of its shot that waits before it."""
    last, found = _last_waiting(session, key), {}
    for event in batch:
        if event.shot_id in last:
            found[event.id], last[event.shot_id] = last[event.shot_id], event.id
    return found


def _last_waiting(session: Session, key: CursorKey) -> dict[int | None, int]:
    """The last event of each shot that waits, by the id of the shot."""
    statement = (
        select(EventRow.shot_id, func.max(EventRow.id))
        .join(QuarantineRow, col(QuarantineRow.event_id) == col(EventRow.id))
        .where(*_of(key), col(QuarantineRow.released_at).is_(None), col(EventRow.shot_id).is_not(None))
        .group_by(col(EventRow.shot_id))
    )
    return {shot_id: event_id for shot_id, event_id in session.exec(statement) if event_id is not None}


def to_retry(session: Session, key: CursorKey) -> Event | None:
    """The first event that is to be tried again; one that never was tried itself waits for those before it."""
    earlier, of_earlier = aliased(QuarantineRow), aliased(EventRow)
    held = (
        select(earlier.id)
        .join(of_earlier, col(of_earlier.id) == col(earlier.event_id))
        .where(
            col(earlier.worker) == key.worker,
            col(earlier.edition) == key.edition,
            col(earlier.partition) == key.partition,
            col(earlier.released_at).is_(None),
            col(earlier.event_id) < col(EventRow.id),
            col(of_earlier.shot_id) == col(EventRow.shot_id),
        )
        .correlate(EventRow)
        .exists()
    )
    statement = (
        select(EventRow)
        .join(QuarantineRow, col(QuarantineRow.event_id) == col(EventRow.id))
        .where(
            *_of(key),
            col(QuarantineRow.released_at).is_(None),
            col(QuarantineRow.retry_at).is_not(None),
            or_(col(QuarantineRow.attempts) > 0, ~held),
        )
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
        col(QuarantineRow.edition) == key.edition,
        col(QuarantineRow.partition) == key.partition,
    )
