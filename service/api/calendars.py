"""Calendars: the hours in which stages are worked on."""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from service.actions import calendars, stages
from service.actions.calendars import CalendarSetMeanwhile
from service.actions.stages import StageUnknown
from service.api.doors import Reader, StudioCoordinate
from service.api.examples import answers
from service.api.fields import Body, ClockMinute, Day, Line, Out, clock_text, shown_as
from service.api.refusals import MissingPrecondition, Stale
from service.api.shifts import StageInPath
from service.api.strict import StrictRoute
from service.domain.calendars import Calendar, DayOut, Hours, Weekday, clashing, open_on
from service.domain.refusals import Fault, UnfitFields
from service.domain.spans import TimeSet
from service.store import calendars as store
from service.store import studio
from service.store.tables import StageCalendarRow, StudioCalendarRow

router = APIRouter(prefix="/v1", tags=["calendars"], route_class=StrictRoute)

MOST_HOURS, MOST_DAYS_OUT, MOST_DAYS = 8, 1_000, 400

WEEK: Mapping[str, Any] = {
    "hours": {"monday": [{"opens": "09:00", "closes": "18:00"}], "friday": [{"opens": "22:00", "closes": "06:00"}]},
    "days_out": [{"day": "2026-12-25", "hours": [], "reason": "Christmas Day"}],
}
SET: Mapping[str, Any] = {
    "hours": {**{weekday.value: [] for weekday in Weekday}, **WEEK["hours"]},
    "days_out": WEEK["days_out"],
    "rev": 1,
}
OPEN = {
    "time_zone": "Europe/London",
    "days": [
        {
            "day": "2026-10-24",
            "weekday": "saturday",
            "reason": None,
            "spans": [{"start": "2026-10-24T21:00:00Z", "end": "2026-10-25T06:00:00Z"}],
            "open_s": 32400,
        }
    ],
    "open_s": 32400,
}


class HoursIn(Body):
    """Local hours; what closes at or before it opens closes the next day."""

    opens: ClockMinute = Field(description="The local time of day, `HH:MM`, at which work may begin.")
    closes: ClockMinute = Field(
        description="The local time at which it ends: later on the day, else on the next; `00:00` is midnight."
    )

    def value(self) -> Hours:
        """The hours as the domain knows them."""
        return Hours(self.opens, self.closes)


Several = Annotated[list[HoursIn], Field(max_length=MOST_HOURS)]


class DayOutIn(Body):
    """A day that is other than its weekday."""

    day: Day = Field(description="The local day.")
    hours: Several = Field([], description="The hours that begin on it; none: closed.")
    reason: Line = Field(description="Why: a holiday, a fire drill, a long day.")


ByWeekday = dict[Annotated[Weekday, Field(strict=False)], Several]


class DaysOutIn(Body):
    """What calendars have in common."""

    days_out: list[DayOutIn] = Field([], max_length=MOST_DAYS_OUT, description="Days that are other, each once.")

    @model_validator(mode="after")
    def _each_once(self) -> "DaysOutIn":
        days = Counter(each.day for each in self.days_out)
        if (day := next((day for day, times in days.items() if times > 1), None)) is not None:
            raise PydanticCustomError("twice", "Name each day once; {day} is there twice.", {"day": day.isoformat()})
        return self

    def calendar(self, hours: ByWeekday | None) -> Calendar:
        """The calendar as the domain knows it; raises UnfitFields where hours of a day overlap."""
        week = None if hours is None else {day: _apart(each, f"#/hours/{day}") for day, each in hours.items()}
        days_out = {
            each.day: DayOut(_apart(each.hours, f"#/days_out/{place}/hours"), each.reason)
            for place, each in enumerate(self.days_out)
        }
        return Calendar(week, days_out)


class CalendarIn(DaysOutIn):
    """A calendar as it is to be, all of it."""

    model_config = shown_as(WEEK)

    hours: ByWeekday = Field(description="By weekday, `monday` to `sunday`; a weekday that is left out is closed.")


class StageCalendarIn(DaysOutIn):
    """A stage's own calendar, all of it."""

    model_config = shown_as({**WEEK, "hours": None})

    hours: ByWeekday | None = Field(
        None, description="By weekday; a weekday that is left out is closed. Null: the stage keeps the studio's hours."
    )


def _apart(several: Sequence[HoursIn], pointer: str) -> tuple[Hours, ...]:
    hours = tuple(each.value() for each in several)
    if (pair := clashing(hours)) is not None:
        sooner, later = (f"{clock_text(each.opens_min)} to {clock_text(each.closes_min % 1440)}" for each in pair)
        detail = (
            f"Hours of one day lie apart: {sooner} and {later} do not. Make one of the two, or let one end earlier."
        )
        raise UnfitFields((Fault(detail, pointer=pointer),))
    return tuple(sorted(hours))


class HoursOut(Out):
    """Local hours."""

    opens: str = Field(description="The local time of day, `HH:MM`, at which work may begin.")
    closes: str = Field(description="The local time at which it ends: later on the day, else on the next.")

    @classmethod
    def several(cls, hours: Sequence[Hours]) -> "list[HoursOut]":
        """These hours, in order."""
        return [cls(opens=clock_text(each.opens_min), closes=clock_text(each.closes_min)) for each in hours]


class DayOutOut(Out):
    """A day that is other than its weekday."""

    day: date = Field(description="The local day.")
    hours: list[HoursOut] = Field(description="The hours that begin on it; none: closed.")
    reason: str = Field(description="Why.")


class CalendarOut(Out):
    """A calendar."""

    hours: dict[Weekday, list[HoursOut]] | None = Field(
        description="By weekday; null of a stage that keeps the studio's hours."
    )
    days_out: list[DayOutOut] = Field(description="Days that are other, in order.")
    rev: int = Field(description="How often it was set; 0: nobody has set it.")

    @classmethod
    def of(cls, row: StudioCalendarRow | StageCalendarRow) -> "CalendarOut":
        """The calendar of this row."""
        calendar = store.read(row)
        hours = calendar.hours
        return cls(
            hours=None if hours is None else {day: HoursOut.several(hours.get(day, ())) for day in Weekday},
            days_out=[
                DayOutOut(day=day, hours=HoursOut.several(out.hours), reason=out.reason)
                for day, out in sorted(calendar.days_out.items())
            ],
            rev=row.rev,
        )


class SpanOut(Out):
    """A span of time, `[start, end)`."""

    start: datetime = Field(description="Its first instant (UTC).")
    end: datetime = Field(description="The instant it ends before (UTC).")

    @classmethod
    def several(cls, found: TimeSet) -> "list[SpanOut]":
        """The spans of a set of times, in order."""
        return [cls(start=each.start_at, end=each.end_at) for each in found.spans]


class OpenDayOut(Out):
    """When a stage is open on a local day."""

    day: date = Field(description="The local day on which the hours begin.")
    weekday: Weekday = Field(description="Its weekday.")
    reason: str | None = Field(description="Why it is other than its weekday; null where it is not.")
    spans: list[SpanOut] = Field(description="When it is open; over a change of summer time as long as it elapses.")
    open_s: int = Field(description="How long that is, in seconds.")


class OpenOut(Out):
    """When a stage is open, day by day."""

    time_zone: str = Field(description="The studio's time zone, by whose clock the hours are.")
    days: list[OpenDayOut] = Field(description="Every day asked for, closed ones too.")
    open_s: int = Field(description="How long all of that is, in seconds; hours that overlap count once.")


SET_OF_STAGE = {**SET, "hours": None}


@router.get(
    "/studio/calendar",
    operation_id="studio_calendar_get",
    summary="Read the studio's hours",
    response_model=CalendarOut,
    responses=answers(SET),
)
def get_studio_calendar(door: Reader) -> Response:
    """Read the hours that stages keep which have none of their own. Needs `read`."""
    with door.reading() as session:
        row = store.of_studio(session)
        return door.reply(session, CalendarOut.of(row), rev=row.rev)


@router.put(
    "/studio/calendar",
    operation_id="studio_calendar_set",
    summary="Set the studio's hours",
    response_model=CalendarOut,
    responses=answers(SET, CalendarSetMeanwhile, UnfitFields, Stale, MissingPrecondition),
)
def put_studio_calendar(door: StudioCoordinate, body: CalendarIn) -> Response:
    """Set the hours of all stages that have none of their own, all of them: what is left out is closed.

    Needs a `coordinate` key that is not bound to a production, and `If-Match` once they were set.
    """
    with door.writing() as session:
        row = store.of_studio(session, lock=True)
        if row.rev > 0:
            door.require_match(rev=row.rev, current=lambda: CalendarOut.of(row))
        calendars.put(session, row, body.calendar(body.hours), by=door.by, now=door.now)
        return door.reply(session, CalendarOut.of(row), rev=row.rev)


@router.get(
    "/stages/{stage}/calendar",
    operation_id="stage_calendar_get",
    summary="Read a stage's own hours",
    response_model=CalendarOut,
    responses=answers(SET_OF_STAGE, StageUnknown),
)
def get_stage_calendar(door: Reader, stage: StageInPath) -> Response:
    """Read what a stage keeps otherwise than the studio. Needs `read`."""
    with door.reading() as session:
        row = store.of_stage(session, stages.find(session, stage).id or 0)
        return door.reply(session, CalendarOut.of(row), rev=row.rev)


@router.put(
    "/stages/{stage}/calendar",
    operation_id="stage_calendar_set",
    summary="Set a stage's own hours",
    response_model=CalendarOut,
    responses=answers(SET_OF_STAGE, StageUnknown, CalendarSetMeanwhile, UnfitFields, Stale, MissingPrecondition),
)
def put_stage_calendar(door: StudioCoordinate, stage: StageInPath, body: StageCalendarIn) -> Response:
    """Set what a stage keeps otherwise than the studio, all of it: its own hours, or days of its own alone.

    A day it names comes before the studio's of that date. Needs a `coordinate` key that is not bound to a production,
    and `If-Match` once it was set.
    """
    with door.writing() as session:
        of = stages.find(session, stage, lock=True)
        row = store.of_stage(session, of.id or 0, lock=True)
        if row.rev > 0:
            door.require_match(rev=row.rev, current=lambda: CalendarOut.of(row))
        calendars.put(session, row, body.calendar(body.hours), stage=of, by=door.by, now=door.now)
        return door.reply(session, CalendarOut.of(row), rev=row.rev)


@router.get(
    "/stages/{stage}/hours",
    operation_id="stage_hours_get",
    summary="Read when a stage is open",
    response_model=OpenOut,
    responses=answers(OPEN, StageUnknown, UnfitFields),
)
def get_stage_hours(
    door: Reader,
    stage: StageInPath,
    *,
    first: Annotated[Day, Query(alias="from", description="The first local day.", examples=["2026-10-24"])],
    last: Annotated[
        Day, Query(alias="to", description="The last local day, at most 400 days in all.", examples=["2026-10-30"])
    ],
) -> Response:
    """Read when a stage is open by its calendar and the studio's, in UTC, day by day. Needs `read`."""
    if not timedelta(0) <= last - first < timedelta(days=MOST_DAYS):
        raise UnfitFields(
            (Fault(f"Let `to` be `from` or a later day, {MOST_DAYS} days in all at most.", place="query to"),)
        )
    with door.reading() as session:
        stage_id = stages.find(session, stage).id or 0
        calendar, time_zone = store.kept(session, [stage_id])[stage_id], studio.load(session).time_zone
    days = [first + timedelta(days=offset) for offset in range((last - first).days + 1)]
    found = [open_on(calendar, day, time_zone=time_zone) for day in days]
    out = OpenOut(
        time_zone=time_zone,
        days=[_open_day(calendar, day, each) for day, each in zip(days, found, strict=True)],
        open_s=len(TimeSet.union(found)),
    )
    return door.reply(None, out)


def _open_day(calendar: Calendar, day: date, found: TimeSet) -> OpenDayOut:
    out = calendar.days_out.get(day)
    return OpenDayOut(
        day=day,
        weekday=Weekday.of(day),
        reason=None if out is None else out.reason,
        spans=SpanOut.several(found),
        open_s=len(found),
    )
