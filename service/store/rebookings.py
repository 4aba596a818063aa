"""Many bookings at once: those to be moved, and those around them."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import or_, select
from sqlmodel import Session, col

from service.domain.bookings import Activity, Booking
from service.store.bookings import Booked, booked
from service.store.rows import locked
from service.store.tables import BookingRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Which bookings that stand: those that begin in `[opens_at, closes_at)`, and what else is said."""

    opens_at: datetime
    closes_at: datetime
    production_id: int | None = None
    stage_id: int | None = None
    shot_id: int | None = None
    animator: str | None = None
    activity: Activity | None = None


def ids(session: Session, where: Filter, *, limit: int) -> list[int]:
    """The ids of at most *limit* of them, rising."""
    statement = select(col(BookingRow.id)).where(
        col(BookingRow.start_at) >= where.opens_at,
        col(BookingRow.start_at) < where.closes_at,
        col(BookingRow.cancelled_at).is_(None),
    )
    same = {
        "production_id": where.production_id,
        "stage_id": where.stage_id,
        "shot_id": where.shot_id,
        "animator": where.animator,
        "activity": None if where.activity is None else where.activity.value,
    }
    for name, value in same.items():
        if value is not None:
            statement = statement.where(col(getattr(BookingRow, name)) == value)
    return [id_ for id_ in session.scalars(statement.order_by(col(BookingRow.id)).limit(limit)) if id_ is not None]


def lock(session: Session, booking_ids: Collection[int]) -> dict[int, Booked]:
    """The bookings of these ids, by id, locked in the order of their ids."""
    statement = select(BookingRow).where(col(BookingRow.id).in_(booking_ids)).order_by(col(BookingRow.id))
    session.execute(locked(statement, lock=True))
    rows = session.execute(booked().where(col(BookingRow.id).in_(booking_ids)).order_by(col(BookingRow.id)))
    return {found.row.id or 0: found for found in (Booked(*row) for row in rows)}


def around(session: Session, bookings: Sequence[Booking]) -> list[Booked]:
    """The bookings that stand on any of these bookings' stages or with any of their animators while any of them lasts.

    More than clash with them: which do is the domain's to say.
    """
    if not bookings:
        return []
    stage_ids = _named(booking.stage_id for booking in bookings)
    animators = _named(booking.animator for booking in bookings)
    statement = booked().where(
        or_(col(BookingRow.stage_id).in_(stage_ids), col(BookingRow.animator).in_(animators)),
        col(BookingRow.start_at) < max(booking.span.end_at for booking in bookings),
        col(BookingRow.end_at) > min(booking.span.start_at for booking in bookings),
        col(BookingRow.cancelled_at).is_(None),
    )
    return [Booked(*row) for row in session.execute(statement.order_by(col(BookingRow.id)))]


def _named(names: Iterable[object | None]) -> set[object]:
    return {name for name in names if name is not None}
