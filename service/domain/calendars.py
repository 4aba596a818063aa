"""Calendars: when a stage may be worked on, as local hours by weekday with exceptions, and what that is in UTC."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise

from service.domain.spans import Span, TimeSet, instant_of, seconds_of, times
from service.domain.studio import due_instant, zone

MINUTES_A_DAY = 24 * 60


class Weekday(StrEnum):
    """The days of the week, in the order of ISO 8601."""

    MONDAY = "monday"
    TUESDAY = "tuesday"
    WEDNESDAY = "wednesday"
    THURSDAY = "thursday"
    FRIDAY = "friday"
    SATURDAY = "saturday"
    SUNDAY = "sunday"

    @classmethod
    def of(cls, day: date) -> "Weekday":
        """The weekday of a day."""
        return tuple(cls)[day.weekday()]


@dataclass(frozen=True, slots=True, order=True)
class Hours:
    """Local hours, in minutes after midnight: `opens_min` 0 to 1439, `closes_min` later, at most a day after it.

    What closes at or before it opens closes the next day: 22:00 to 06:00 is a night. Raises ValueError of minutes no
    clock shows.
    """

    opens_min: int
    closes_min: int

    def __post_init__(self) -> None:
        if not (0 <= self.opens_min < MINUTES_A_DAY and 0 <= self.closes_min <= MINUTES_A_DAY):
            raise ValueError("hours are minutes after midnight, 0 to 1440")

    @property
    def over_midnight(self) -> bool:
        """Whether they close on the day after they open."""
        return self.closes_min <= self.opens_min


@dataclass(frozen=True, slots=True)
class DayOut:
    """A day that is other than its weekday: the `hours` of it, none where it is closed, and the `reason`."""

    hours: tuple[Hours, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Calendar:
    """The `hours` of each weekday, none where it is missing, and the days that are other.

    Of a stage, `hours` may be None: it keeps those of the studio.
    """

    hours: Mapping[Weekday, tuple[Hours, ...]] | None = None
    days_out: Mapping[date, DayOut] = field(default_factory=dict)

    @property
    def opens(self) -> bool:
        """Whether it has any hours at all."""
        return any((self.hours or {}).values()) or any(out.hours for out in self.days_out.values())

    def on(self, day: date) -> tuple[Hours, ...]:
        """The hours that begin on a day."""
        out = self.days_out.get(day)
        return (self.hours or {}).get(Weekday.of(day), ()) if out is None else out.hours

    def within(self, studio: "Calendar") -> "Calendar":
        """What a stage of this calendar keeps in a studio of that one: its own hours and days come first."""
        hours = studio.hours if self.hours is None else self.hours
        return Calendar(hours, {**studio.days_out, **self.days_out})


def clashing(hours: Sequence[Hours]) -> tuple[Hours, Hours] | None:
    """Two hours of one day of which one begins before the other has closed; None where there are none."""
    in_order = sorted(hours)
    for sooner, later in pairwise(in_order):
        if sooner.over_midnight or later.opens_min < sooner.closes_min:
            return sooner, later
    return None


def open_on(calendar: Calendar, day: date, *, time_zone: str) -> TimeSet:
    """The time of a calendar's hours that begin on a local day.

    An hour that the clock shows twice is meant the first time; what does not exist, because the clock is put forward
    over it, is the instant of the change. So hours of 22:00 to 06:00 are 9 hours long where the clock is put back in
    the night, 7 where it is put forward, and each is worked as it elapses.
    """
    return times(_spans(calendar.on(day), day, time_zone))


def open_between(calendar: Calendar, window: Span, *, time_zone: str) -> TimeSet:
    """The time within `window` that a calendar is open, hours that began on the day before among it."""
    rules = zone(time_zone)
    first = window.start_at.astimezone(rules).date() - timedelta(days=1)
    last = window.end_at.astimezone(rules).date()
    days = (first + timedelta(days=offset) for offset in range((last - first).days + 1))
    found = times(span for day in days for span in _spans(calendar.on(day), day, time_zone))
    return found & times([window])


def open_days(calendar: Calendar, window: Span, *, time_zone: str) -> Iterator[tuple[TimeSet, TimeSet]]:
    """Of each local day whose hours reach into `window`: all its open time, and that within the window.

    Days without hours are left out. A step for each day of the window, so ask for no more than is looked at.
    """
    rules, wanted = zone(time_zone), times([window])
    day = window.start_at.astimezone(rules).date() - timedelta(days=1)
    last = window.end_at.astimezone(rules).date()
    while day <= last:
        whole = open_on(calendar, day, time_zone=time_zone)
        if here := whole & wanted:
            yield whole, here
        day += timedelta(days=1)


def stage_days(calendar: Calendar, window: Span, *, time_zone: str) -> Fraction:
    """How much of a stage's time lies within `window`, in stage-days, exactly.

    A stage-day is a day of the calendar that has hours; of a day that lies in the window in part it is the share of its
    open time that does. A night counts for the day on which it begins.
    """
    return stage_days_of(calendar, times([window]), time_zone=time_zone)


def stage_days_of(calendar: Calendar, time: TimeSet, *, time_zone: str) -> Fraction:
    """How much of a stage's time lies within a set of times, in stage-days, exactly."""
    return sum(
        (
            Fraction(len(here & time), len(whole))
            for span in _hulls(time)
            for whole, here in open_days(calendar, span, time_zone=time_zone)
        ),
        Fraction(0),
    )


def _hulls(time: TimeSet) -> Iterator[Span]:
    spans = time.spans
    if spans:
        yield Span(spans[0].start_at, spans[-1].end_at)


def _spans(hours: tuple[Hours, ...], day: date, time_zone: str) -> Iterator[Span]:
    for each in hours:
        start_at = wall_instant(day, each.opens_min, time_zone=time_zone)
        closes_on = day + timedelta(days=1) if each.over_midnight else day
        end_at = wall_instant(closes_on, each.closes_min, time_zone=time_zone)
        # Hours that the clock is put forward over are not there at all.
        if start_at < end_at:
            yield Span(start_at, end_at)


def wall_instant(day: date, minute: int, *, time_zone: str) -> datetime:
    """The UTC instant at which a local clock first shows a minute after midnight, or is put forward over it.

    1440 is 24:00, the midnight that ends the day.
    """
    shown = datetime.combine(day, time()) + timedelta(minutes=minute)
    meant = due_instant(shown.date(), shown.time(), time_zone=time_zone)
    rules = zone(time_zone)
    if meant.astimezone(rules).replace(tzinfo=None) == shown:
        return meant
    # The clock never shows it: the change lies within the day before what the offset before the change makes of it.
    before, after = seconds_of(meant) - 24 * 3600, seconds_of(meant)
    offset = meant.astimezone(rules).utcoffset()
    while after - before > 1:
        middle = (before + after) // 2
        if instant_of(middle).astimezone(rules).utcoffset() == offset:
            after = middle
        else:
            before = middle
    return instant_of(after)
