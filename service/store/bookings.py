"""Bookings of stages and animators."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Select, and_, or_, select
from sqlmodel import Session, col

from service.domain.bookings import Activity, Booking, Firmness
from service.domain.spans import Span, instant_of
from service.store.rows import locked
from service.store.tables import BookingRow, ProductionRow, ShotRow, StageRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Which bookings: those that have an instant of `span`, of a stage, animator, production, shot, activity.

    Cancelled ones are left out unless `cancelled`.
    """

    span: Span | None = None
    stage_id: int | None = None
    animator: str | None = None
    production_id: int | None = None
    shot_id: int | None = None
    activity: Activity | None = None
    cancelled: bool = False

    def conditions(self) -> list[ColumnElement[bool]]:
        """The conditions a row meets."""
        same = {
            "stage_id": self.stage_id,
            "animator": self.animator,
            "production_id": self.production_id,
            "shot_id": self.shot_id,
            "activity": None if self.activity is None else self.activity.value,
        }
        found = [col(getattr(BookingRow, name)) == value for name, value in same.items() if value is not None]
        if self.span is not None:
            found.append(col(BookingRow.start_at) < self.span.end_at)
            found.append(col(BookingRow.end_at) > self.span.start_at)
        return found if self.cancelled else [*found, col(BookingRow.cancelled_at).is_(None)]


@dataclass(frozen=True, slots=True)
class Booked:
    """A booking with the codes of what it names."""

    row: BookingRow
    production: str
    shot: str | None
    stage: str | None


def booked() -> Select[BookingRow, str, str, str]:
    """Bookings with the codes of what they name, to be narrowed down."""
    # Of shot and stage the code may be none, which the type of an outer join does not say.
    return (
        select(BookingRow, col(ProductionRow.code), col(ShotRow.code), col(StageRow.code))
        .join(ProductionRow, col(ProductionRow.id) == col(BookingRow.production_id))
        .outerjoin(ShotRow, col(ShotRow.id) == col(BookingRow.shot_id))
        .outerjoin(StageRow, col(StageRow.id) == col(BookingRow.stage_id))
    )


def find(session: Session, booking_id: int, *, lock: bool = False) -> Booked | None:
    """The booking of this id."""
    if lock:
        session.execute(locked(select(BookingRow).where(col(BookingRow.id) == booking_id), lock=True))
    found = session.execute(booked().where(col(BookingRow.id) == booking_id)).one_or_none()
    return None if found is None else Booked(*found)


def page(session: Session, where: Filter, *, after: tuple[int, int] | None, limit: int) -> list[Booked]:
    """At most *limit* bookings after the one of this (start in seconds since 1970, id), by start and id."""
    statement = booked().where(*where.conditions())
    if after is not None:
        start_at = instant_of(after[0])
        later = and_(col(BookingRow.start_at) == start_at, col(BookingRow.id) > after[1])
        statement = statement.where(or_(col(BookingRow.start_at) > start_at, later))
    rows = session.execute(statement.order_by(col(BookingRow.start_at), col(BookingRow.id)).limit(limit))
    return [Booked(*row) for row in rows]


def beside(session: Session, bookings: Sequence[Booking]) -> list[Booked]:
    """The bookings that stand and overlap one of these on its stage or with its animator, themselves left out."""
    wanted = [
        and_(
            col(BookingRow.start_at) < booking.span.end_at,
            col(BookingRow.end_at) > booking.span.start_at,
            or_(
                *([] if booking.stage_id is None else [col(BookingRow.stage_id) == booking.stage_id]),
                *([] if booking.animator is None else [col(BookingRow.animator) == booking.animator]),
            ),
            col(BookingRow.id) != booking.id,
        )
        for booking in bookings
    ]
    if not wanted:
        return []
    statement = booked().where(or_(*wanted), col(BookingRow.cancelled_at).is_(None)).order_by(col(BookingRow.id))
    return [Booked(*row) for row in session.execute(statement)]


def read(row: BookingRow) -> Booking:
    """The booking of a row; one not yet stored has the id 0."""
    return Booking(
        id=row.id or 0,
        span=Span(row.start_at, row.end_at),
        stage_id=row.stage_id,
        animator=row.animator,
        firmness=Firmness(row.firmness),
    )


def within(
    session: Session, span: Span, *, stage_ids: Collection[int] = (), shot_ids: Collection[int] = ()
) -> list[Booked]:
    """The bookings that stand and have an instant of a time, by their start; of these stages or shots alone."""
    statement = booked().where(*Filter(span=span).conditions())
    for column, ids in ((BookingRow.stage_id, stage_ids), (BookingRow.shot_id, shot_ids)):
        if ids:
            statement = statement.where(col(column).in_(ids))
    rows = session.execute(statement.order_by(col(BookingRow.start_at), col(BookingRow.id)))
    return [Booked(*row) for row in rows]


def shots_ahead(session: Session, now: datetime) -> set[int]:
    """The ids of the shots with a booking that is not over."""
    statement = select(col(BookingRow.shot_id)).where(
        col(BookingRow.end_at) > now, col(BookingRow.shot_id).is_not(None), col(BookingRow.cancelled_at).is_(None)
    )
    return {id_ for id_ in session.scalars(statement) if id_ is not None}
