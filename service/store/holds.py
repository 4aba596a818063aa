"""Holds of hot sets: bookings that keep a stage from being touched."""

from datetime import datetime

from sqlalchemy import and_, exists, or_
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.domain.bookings import Activity
from service.store.bookings import Booked, booked
from service.store.tables import BookingRow


def in_force(session: Session, production_id: int, *, stage_id: int | None, now: datetime) -> list[Booked]:
    """The holds of a production that nobody cancelled, of one stage where it is named, by when they end.

    Of those past their end only such as nothing has followed: no other booking of the stage that outlasts it has begun.
    """
    other = aliased(BookingRow)
    followed = exists().where(
        col(other.stage_id) == col(BookingRow.stage_id),
        col(other.id) != col(BookingRow.id),
        col(other.cancelled_at).is_(None),
        col(other.start_at) <= now,
        col(other.end_at) > col(BookingRow.end_at),
    )
    statement = booked().where(
        col(BookingRow.production_id) == production_id,
        col(BookingRow.activity) == Activity.HOLDING.value,
        col(BookingRow.stage_id).is_not(None),
        col(BookingRow.cancelled_at).is_(None),
        or_(col(BookingRow.end_at) > now, and_(col(BookingRow.end_at) <= now, ~followed)),
    )
    if stage_id is not None:
        statement = statement.where(col(BookingRow.stage_id) == stage_id)
    rows = session.execute(statement.order_by(col(BookingRow.end_at), col(BookingRow.id)))
    return [Booked(*row) for row in rows]
