"""Deliveries: messages to watches, as they are made."""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from uuid import uuid4

from sqlalchemy import insert, select, update
from sqlmodel import Session, col

from service.store.rows import locked
from service.store.tables import DeliveryNoticeRow, DeliveryRow

WAITING, WITHDRAWN = "waiting", "withdrawn"


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
            col(DeliveryRow.attempts) == 0,
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


def reset_due(session: Session, watch_id: int, *, due_at: datetime) -> None:
    """Let the messages of a watch that were never tried be due then: its hours were changed."""
    session.execute(
        update(DeliveryRow)
        .where(
            col(DeliveryRow.watch_id) == watch_id,
            col(DeliveryRow.state) == WAITING,
            col(DeliveryRow.attempts) == 0,
        )
        .values(due_at=due_at)
    )
