"""The bookings of shots, as what befalls the shots touches them."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import select
from sqlmodel import Session, col

from service.store.bookings import Booked, booked
from service.store.rows import locked
from service.store.tables import BookingRow


def of_shots(session: Session, shot_ids: Collection[int], *, now: datetime) -> list[Booked]:
    """The bookings of these shots that stand and are not over, by when they begin."""
    if not shot_ids:
        return []
    statement = booked().where(
        col(BookingRow.shot_id).in_(shot_ids), col(BookingRow.cancelled_at).is_(None), col(BookingRow.end_at) > now
    )
    rows = session.execute(statement.order_by(col(BookingRow.start_at), col(BookingRow.id)))
    return [Booked(*row) for row in rows]


def released(session: Session, shot_ids: Collection[int]) -> list[Booked]:
    """The bookings of these shots that an omission released and nobody has brought back, by when they begin."""
    if not shot_ids:
        return []
    statement = booked().where(col(BookingRow.shot_id).in_(shot_ids), col(BookingRow.released))
    rows = session.execute(statement.order_by(col(BookingRow.start_at), col(BookingRow.id)))
    return [Booked(*row) for row in rows]


def lock(session: Session, several: Collection[Booked]) -> None:
    """Lock these bookings in the order of their ids, and read them as they stand then."""
    ids = [each.row.id for each in several]
    session.execute(
        locked(select(BookingRow).where(col(BookingRow.id).in_(ids)).order_by(col(BookingRow.id)), lock=True)
    )
