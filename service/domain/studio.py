"""The studio's calendar: which production day an instant belongs to.

Zone and hour are the studio's, not a production's, because its stages are shared by productions.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from zoneinfo import ZoneInfo

from service.domain.shifts import Shift

DAY_STARTS_AT_MIN = 5 * 60
PLATE_MINIMUM_FRAMES = 25


@dataclass(frozen=True, slots=True)
class Studio:
    """What the studio set for all its productions.

    `time_zone` is an IANA name; `day_starts_at_min` minutes after local midnight at which a production day begins;
    `plate_minimum_frames` the frames a plate of a still camera needs; `terminals_may_decide` whether a terminal's
    `circled` and `ng` are decisions. `name` is empty and `rev` 0 before it is first set; `rev` rises each time it is.
    """

    name: str = ""
    time_zone: str = "UTC"
    day_starts_at_min: int = DAY_STARTS_AT_MIN
    plate_minimum_frames: int = PLATE_MINIMUM_FRAMES
    terminals_may_decide: bool = False
    rev: int = 0


def production_day(instant: datetime, studio: Studio, *, shifts: Sequence[Shift] = ()) -> date:
    """The production day of an aware instant.

    The day of the stage's call where it lies between call and wrap, else the local date cut at the studio's hour.

    Of several shifts that hold the instant the latest call counts.
    """
    holding = [shift.called_at for shift in shifts if shift.holds(instant)]
    return _cut_date(max(holding, default=instant), studio)


def day_opens(day: date, studio: Studio) -> datetime:
    """The first UTC instant of a production day; it lasts to that of the next.

    That is 24 hours as a rule, 23 or 25 over a change to or from summer time, and half an hour more or less on Lord
    Howe. Where the clock is put forward over the studio's hour the day begins at the change.
    """
    due = due_instant(day, _starts_at(studio), time_zone=studio.time_zone)
    not_yet_s, begun_s = -2 * 24 * 3600, 0
    if _cut_date(due - timedelta(seconds=1), studio) < day:
        return due
    while begun_s - not_yet_s > 1:
        middle_s = (not_yet_s + begun_s) // 2
        if _cut_date(due + timedelta(seconds=middle_s), studio) < day:
            not_yet_s = middle_s
        else:
            begun_s = middle_s
    return due + timedelta(seconds=begun_s)


def _starts_at(studio: Studio) -> time:
    return time(studio.day_starts_at_min // 60, studio.day_starts_at_min % 60)


def _cut_date(instant: datetime, studio: Studio) -> date:
    wall = instant.astimezone(zone(studio.time_zone))
    starts_at = _starts_at(studio)
    # A clock put back over the studio's hour shows the time before it once more; the day has begun all the same.
    begun = wall.time() >= starts_at or instant >= due_instant(wall.date(), starts_at, time_zone=studio.time_zone)
    return wall.date() if begun else wall.date() - timedelta(days=1)


def iso_week(day: date) -> str:
    """The ISO 8601 week of a day, as in `2026-W53`."""
    year, week, _ = day.isocalendar()
    return f"{year:04d}-W{week:02d}"


def due_instant(day: date, at: time, *, time_zone: str) -> datetime:
    """The UTC instant at which a studio-local clock first shows `at` on `day`.

    Where the clock is put back and shows it twice, the first time counts; where it is put forward over it, the offset
    before the change counts.
    """
    return datetime.combine(day, at, tzinfo=zone(time_zone)).astimezone(UTC)


@cache
def zone(time_zone: str) -> ZoneInfo:
    """The rules of an IANA zone.

    Those of the installed `tzdata` package before the machine's own: two machines of a studio must not disagree about a
    day because one of them is updated less often. Raises ZoneInfoNotFoundError or ValueError where there is no such
    zone.
    """
    known = ZoneInfo(time_zone)
    try:
        with files("tzdata").joinpath("zoneinfo", *time_zone.split("/")).open("rb") as rules:
            return ZoneInfo.from_file(rules, key=time_zone)
    except (ModuleNotFoundError, FileNotFoundError):
        return known


def tz_data_version() -> str:
    """Which release of the time zone database production days are reckoned by: that of the `tzdata` package.

    `the machine's own` where the package is not installed.
    """
    try:
        return version("tzdata")
    except PackageNotFoundError:
        return "the machine's own"
