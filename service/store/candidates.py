"""What stages, shots and animators are booked for at an instant, and when a stage is booked next."""

from datetime import datetime

from sqlmodel import Session, col

from service.store.bookings import Booked, booked
from service.store.tables import BookingRow


def at(session: Session, instant: datetime) -> list[Booked]:
    """Every booking that stands at an instant, of all productions, by number."""
    statement = booked().where(
        col(BookingRow.start_at) <= instant, col(BookingRow.end_at) > instant, col(BookingRow.cancelled_at).is_(None)
    )
    return [Booked(*row) for row in session.execute(statement.order_by(col(BookingRow.id)))]


def following(session: Session, stage_id: int, instant: datetime) -> Booked | None:
    """The booking of a stage that begins first after an instant."""
    statement = booked().where(
        col(BookingRow.stage_id) == stage_id,
        col(BookingRow.start_at) > instant,
        col(BookingRow.cancelled_at).is_(None),
    )
    row = session.execute(statement.order_by(col(BookingRow.start_at), col(BookingRow.id)).limit(1)).first()
    return None if row is None else Booked(*row)
