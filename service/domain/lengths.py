"""Lengths: how many days the frames that remain of a shot will take, and when on a stage's calendar that ends.

A range, not a date: by a fast day, the middle one and a slow one. Planning figures, no promise of anybody's.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from math import ceil

from service.domain.calendars import Calendar, open_days
from service.domain.paces import FEWEST_DAYS, Pace
from service.domain.spans import Span, instant_of

FURTHEST = timedelta(days=800)
"""How far ahead an end is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """How many animator-days frames take that last `seconds`.

    `early_days` at the day that one in ten exceeds, `usual_days` at the middle one, `late_days` at the day that nine in
    ten exceed; None where such a day brings nothing.
    """

    seconds: Fraction
    early_days: Fraction | None
    usual_days: Fraction | None
    late_days: Fraction | None


def length(frames: int, pace: Pace, *, frame_rate: Fraction) -> Length:
    """How long frames that remain take at a pace."""
    seconds = frames / frame_rate

    def at(seconds_a_day: Fraction) -> Fraction | None:
        if not seconds:
            return Fraction(0)
        return seconds / seconds_a_day if seconds_a_day else None

    return Length(seconds=seconds, early_days=at(pace.p90_s), usual_days=at(pace.p50_s), late_days=at(pace.p10_s))


def ends_after(
    wanted: Sequence[Fraction | None], calendar: Calendar, start_at: datetime, *, time_zone: str
) -> list[datetime | None]:
    """When so many days of a stage's hours have gone by since `start_at`, each to the whole second, rounded up.

    A day of the calendar is one animator-day; of one that is under way the share of its hours that is left. None where
    the calendar has not so many days within FURTHEST, or no number of days is given. One walk over the days for all.
    """
    found: dict[Fraction, datetime] = {Fraction(0): start_at}
    left = sorted({days for days in wanted if days is not None and days > 0})
    gone = Fraction(0)
    walk = open_days(calendar, Span(start_at, start_at + FURTHEST), time_zone=time_zone) if calendar.opens else ()
    for whole, here in walk:
        share = Fraction(len(here), len(whole))
        while left and gone + share >= left[0]:
            days = left.pop(0)
            found[days] = instant_of(here.nth(ceil((days - gone) * len(whole))) + 1)
        gone += share
        if not left:
            break
    return [None if days is None else found.get(days) for days in wanted]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """When frames that remain will be there, reckoned from `start_at`; `whose` pace, None: the production's.

    `reason` says why an end is None, where one is.
    """

    start_at: datetime
    remaining_frames: int
    pace: Pace | None = None
    whose: str | None = None
    length: Length | None = None
    early_at: datetime | None = None
    usual_at: datetime | None = None
    late_at: datetime | None = None
    reason: str | None = None

    @property
    def days(self) -> tuple[Fraction | None, Fraction | None, Fraction | None]:
        """How many animator-days they take: early, as usual, late."""
        of = self.length
        return (None, None, None) if of is None else (of.early_days, of.usual_days, of.late_days)


NO_PACE = (
    f"No pace is known yet: animator and production have fewer than {FEWEST_DAYS} animator-days with credited frames."
)
NOTHING_REMAINS = "Every planned frame is credited: nothing remains to be shot."
NO_HOURS = "The calendar has not so many days with hours: set the hours of the studio or of the stage."
SLOW_DAYS = "One day in ten brought nothing, so that no slow day says when it ends."


def expected(
    frames: int,
    found: tuple[Pace, str | None] | None,
    calendar: Calendar,
    *,
    start_at: datetime,
    frame_rate: Fraction,
    time_zone: str,
) -> Expected:
    """When `frames` that remain will be shot on a stage of this calendar, begun at `start_at`, at the pace found."""
    if not frames:
        return Expected(start_at=start_at, remaining_frames=0, reason=NOTHING_REMAINS)
    if found is None:
        return Expected(start_at=start_at, remaining_frames=frames, reason=NO_PACE)
    pace, whose = found
    takes = length(frames, pace, frame_rate=frame_rate)

    early_at, usual_at, late_at = ends_after(
        (takes.early_days, takes.usual_days, takes.late_days), calendar, start_at, time_zone=time_zone
    )
    closed = (takes.late_days is not None and late_at is None) or early_at is None
    return Expected(
        start_at=start_at,
        remaining_frames=frames,
        pace=pace,
        whose=whose,
        length=takes,
        early_at=early_at,
        usual_at=usual_at,
        late_at=late_at,
        reason=NO_HOURS if closed else SLOW_DAYS if takes.late_days is None else None,
    )
