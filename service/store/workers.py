"""How the workers stand, as the catalogue, their cursors and their jobs tell it. Read only."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import and_, func, or_
from sqlmodel import Session, col, select

from service.domain.editions import EditionState
from service.domain.workers import SWITCHED_OFF, State
from service.store import partitions, retention, switches
from service.store.cursors import FACTS, Cursor, cursor_of
from service.store.partitions import Behind
from service.store.switches import Disabled
from service.store.tables import CatalogueRow, CursorRow, DueJobRow, EditionRow, EventRow, QuarantineRow

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
class Rebuild:
    """Rows that are filled beside those shown: by which version, `by_facts` or from the log, and how that goes.

    `steps` are those done through the facts, None where these are read or none are; then `position` is the last event
    read. `asked_by` is who asked for it, None where a new version brought it; `lacks_to` is as in Standing.
    """

    edition: int
    version: int
    by_facts: bool
    steps: int | None
    position: int
    attempts: int
    next_try_at: datetime | None
    last_error: str | None
    begun_at: datetime
    asked_by: str | None
    lacks_to: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How the newest version of a worker stands; `position` is the last event it has read on all its partitions.

    It needs a rebuild, and stands still, where events it wants were cleaned away and it had not read them. `lacks_to`
    is the last event that its rows lack because it was cleaned away before they were begun, 0 where they lack none.
    """

    worker: str
    version: int
    state: State
    disabled: Disabled | None
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
    rebuild: Rebuild | None
    needs_rebuild: bool
    lacks_to: int
    refused: tuple[Refused, ...]
    jobs: tuple[DayJob, ...]


def standings(session: Session) -> list[Standing]:
    """Every worker that a host found, that has read the log or that is disabled, by name."""
    found: dict[str, list[CatalogueRow]] = defaultdict(list)
    for entry in session.exec(select(CatalogueRow).order_by(col(CatalogueRow.host))):
        found[entry.worker].append(entry)
    made: dict[str, list[EditionRow]] = defaultdict(list)
    for edition in session.exec(select(EditionRow).order_by(col(EditionRow.edition))):
        made[edition.worker].append(edition)
    read: dict[tuple[str, int], list[CursorRow]] = defaultdict(list)
    for cursor in session.exec(select(CursorRow)):
        read[cursor.worker, cursor.edition].append(cursor)
    quarantined = _quarantined(session)
    jobs, off = _jobs(session), switches.disabled(session)
    return [
        _standing(
            session,
            name,
            found[name],
            made[name],
            read=read,
            quarantined=quarantined,
            jobs=jobs[name],
            disabled=off.get(name),
        )
        for name in sorted(found.keys() | made.keys() | off.keys())
    ]


def tables(session: Session, worker: str) -> set[str] | None:
    """The tables that a worker of any version on any host keeps rows in; None where there never was such a worker."""
    found = session.exec(select(CatalogueRow.tables).where(col(CatalogueRow.worker) == worker)).all()
    if not found and not session.exec(select(EditionRow.edition).where(col(EditionRow.worker) == worker)).first():
        return None
    return {table for each in found for table in each or ()}


def off_in_settings(session: Session, worker: str) -> tuple[str, ...]:
    """The hosts whose settings disable a worker, by name."""
    there = col(CatalogueRow.worker) == worker, col(CatalogueRow.state) == State.DISABLED_IN_SETTINGS.value
    return tuple(session.exec(select(CatalogueRow.host).where(*there).distinct().order_by(col(CatalogueRow.host))))


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
    editions: Sequence[EditionRow],
    *,
    read: Mapping[tuple[str, int], Sequence[CursorRow]],
    quarantined: Mapping[tuple[str, int], int],
    jobs: Sequence[DayJob],
    disabled: Disabled | None,
) -> Standing:
    loaded = [entry for entry in entries if entry.state == State.LOADED]
    awry = [entry for entry in entries if entry.state not in SWITCHED_OFF]
    entry = max(loaded or awry or entries, key=lambda each: each.version, default=None)
    version = entry.version if entry is not None and loaded else max((each.version for each in editions), default=0)
    edition = _of_version(editions, version)
    own = [] if edition is None else read.get((name, edition.edition), [])
    events = tuple(entry.events) if entry is not None else ()
    there = _cursors(own)
    reach = partitions.reach(session, there)
    failed = max((each for each in own if each.last_error_at), key=_failed_at, default=None)
    return Standing(
        worker=name,
        version=version,
        state=_state(entries, entry, disabled=disabled),
        disabled=disabled,
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
        quarantined=0 if edition is None else quarantined.get((name, edition.edition), 0),
        rebuild=_rebuild(session, editions, read),
        needs_rebuild=entry is not None and edition is not None and _stuck(session, entry, edition, there),
        lacks_to=0 if edition is None else _lacks_to(edition),
        refused=_refused(entries),
        jobs=tuple(jobs),
    )


def _stuck(session: Session, entry: CatalogueRow, edition: EditionRow, there: Mapping[str, Cursor]) -> bool:
    if edition.state != EditionState.RULING:
        return False
    kinds, by_production = entry.events, entry.by_production
    known = edition.lacks_to
    return retention.unread_on_any(session, there, knows_to=known, kinds=kinds, by_production=by_production) > 0


def _lacks_to(edition: EditionRow) -> int:
    return 0 if edition.by_facts else edition.lacks_to


def _state(entries: Sequence[CatalogueRow], entry: CatalogueRow | None, *, disabled: Disabled | None) -> State:
    """How a worker stands: a switch holds at once, what hosts have follows; settings that disable it undo no switch."""
    if disabled is not None and not (entries and all(each.state == State.DISABLED_IN_SETTINGS for each in entries)):
        return State.DISABLED
    return State.MISSING if entry is None else State(entry.state)


def _of_version(editions: Sequence[EditionRow], version: int) -> EditionRow | None:
    """The edition that a version's standing is told by: the one shown, else the newest it goes on making."""
    of_version = [each for each in editions if each.version == version and each.state != EditionState.GIVEN_UP]
    return max(of_version, key=lambda each: (each.state == EditionState.RULING, each.edition), default=None)


def _cursors(rows: Sequence[CursorRow]) -> dict[str, Cursor]:
    return {each.partition: cursor_of(each) for each in rows if each.partition != FACTS}


def _rebuild(
    session: Session, editions: Sequence[EditionRow], read: Mapping[tuple[str, int], Sequence[CursorRow]]
) -> Rebuild | None:
    """What is filled beside the rows shown; of several the newest."""
    filling = [each for each in editions if each.state == EditionState.FILLING]
    if not filling:
        return None
    edition = filling[-1]
    own = read.get((edition.worker, edition.edition), [])
    failed = max((each for each in own if each.last_error_at), key=_failed_at, default=None)
    return Rebuild(
        edition=edition.edition,
        version=edition.version,
        by_facts=edition.by_facts,
        steps=next((each.position for each in own if each.partition == FACTS), None),
        position=partitions.reach(session, _cursors(own)).position,
        attempts=max((each.attempts for each in own), default=0),
        next_try_at=max((each.next_try_at for each in own if each.next_try_at is not None), default=None),
        last_error=None if failed is None else failed.last_error,
        begun_at=edition.begun_at,
        asked_by=edition.asked_by,
        lacks_to=_lacks_to(edition),
    )


def _refused(entries: Sequence[CatalogueRow]) -> tuple[Refused, ...]:
    hosts: dict[tuple[str, State, str | None], list[str]] = defaultdict(list)
    for each in entries:
        if each.state not in {State.LOADED, State.DISABLED}:
            hosts[each.distribution, State(each.state), each.error].append(each.host)
    return tuple(Refused(*of, tuple(on)) for of, on in hosts.items())


def _failed_at(cursor: CursorRow) -> float:
    return cursor.last_error_at.timestamp() if cursor.last_error_at is not None else 0.0


def _quarantined(session: Session) -> dict[tuple[str, int], int]:
    statement = (
        select(QuarantineRow.worker, QuarantineRow.edition, func.count())
        .where(col(QuarantineRow.released_at).is_(None))
        .group_by(col(QuarantineRow.worker), col(QuarantineRow.edition))
    )
    return {(worker, edition): number for worker, edition, number in session.exec(statement)}


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
