"""Nightly reports: what a production day brought, as JSON and as CSV."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter, Path, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions.blocked import blocked_now
from service.actions.productions import ProductionUnknown
from service.api.blocked import BlockedOut
from service.api.doors import Door, Reader
from service.api.examples import Responses, answers, page_of
from service.api.fields import Day, Out
from service.api.media import CSV_TYPE, Media, chosen, csv_text
from service.api.nights import EXAMPLE, NightlyOut, Shown
from service.api.occupancy import OccupancyGroupOut, of_stages, to_the_minute
from service.api.pages import LARGEST_ID, USUAL_PAGE, Page, Paging
from service.api.productions import ProductionInPath
from service.api.refusals import NotAcceptable
from service.api.strict import StrictRoute
from service.domain import stagefigures
from service.domain.blocked import Blocked
from service.domain.dayfigures import Figure, Grouping
from service.domain.days import built
from service.domain.keys import Scope
from service.domain.refusals import Unknown
from service.domain.reports import Differs, nightly, report_of
from service.domain.studio import production_day
from service.store import events, occupied, stages, studio
from service.store import reports as store
from service.store.reports import ListedDay
from service.store.shots import Filter
from service.store.tables import NightlyReportRow, ProductionRow

router = APIRouter(prefix="/v1/productions", tags=["reports"], route_class=StrictRoute)

DayInPath = Annotated[Day, Path(description="The production day.")]
RevisionAsked = Annotated[
    int | None, Query(ge=1, le=LARGEST_ID, description="An earlier revision; the latest where left out.")
]
# What a CSV says in its first columns of the report a row is of, and of which part of it; then come the figures.
ABOUT = ("production", "day", "revision", "closed", "filed_at", "position", "tz_data_version", "scope", "code")
COLUMNS = (*ABOUT, *(figure.value for figure in Figure))


@dataclass(eq=False)
class ReportRevisionUnknown(Unknown):
    """The nightly report of {production} of {day} has no revision {revision}; `revisions` lists those that were filed.

    Without a revision the latest is answered, or what the day brought so far.
    """

    production: str
    day: str
    revision: int
    revisions: tuple[int, ...]


class ReportedDayOut(Out):
    """A day whose report was filed."""

    day: date = Field(description="The production day.")
    revision: int = Field(description="Its latest revision.")
    position: int = Field(description="The last event that revision rests on.")
    filed_at: datetime = Field(description="When that revision was filed (UTC).")

    @classmethod
    def of(cls, listed: ListedDay) -> "ReportedDayOut":
        """The day as it is listed."""
        return cls(day=listed.day, revision=listed.revision, position=listed.position, filed_at=listed.filed_at)


REPORTED = {"day": "2026-10-24", "revision": 2, "position": 5011, "filed_at": "2026-10-26T09:12:40Z"}
_CELLS = {"net_frames": "61", "gross_frames": "64", "deleted_frames": "3", "planned_frames": "192"}
CSV_EXAMPLE = "".join(
    f"{','.join(line)}\r\n"
    for line in (
        COLUMNS,
        (
            *("lantern-bay", "2026-10-24", "2", "true", "2026-10-26T09:12:40Z", "5011", "2026.6", "production", ""),
            *(_CELLS.get(figure.value, "0") for figure in Figure),
        ),
    )
)


def _documented(*refusals: type[Unknown] | type[NotAcceptable]) -> Responses:
    forms = answers(EXAMPLE, ProductionUnknown, *refusals, NotAcceptable)
    forms[200]["content"][Media.CSV.value] = {"schema": {"type": "string"}, "example": CSV_EXAMPLE}
    return forms


@router.get(
    "/{production}/reports/nightly",
    operation_id="nightly_list",
    summary="List the days that were reported",
    response_model=Page[ReportedDayOut],
    responses=answers(page_of(REPORTED), ProductionUnknown),
)
def list_days(door: Reader, production: ProductionInPath, window: Paging) -> Response:
    """List the production days whose nightly report was filed, in the order of their first filing. Needs `read`."""
    with door.reading() as session:
        of = door.production(session, production)
        days = store.page(session, of.id or 0, after=window.after, limit=window.fetch)
    return window.reply(door, days, id_of=lambda each: each.id, out_of=ReportedDayOut.of)


@router.get(
    "/{production}/reports/nightly/latest",
    operation_id="nightly_get_latest",
    summary="Read the latest nightly report",
    response_model=NightlyOut,
    responses=_documented(ReportRevisionUnknown),
)
def get_latest(door: Reader, production: ProductionInPath, revision: RevisionAsked = None) -> Response:
    """Read the report of the latest day that was reported; before any, what the present day brought so far.

    Needs `read`. Answered as `application/json` or, by `Accept`, as `text/csv`.
    """
    return _answer(door, production, None, revision=revision)


@router.get(
    "/{production}/reports/nightly/{day}",
    operation_id="nightly_get",
    summary="Read a nightly report",
    response_model=NightlyOut,
    responses=_documented(ReportRevisionUnknown),
)
def get_day(door: Reader, production: ProductionInPath, day: DayInPath, revision: RevisionAsked = None) -> Response:
    """Read what a production day brought. Needs `read`; animators are named to keys that cover `coordinate` alone.

    The worker *nightly* files the report when the day closes, and a revision whenever late counts or corrections change
    it; every revision stays. A day without a report, above all one that is still open, is answered as it now stands,
    with `filed` false. `blocked` is what waited for whom when the revision was filed, and beside the day that is open
    what waits now: it belongs to that moment, not to the day, and is not compared between revisions.
    As `text/csv` the columns are always these, one row for the production and each episode, stage
    and animator: what the report is of, `scope` and `code`, then every figure; a figure the scope does not have is
    empty. A code or name that begins with `=`, `+`, `-` or `@` has an apostrophe before it, so that no spreadsheet
    takes it for a formula.
    """
    return _answer(door, production, day, revision=revision)


def _answer(door: Door, code: str, day: date | None, *, revision: int | None) -> Response:
    media = chosen(door.request)
    with door.reading() as session:
        position = events.head(session)
        production = door.production(session, code)
        production_id = production.id or 0
        day = day or store.newest_day(session, production_id) or production_day(door.now, studio.load(session))
        row = _filed(session, production, day, revision)
        names = door.caller.scope.covers(Scope.COORDINATE)
        if row is not None:
            shown = _of_row(session, row, production.code, names=names)
        else:
            facts = store.facts(session, production, day, studio=studio.load(session))
            beside = media is Media.JSON and facts.terms.opened_at <= door.now < facts.terms.closes_at
            shown = Shown(
                production=production.code,
                report=nightly(facts),
                revision=0,
                position=position,
                closed=facts.terms.closes_at <= door.now,
                filed_at=None,
                difference=None,
                names=names,
                blocked=_blocked(session, production) if beside else None,
                occupancy=_stages_now(session, day, door.now) if beside else None,
            )
    content = NightlyOut.of(shown).model_dump_json() if media is Media.JSON else _csv(shown)
    return door.show(
        content,
        media=Media.JSON.value if media is Media.JSON else CSV_TYPE,
        rev=shown.revision,
        about=f"{shown.report.terms.day}&{'names' if names else 'no names'}",
    )


def _blocked(session: Session, production: ProductionRow) -> BlockedOut:
    found = blocked_now(session, production, Filter(), limit=USUAL_PAGE)
    return BlockedOut.of(session, found, position=events.last_of(session, production.id or 0))


def _stages_now(session: Session, day: date, now: datetime) -> tuple[OccupancyGroupOut, ...]:
    """How stages are used on the day that is open, up to the minute."""
    rows, at, as_of = stages.every(session), occupied.rest(session), to_the_minute(now)
    found = occupied.read_days(session, rows, [day], studio=studio.load(session), at=at, now=as_of)
    known = {row.code: found.figures[row.id or 0, day] for row in rows if (row.id or 0, day) in found.figures}
    return tuple(of_stages(day, known))


def _stages(row: NightlyReportRow) -> tuple[OccupancyGroupOut, ...] | None:
    if row.occupancy is None:
        return None
    return tuple(of_stages(row.day_on, {code: stagefigures.read(each) for code, each in row.occupancy.items()}))


def _filed(session: Session, production: ProductionRow, day: date, revision: int | None) -> NightlyReportRow | None:
    production_id = production.id or 0
    if revision is None:
        return store.latest(session, production_id, day)
    row = store.find(session, production_id, day, revision=revision)
    if row is None:
        there = tuple(store.revisions(session, production_id, day))
        raise ReportRevisionUnknown(production.code, day.isoformat(), revision, there)
    return row


def _of_row(session: Session, row: NightlyReportRow, production: str, *, names: bool) -> Shown:
    differs = None
    if row.difference is not None:
        every = (built(Differs, each) for each in row.difference)
        differs = tuple(each for each in every if names or each.scope is not Grouping.ANIMATOR)
    waits = None if row.blocked is None else built(Blocked, row.blocked)
    return Shown(
        production=production,
        report=report_of(row.figures),
        revision=row.revision,
        position=row.position,
        closed=True,
        filed_at=row.filed_at,
        difference=differs,
        names=names,
        blocked=None if waits is None else BlockedOut.of(session, waits, position=row.position),
        occupancy=_stages(row),
    )


def _csv(shown: Shown) -> str:
    return csv_text(COLUMNS, _rows(shown))


def _rows(shown: Shown) -> Iterator[tuple[str | int | bool | None, ...]]:
    terms = shown.report.terms
    filed_at = None if shown.filed_at is None else shown.filed_at.isoformat().replace("+00:00", "Z")
    about = (shown.production, terms.day.isoformat(), shown.revision, shown.closed, filed_at, shown.position)
    for group in shown.report.groups:
        if shown.names or group.scope is not Grouping.ANIMATOR:
            figures = (group.figures.get(figure) for figure in Figure)
            yield (*about, terms.tz_data_version, group.scope.value, group.code, *figures)
