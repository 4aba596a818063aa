"""Jobs over the nights in which the clock changes, with four claimers of whom some are killed, on both databases.

The changes of 2026 by the IANA time zone database: London forward on 29 March and back on 25 October at 01:00Z; New
York forward on 8 March at 07:00Z and back on 1 November at 06:00Z; Lord Howe by half an hour, back on 4 April at 15:00Z
and forward on 3 October at 15:30Z (5 April and 4 October there). The instants below follow from these by hand.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, time, timedelta
from threading import Lock
from types import MappingProxyType
from typing import ClassVar
from zoneinfo import ZoneInfo

import pytest
from sqlmodel import col, select

from service.domain.events import Event
from service.domain.studio import Studio
from service.store.engine import Database
from service.store.tables import DueJobRow, StudioRow
from tests.workers.strangers import UNWANTED, Limits, say
from workers import schedule
from workers.contract import CatchUp, Change, Context, Result, Schedule, Worker
from workers.schedule import MOST_CAUGHT_UP, JobOutcome, JobResult, latest, missed

CLAIMERS = 4
STEP, AROUND = timedelta(hours=1), timedelta(hours=27)
EARLY, LATE = "early", "late"
# By zone and the day of the change: the time that the clock skips or shows twice, and when it is due.
NIGHTS = [
    ("Europe/London", date(2026, 3, 29), time(1, 30), "2026-03-29T01:30:00Z"),
    ("Europe/London", date(2026, 10, 25), time(1, 30), "2026-10-25T00:30:00Z"),
    ("America/New_York", date(2026, 3, 8), time(2, 30), "2026-03-08T07:30:00Z"),
    ("America/New_York", date(2026, 11, 1), time(1, 30), "2026-11-01T05:30:00Z"),
    ("Australia/Lord_Howe", date(2026, 4, 5), time(1, 45), "2026-04-04T14:45:00Z"),
    ("Australia/Lord_Howe", date(2026, 10, 4), time(2, 15), "2026-10-03T15:45:00Z"),
]


class Killed(BaseException):
    """What a process leaves behind that is killed at work: nothing but its lease."""


class Bell(Worker):
    """Has two jobs, one of which makes up for every day; of a job's day it dies as often as `deaths` says."""

    name: ClassVar[str] = "bell"
    version: ClassVar[int] = 1

    def __init__(self, at: time, deaths: Mapping[tuple[str, date], int] = MappingProxyType({})) -> None:
        self.at, self.deaths, self.guard = at, Counter(deaths), Lock()

    @property
    def schedules(self) -> Sequence[Schedule]:
        return Schedule(EARLY, self.at), Schedule(LATE, time(3, 30), CatchUp.ALL)

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        raise NotImplementedError

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        del context
        with self.guard:
            self.deaths[name, day] -= 1
            if self.deaths[name, day] >= 0:
                raise Killed
        return [Result({"job": name, "day": day.isoformat()})]


def settle(database: Database, zone: str) -> None:
    say(database, UNWANTED)
    with database.writing() as session:
        session.add(
            StudioRow(
                name="Gull Lane",
                time_zone=zone,
                day_starts_at_min=300,
                plate_minimum_frames=25,
                terminals_may_decide=False,
            )
        )


def claim(database: Database, worker: Worker, owner: str, now: datetime) -> list[JobResult]:
    """Do what is due, as one claimer would, until nothing is or it dies."""
    done = []
    try:
        schedule.enter(database, [worker], now=now)
        while tried := schedule.run(database, [worker], settings=Limits(), owner=owner, now=now, beat=lambda: None):
            done.append(tried)
    except Killed:
        pass
    return done


def rows(database: Database) -> list[DueJobRow]:
    with database.reading() as session:
        return list(session.exec(select(DueJobRow).order_by(col(DueJobRow.name), col(DueJobRow.day_on))))


@pytest.mark.parametrize(("zone", "day", "at", "due"), NIGHTS)
def test_over_a_change_of_the_clock_each_job_is_done_once_whoever_dies_at_it(
    database: Database, zone: str, day: date, at: time, due: str
) -> None:
    settle(database, zone)
    bell = Bell(at, {(EARLY, day): 1, (LATE, day): 2})
    changes = datetime.fromisoformat(due)
    now, ends = changes - AROUND, changes + AROUND
    done: Counter[tuple[str, date]] = Counter()
    lives = deaths = 0
    with ThreadPoolExecutor(CLAIMERS) as pool:
        while now <= ends:
            # Each claimer is a new process: whoever died is followed by another, who knows nothing of the lease.
            lives += CLAIMERS
            owners = [f"life {lives - number}" for number in range(CLAIMERS)]
            tries = [pool.submit(claim, database, bell, owner, now) for owner in owners]
            for each in tries:
                done.update((tried.name, tried.day_on) for tried in each.result() if tried.outcome is JobOutcome.DONE)
                deaths += sum(tried.error == "the process died at work" for tried in each.result())
            now += STEP

    days = [day - timedelta(days=1), day, day + timedelta(days=1)]
    found = rows(database)
    assert [(row.name, row.day_on) for row in found if row.day_on in days] == [(EARLY, each) for each in days] + [
        (LATE, each) for each in days
    ]
    assert set(done.values()) == {1}
    assert set(done) == {(row.name, row.day_on) for row in found if row.done_at}
    assert all(row.result == {"job": row.name, "day": row.day_on.isoformat()} for row in found)
    (of_the_change,) = [row for row in found if (row.name, row.day_on) == (EARLY, day)]
    assert of_the_change.due_at == changes
    assert deaths == 3


@pytest.mark.parametrize(("zone", "day"), [(zone, day) for zone, day, *_ in NIGHTS])
def test_after_a_standstill_every_day_is_caught_up_in_order_where_that_is_asked_for(
    database: Database, zone: str, day: date
) -> None:
    settle(database, zone)
    before = datetime.combine(day, time(12), tzinfo=UTC) - timedelta(days=3)
    assert len(claim(database, Bell(time(1)), "one", before)) == 2

    done = claim(database, Bell(time(1)), "two", before + timedelta(days=6))

    first = max(row.day_on for row in rows(database)) - timedelta(days=5)
    assert [each.day_on for each in done if each.name == LATE] == [first + timedelta(days=n) for n in range(6)]
    assert [each.day_on for each in done if each.name == EARLY] == [first + timedelta(days=5)]
    due = [row.due_at for row in rows(database) if row.name == LATE]
    assert due == sorted(due)


@pytest.mark.parametrize(("zone", "day"), [(zone, day) for zone, day, *_ in NIGHTS])
def test_each_quarter_of_an_hour_of_the_night_is_due_when_the_studios_clock_shows_it(zone: str, day: date) -> None:
    """The clock is walked minute by minute of UTC, by zoneinfo, instead of asking when a local time is."""
    midnight = datetime.combine(day, time(), tzinfo=UTC)
    walk = [midnight + timedelta(minutes=minute) for minute in range(-24 * 60, 48 * 60)]
    shows: dict[datetime, datetime] = {}
    for instant in walk:
        shows.setdefault(instant.astimezone(ZoneInfo(zone)).replace(tzinfo=None), instant)
    skipped = 0
    for quarter in range(96):
        local = datetime.combine(day, time(quarter // 4, quarter % 4 * 15))
        expected = shows.get(local)
        if expected is None:
            skipped += 1
            # The offset before the change is that of the last time the clock showed before.
            before = max(each for each in shows if each < local)
            expected = shows[before] + (local - before)
        schedule_ = Schedule(EARLY, local.time())
        assert latest(schedule_, studio=Studio(time_zone=zone), now=expected) == (day, expected)
        assert latest(schedule_, studio=Studio(time_zone=zone), now=expected - timedelta(seconds=1))[0] < day
    forward = shows[max(shows)] - shows[min(shows)] < max(shows) - min(shows)
    assert skipped == ((2 if zone == "Australia/Lord_Howe" else 4) if forward else 0)


def test_a_long_standstill_is_caught_up_for_a_month() -> None:
    since = date(2026, 1, 1)
    now = datetime(2026, 12, 1, 12, tzinfo=UTC)
    found = missed(Schedule(LATE, time(3, 30), CatchUp.ALL), since=since, studio=Studio(time_zone="UTC"), now=now)
    assert [day for day, _ in found] == [date(2026, 12, 1) - timedelta(days=n) for n in range(MOST_CAUGHT_UP)][::-1]


def test_a_day_that_fails_is_waited_for_and_in_the_end_passed_by(database: Database) -> None:
    class Stubborn(Bell):
        def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
            if (name, day) == (LATE, date(2026, 3, 3)):
                raise ValueError("no lamp is lit")
            return super().scheduled(name, day, context)

    settle(database, "UTC")
    claim(database, Stubborn(time(1)), "one", datetime(2026, 3, 2, 12, tzinfo=UTC))
    now = datetime(2026, 3, 5, 12, tzinfo=UTC)
    outcomes: list[tuple[int, JobOutcome]] = []
    while len(outcomes) < 7:
        tried = [each for each in claim(database, Stubborn(time(1)), "one", now) if each.name == LATE]
        outcomes += [(each.day_on.day, each.outcome) for each in tried]
        now += timedelta(minutes=5)

    assert outcomes == [
        *[(3, JobOutcome.FAILED)] * 5,
        (4, JobOutcome.DONE),
        (5, JobOutcome.DONE),
    ]
