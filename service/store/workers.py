"""How the workers stand, as the catalogue, their cursors and their jobs tell it. Read only."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import and_, func, or_
from sqlmodel import Session, col, select

from service.domain.workers import State
from service.store import partitions
from service.store.cursors import cursor_of
from service.store.partitions import Behind
from service.store.tables import CatalogueRow, CursorRow, DueJobRow, EventRow, QuarantineRow

MOST_COUNTED = 10_000


@dataclass(frozen=True, slots=True)
class Lag:
    """How many events a worker wants and has not read yet, and when the oldest of them happened."""

    events: int
    since: datetime | None

    def seconds(self, now: datetime) -> float:
        """For how long the oldest event has waited, in seconds; 0 where none waits."""
        return 0.0 if self.since is None else max(0.0, round((now - self.since).total_seconds(), 3))


@dataclass(frozen=True, slots=True)
class DayJob:
    """A job of a worker on a studio-local day; `done_at` is None while it is open."""

    name: str
    day_on: date
    due_at: datetime
    done_at: datetime | None
    attempts: int
    result: Mapping[str, Any] | None
    last_error: str | None


@dataclass(frozen=True, slots=True)
class Refused:
    """A package that provides a worker and cannot be used, in which `state` and why, on which `hosts`."""

    distribution: str
    state: State
    error: str | None
    hosts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How the newest version of a worker stands; `position` is the last event it has read on all its partitions."""

    worker: str
    version: int
    state: State
    distribution: str
    error: str | None
    hosts: tuple[str, ...]
    events: tuple[str, ...]
    tables: Mapping[str, str]
    settings_schema: Mapping[str, Any]
    position: int
    lag: Lag
    attempts: int
    next_try_at: datetime | None
    last_error: str | None
    last_error_at: datetime | None
    health: tuple[str, ...]
    quarantined: int
    refused: tuple[Refused, ...]
    jobs: tuple[DayJob, ...]


def standings(session: Session) -> list[Standing]:
    """Every worker that a host found or that has read the log, by name."""
    found: dict[str, list[CatalogueRow]] = defaultdict(list)
    for entry in session.exec(select(CatalogueRow).order_by(col(CatalogueRow.host))):
        found[entry.worker].append(entry)
    read: dict[str, list[CursorRow]] = defaultdict(list)
    for cursor in session.exec(select(CursorRow)):
        read[cursor.worker].append(cursor)
    quarantined = _quarantined(session)
    jobs = _jobs(session)
    return [
        _standing(session, name, found[name], read[name], quarantined=quarantined, jobs=jobs[name])
        for name in sorted(found.keys() | read.keys())
    ]


def tables(session: Session, worker: str) -> set[str] | None:
    """The tables that a worker of any version on any host keeps rows in; None where there never was such a worker."""
    found = session.exec(select(CatalogueRow.tables).where(col(CatalogueRow.worker) == worker)).all()
    if not found and not session.exec(select(CursorRow.version).where(col(CursorRow.worker) == worker)).first():
        return None
    return {table for each in found for table in each or ()}


def lag(session: Session, position: int, kinds: Collection[str], *, left: Sequence[Behind] = ()) -> Lag:
    """How far a worker that wants these kinds of event and stands at *position* is behind the log.

    Of a worker that reads it by production, what is not read in the partitions *left*, an event of none counted once.
    Counts to MOST_COUNTED and no further: whoever asks needs no key, and a long log must not make it a burden.
    """
    unread = [or_(*(and_(each.part.holds(), col(EventRow.id) > each.position) for each in left))] if left else ()
    waiting = (
        select(col(EventRow.id), col(EventRow.at))
        .where(col(EventRow.id) > position, col(EventRow.kind).in_(sorted(kinds)), *unread)
        .order_by(col(EventRow.id))
        .limit(MOST_COUNTED)
        .subquery()
    )
    number, since = session.exec(select(func.count(waiting.c.id), func.min(waiting.c.at))).one()
    return Lag(number, since)


def _standing(
    session: Session,
    name: str,
    entries: Sequence[CatalogueRow],
    cursors: Sequence[CursorRow],
    *,
    quarantined: Mapping[tuple[str, int], int],
    jobs: Sequence[DayJob],
) -> Standing:
    loaded = [entry for entry in entries if entry.state == State.LOADED]
    entry = max(loaded or entries, key=lambda each: each.version, default=None)
    version = entry.version if entry is not None and loaded else max((each.version for each in cursors), default=0)
    own = [cursor for cursor in cursors if cursor.version == version]
    events = tuple(entry.events) if entry is not None else ()
    reach = partitions.reach(session, {each.partition: cursor_of(each) for each in own})
    failed = max((each for each in own if each.last_error_at), key=_failed_at, default=None)
    return Standing(
        worker=name,
        version=version,
        state=State.MISSING if entry is None else State(entry.state),
        distribution="" if entry is None else entry.distribution,
        error=None if entry is None else entry.error,
        hosts=tuple(each.host for each in (loaded or entries)),
        events=events,
        tables={} if entry is None else entry.tables or {},
        settings_schema={} if entry is None else entry.settings_schema,
        position=reach.position,
        lag=lag(session, reach.position, events, left=reach.left),
        attempts=max((cursor.attempts for cursor in own), default=0),
        next_try_at=max((each.next_try_at for each in own if each.next_try_at is not None), default=None),
        last_error=None if failed is None else failed.last_error,
        last_error_at=None if failed is None else failed.last_error_at,
        health=tuple(dict.fromkeys(said for cursor in own for said in cursor.health or ())),
        quarantined=quarantined.get((name, version), 0),
        refused=_refused(entries),
        jobs=tuple(jobs),
    )


def _refused(entries: Sequence[CatalogueRow]) -> tuple[Refused, ...]:
    hosts: dict[tuple[str, State, str | None], list[str]] = defaultdict(list)
    for each in entries:
        if each.state != State.LOADED:
            hosts[each.distribution, State(each.state), each.error].append(each.host)
    return tuple(Refused(*of, tuple(on)) for of, on in hosts.items())


def _failed_at(cursor: CursorRow) -> float:
    return cursor.last_error_at.timestamp() if cursor.last_error_at is not None else 0.0


def _quarantined(session: Session) -> dict[tuple[str, int], int]:
    statement = (
        select(QuarantineRow.worker, QuarantineRow.version, func.count())
        .where(col(QuarantineRow.released_at).is_(None))
        .group_by(col(QuarantineRow.worker), col(QuarantineRow.version))
    )
    return {(worker, version): number for worker, version, number in session.exec(statement)}


def _jobs(session: Session) -> dict[str, list[DayJob]]:
    """Of each job the last day that is done and the days that are open, by worker."""
    last_done = (
        select(func.max(DueJobRow.id))
        .where(col(DueJobRow.done_at).is_not(None))
        .group_by(col(DueJobRow.worker), col(DueJobRow.name))
    )
    statement = (
        select(DueJobRow)
        .where(or_(col(DueJobRow.done_at).is_(None), col(DueJobRow.id).in_(last_done)))
        .order_by(col(DueJobRow.name), col(DueJobRow.id))
    )
    jobs: dict[str, list[DayJob]] = defaultdict(list)
    for row in session.exec(statement):
        jobs[row.worker].append(
            DayJob(row.name, row.day_on, row.due_at, row.done_at, row.attempts, row.result, row.last_error)
        )
    return jobs
