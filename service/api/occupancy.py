"""Occupancy: what stages are planned for and what they were used for."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import stages
from service.actions.stages import StageUnknown
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import Day, Out
from service.api.strict import StrictRoute
from service.domain.idleness import Idle
from service.domain.refusals import Fault, UnfitFields
from service.domain.stagefigures import Figures, Part, occupied_s, overtime_s
from service.domain.studio import production_day
from service.domain.turnovers import TurnoverTimes
from service.domain.work import PRECEDENCE, Use
from service.store import occupied as store
from service.store import stages as stage_rows
from service.store import studio as studios
from service.store.tables import StageRow

router = APIRouter(prefix="/v1/occupancy", tags=["occupancy"], route_class=StrictRoute)

MOST_DAYS = 100


class By(StrEnum):
    """What occupancy is shared out by."""

    STAGE = "stage"
    ACTIVITY = "activity"
    DAY = "day"


class PartOut(Out):
    """Seconds within the stages' hours, and outside of them."""

    open_s: int = Field(description="Seconds within the hours.")
    outside_s: int = Field(description="Seconds outside of them.")

    @classmethod
    def of(cls, part: Part) -> "PartOut":
        """The part as it is answered."""
        return cls(open_s=part.open_s, outside_s=part.outside_s)


class ShareOut(Out):
    """A share, which is never more than all."""

    exact: str = Field(description="Exactly, as `1`, `0` or a fraction `n/d`.")
    per_cent: float = Field(description="In per cent, rounded to 0.1.")

    @classmethod
    def of(cls, share: Fraction | None) -> "ShareOut | None":
        """The share, both ways."""
        return None if share is None else cls(exact=str(share), per_cent=round(float(100 * share), 1))


class UseOut(Out):
    """One activity."""

    activity: Use = Field(description="The activity; `idle` is what is left of the hours.")
    planned: PartOut = Field(description="What bookings promise to it.")
    actual: PartOut = Field(description="What it took.")


class WhyIdleOut(Out):
    """Idle time by why it was."""

    why: Idle = Field(description="Why; of several reasons the first of this order counts.")
    idle_s: int = Field(description="How long, in seconds.")


class SaidOut(Out):
    """Idle time that a stage's log gave a reason for."""

    reason: str = Field(description="The reason, as it was entered.")
    idle_s: int = Field(description="How long, in seconds.")


class TurnoverOut(Out):
    """How long stages took from the last accepted frame of a shot to the first frame of the next.

    The last accepted frame is the last captured of a take of which frames are accepted. Returning to a shot whose set
    was there before is no turnover.
    """

    number: int = Field(description="How many there were; each counts on the day of the next first frame.")
    p50_s: float | None = Field(description="The median, in seconds; null where there were none.")
    p90_s: float | None = Field(description="What nine of ten took at most, in seconds (type 7 of Hyndman and Fan).")


class StageTimeOut(Out):
    """The time of stages, added up; seconds."""

    stage_days: int = Field(description="How many days of stages are added up.")
    span_s: int = Field(description="All of their time, in seconds.")
    available_s: int = Field(description="Seconds of it in the stages' hours.")
    available_elapsed_s: int = Field(description="Seconds of that that have gone by.")
    planned_utilisation: ShareOut | None = Field(description="|planned ∩ available| ÷ available; null of none.")
    utilisation: ShareOut | None = Field(
        description="|busy ∩ available| ÷ available, of what has gone by, held sets among it; null of none."
    )
    planned_overtime_s: int = Field(description="Seconds of work planned outside the hours; a set held then is none.")
    overtime_s: int = Field(description="Seconds of work done outside the hours.")
    pencilled_s: int = Field(description="Seconds of the plan that rest on pencilled bookings alone.")
    overlap_s: int = Field(description="Seconds in which more than one booking stood on a stage.")
    most_at_once: int = Field(description="How many stood on one stage at most.")
    inferred_s: int = Field(
        description="Seconds of work that nobody said the end of: it ends with the stage's last sign of life."
    )
    activities: list[UseOut] = Field(description="By activity, in parts that do not overlap.")
    idle: list[WhyIdleOut] = Field(description="What was idle by why; together all of it.")
    said: list[SaidOut] = Field(description="What the stages' logs called the reason, of what they explain.")
    turnover: TurnoverOut = Field(description="How long it took from shot to shot.")

    @classmethod
    def of(cls, several: Sequence[Figures]) -> "StageTimeOut":
        """These figures added up."""
        found = Figures.sum(several)
        times = TurnoverTimes.of(found.turnovers_s)
        return cls(
            stage_days=len(several),
            span_s=found.span_s,
            available_s=found.available_s,
            available_elapsed_s=found.available_elapsed_s,
            planned_utilisation=ShareOut.of(found.planned_utilisation),
            utilisation=ShareOut.of(found.utilisation),
            planned_overtime_s=overtime_s(found.planned),
            overtime_s=overtime_s(found.actual),
            pencilled_s=found.pencilled_s,
            overlap_s=found.overlap_s,
            most_at_once=found.most_at_once,
            inferred_s=found.inferred_s,
            activities=[
                UseOut(activity=use, planned=PartOut.of(found.planned[use]), actual=PartOut.of(found.actual[use]))
                for use in Use
            ],
            idle=[WhyIdleOut(why=why, idle_s=length_s) for why, length_s in found.idle.items()],
            said=[SaidOut(reason=reason, idle_s=length_s) for reason, length_s in found.said.items()],
            turnover=TurnoverOut(number=times.number, p50_s=_inked(times.p50_s), p90_s=_inked(times.p90_s)),
        )


class OccupancyGroupOut(Out):
    """What is occupied of one stage, on one day, or by one activity."""

    stage: str | None = Field(description="The stage, where it is by stage.")
    day: date | None = Field(description="The production day, where it is by day.")
    activity: Use | None = Field(description="The activity, where it is by activity.")
    planned: PartOut = Field(description="What bookings promise; of a stage or a day all but idle time.")
    actual: PartOut = Field(description="What was used; of a stage or a day all but idle time.")
    time: StageTimeOut | None = Field(description="All of it; null by activity, since that says no more.")


class OccupancyOut(Out):
    """The occupancy of stages over production days."""

    first_day: date = Field(description="The first production day.")
    last_day: date = Field(description="The last one.")
    by: By = Field(description="What the groups are.")
    as_of: datetime | None = Field(
        description="Up to when what was done is known (UTC), to the minute; null where all the days are over."
    )
    position: int = Field(description="The last event the worker *occupancy* has read; 0 before any.")
    reckoned: int = Field(
        description="How many stage-days were reckoned from the facts for this answer: those not over, or not kept yet."
    )
    total: StageTimeOut = Field(description="All of it added up.")
    groups: list[OccupancyGroupOut] = Field(description="By stage or by day in order; by activity, idle last.")


PART = {"open_s": 25200, "outside_s": 3600}
TIME: Mapping[str, Any] = {
    "stage_days": 1,
    "span_s": 86400,
    "available_s": 32400,
    "available_elapsed_s": 32400,
    "planned_utilisation": {"exact": "8/9", "per_cent": 88.9},
    "utilisation": {"exact": "7/9", "per_cent": 77.8},
    "planned_overtime_s": 0,
    "overtime_s": 3600,
    "pencilled_s": 0,
    "overlap_s": 0,
    "most_at_once": 1,
    "inferred_s": 0,
    "activities": [{"activity": "shooting", "planned": {"open_s": 28800, "outside_s": 0}, "actual": PART}],
    "idle": [{"why": "waiting for kit", "idle_s": 7200}],
    "said": [{"reason": "kit: the long lens", "idle_s": 7200}],
    "turnover": {"number": 1, "p50_s": 10800.0, "p90_s": 10800.0},
}
OCCUPANCY: Mapping[str, Any] = {
    "first_day": "2026-03-02",
    "last_day": "2026-03-02",
    "by": "stage",
    "as_of": None,
    "position": 4812,
    "reckoned": 0,
    "total": TIME,
    "groups": [
        {
            "stage": "mill",
            "day": None,
            "activity": None,
            "planned": {"open_s": 28800, "outside_s": 0},
            "actual": PART,
            "time": TIME,
        }
    ],
}


@dataclass(frozen=True, slots=True)
class Days:
    """Production days in a row."""

    first: date
    last: date

    @property
    def all(self) -> list[date]:
        """Each of them."""
        return [self.first + timedelta(days=offset) for offset in range((self.last - self.first).days + 1)]


def days_asked(first: date, last: date, *, most: int = MOST_DAYS) -> Days:
    """The days from `from` to `to`; raises UnfitFields where they are none or too many."""
    if not timedelta(0) <= last - first < timedelta(days=most):
        raise UnfitFields((Fault(f"Let `to` be `from` or a later day, {most} days in all at most.", place="query to"),))
    return Days(first, last)


def to_the_minute(instant: datetime) -> datetime:
    """The instant, seconds left out: what is told as of it is the same answer for a minute."""
    return instant.replace(second=0, microsecond=0)


@router.get(
    "",
    operation_id="occupancy_get",
    summary="Read the occupancy of stages",
    response_model=OccupancyOut,
    responses=answers(OCCUPANCY, StageUnknown, UnfitFields),
)
def get_occupancy(
    door: Reader,
    *,
    first: Annotated[Day, Query(alias="from", description="The first production day.", examples=["2026-03-02"])],
    last: Annotated[
        Day, Query(alias="to", description="The last one, at most 100 days in all.", examples=["2026-03-08"])
    ],
    by: Annotated[By, Query(description="Groups by `stage`, `activity` or `day`.")] = By.STAGE,
    stage: Annotated[str | None, Query(description="Only the stage with this code.")] = None,
) -> Response:
    """Read what stages are planned for and what they were used for over production days. In seconds.

    Planned is what bookings promise, confirmed ones before pencilled. Done is what the log, the captures and the phases
    of shots tell: from call to wrap without the waits; where nobody wrapped, to the last sign of life. What lies over
    one another counts once, in the order of the activities, and what is left of the hours is idle. Needs `read`.
    """
    asked = days_asked(first, last)
    as_of = to_the_minute(door.now)
    with door.reading() as session:
        studio, at = studios.load(session), store.rest(session)
        rows = _stages(session, stage)
        found = store.read_days(session, rows, asked.all, studio=studio, at=at, now=as_of)
    open_day = asked.last >= production_day(as_of, studio)
    out = OccupancyOut(
        first_day=asked.first,
        last_day=asked.last,
        by=by,
        as_of=as_of if open_day else None,
        position=at.position if at else 0,
        reckoned=found.reckoned,
        total=StageTimeOut.of(list(found.figures.values())),
        groups=_groups(by, rows, asked, found.figures),
    )
    return door.reply(None, out)


def _stages(session: Session, code: str | None) -> Sequence[StageRow]:
    return stage_rows.every(session) if code is None else [stages.find(session, code)]


def _groups(
    by: By, rows: Sequence[StageRow], asked: Days, figures: Mapping[tuple[int, date], Figures]
) -> list[OccupancyGroupOut]:
    match by:
        case By.STAGE:
            by_stage = ((row, [figures.get((row.id or 0, day)) for day in asked.all]) for row in rows)
            return [_group(each, stage=row.code) for row, each in by_stage]
        case By.DAY:
            by_day = ((day, [figures.get((row.id or 0, day)) for row in rows]) for day in asked.all)
            return [_group(each, day=day) for day, each in by_day]
        case By.ACTIVITY:
            all_of_it = Figures.sum(figures.values())
            return [
                OccupancyGroupOut(
                    stage=None,
                    day=None,
                    activity=use,
                    planned=PartOut.of(all_of_it.planned[use]),
                    actual=PartOut.of(all_of_it.actual[use]),
                    time=None,
                )
                for use in Use
            ]


def of_stages(day: date, figures: Mapping[str, Figures]) -> list[OccupancyGroupOut]:
    """The figures of stages on a day, by their codes."""
    return [_group([each], stage=code, day=day) for code, each in sorted(figures.items())]


def _group(
    several: Iterable[Figures | None], *, stage: str | None = None, day: date | None = None
) -> OccupancyGroupOut:
    known = [each for each in several if each is not None]
    found = Figures.sum(known)
    return OccupancyGroupOut(
        stage=stage,
        day=day,
        activity=None,
        planned=PartOut(
            open_s=occupied_s(found.planned), outside_s=sum(found.planned[use].outside_s for use in PRECEDENCE)
        ),
        actual=PartOut(
            open_s=occupied_s(found.actual), outside_s=sum(found.actual[use].outside_s for use in PRECEDENCE)
        ),
        time=StageTimeOut.of(known),
    )


def _inked(value: Fraction | None) -> float | None:
    return None if value is None else round(float(value), 1)
