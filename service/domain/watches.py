"""Watches: who hears of what, and when it reaches them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from service.domain.notices import Notice
from service.domain.studio import due_instant, zone

MINUTES_A_DAY = 24 * 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """When a watch may be reached, on the clock of `time_zone`; minutes are after midnight.

    Not from `quiet_from_min` to `quiet_to_min`, past midnight where that is earlier; every `every_min` minutes, what
    came gathered, or at each of `at_min`, or at once where neither is given; not before `muted_until`.
    """

    time_zone: str
    quiet_from_min: int | None = None
    quiet_to_min: int | None = None
    every_min: int | None = None
    at_min: Sequence[int] = ()
    muted_until: datetime | None = None


def due_at(hours: Hours, now: datetime) -> datetime:
    """When what is raised now reaches the watch, with all that is raised until then; now, where that is at once."""
    due = now
    if hours.at_min:
        due = min(_next(minute, now, hours.time_zone) for minute in hours.at_min)
    elif hours.every_min is not None:
        due = now + timedelta(minutes=hours.every_min)
    if hours.muted_until is not None:
        due = max(due, hours.muted_until)
    return _after_quiet(hours, due)


def _after_quiet(hours: Hours, due: datetime) -> datetime:
    start, end = hours.quiet_from_min, hours.quiet_to_min
    if start is None or end is None or start == end:
        return due
    clock = due.astimezone(zone(hours.time_zone))
    minute = clock.hour * 60 + clock.minute
    quiet = start <= minute < end if start < end else minute >= start or minute < end
    if not quiet:
        return due
    # In an hour that the clock shows again, their end comes again, too, and not only on the next day.
    again = clock.replace(hour=end // 60, minute=end % 60, second=0, microsecond=0).astimezone(UTC)
    return again if clock.fold and again > due else _next(end, due, hours.time_zone)


def _next(minute: int, after: datetime, time_zone: str) -> datetime:
    """The next instant after this one at which the clock shows so many minutes after midnight."""
    day = after.astimezone(zone(time_zone)).date()
    at = time(*divmod(minute, 60))
    for ahead in range(3):
        found = due_instant(day + timedelta(days=ahead), at, time_zone=time_zone)
        if found > after:
            return found
    raise ValueError(f"no {at} within two days of {after}")  # pragma: no cover - every day has every minute


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What a watch hears of: a `kind`, at a `threshold` where it has one, its end as well where `ends`."""

    kind: str
    threshold: int = 0
    ends: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """What narrows a watch, each None where it does not: a notice must be of all that is named."""

    production_ids: frozenset[int] = frozenset()
    episode_id: int | None = None
    stage_id: int | None = None
    shot_id: int | None = None
    person: str | None = None

    def takes(self, notice: Notice, *, episode_id: int | None) -> bool:
        """Whether a notice about something of this episode is for the watch."""
        return (
            all(notice.production_id == each for each in self.production_ids)
            and self.episode_id in {None, episode_id}
            and (self.stage_id is None or self.stage_id in notice.stage_ids)
            and self.shot_id in {None, notice.shot_id}
            and (self.person is None or self.person in notice.people)
        )
