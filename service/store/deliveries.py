"""Deliveries: messages to watches, as they are made and as they are sent."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import uuid4

from sqlalchemy import ColumnElement, delete, func, insert, or_, select, update
from sqlmodel import Session, col

from service.domain.channels import Receipt
from service.domain.codes import is_code
from service.domain.deliveries import DeliveryState
from service.store.rows import locked
from service.store.tables import DeliveryAttemptRow, DeliveryNoticeRow, DeliveryRow, NoticeRow, WatchRow
from service.store.watches import is_seen_by, seen_by

WAITING, WITHDRAWN = DeliveryState.WAITING.value, DeliveryState.WITHDRAWN.value


def new_message_id() -> str:
    """A name for a message that no other has, the same over all its attempts."""
    return f"msg_{uuid4().hex}"


def gathering(session: Session, watch_ids: Collection[int], now: datetime) -> dict[int, DeliveryRow]:
    """The message of each of these watches that notices may still join: not due yet and never tried; locked."""
    statement = (
        select(DeliveryRow)
        .where(
            col(DeliveryRow.watch_id).in_(sorted(watch_ids)),
            col(DeliveryRow.state) == WAITING,
            *_never_tried(),
            col(DeliveryRow.due_at) > now,
            ~col(DeliveryRow.test),
        )
        .order_by(col(DeliveryRow.id))
    )
    return {row.watch_id: row for row in session.scalars(locked(statement, lock=True))}


def make(session: Session, watch_id: int, *, due_at: datetime, now: datetime, test: bool = False) -> DeliveryRow:
    """A message to a watch that has nothing in it yet."""
    row = DeliveryRow(
        watch_id=watch_id, message_id=new_message_id(), state=WAITING, test=test, due_at=due_at, made_at=now
    )
    session.add(row)
    session.flush()
    return row


def put_in(session: Session, messages: Mapping[int, int], notices: Iterable[tuple[int, int]]) -> None:
    """Put notices, given as (watch, notice), into the message of each watch; no watch has one of them yet."""
    rows = [
        {"watch_id": watch_id, "notice_id": notice_id, "delivery_id": messages[watch_id]}
        for watch_id, notice_id in notices
    ]
    if rows:
        session.execute(insert(DeliveryNoticeRow), rows)


def withdraw(session: Session, watch_id: int, now: datetime) -> None:
    """Withdraw what waits for a watch that nobody wants any more."""
    session.execute(
        update(DeliveryRow)
        .where(col(DeliveryRow.watch_id) == watch_id, col(DeliveryRow.state) == WAITING)
        .values(state=WITHDRAWN, settled_at=now, leased_until=None, lease_owner=None)
    )


def take_out_others(session: Session, watch_id: int, production_id: int, *, now: datetime) -> None:
    """Take what is about no or another production out of the messages that wait; withdraw those left empty."""
    waiting = select(col(DeliveryRow.id)).where(
        col(DeliveryRow.watch_id) == watch_id, col(DeliveryRow.state) == WAITING, ~col(DeliveryRow.test)
    )
    others = select(col(NoticeRow.id)).where(col(NoticeRow.production_id).is_distinct_from(production_id))
    session.execute(
        delete(DeliveryNoticeRow).where(
            col(DeliveryNoticeRow.delivery_id).in_(waiting), col(DeliveryNoticeRow.notice_id).in_(others)
        )
    )
    told = select(col(DeliveryNoticeRow.delivery_id)).where(col(DeliveryNoticeRow.watch_id) == watch_id)
    session.execute(
        update(DeliveryRow)
        .where(col(DeliveryRow.id).in_(waiting), col(DeliveryRow.id).not_in(told))
        .values(state=WITHDRAWN, settled_at=now, leased_until=None, lease_owner=None)
    )


def tells_of_others(session: Session, delivery_id: int, production_id: int) -> bool:
    """Whether a message tells of anything about no or another production."""
    return any(each.production_id != production_id for each in notices_in(session, delivery_id))


def reset_due(session: Session, watch_id: int, *, due_at: datetime) -> None:
    """Let the messages of a watch that were never tried be due then: its hours were changed. Tests have none."""
    session.execute(
        update(DeliveryRow)
        .where(
            col(DeliveryRow.watch_id) == watch_id,
            col(DeliveryRow.state) == WAITING,
            *_never_tried(),
            ~col(DeliveryRow.test),
        )
        .values(due_at=due_at)
    )


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message with the watch it is for."""

    row: DeliveryRow
    watch: WatchRow


def heads(
    session: Session,
    *,
    now: datetime,
    owner: str = "",
    alone: bool = False,
    full: Collection[str] = (),
    watch_id: int | None = None,
    limit: int = 1,
) -> list[Delivery]:
    """At most *limit* messages that are due and nobody is at, those that are due longest first.

    A watch gets its messages in the order they were made, and tests of it beside them. Channels in *full* are passed
    over; of one watch alone, where *watch_id* is given. To an owner who is *alone* any other lease is a dead one's.
    """
    waiting = col(DeliveryRow.state) == WAITING
    of_one = waiting if watch_id is None else waiting & (col(DeliveryRow.watch_id) == watch_id)
    lanes = col(DeliveryRow.watch_id), col(DeliveryRow.test)
    first = select(func.min(col(DeliveryRow.id)).label("id")).where(of_one).group_by(*lanes).subquery()
    unleased = or_(col(DeliveryRow.leased_until).is_(None), col(DeliveryRow.leased_until) <= now)
    statement = (
        select(DeliveryRow, WatchRow)
        .join(first, first.c.id == col(DeliveryRow.id))
        .join(WatchRow, col(WatchRow.id) == col(DeliveryRow.watch_id))
        .where(
            col(DeliveryRow.due_at) <= now,
            or_(col(DeliveryRow.next_try_at).is_(None), col(DeliveryRow.next_try_at) <= now),
            or_(unleased, col(DeliveryRow.lease_owner) != owner) if alone else unleased,
            col(WatchRow.removed_at).is_(None),
            col(WatchRow.disabled_at).is_(None),
            col(WatchRow.channel).not_in(sorted(full)),
        )
        .order_by(func.coalesce(col(DeliveryRow.next_try_at), col(DeliveryRow.due_at)), col(DeliveryRow.id))
        .limit(limit)
    )
    return [Delivery(row, watch) for row, watch in session.execute(statement)]


def claim(session: Session, row: DeliveryRow, *, owner: str, until: datetime, now: datetime) -> int | None:
    """Lease a message for one more try and write the try down; its number, None where somebody was faster."""
    taken = session.exec(
        update(DeliveryRow)
        .where(*_as_seen(row))
        .values(attempts=row.attempts + 1, lease_owner=owner, leased_until=until, next_try_at=None)
    )
    if taken.rowcount != 1:
        return None
    number = _numbers(session, row.id or 0) + 1
    session.add(DeliveryAttemptRow(delivery_id=row.id or 0, number=number, begun_at=now))
    session.flush()
    return number


def give_up(session: Session, row: DeliveryRow, *, now: datetime, error: str) -> bool:
    """Let a message die at which every try died; False where somebody was faster."""
    values = {"state": DeliveryState.DEAD.value, "settled_at": now, "last_error": error}
    given_up = session.exec(
        update(DeliveryRow).where(*_as_seen(row)).values(**values, lease_owner=None, leased_until=None)
    )
    return given_up.rowcount == 1


def close_try(
    session: Session,
    delivery_id: int,
    number: int,
    *,
    outcome: Receipt,
    detail: str,
    now: datetime,
    status: int | None = None,
) -> None:
    """Write down what a try came to; of one that is closed already nothing changes."""
    session.execute(
        update(DeliveryAttemptRow)
        .where(
            col(DeliveryAttemptRow.delivery_id) == delivery_id,
            col(DeliveryAttemptRow.number) == number,
            col(DeliveryAttemptRow.ended_at).is_(None),
        )
        .values(ended_at=now, outcome=outcome.value, status=status, detail=detail)
    )


def settle(
    session: Session,
    delivery_id: int,
    *,
    owner: str,
    tries: int,
    state: DeliveryState,
    next_try_at: datetime | None,
    error: str | None,
    now: datetime,
) -> bool:
    """Write down what becomes of a message, and end its lease; False where it is not this try's any more."""
    settled = session.exec(
        update(DeliveryRow)
        .where(
            col(DeliveryRow.id) == delivery_id,
            col(DeliveryRow.state) == WAITING,
            col(DeliveryRow.lease_owner) == owner,
            col(DeliveryRow.attempts) == tries,
        )
        .values(
            state=state.value,
            settled_at=None if state is DeliveryState.WAITING else now,
            next_try_at=next_try_at,
            lease_owner=None,
            leased_until=None,
            last_error=error,
        )
    )
    return settled.rowcount == 1


def find(session: Session, message_id: str, *, only: int | None = None, lock: bool = False) -> Delivery | None:
    """The message of this name; *only* to a watch that was made for one production, where it is given."""
    statement = select(DeliveryRow).where(col(DeliveryRow.message_id) == message_id)
    # A database need not take what is no name at all.
    row = session.scalars(locked(statement, lock=lock)).one_or_none() if is_code(message_id) else None
    if row is None:
        return None
    watch = session.scalars(select(WatchRow).where(col(WatchRow.id) == row.watch_id)).one()
    return Delivery(row, watch) if is_seen_by(watch, only) else None


def renew(row: DeliveryRow, *, now: datetime) -> None:
    """Let a message wait to be sent at once, as if it had never been tried."""
    row.state, row.attempts, row.due_at, row.next_try_at = WAITING, 0, now, None
    row.lease_owner = row.leased_until = None
    row.settled_at = now


def page(
    session: Session,
    *,
    only: int | None = None,
    watch: str | None = None,
    state: DeliveryState | None = None,
    since: datetime | None = None,
    before: int | None = None,
    limit: int,
) -> list[tuple[Delivery, int]]:
    """At most *limit* messages, the newest first, made before that of this id, each with how many notices it has.

    *only* those to watches made for one production; to the *watch* of this name, removed ones of the name among them;
    in a *state*; made at or after *since*.
    """
    told = select(func.count()).where(col(DeliveryNoticeRow.delivery_id) == col(DeliveryRow.id)).scalar_subquery()
    statement = (
        select(DeliveryRow, WatchRow, told)
        .join(WatchRow, col(WatchRow.id) == col(DeliveryRow.watch_id))
        .order_by(col(DeliveryRow.id).desc())
        .limit(limit)
    )
    if only is not None:
        statement = statement.where(seen_by(only))
    if watch is not None:
        statement = statement.where(col(WatchRow.name) == watch)
    if state is not None:
        statement = statement.where(col(DeliveryRow.state) == state.value)
    if since is not None:
        statement = statement.where(col(DeliveryRow.made_at) >= since)
    if before is not None:
        statement = statement.where(col(DeliveryRow.id) < before)
    return [(Delivery(row, of), int(number)) for row, of, number in session.execute(statement)]


def attempts(session: Session, delivery_id: int) -> list[DeliveryAttemptRow]:
    """Every try of a message, in order."""
    of_it = col(DeliveryAttemptRow.delivery_id) == delivery_id
    statement = select(DeliveryAttemptRow).where(of_it).order_by(col(DeliveryAttemptRow.number))
    return list(session.scalars(statement))


@dataclass(frozen=True, slots=True)
class Undelivered:
    """How many messages are given up (`dead`), and how many failed and are tried again (`failing`); tests left out."""

    dead: int
    failing: int


def undelivered(session: Session) -> Undelivered:
    """How many messages were not delivered."""
    real = ~col(DeliveryRow.test)
    failing = col(DeliveryRow.state) == WAITING, col(DeliveryRow.attempts) > 0, col(DeliveryRow.last_error).is_not(None)
    counted = [
        session.scalar(select(func.count()).select_from(DeliveryRow).where(real, *which)) or 0
        for which in ((col(DeliveryRow.state) == DeliveryState.DEAD.value,), failing)
    ]
    return Undelivered(*counted)


def notices_in(session: Session, delivery_id: int) -> list[NoticeRow]:
    """The notices a message tells of, in the order they were raised."""
    statement = (
        select(NoticeRow)
        .join(DeliveryNoticeRow, col(DeliveryNoticeRow.notice_id) == col(NoticeRow.id))
        .where(col(DeliveryNoticeRow.delivery_id) == delivery_id)
        .order_by(col(NoticeRow.id))
    )
    return list(session.scalars(statement))


def _never_tried() -> tuple[ColumnElement[bool], ...]:
    # One that was settled and is to be sent again has its tries counted anew.
    return col(DeliveryRow.attempts) == 0, col(DeliveryRow.settled_at).is_(None)


def _as_seen(row: DeliveryRow) -> tuple[ColumnElement[bool], ...]:
    owner = col(DeliveryRow.lease_owner)
    return (
        col(DeliveryRow.id) == row.id,
        col(DeliveryRow.state) == WAITING,
        col(DeliveryRow.attempts) == row.attempts,
        owner.is_(None) if row.lease_owner is None else owner == row.lease_owner,
    )


def _numbers(session: Session, delivery_id: int) -> int:
    statement = select(func.max(col(DeliveryAttemptRow.number))).where(
        col(DeliveryAttemptRow.delivery_id) == delivery_id
    )
    return session.scalar(statement) or 0
