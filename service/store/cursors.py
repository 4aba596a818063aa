"""How far each worker has read the log, under whose lease it works, and the events it could not digest."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, delete, exists, insert, literal_column, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, SQLModel, col, select

from service.store.rows import locked
from service.store.tables import CursorRow, EventRow, QuarantineRow

# No partition of the log: the cursor of the steps that fill an edition from facts.
FACTS = "from facts"


@dataclass(frozen=True, slots=True)
class CursorKey:
    """Which cursor: of an edition of a worker's rows on a partition of the log."""

    worker: str
    edition: int
    partition: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cursor:
    """A cursor as it stands.

    `position` is the last event digested; `attempts` the tries of the batch after it, counted before they run; a
    `lease_owner` is at work or died at it.
    """

    position: int
    attempts: int
    batch_limit: int
    next_try_at: datetime | None
    leased_until: datetime | None
    lease_owner: str | None
    moved_at: datetime | None = None

    def leased(self, now: datetime, *, owner: str) -> bool:
        """Whether somebody else is at work."""
        return self.held_by_another(owner) and self.leased_until is not None and self.leased_until > now

    def held_by_another(self, owner: str) -> bool:
        """Whether somebody else is at work, or died at it."""
        return self.lease_owner not in {None, owner}

    def waits(self, now: datetime) -> bool:
        """Whether the next try lies ahead."""
        return self.next_try_at is not None and self.next_try_at > now


def insert_unless_there(session: Session, row: type[SQLModel], values: dict[str, object]) -> bool:
    """Insert a row unless one with its identity exists; True where it was inserted."""
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    statement = dialect.insert(row).values(**values).on_conflict_do_nothing().returning(literal_column("1"))
    return session.exec(statement).first() is not None


def find(session: Session, key: CursorKey) -> Cursor | None:
    """The cursor as the session's snapshot has it, None before the worker's first step."""
    row = session.exec(select(CursorRow).where(*_is(key))).one_or_none()
    return None if row is None else cursor_of(row)


def by_partition(session: Session, worker: str, edition: int, *, lock: bool = False) -> dict[str, Cursor]:
    """The cursors of an edition of a worker's rows, by the name of their partition; locked where *lock*."""
    of_edition = col(CursorRow.worker) == worker, col(CursorRow.edition) == edition
    statement = select(CursorRow).where(*of_edition, col(CursorRow.partition) != FACTS)
    return {row.partition: cursor_of(row) for row in session.scalars(locked(statement, lock=lock))}


def put_back(session: Session, key: CursorKey, position: int) -> None:
    """Let a cursor stand at an earlier position, so that what follows is handled again."""
    session.exec(update(CursorRow).where(*_is(key)).values(position=position))


def add(session: Session, key: CursorKey, *, batch_limit: int, position: int = 0) -> None:
    """Make the cursor at `position` unless it is there."""
    insert_unless_there(
        session,
        CursorRow,
        {
            "worker": key.worker,
            "edition": key.edition,
            "partition": key.partition,
            "position": position,
            "attempts": 0,
            "batch_limit": batch_limit,
        },
    )


def lock(session: Session, key: CursorKey) -> Cursor:
    """The cursor, locked until the transaction ends."""
    return cursor_of(session.exec(select(CursorRow).where(*_is(key)).with_for_update()).one())


def lease(session: Session, key: CursorKey, *, attempts: int, owner: str, until: datetime) -> None:
    """Write down who starts on the batch after the cursor, and which attempt this is."""
    session.exec(
        update(CursorRow)
        .where(*_is(key))
        .values(attempts=attempts, lease_owner=owner, leased_until=until, next_try_at=None)
    )


def advance(session: Session, key: CursorKey, *, old: int, new: int, batch_limit: int, now: datetime) -> bool:
    """Move the cursor from `old` to `new`, end the lease and clear the attempts; False where it is no longer at `old`.

    The comparison is what keeps two engines with one lease each, the first expired, from both writing what they made.
    """
    moved = session.exec(
        update(CursorRow)
        .where(*_is(key), col(CursorRow.position) == old)
        .values(
            position=new,
            attempts=0,
            batch_limit=batch_limit,
            lease_owner=None,
            leased_until=None,
            next_try_at=None,
            moved_at=now,
        )
    )
    return moved.rowcount == 1


def pass_by(session: Session, key: CursorKey, *, old: int, new: int, now: datetime) -> bool:
    """Move an unleased cursor over events its worker does not want; False where it moved or was leased meanwhile."""
    moved = session.exec(
        update(CursorRow)
        .where(*_is(key), col(CursorRow.position) == old, col(CursorRow.lease_owner).is_(None))
        .values(position=new, moved_at=now)
    )
    return moved.rowcount == 1


def give_back(
    session: Session,
    key: CursorKey,
    *,
    owner: str | None,
    old: int,
    attempts: int,
    batch_limit: int,
    next_try_at: datetime,
    error: str,
    now: datetime,
) -> bool:
    """Record a failure and end the lease; False where the lease is no longer the owner's or the cursor has moved."""
    given = session.exec(
        update(CursorRow)
        .where(*_is(key), col(CursorRow.position) == old, col(CursorRow.lease_owner) == owner)
        .values(
            attempts=attempts,
            batch_limit=batch_limit,
            lease_owner=None,
            leased_until=None,
            next_try_at=next_try_at,
            last_error=error,
            last_error_at=now,
        )
    )
    return given.rowcount == 1


def release(session: Session, key: CursorKey, *, owner: str, attempts: int) -> bool:
    """End the owner's lease and leave the cursor where it is; False where the lease is no longer the owner's."""
    ended = session.exec(
        update(CursorRow)
        .where(*_is(key), col(CursorRow.lease_owner) == owner)
        .values(attempts=attempts, lease_owner=None, leased_until=None)
    )
    return ended.rowcount == 1


def note_error(session: Session, key: CursorKey, *, error: str, now: datetime) -> None:
    """Keep the last thing that went wrong, for people to read."""
    session.exec(update(CursorRow).where(*_is(key)).values(last_error=error, last_error_at=now))


def note_health(session: Session, key: CursorKey, said: Sequence[str]) -> None:
    """Keep what the worker says hinders it; nothing where all is well."""
    session.exec(update(CursorRow).where(*_is(key)).values(health=list(said)))


def quarantine(session: Session, key: CursorKey, *, event_id: int, attempts: int, error: str, now: datetime) -> None:
    """Set an event aside that the worker could not digest."""
    session.exec(
        delete(QuarantineRow).where(
            col(QuarantineRow.worker) == key.worker,
            col(QuarantineRow.edition) == key.edition,
            col(QuarantineRow.partition) == key.partition,
            col(QuarantineRow.event_id) == event_id,
        )
    )
    session.exec(
        insert(QuarantineRow).values(
            worker=key.worker,
            edition=key.edition,
            partition=key.partition,
            event_id=event_id,
            attempts=attempts,
            error=error,
            quarantined_at=now,
        )
    )


def wanted_ids(
    session: Session, position: int, *, kinds: frozenset[str], limit: int, holds: ColumnElement[bool]
) -> Sequence[int]:
    """The ids of the first `limit` events of these kinds after `position` that a partition `holds`, rising."""
    return [
        id_
        for id_ in session.exec(
            select(EventRow.id)
            .where(col(EventRow.id) > position, col(EventRow.kind).in_(sorted(kinds)), holds)
            .order_by(col(EventRow.id))
            .limit(limit)
        )
        if id_ is not None
    ]


def anything_wanted(session: Session, position: int, *, kinds: frozenset[str], holds: ColumnElement[bool]) -> bool:
    """Whether an event of these kinds that a partition `holds` comes after `position`."""
    there = select(exists().where(col(EventRow.id) > position, col(EventRow.kind).in_(sorted(kinds)), holds))
    return bool(session.exec(there).one())


def shots_after(session: Session, position: int, *, kinds: frozenset[str]) -> set[int | None]:
    """The shots that events of these kinds after `position` speak of; None among them where one speaks of no shot."""
    return set(
        session.exec(
            select(EventRow.shot_id)
            .where(col(EventRow.id) > position, col(EventRow.kind).in_(sorted(kinds)))
            .distinct()
        )
    )


def _is(key: CursorKey) -> tuple[ColumnElement[bool], ...]:
    return (
        col(CursorRow.worker) == key.worker,
        col(CursorRow.edition) == key.edition,
        col(CursorRow.partition) == key.partition,
    )


def cursor_of(row: CursorRow) -> Cursor:
    """The cursor that a row holds."""
    return Cursor(
        position=row.position,
        attempts=row.attempts,
        batch_limit=row.batch_limit,
        next_try_at=row.next_try_at,
        leased_until=row.leased_until,
        lease_owner=row.lease_owner,
        moved_at=row.moved_at,
    )
