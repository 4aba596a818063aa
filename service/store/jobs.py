"""Jobs due once a studio-local day, and who is at work on them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import update
from sqlmodel import Session, col, func, select

from service.store.cursors import insert_unless_there
from service.store.tables import DueJobRow

# So many tries of a day, then the next day's need not wait for it.
HOLDS_UP = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job of a day that is due and not done."""

    id: int
    worker: str
    name: str
    day_on: date
    due_at: datetime
    attempts: int
    next_try_at: datetime | None
    leased_until: datetime | None
    lease_owner: str | None

    def free(self, now: datetime, *, owner: str | None = None, alone: bool = False) -> bool:
        """Whether it may be started: nobody else is at work and its next try does not lie ahead.

        A lease of the owner's own is left over from a try that the database's absence cut short. To an owner who is
        `alone` any other lease is a dead one's.
        """
        foreign = self.lease_owner not in {None, owner} and not alone
        leased = foreign and self.leased_until is not None and self.leased_until > now
        return not leased and (self.next_try_at is None or self.next_try_at <= now)


@dataclass(frozen=True, slots=True)
class Due:
    """A worker's job of a studio-local day, due at an instant.

    `alone` closes earlier days that nobody finished: of what a standstill missed, this day alone is caught up.
    """

    worker: str
    name: str
    day: date
    due_at: datetime
    alone: bool = True


def last_day(session: Session, worker: str, name: str) -> date | None:
    """The latest day of a job that was ever entered; None where none was."""
    return session.exec(select(func.max(DueJobRow.day_on)).where(*_named(worker, name))).one()


def enter(session: Session, due: Due) -> bool:
    """Enter the job of a day; False where it is there already."""
    worker, name, day = due.worker, due.name, due.day
    entered = insert_unless_there(
        session,
        DueJobRow,
        {"worker": worker, "name": name, "day_on": day, "due_at": due.due_at, "attempts": 0},
    )
    if entered and due.alone:
        session.exec(
            update(DueJobRow)
            .where(*_named(worker, name), col(DueJobRow.day_on) < day, col(DueJobRow.done_at).is_(None))
            .values(
                done_at=due.due_at,
                result={"left_for": day.isoformat()},
                lease_owner=None,
                leased_until=None,
                next_try_at=None,
            )
        )
    return entered


def open_jobs(session: Session, *, worker: str | None = None) -> list[Job]:
    """Every job that is due and not done, the oldest first."""
    statement = select(DueJobRow).where(col(DueJobRow.done_at).is_(None)).order_by(col(DueJobRow.due_at))
    if worker is not None:
        statement = statement.where(col(DueJobRow.worker) == worker)
    return [_job(row) for row in session.exec(statement)]


def in_turn(session: Session) -> list[Job]:
    """The open jobs that need not wait for an earlier day of the same job, the oldest first.

    A day that has failed often holds up the later ones no longer.
    """
    held: set[tuple[str, str]] = set()
    found = []
    for job in open_jobs(session):
        if (job.worker, job.name) not in held:
            found.append(job)
        if job.attempts < HOLDS_UP:
            held.add((job.worker, job.name))
    return found


def lock(session: Session, job_id: int) -> Job | None:
    """The job, locked until the transaction ends; None where it is done."""
    row = session.exec(
        select(DueJobRow).where(col(DueJobRow.id) == job_id, col(DueJobRow.done_at).is_(None)).with_for_update()
    ).one_or_none()
    return None if row is None else _job(row)


def lease(session: Session, job: Job, *, attempts: int, owner: str, until: datetime) -> None:
    """Write down who starts on the job, and which attempt this is."""
    session.exec(
        update(DueJobRow)
        .where(col(DueJobRow.id) == job.id)
        .values(attempts=attempts, lease_owner=owner, leased_until=until, next_try_at=None)
    )


def finish(session: Session, job: Job, *, owner: str, result: Mapping[str, Any] | None, now: datetime) -> bool:
    """Close the job with what it found; False where it is closed or the lease is no longer the owner's."""
    done = session.exec(
        update(DueJobRow)
        .where(col(DueJobRow.id) == job.id, col(DueJobRow.done_at).is_(None), col(DueJobRow.lease_owner) == owner)
        .values(
            done_at=now,
            lease_owner=None,
            leased_until=None,
            next_try_at=None,
            result=None if result is None else dict(result),
        )
    )
    return done.rowcount == 1


def give_back(session: Session, job: Job, *, next_try_at: datetime, error: str) -> bool:
    """Record a failure and end the lease the job is under; False where it is under another by now."""
    given = session.exec(
        update(DueJobRow)
        .where(
            col(DueJobRow.id) == job.id, col(DueJobRow.done_at).is_(None), col(DueJobRow.lease_owner) == job.lease_owner
        )
        .values(lease_owner=None, leased_until=None, next_try_at=next_try_at, last_error=error)
    )
    return given.rowcount == 1


def _named(worker: str, name: str) -> tuple[Any, ...]:
    return (col(DueJobRow.worker) == worker, col(DueJobRow.name) == name)


def _job(row: DueJobRow) -> Job:
    return Job(
        id=row.id or 0,
        worker=row.worker,
        name=row.name,
        day_on=row.day_on,
        due_at=row.due_at,
        attempts=row.attempts,
        next_try_at=row.next_try_at,
        leased_until=row.leased_until,
        lease_owner=row.lease_owner,
    )
