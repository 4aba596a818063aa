"""Which sets of a production may be struck."""

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime

from sqlmodel import Session

from service.actions.moves import places
from service.domain.bookings import Activity
from service.domain.spans import Span
from service.domain.strikes import SetBooking, SetShot, Strike, strikes
from service.store import moves, studio
from service.store import strikes as store
from service.store.bookings import Booked
from service.store.shots import Filter
from service.store.tables import ProductionRow


def strike_list(session: Session, production: ProductionRow, *, now: datetime) -> list[Strike]:
    """The sets of a production that were put in, with what still hinders each."""
    bookings: dict[int, list[SetBooking]] = defaultdict(list)
    for each in store.wanting_or_striking(session, production.id or 0, now=now):
        bookings[each.row.shot_id or 0].append(_booking(each))
    return strikes(_shots(session, production), bookings, now=now)


def _shots(session: Session, production: ProductionRow) -> Iterator[SetShot]:
    minimum = studio.load(session).plate_minimum_frames
    for rows in moves.every(session, production.id or 0, where=Filter(), plate_minimum_frames=minimum):
        addressed = places(session, production, [row for row, _ in rows])
        for row, standing in rows:
            if standing.needs is not None and standing.needs.set_ is not None:
                yield SetShot(
                    shot_id=row.id or 0,
                    set_code=standing.needs.set_,
                    place=addressed[row.id or 0],
                    standing=standing,
                )


def _booking(booked: Booked) -> SetBooking:
    row = booked.row
    return SetBooking(
        booking=row.id or 0,
        shot_id=row.shot_id or 0,
        stage=booked.stage,
        activity=Activity(row.activity),
        span=Span(row.start_at, row.end_at),
        note=row.note,
    )
