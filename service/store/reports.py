"""Nightly reports: file a revision, find one, list the days; and the facts a day's report is computed from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, func, select
from sqlmodel import Session, col

from service.domain.days import DayFacts, Terms, built, plain, terms_of
from service.domain.reports import Filed, difference, report_of, says_the_same
from service.domain.studio import Studio
from service.store import days
from service.store.rows import locked
from service.store.tables import NightlyReportRow, ProductionRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Filing:
    """A report as a worker made it: inputs and figures in plain JSON values, resting on the event at `position`.

    `blocked` is what waited for whom then, `occupancy` what stages were then known to be used for on the day: neither
    is a figure of the production's day.
    """

    version: int
    production_id: int
    day: date
    position: int
    unmatched_counts: int
    inputs: Mapping[str, Any]
    figures: Mapping[str, Any]
    blocked: Mapping[str, Any] | None
    occupancy: Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class Revision:
    """A revision that was filed: of which production's day, and its number."""

    production_id: int
    production: str
    day: date
    revision: int


@dataclass(frozen=True, slots=True)
class ListedDay:
    """A day with a report: the id of its first revision, and the latest."""

    id: int
    day: date
    revision: int
    position: int
    filed_at: datetime


def facts(session: Session, production: ProductionRow, day: date, *, studio: Studio) -> DayFacts:
    """What a report of a production's day rests on as the database stands.

    A day that was reported keeps the terms it was reported by.
    """
    production_id = production.id or 0
    filed = latest(session, production_id, day)
    terms = terms_of(day, studio) if filed is None else built(Terms, filed.figures["terms"])
    return days.load(session, production_id, production.code, terms=terms)


def file(session: Session, filing: Filing, *, now: datetime) -> Revision | None:
    """File a report as the next revision of its day.

    None, and nothing is written, where the latest says the same or rests on a later event.
    """
    statement = select(ProductionRow).where(col(ProductionRow.id) == filing.production_id)
    # Of two who file a day at once, the second must see the first's revision.
    production = session.scalars(locked(statement, lock=True)).one()
    before = latest(session, filing.production_id, filing.day)
    if before is not None and (before.position >= filing.position or says_the_same(before.figures, filing.figures)):
        return None
    differs = None if before is None else difference(report_of(before.figures), report_of(filing.figures))
    number = 1 if before is None else before.revision + 1
    session.add(
        NightlyReportRow(
            version=filing.version,
            production_id=filing.production_id,
            day_on=filing.day,
            revision=number,
            position=filing.position,
            unmatched_counts=filing.unmatched_counts,
            inputs=dict(filing.inputs),
            figures=dict(filing.figures),
            difference=None if differs is None else [plain(each) for each in differs],
            blocked=None if filing.blocked is None else dict(filing.blocked),
            occupancy=None if filing.occupancy is None else dict(filing.occupancy),
            filed_at=now,
        )
    )
    session.flush()
    return Revision(filing.production_id, production.code, filing.day, number)


def find(session: Session, production_id: int, day: date, *, revision: int) -> NightlyReportRow | None:
    """A revision of a day's report."""
    statement = _of_day(production_id, day).where(col(NightlyReportRow.revision) == revision)
    return session.scalars(statement).one_or_none()


def latest(session: Session, production_id: int, day: date) -> NightlyReportRow | None:
    """The latest revision of a day's report; None of a day that was not reported."""
    statement = _of_day(production_id, day).order_by(col(NightlyReportRow.revision).desc()).limit(1)
    return session.scalars(statement).one_or_none()


def revisions(session: Session, production_id: int, day: date) -> Sequence[int]:
    """The numbers of a day's revisions, rising."""
    statement = select(col(NightlyReportRow.revision)).where(
        col(NightlyReportRow.production_id) == production_id, col(NightlyReportRow.day_on) == day
    )
    return session.scalars(statement.order_by(col(NightlyReportRow.revision))).all()


def newest_day(session: Session, production_id: int) -> date | None:
    """The latest day of a production that was reported."""
    statement = select(func.max(NightlyReportRow.day_on)).where(col(NightlyReportRow.production_id) == production_id)
    return session.scalar(statement)


def filed(session: Session, production_id: int) -> dict[date, Filed]:
    """The latest revision of every day of a production that was reported."""
    return {
        day: Filed(day=day, revision=revision, position=position, unmatched_counts=counts, filed_at=filed_at)
        for day, revision, position, counts, filed_at in session.execute(
            select(
                col(NightlyReportRow.day_on),
                col(NightlyReportRow.revision),
                col(NightlyReportRow.position),
                col(NightlyReportRow.unmatched_counts),
                col(NightlyReportRow.filed_at),
            )
            .where(col(NightlyReportRow.production_id) == production_id)
            .order_by(col(NightlyReportRow.revision))
        )
    }


def page(session: Session, production_id: int, *, after: int, limit: int) -> list[ListedDay]:
    """At most `limit` reported days first filed after the report with id `after`, in that order."""
    first = select(col(NightlyReportRow.id), col(NightlyReportRow.day_on)).where(
        col(NightlyReportRow.production_id) == production_id,
        col(NightlyReportRow.revision) == 1,
        col(NightlyReportRow.id) > after,
    )
    listed = {day: id_ for id_, day in session.execute(first.order_by(col(NightlyReportRow.id)).limit(limit)) if id_}
    now = select(
        col(NightlyReportRow.day_on),
        col(NightlyReportRow.revision),
        col(NightlyReportRow.position),
        col(NightlyReportRow.filed_at),
    ).where(col(NightlyReportRow.production_id) == production_id, col(NightlyReportRow.day_on).in_(listed))
    found = {row.day_on: row for row in session.execute(now.order_by(col(NightlyReportRow.revision)))}
    return [
        ListedDay(id_, day, found[day].revision, found[day].position, found[day].filed_at)
        for day, id_ in listed.items()
    ]


def _of_day(production_id: int, day: date) -> Select[NightlyReportRow]:
    return select(NightlyReportRow).where(
        col(NightlyReportRow.production_id) == production_id, col(NightlyReportRow.day_on) == day
    )
