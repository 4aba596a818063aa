"""The hours of the studio and of its stages."""

from collections.abc import Collection, Mapping
from datetime import date
from typing import Any

from sqlmodel import Session, col, select

from service.domain.calendars import Calendar, DayOut, Hours, Weekday
from service.store.tables import StageCalendarRow, StudioCalendarRow


def of_studio(session: Session, *, lock: bool = False) -> StudioCalendarRow:
    """The studio's row; one without hours and with `rev` 0, not yet stored, where none was set."""
    row = session.get(StudioCalendarRow, 1, with_for_update={"key_share": True} if lock else None)
    return row or StudioCalendarRow(id=1, hours={}, days_out={}, rev=0)


def of_stage(session: Session, stage_id: int, *, lock: bool = False) -> StageCalendarRow:
    """The stage's row; one that says nothing, with `rev` 0, not yet stored, where none was set."""
    row = session.get(StageCalendarRow, stage_id, with_for_update={"key_share": True} if lock else None)
    return row or StageCalendarRow(stage_id=stage_id, hours=None, days_out={}, rev=0)


def kept(session: Session, stage_ids: Collection[int]) -> dict[int, Calendar]:
    """The calendars these stages keep, by stage: their own before the studio's."""
    studio = read(of_studio(session))
    rows = session.exec(select(StageCalendarRow).where(col(StageCalendarRow.stage_id).in_(stage_ids)))
    own = {row.stage_id: read(row) for row in rows}
    return {stage_id: own.get(stage_id, Calendar()).within(studio) for stage_id in stage_ids}


def read(row: StudioCalendarRow | StageCalendarRow) -> Calendar:
    """The calendar of a row."""
    hours = None if row.hours is None else {Weekday(name): _hours(each) for name, each in row.hours.items()}
    days_out = {
        date.fromisoformat(day): DayOut(_hours(each["hours"]), each["reason"]) for day, each in row.days_out.items()
    }
    return Calendar(hours, days_out)


def write(row: StudioCalendarRow | StageCalendarRow, calendar: Calendar) -> None:
    """Let a row say this calendar."""
    said = plain(calendar)
    row.hours, row.days_out = said["hours"], said["days_out"]


def plain(calendar: Calendar) -> dict[str, Any]:
    """A calendar as rows and events hold it; weekdays and days in order, so that equal calendars look alike."""
    hours = None if calendar.hours is None else _plain_week(calendar.hours)
    days_out = {
        day.isoformat(): {"hours": _plain(out.hours), "reason": out.reason}
        for day, out in sorted(calendar.days_out.items())
    }
    return {"hours": hours, "days_out": days_out}


def _plain_week(week: Mapping[Weekday, tuple[Hours, ...]]) -> dict[str, list[list[int]]]:
    return {weekday.value: _plain(week[weekday]) for weekday in Weekday if week.get(weekday)}


def _plain(hours: Collection[Hours]) -> list[list[int]]:
    return [[each.opens_min, each.closes_min] for each in sorted(hours)]


def _hours(said: Collection[Collection[int]]) -> tuple[Hours, ...]:
    return tuple(Hours(*each) for each in said)
