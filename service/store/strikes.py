"""The bookings by which sets are still wanted, or struck."""

from datetime import datetime

from sqlalchemy import or_
from sqlmodel import Session, col

from service.domain.bookings import Activity
from service.store.bookings import Booked, booked
from service.store.tables import BookingRow


def wanting_or_striking(session: Session, production_id: int, *, now: datetime) -> list[Booked]:
    """The bookings of a production's shots that stand and are not over, and those for a strike whenever they are."""
    statement = booked().where(
        col(BookingRow.production_id) == production_id,
        col(BookingRow.shot_id).is_not(None),
        col(BookingRow.cancelled_at).is_(None),
        or_(col(BookingRow.end_at) > now, col(BookingRow.activity) == Activity.STRIKE.value),
    )
    return [Booked(*row) for row in session.execute(statement.order_by(col(BookingRow.id)))]
