"""One step of a worker: read the log after its cursor, let it handle the events, write what it changes.

The same function runs in the one-machine child and in a Celery task. Two engines on one cursor do no harm: a lease
keeps them from doing the work twice, the compare-and-set on the position keeps them from writing it twice.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import partial

from sqlalchemy import ColumnElement, and_
from sqlmodel import Session

from service.actions import notices
from service.domain.editions import EditionState
from service.domain.events import Event
from service.store import cursors, editions, events, partitions, quarantine, retention, switches
from service.store.cursors import Cursor
from service.store.editions import Edition
from service.store.engine import Busy, Database
from service.store.partitions import WHOLE_LOG, Part, production_of
from workers.attempts import (
    FIRST_PAUSE_AFTER_DEATH_S,
    FIRST_PAUSE_S,
    EngineSettings,
    Outcome,
    Overtaken,
    StepResult,
    Tried,
    Turn,
    asked,
    attempt,
    backoff,
    describe,
    write_again,
)
from workers.changes import ACTOR, apply, set_aside, stray
from workers.contract import Change, Context, Partition, Worker
from workers.filling import Fill, offered
from workers.snapshot import Snapshot

__all__ = ["WHOLE_LOG", "EngineSettings", "Outcome", "StepResult", "backoff", "step", "write_again"]

# Of the steps of two editions the one that is told of: what went wrong first, then what moved.
TOLD_FIRST = (Outcome.FAILED, Outcome.QUARANTINED, Outcome.MOVED, Outcome.OVERTAKEN, Outcome.NEEDS_REBUILD)


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

    Rows that are filled beside those shown, for a new version or a rebuild, are taken a step further as well.

    `owner` names this process's life: a lease found under another name whose time is up belonged to a process that
    died at work. An engine that is `alone` on its database need not wait for the time to be up. Errors of
    the worker are recorded and returned, errors of the database are raised. A disabled worker is not touched.
    """
    with database.reading() as session:
        # Asked here as well, since a process looks at the switches but now and then, and steps on meanwhile.
        if switches.find(session, worker.name) is not None:
            rest = editions.rest(session, worker.name)
            return StepResult(outcome=Outcome.DISABLED, position=rest.position if rest else 0)
        of_version = editions.live(session, worker.name, worker.version) or [
            editions.planned(session, worker.name, worker.version, kinds=worker.events, rebuilds=offered(worker))
        ]
    turn = Turn(database=database, worker=worker, settings=settings, owner=owner, alone=alone, now=now, beat=beat)
    results = [(Fill if each.wants_facts else _Run)(turn, each, partition).step() for each in of_version]
    told = [each for outcome in TOLD_FIRST for each in results if each.outcome is outcome]
    return (told or results)[0]


class _Run:
    """One step under way."""

    def __init__(self, turn: Turn, edition: Edition, partition: str) -> None:
        self.database, self.worker, self.edition = turn.database, turn.worker, edition
        self.key = edition.cursor(partition)
        self.settings, self.owner, self.alone, self.now = turn.settings, turn.owner, turn.alone, turn.now
        self.beat = turn.beat
        self.part = Part(partition, production_of(partition), 0, 0)
        self.end = 0
        self.by_production = turn.worker.partition is Partition.BY_PRODUCTION

    def step(self) -> StepResult:
        """Do what there is to do."""
        found = self.look()
        if isinstance(found, StepResult):
            return found
        claimed = self.claim()
        if isinstance(claimed, StepResult):
            return claimed
        return self.work(claimed) if found is None else self.try_again(claimed, found)

    def look(self) -> StepResult | Event | None:
        """Without writing, whether there is anything to handle: an event to try again, or None where a batch may be.

        Events the worker does not want are passed by here.
        """
        with self.database.reading() as session:
            head, gone = retention.ends(session)
            self.part = partitions.part(session, self.key.partition)
            self.end = self._end(session, self.part.last)
            cursor = cursors.find(session, self.key)
            position = self.part.begins if cursor is None else cursor.position
            unread = self._unread(session, position, gone)
            wanted = cursors.anything_wanted(session, position, kinds=self.worker.events, holds=self._holds())
            again = None if cursor is None else quarantine.to_retry(session, self.key)
            follows = not self.edition.rules and position >= self.end and self._ready(session)
        if unread:
            return self._passed_over(position, unread)
        if again is None and (position >= self.end or not self.worker.events) and not follows:
            return StepResult(outcome=Outcome.IDLE, position=position)
        if cursor is not None and (refusal := self._refusal(cursor)):
            return refusal
        # A lease left by a process that died while it tried an event again is taken back, or nothing passes it by.
        if again is not None or wanted or (cursor is not None and cursor.held_by_another(self.owner)):
            return again
        # What is filled beside the rows shown stops where these stand, to be shown from there.
        new = head if self.edition.rules else max(self.end, position)
        with self.database.writing() as session:
            passed = self._begin(session) and cursors.pass_by(session, self.key, old=position, new=new, now=self.now)
            if passed:
                self._follow(session)
        return StepResult(outcome=Outcome.MOVED if passed else Outcome.OVERTAKEN, position=new if passed else position)

    def _unread(self, session: Session, position: int, gone: int) -> int:
        """The last event it wants that was cleaned away after a position and that it does not know of; 0: none was.

        `gone` is the last that was, whoever wants it.
        """
        known = self.edition.knows_to
        if gone <= max(position, known):
            return 0
        cleaned = retention.cleaned(session, self.worker.events)
        return cleaned.unread(self.part.production_id, position=position, knows_to=known)

    def _passed_over(self, position: int, unread: int) -> StepResult:
        """Go no further where events are gone that it had not read, so that nothing is skipped in silence.

        What is shown waits for somebody to have it made anew. What is not shown yet begins again from facts, or goes
        on with what there is and knows that it lacks the rest.
        """
        if self.edition.rules:
            return StepResult(outcome=Outcome.NEEDS_REBUILD, position=position)
        with self.database.writing() as session:
            if self.edition.state is EditionState.FILLING and not self.edition.by_facts:
                editions.pass_over(session, self.edition, unread)
            else:
                kinds, rebuilds = self.worker.events, offered(self.worker)
                editions.begin_again(session, self.edition, kinds=kinds, rebuilds=rebuilds, now=self.now)
        return StepResult(outcome=Outcome.OVERTAKEN, position=position)

    def _end(self, session: Session, last: int) -> int:
        """Up to which event to read: what is filled beside the rows shown never passes these, and is shown then."""
        shown = None if self.edition.rules else editions.ruling(session, self.worker.name)
        return last if shown is None else min(last, editions.read_in(session, shown, self.part))

    def _holds(self) -> ColumnElement[bool]:
        return self.part.holds() if self.edition.rules else and_(self.part.holds(), events.up_to(self.end))

    def _ready(self, session: Session) -> bool:
        return editions.ready(session, self.edition, by_production=self.by_production, now=self.now) is not None

    def _follow(self, session: Session) -> None:
        """Let the edition be shown where it may be by now."""
        if not self.edition.rules:
            editions.follow(session, self.edition, by_production=self.by_production, now=self.now)

    def _begin(self, session: Session) -> bool:
        """Make edition and cursor unless they are there; False where another edition has the place."""
        if not self.edition.stored and not editions.begin(session, self.edition, now=self.now):
            return False
        cursors.add(session, self.key, batch_limit=self.settings.engine_batch, position=self.part.begins)
        return True

    def claim(self) -> Cursor | StepResult:
        """Lease the cursor and count the attempt, in a transaction of its own.

        Counted before it runs, or an event that kills the process would kill it for ever.
        """
        with self.database.writing() as session:
            if not self._begin(session):
                return StepResult(outcome=Outcome.OVERTAKEN, position=self.part.begins)
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
            head, gone = retention.ends(session)
            # A process whose workers no catalogue has yet keeps nobody from cleaning, even since it looked.
            unread = self._unread(session, claimed.position, gone)
            self.end = max(self._end(session, head), claimed.position)
            kinds, holds = self.worker.events, self._holds()
            batch = events.read_after(session, claimed.position, limit=claimed.batch_limit, kinds=kinds, holds=holds)
            held = quarantine.behind_others(session, self.key, batch) if self.worker.ordered else {}
            free = [event for event in batch if event.id not in held] if not unread else []
            context = self._context(session, head)
            changes, failure = self._handled(session, free, context) if free else ((), None)
            health = asked(self.worker, context) if free and failure is None else None
        if unread:
            return self._released(claimed)
        if failure is not None:
            return self._failed(claimed, batch, failure)
        reached = batch[-1].id if len(batch) == claimed.batch_limit else self.end
        try:
            self._settle(claimed, reached, rests_on=head, changes=changes, health=health, held=held)
        except Overtaken:
            return StepResult(outcome=Outcome.OVERTAKEN, position=claimed.position)
        except Busy:
            raise
        except Exception as error:  # noqa: BLE001 - rows the database refuses are the worker's failure like any other
            return self._failed(claimed, batch, describe(error))
        return StepResult(outcome=Outcome.MOVED, position=reached, handled=len(free))

    def _released(self, claimed: Cursor) -> StepResult:
        with self.database.writing() as session:
            cursors.release(session, self.key, owner=self.owner, attempts=max(0, claimed.attempts - 1))
        return StepResult(outcome=Outcome.OVERTAKEN, position=claimed.position)

    def _context(self, session: Session, head: int) -> Snapshot:
        return Snapshot(
            session,
            worker=self.worker,
            edition=self.edition.number,
            production_id=self.part.production_id,
            position=head,
            now=self.now,
            beat=self.beat,
        )

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
                self._apply(session, changes, position=head)
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
            self._apply(session, changes, position=rests_on)
            self._follow(session)

        write_again(self.database, write)

    def _apply(self, session: Session, changes: Sequence[Change], *, position: int) -> None:
        # Read after the cursor was moved, whose lock keeps another edition from taking the place before the commit.
        if editions.state_of(session, self.edition) is not self.edition.state:
            raise Overtaken
        apply(
            session,
            self.worker,
            changes,
            edition=self.edition.number,
            quiet=not self.edition.rules,
            position=position,
            now=self.now,
        )

    def _died(self, session: Session, cursor: Cursor) -> StepResult:
        """Record that a process died at the batch. Waits longer than after an error: who kills, kills the others' time.

        What killed it may be the next one of the batch as well as the first, so the batch is halved all the same.
        """
        kinds, holds = self.worker.events, self._holds()
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
        told = notices.raise_all(session, [set_aside(self.key, event_id, error, self.now)], worker=ACTOR, now=self.now)
        events.append_all(session, told)
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
