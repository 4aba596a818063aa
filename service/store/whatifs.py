"""The bookings that something imagined would touch."""

from datetime import datetime

from sqlmodel import Session, col

from service.domain.bookings import Shared
from service.domain.spans import Span
from service.store.bookings import Booked, booked
from service.store.tables import BookingRow


def counting_on(session: Session, shared: Shared, what: int | str, *, span: Span, now: datetime) -> list[Booked]:
    """The bookings of a stage (its id) or of an animator that stand, are not over and overlap a span, by number."""
    column = col(BookingRow.stage_id) if shared is Shared.STAGE else col(BookingRow.animator)
    statement = booked().where(
        column == what,
        col(BookingRow.start_at) < span.end_at,
        col(BookingRow.end_at) > max(span.start_at, now),
        col(BookingRow.cancelled_at).is_(None),
    )
    return [Booked(*row) for row in session.execute(statement.order_by(col(BookingRow.id)))]
