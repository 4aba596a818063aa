"""Jobs that are due once a studio-local day: entered as rows when their time has come, then done under a lease.

The row is unique on worker, name and day, so that it is one job whoever enters it, however often the engine restarts.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from functools import partial

from sqlmodel import Session

from service.domain.studio import Studio, day_opens, due_instant, zone
from service.store import editions, events, jobs, reminders, studio, switches
from service.store.editions import Edition
from service.store.engine import Busy, Database
from service.store.jobs import Due, Job
from workers.attempts import (
    FIRST_PAUSE_AFTER_DEATH_S,
    FIRST_PAUSE_S,
    EngineSettings,
    Overtaken,
    attempt,
    backoff,
    describe,
    write_again,
)
from workers.changes import apply
from workers.contract import CatchUp, Change, Keep, Replace, Result, Schedule, Worker
from workers.filling import offered
from workers.snapshot import Snapshot

# A job may read everything there is, and beats while it does.
LEASES = 10
# After a longer standstill the days before are nobody's news any more.
MOST_CAUGHT_UP = 31


class JobOutcome(StrEnum):
    """How a try of a job ended.

    Done; the worker failed; somebody else is at it or was faster.
    """

    DONE = "done"
    FAILED = "failed"
    OVERTAKEN = "overtaken"


@dataclass(frozen=True, slots=True, kw_only=True)
class JobResult:
    """What a try of a job came to."""

    worker: str
    name: str
    day_on: date
    outcome: JobOutcome
    error: str | None = None


def latest(schedule: Schedule, *, studio: Studio, now: datetime) -> tuple[date, datetime]:
    """The last studio-local day whose time for the job has come, and the instant it came."""
    day = now.astimezone(zone(studio.time_zone)).date()
    while (due_at := _due(schedule, day, studio)) > now:
        day -= timedelta(days=1)
    return day, due_at


def missed(schedule: Schedule, *, since: date | None, studio: Studio, now: datetime) -> list[tuple[date, datetime]]:
    """The days whose time for the job has come after the day *since*, the last that was entered, in their order."""
    day, due_at = latest(schedule, studio=studio, now=now)
    if since is None or schedule.catch_up is CatchUp.LATEST:
        return [] if since is not None and day <= since else [(day, due_at)]
    number = min((day - since).days, MOST_CAUGHT_UP)
    days = [day - timedelta(days=back) for back in range(number - 1, -1, -1)]
    return [(each, _due(schedule, each, studio)) for each in days]


def _due(schedule: Schedule, day: date, studio: Studio) -> datetime:
    if schedule.at is None:
        return day_opens(day, studio)
    return due_instant(day, schedule.at, time_zone=studio.time_zone)


def enter(database: Database, workers: Iterable[Worker], *, now: datetime) -> int:
    """Enter what has become due, reminders too; how many jobs that were.

    Nothing new is no write, and an empty log has nothing due.
    """
    with database.reading() as session:
        if events.head(session) == 0:
            return 0
        reminded = reminders.anything_due(session, now)
        set_by = studio.load(session)
        new = [
            Due(worker.name, schedule.name, day, due_at, alone=schedule.catch_up is CatchUp.LATEST)
            for worker in workers
            for schedule in worker.schedules
            for day, due_at in missed(
                schedule, since=jobs.last_day(session, worker.name, schedule.name), studio=set_by, now=now
            )
        ]
    if not new and not reminded:
        return 0
    with database.writing() as session:
        entered = sum(jobs.enter(session, due) for due in new)
        events.append_all(session, reminders.take(session, now) if reminded else ())
        return entered


def run(
    database: Database,
    workers: Sequence[Worker],
    *,
    settings: EngineSettings,
    owner: str,
    now: datetime,
    beat: Callable[[], None],
    alone: bool = False,
) -> JobResult | None:
    """Do one job that is due, the oldest first; None where there is none to do.

    `owner` and `alone` are as for the engine's step.
    """
    by_name = {worker.name: worker for worker in workers}
    with database.reading() as session:
        at_work = by_name.keys() - switches.disabled(session).keys()
        free = [
            job for job in jobs.in_turn(session) if job.worker in at_work and job.free(now, owner=owner, alone=alone)
        ]
    if not free:
        return None
    worker = by_name[free[0].worker]
    job = _claim(database, free[0].id, settings=settings, owner=owner, alone=alone, now=now)
    if job is None or isinstance(job, JobResult):
        return job
    with database.reading() as session:
        edition = _editions(session, worker)[0].number
        context = Snapshot(session, worker=worker, edition=edition, position=events.head(session), now=now, beat=beat)
        changes, failure = attempt(worker, partial(worker.scheduled, job.name, job.day_on, context))
    if failure is None:
        try:
            failure = _settle(database, worker, job, owner=owner, changes=changes, position=context.position, now=now)
        except Overtaken:
            return _result(job, JobOutcome.OVERTAKEN)
    if failure is None:
        return _result(job, JobOutcome.DONE)
    with database.writing() as session:
        return _give_back(session, job, now=now, error=failure)


def _claim(
    database: Database, job_id: int, *, settings: EngineSettings, owner: str, alone: bool, now: datetime
) -> Job | JobResult | None:
    with database.writing() as session:
        job = jobs.lock(session, job_id)
        if job is None or not job.free(now, owner=owner, alone=alone):
            return None
        if job.lease_owner not in {None, owner}:
            # It may well kill the next one too, and every death costs the other workers their time.
            return _give_back(
                session, job, now=now, error="the process died at work", pause_s=FIRST_PAUSE_AFTER_DEATH_S
            )
        attempts = job.attempts if job.lease_owner == owner else job.attempts + 1
        until = now + timedelta(seconds=settings.lease_s * LEASES)
        jobs.lease(session, job, attempts=attempts, owner=owner, until=until)
    return replace(job, attempts=attempts, lease_owner=owner, leased_until=until, next_try_at=None)


def _settle(
    database: Database,
    worker: Worker,
    job: Job,
    *,
    owner: str,
    changes: Sequence[Change],
    position: int,
    now: datetime,
) -> str | None:
    """Write what the job changes and close it; the error where the database refuses the rows."""
    result = next((change.data for change in changes if isinstance(change, Result)), None)

    def write(session: Session) -> None:
        if not jobs.finish(session, job, owner=owner, result=result, now=now):
            raise Overtaken
        _apply(session, worker, changes, position=position, now=now)

    try:
        write_again(database, write)
    except (Busy, Overtaken):
        raise
    except Exception as error:  # noqa: BLE001 - rows the database refuses are the worker's failure like any other
        return describe(error)
    return None


def _editions(session: Session, worker: Worker) -> Sequence[Edition]:
    """The editions a job's rows go to: a rebuild that is under way is not to lack what the job made meanwhile."""
    made = editions.live(session, worker.name, worker.version)
    if made:
        return made
    return [editions.planned(session, worker.name, worker.version, kinds=worker.events, rebuilds=offered(worker))]


def _apply(session: Session, worker: Worker, changes: Sequence[Change], *, position: int, now: datetime) -> None:
    made = _editions(session, worker)
    rows = [change for change in changes if isinstance(change, Replace | Keep)]
    for each in made if rows else ():
        if not each.stored and not editions.begin(session, each, now=now):
            raise Overtaken
        # Facts read for it before the job are older than what the job made.
        if each.wants_facts:
            editions.interrupt(session, each)
        apply(session, worker, rows, edition=each.number, position=position, now=now)
        if not worker.events and not each.rules:
            editions.follow(session, each, by_production=False, now=now)
    told = [change for change in changes if not isinstance(change, Replace | Keep)]
    apply(session, worker, told, edition=made[0].number, position=position, now=now)


def _give_back(session: Session, job: Job, *, now: datetime, error: str, pause_s: float = FIRST_PAUSE_S) -> JobResult:
    next_try_at = now + backoff(job.attempts, pause_s)
    kept = jobs.give_back(session, job, next_try_at=next_try_at, error=error)
    return _result(job, JobOutcome.FAILED if kept else JobOutcome.OVERTAKEN, error)


def _result(job: Job, outcome: JobOutcome, error: str | None = None) -> JobResult:
    return JobResult(worker=job.worker, name=job.name, day_on=job.day_on, outcome=outcome, error=error)
