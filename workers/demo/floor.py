"""The demo's stage floor: when the studio is open, and what its stages and animators are booked for."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from service.client import Client
from workers.demo.desk import CODE
from workers.demo.record import Record
from workers.demo.scenario import STAGES
from workers.demo.script import CALL, CALL_SHEET, WRAP, hours_of, instant

# Open on every day, since the demo may be played on any.
HOURS: dict[str, Any] = {
    "hours": {
        day: [{"opens": f"{CALL:%H:%M}", "closes": f"{WRAP:%H:%M}"}]
        for day in ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
    }
}
HELD, HELD_FOR = "e2-street-5", "the wet street has set: nothing may be moved until the rain shots are through"
# For the day after the two: both want the north hall, and nobody has decided.
WANTED = (("e1-quay-5", "lighting", time(9), time(14)), ("e2-street-2", "dressing", time(12), time(18)))


@dataclass(frozen=True, slots=True)
class Floor:
    """Enters the hours and bookings of the two days, and what is wanted of the third."""

    office: Client
    record: Record
    days: tuple[date, date]

    def set_out(self) -> None:
        """Set the studio's hours and book all there is to book."""
        self.office.set_calendar(HOURS)
        for booking in (*self._shooting(), self._hold(), *self._wanted(), self._upkeep()):
            self.office.book(booking)
            self.record.booking(booking)

    def _shooting(self) -> Iterator[dict[str, Any]]:
        """Each stage that is called, with its animator, for the first shot on its call sheet."""
        for stage in STAGES:
            for day, codes in enumerate(CALL_SHEET[stage.code]):
                hours = hours_of(stage.code, day, self.days)
                if hours is not None and codes:
                    who = {"stage": stage.code, "animator": stage.animators[day]}
                    yield _booking("shooting", hours, shot=codes[0], firmness="confirmed", **who)

    def _hold(self) -> dict[str, Any]:
        span = instant(self.days[0], CALL), instant(self.days[1] + timedelta(days=2), WRAP)
        said = {"note": HELD_FOR, "asked_by": "Sorrel", "firmness": "confirmed"}
        return _booking("holding", span, stage="porch", shot=HELD, **said)

    def _wanted(self) -> Iterator[dict[str, Any]]:
        third = self.days[1] + timedelta(days=1)
        for shot, activity, opens, closes in WANTED:
            yield _booking(activity, (instant(third, opens), instant(third, closes)), stage="north", shot=shot)

    def _upkeep(self) -> dict[str, Any]:
        day = self.days[1] + timedelta(days=1)
        hours = instant(day, CALL), instant(day, time(11))
        return _booking("upkeep", hours, stage="attic", firmness="confirmed", note="the floor is screwed down again")


def _booking(activity: str, span: tuple[datetime, datetime], **said: str) -> dict[str, Any]:
    start, end = span
    return {"production": CODE, "activity": activity, "start": start.isoformat(), "end": end.isoformat(), **said}
