"""Set the hours of the studio and of its stages."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.calendars import Calendar
from service.domain.events import EventKind
from service.domain.refusals import Clash
from service.store import calendars as store
from service.store import rows
from service.store.events import append
from service.store.tables import StageCalendarRow, StageRow, StudioCalendarRow


@dataclass(eq=False)
class CalendarSetMeanwhile(Clash):
    """Somebody else set this calendar at the same moment; read it, then send what you want with its ETag."""


def put(
    session: Session,
    row: StudioCalendarRow | StageCalendarRow,
    calendar: Calendar,
    *,
    stage: StageRow | None = None,
    by: str,
    now: datetime,
) -> None:
    """Set a calendar, that of `stage` or else the studio's; *row* is its locked row, stored or not.

    What it says already changes nothing. Raises CalendarSetMeanwhile.
    """
    first = row.rev == 0
    if not first and store.read(row) == calendar:
        return
    store.write(row, calendar)
    row.rev += 1
    if first:
        try:
            rows.add(session, row)
        except rows.NameTaken:
            raise CalendarSetMeanwhile from None
    data = {"stage": None if stage is None else stage.code, **store.plain(calendar)}
    append(session, kind=EventKind.CALENDAR_SET, at=now, actor=by, data=data)
