"""One step of a worker: read the log after its cursor, let it handle the events, write what it changes.

The same function runs in the one-machine child and in a Celery task. Two engines on one cursor do no harm: a lease
keeps them from doing the work twice, the compare-and-set on the position keeps them from writing it twice.
"""

import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
from typing import Protocol

from sqlalchemy.exc import DBAPIError
from sqlmodel import Session

from service.domain.events import Event
from service.store import cursors, events, partitions, quarantine
from service.store.cursors import Cursor, CursorKey
from service.store.engine import Busy, Database, retryable
from service.store.failures import understood
from service.store.partitions import WHOLE_LOG, Part, production_of
from workers.changes import apply, checked, stray
from workers.contract import Change, Context, Worker
from workers.snapshot import Snapshot

# What a worker changes, or what went wrong.
Tried = tuple[tuple[Change, ...], str | None]
WRITE_TRIES = 3
FIRST_PAUSE_S = 1.0
FIRST_PAUSE_AFTER_DEATH_S = 5.0
LONGEST_PAUSE_S = 300.0
LONGEST_ERROR = 4000
LONGEST_SENTENCE = 500
MOST_SENTENCES = 20


class EngineSettings(Protocol):
    """The settings an engine goes by."""

    @property
    def engine_batch(self) -> int:
        """Most events handed to a worker at once."""

    @property
    def quarantine_after(self) -> int:
        """Tries of a single event before it is set aside."""

    @property
    def lease_s(self) -> float:
        """Seconds a cursor is an engine's own."""


class Outcome(StrEnum):
    """How a step ended.

    Nothing to do; somebody else is at work; the next try lies ahead; the cursor moved; the worker failed; an event was
    set aside; another engine was faster.
    """

    IDLE = "idle"
    LEASED = "leased"
    WAITING = "waiting"
    MOVED = "moved"
    FAILED = "failed"
    QUARANTINED = "quarantined"
    OVERTAKEN = "overtaken"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    """What a step did: where the cursor stands, how many events were handled, and what went wrong."""

    outcome: Outcome
    position: int
    handled: int = 0
    error: str | None = None

    @property
    def again(self) -> bool:
        """Whether another step may find work at once."""
        return self.outcome in {Outcome.MOVED, Outcome.QUARANTINED, Outcome.OVERTAKEN}


class Overtaken(Exception):
    """Another engine moved the cursor first; what this one made of the same events is dropped."""


def _silent() -> None:
    return


def step(
    database: Database,
    worker: Worker,
    *,
    partition: str = WHOLE_LOG,
    settings: EngineSettings,
    owner: str,
    now: datetime,
    alone: bool = False,
    beat: Callable[[], None] = _silent,
) -> StepResult:
    """Take a worker one batch further in a partition of the log, the name of one that its `partition` asks for.

    `owner` names this process's life: a lease found under another name whose time is up belonged to a process that
    died at work. An engine that is `alone` on its database need not wait for the time to be up. Errors of
    the worker are recorded and returned, errors of the database are raised.
    """
    key = CursorKey(worker.name, worker.version, partition)
    run = _Run(database, worker, key, settings=settings, owner=owner, alone=alone, now=now, beat=beat)
    found = run.look()
    if isinstance(found, StepResult):
        return found
    claimed = run.claim()
    if isinstance(claimed, StepResult):
        return claimed
    return run.work(claimed) if found is None else run.try_again(claimed, found)


class _Run:
    """One step under way."""

    def __init__(
        self,
        database: Database,
        worker: Worker,
        key: CursorKey,
        *,
        settings: EngineSettings,
        owner: str,
        alone: bool,
        now: datetime,
        beat: Callable[[], None],
    ) -> None:
        self.database, self.worker, self.key = database, worker, key
        self.settings, self.owner, self.alone, self.now, self.beat = settings, owner, alone, now, beat
        self.part = Part(key.partition, production_of(key.partition), 0, 0)

    def look(self) -> StepResult | Event | None:
        """Without writing, whether there is anything to handle: an event to try again, or None where a batch may be.

        Events the worker does not want are passed by here.
        """
        with self.database.reading() as session:
            head = events.head(session)
            self.part = partitions.part(session, self.key.partition)
            cursor = cursors.find(session, self.key)
            position = self.part.begins if cursor is None else cursor.position
            wanted = cursors.anything_wanted(session, position, kinds=self.worker.events, holds=self.part.holds())
            again = None if cursor is None else quarantine.to_retry(session, self.key)
        if again is None and (position >= self.part.last or not self.worker.events):
            return StepResult(outcome=Outcome.IDLE, position=position)
        if cursor is not None and (refusal := self._refusal(cursor)):
            return refusal
        # A lease left by a process that died while it tried an event again is taken back, or nothing passes it by.
        if again is not None or wanted or (cursor is not None and cursor.held_by_another(self.owner)):
            return again
        with self.database.writing() as session:
            cursors.add(session, self.key, batch_limit=self.settings.engine_batch, position=self.part.begins)
            passed = cursors.pass_by(session, self.key, old=position, new=head, now=self.now)
        return StepResult(outcome=Outcome.MOVED if passed else Outcome.OVERTAKEN, position=head if passed else position)

    def claim(self) -> Cursor | StepResult:
        """Lease the cursor and count the attempt, in a transaction of its own.

        Counted before it runs, or an event that kills the process would kill it for ever.
        """
        with self.database.writing() as session:
            cursors.add(session, self.key, batch_limit=self.settings.engine_batch, position=self.part.begins)
            cursor = cursors.lock(session, self.key)
            if refusal := self._refusal(cursor):
                return refusal
            if cursor.held_by_another(self.owner):
                return self._died(session, cursor)
            # Held by this very process: left over from a step that the database cut short, no fault of the worker's.
            again = cursor.lease_owner == self.owner
            attempts = cursor.attempts if again else cursor.attempts + 1
            until = self.now + timedelta(seconds=self.settings.lease_s)
            cursors.lease(session, self.key, attempts=attempts, owner=self.owner, until=until)
        return Cursor(
            position=cursor.position,
            attempts=attempts,
            batch_limit=cursor.batch_limit,
            next_try_at=None,
            leased_until=until,
            lease_owner=self.owner,
        )

    def work(self, claimed: Cursor) -> StepResult:
        """Handle the batch in one snapshot, then write its changes and the cursor in one short transaction."""
        with self.database.reading() as session:
            # The log's head is read first: the snapshot begins with it, so no fact in it is older than the head says.
            head = events.head(session)
            kinds, holds = self.worker.events, self.part.holds()
            batch = events.read_after(session, claimed.position, limit=claimed.batch_limit, kinds=kinds, holds=holds)
            held = quarantine.behind_others(session, self.key, batch) if self.worker.ordered else {}
            free = [event for event in batch if event.id not in held]
            context = self._context(session, head)
            changes, failure = self._handled(session, free, context) if free else ((), None)
            health = asked(self.worker, context) if free and failure is None else None
        if failure is not None:
            return self._failed(claimed, batch, failure)
        reached = batch[-1].id if len(batch) == claimed.batch_limit else head
        try:
            self._settle(claimed, reached, rests_on=head, changes=changes, health=health, held=held)
        except Overtaken:
            return StepResult(outcome=Outcome.OVERTAKEN, position=claimed.position)
        except Busy:
            raise
        except Exception as error:  # noqa: BLE001 - rows the database refuses are the worker's failure like any other
            return self._failed(claimed, batch, describe(error))
        return StepResult(outcome=Outcome.MOVED, position=reached, handled=len(free))

    def _context(self, session: Session, head: int) -> Snapshot:
        of = self.part.production_id
        return Snapshot(session, worker=self.worker, production_id=of, position=head, now=self.now, beat=self.beat)

    def _handled(self, session: Session, batch: Sequence[Event], context: Context) -> Tried:
        changes, failure = attempt(self.worker, partial(self.worker.handle, batch, context))
        if failure is None and self.part.production_id is not None:
            failure = stray(session, changes, self.part.production_id)
        return changes, failure

    def try_again(self, claimed: Cursor, event: Event) -> StepResult:
        """Try an event once more that was set aside. The cursor stays where it is; a failure leaves the event aside."""
        with self.database.writing() as session:
            begun = quarantine.begin_retry(session, self.key, event.id)
        with self.database.reading() as session:
            head = events.head(session)
            changes, failure = self._handled(session, [event], self._context(session, head)) if begun else ((), None)

        def write(session: Session) -> None:
            if not cursors.release(session, self.key, owner=self.owner, attempts=max(0, claimed.attempts - 1)):
                raise Overtaken
            if begun and failure is None:
                quarantine.digested(session, self.key, event.id, now=self.now)
                apply(session, self.worker, changes, position=head, now=self.now)
            elif failure is not None:
                quarantine.note_error(session, self.key, event.id, error=failure)

        try:
            write_again(self.database, write)
        except Overtaken:
            with self.database.writing() as session:
                quarantine.ask_again(session, self.key, event.id, now=self.now)
            return StepResult(outcome=Outcome.OVERTAKEN, position=claimed.position)
        except Busy:
            raise
        except Exception as error:  # noqa: BLE001 - rows the database refuses are the worker's failure like any other
            failure = describe(error)
            write_again(self.database, write)
        outcome = Outcome.MOVED if failure is None else Outcome.FAILED
        return StepResult(outcome=outcome, position=claimed.position, handled=int(failure is None), error=failure)

    def _settle(
        self,
        claimed: Cursor,
        reached: int,
        *,
        rests_on: int,
        changes: Sequence[Change],
        health: Sequence[str] | None,
        held: Mapping[int, int],
    ) -> None:
        def write(session: Session) -> None:
            moved = cursors.advance(
                session,
                self.key,
                old=claimed.position,
                new=reached,
                batch_limit=min(claimed.batch_limit * 2, self.settings.engine_batch),
                now=self.now,
            )
            if not moved:
                raise Overtaken
            if health is not None:
                cursors.note_health(session, self.key, health)
            quarantine.wait_behind(session, self.key, held, now=self.now)
            apply(session, self.worker, changes, position=rests_on, now=self.now)

        write_again(self.database, write)

    def _died(self, session: Session, cursor: Cursor) -> StepResult:
        """Record that a process died at the batch. Waits longer than after an error: who kills, kills the others' time.

        What killed it may be the next one of the batch as well as the first, so the batch is halved all the same.
        """
        kinds, holds = self.worker.events, self.part.holds()
        pending = cursors.wanted_ids(session, cursor.position, kinds=kinds, limit=cursor.batch_limit, holds=holds)
        error = f"the process died at work on {len(pending) or 'no new'} events"
        return self._give_back(session, cursor, pending=pending, error=error, first_s=FIRST_PAUSE_AFTER_DEATH_S)

    def _failed(self, claimed: Cursor, batch: Sequence[Event], error: str) -> StepResult:
        with self.database.writing() as session:
            return self._give_back(
                session, claimed, pending=[event.id for event in batch], error=error, first_s=FIRST_PAUSE_S
            )

    def _give_back(
        self, session: Session, cursor: Cursor, *, pending: Sequence[int], error: str, first_s: float
    ) -> StepResult:
        if len(pending) == 1 and cursor.attempts >= self.settings.quarantine_after:
            return self._set_aside(session, cursor, event_id=pending[0], error=error)
        attempts, batch_limit = _smaller(cursor, len(pending))
        kept = cursors.give_back(
            session,
            self.key,
            owner=cursor.lease_owner,
            old=cursor.position,
            attempts=attempts,
            batch_limit=batch_limit,
            next_try_at=self.now + backoff(attempts, first_s),
            error=error,
            now=self.now,
        )
        outcome = Outcome.FAILED if kept else Outcome.OVERTAKEN
        return StepResult(outcome=outcome, position=cursor.position, error=error)

    def _set_aside(self, session: Session, cursor: Cursor, *, event_id: int, error: str) -> StepResult:
        moved = cursors.advance(session, self.key, old=cursor.position, new=event_id, batch_limit=1, now=self.now)
        if not moved:
            return StepResult(outcome=Outcome.OVERTAKEN, position=cursor.position, error=error)
        cursors.note_error(session, self.key, error=error, now=self.now)
        cursors.quarantine(session, self.key, event_id=event_id, attempts=cursor.attempts, error=error, now=self.now)
        return StepResult(outcome=Outcome.QUARANTINED, position=event_id, error=error)

    def _refusal(self, cursor: Cursor) -> StepResult | None:
        if not self.alone and cursor.leased(self.now, owner=self.owner):
            return StepResult(outcome=Outcome.LEASED, position=cursor.position)
        if cursor.waits(self.now):
            return StepResult(outcome=Outcome.WAITING, position=cursor.position)
        return None


def _smaller(cursor: Cursor, handled: int) -> tuple[int, int]:
    """Attempts and batch limit after a failure: half the batch with a clean slate, a single event keeps its count."""
    if handled <= 1:
        return cursor.attempts * handled, 1
    return 0, max(1, min(cursor.batch_limit, handled) // 2)


def backoff(attempts: int, first_s: float = FIRST_PAUSE_S) -> timedelta:
    """How long to wait after so many tries of one thing, doubled with each; after none, as when a batch is halved."""
    return timedelta(seconds=min(first_s * 2 ** min(max(attempts - 1, 0), 20), LONGEST_PAUSE_S))


def write_again(database: Database, write: Callable[[Session], None]) -> None:
    """Run `write` in a writing transaction, whole again where the database asks for it (deadlock, serialization)."""
    for attempt in range(1, WRITE_TRIES + 1):
        try:
            with database.writing() as session:
                write(session)
        except Exception as error:
            if attempt == WRITE_TRIES or not retryable(error):
                raise
        else:
            return


def attempt(worker: Worker, work: Callable[[], Sequence[Change]]) -> Tried:
    """Let a worker work; its changes, or what went wrong. A database that does not answer is raised: no worker's fault.

    Whatever else a worker raises must stop nobody else, an exit included.
    """
    try:
        return checked(worker, work()), None
    except DBAPIError as error:
        if understood(error) is not None:
            raise
        return (), describe(error)
    except (Exception, SystemExit) as error:  # noqa: BLE001 - see above
        return (), describe(error)


def asked(worker: Worker, context: Context) -> tuple[str, ...]:
    """What a worker says hinders it; that it could not say it, where it could not."""
    try:
        said = worker.health(context)
        if isinstance(said, str) or not all(isinstance(each, str) for each in said):
            return (f"Its health must be sentences in a list, not {said!r:.200}.",)
        return tuple(legible(each)[:LONGEST_SENTENCE] for each in list(said)[:MOST_SENTENCES])
    except DBAPIError as error:
        if understood(error) is not None:
            raise
        return (f"Its health could not be asked: {describe(error)}",)
    except (Exception, SystemExit) as error:  # noqa: BLE001 - as in attempt
        return (f"Its health could not be asked: {describe(error)}",)


def describe(error: BaseException) -> str:
    """An error in words a database takes: its last lines, without NUL and lone surrogates."""
    return legible("".join(traceback.format_exception(error, limit=-3)).strip()[-LONGEST_ERROR:])


def legible(text: str) -> str:
    """A text that a database takes: without NUL and lone surrogates."""
    return text.replace("\x00", "\\x00").encode("utf-8", "backslashreplace").decode()
