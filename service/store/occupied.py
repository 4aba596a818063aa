"""The figures of stages, day by day: kept by the worker *occupancy* of days that are over, else from the facts."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlmodel import Session, col

from service.domain.occupancy import stage_days
from service.domain.stagefigures import Figures, read
from service.domain.studio import Studio, production_day
from service.store import editions, kept, occupancy
from service.store.bookings import Booked, Filter, booked
from service.store.editions import Rest
from service.store.tables import BookingRow, CountRow, StageRow

WORKER, TABLE = "occupancy", "stage_days"
# All that is known of so many stages is held in memory at once.
STAGES_AT_ONCE = 10
_DAY = timedelta(days=1)


def rest(session: Session) -> Rest | None:
    """What the figures that are shown rest on; None before the worker's first step."""
    return editions.rest(session, WORKER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupied:
    """The figures of each stage, by id, and day; how many of them were `reckoned` from the facts for this answer."""

    figures: dict[tuple[int, date], Figures]
    reckoned: int


def days_of(stage: StageRow, days: Sequence[date], studio: Studio) -> list[date]:
    """Those of these production days on which there was the stage."""
    began_on = production_day(stage.added_at, studio)
    return [day for day in days if day >= began_on]


def read_days(
    session: Session,
    stages: Sequence[StageRow],
    days: Sequence[date],
    *,
    studio: Studio,
    at: Rest | None,
    now: datetime,
) -> Occupied:
    """The figures of these stages on production days in a row, as of `now`.

    A day that is over is as the worker keeps it; the open day, days to come and what the worker does not keep yet are
    reckoned from the facts.
    """
    today = production_day(now, studio)
    there = {stage.id or 0: days_of(stage, days, studio) for stage in stages}
    codes = {stage.id or 0: stage.code for stage in stages}
    keys = {f"{codes[id_]}/{day}": (id_, day) for id_, each in there.items() for day in each if day < today}
    shelf = kept.Shelf(WORKER, at.edition if at else 0, TABLE)
    found = {keys[key]: read(row) for key, row in kept.of_keys(session, shelf, list(keys)).items()}
    together: dict[tuple[date, date], list[int]] = defaultdict(list)
    for id_, each in there.items():
        if wanting := [day for day in each if (id_, day) not in found]:
            together[wanting[0], wanting[-1]].append(id_)
    made = 0
    for (first, last), ids in together.items():
        in_a_row = [first + number * _DAY for number in range((last - first).days + 1)]
        for at_once in (ids[place : place + STAGES_AT_ONCE] for place in range(0, len(ids), STAGES_AT_ONCE)):
            facts = occupancy.facts(session, at_once, first, last=last, studio=studio, now=now)
            for id_ in at_once:
                for of_day in stage_days(facts[id_], in_a_row, studio, as_of=now):
                    made += (id_, of_day.day) not in found
                    found.setdefault((id_, of_day.day), of_day.figures)
    return Occupied(figures=found, reckoned=made)


def standing(session: Session, where: Filter) -> list[Booked]:
    """Every booking that passes the filter, by when it begins."""
    rows = session.execute(booked().where(*where.conditions()).order_by(col(BookingRow.start_at), col(BookingRow.id)))
    return [Booked(*row) for row in rows]


def at_it_since(session: Session, stage_id: int, shot_id: int) -> datetime | None:
    """The first capture of a shot on a stage since it last captured another; None where it has captured none of it."""
    captured = select(col(CountRow.captured_at)).where(
        col(CountRow.stage_id) == stage_id, col(CountRow.purpose).in_(occupancy.MARKING)
    )
    another = captured.where(col(CountRow.shot_id) != shot_id).order_by(col(CountRow.captured_at).desc()).limit(1)
    before: datetime | None = session.scalars(another).one_or_none()
    own = captured.where(col(CountRow.shot_id) == shot_id).order_by(col(CountRow.captured_at)).limit(1)
    return session.scalars(own if before is None else own.where(col(CountRow.captured_at) > before)).one_or_none()
