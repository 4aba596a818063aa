"""A rebuild: the rows of a worker made anew from facts, step by step, beside those that are shown."""

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from functools import partial
from itertools import islice

from sqlmodel import Session

from service.store import cursors, editions, events
from service.store.cursors import Cursor
from service.store.editions import Edition
from service.store.engine import Busy
from workers.attempts import (
    FIRST_PAUSE_AFTER_DEATH_S,
    FIRST_PAUSE_S,
    Outcome,
    Overtaken,
    StepResult,
    Turn,
    attempt,
    backoff,
    describe,
    write_again,
)
from workers.changes import WrongChange, apply
from workers.contract import MOST_BYTES, MOST_CHANGES, Change, Keep, Partition, Rebuilt, Replace, Worker
from workers.snapshot import Snapshot

DIED = "the process died at work on a rebuild"


def offered(worker: Worker) -> bool:
    """Whether a worker makes its rows from facts alone."""
    own = getattr(type(worker), "rebuild", None)
    return own is not None and own is not Worker.rebuild


class Fill:
    """One step through the facts under way.

    It is leased, counted before it runs and backed off as a batch of events is, by a cursor of its own whose position
    is the number of steps done. Nothing is ever set aside: it is tried until it succeeds or is given up.
    """

    def __init__(self, turn: Turn, edition: Edition, partition: str) -> None:
        self.database, self.worker, self.edition, self.partition = turn.database, turn.worker, edition, partition
        self.key = edition.cursor(partition)
        self.settings, self.owner, self.alone, self.now = turn.settings, turn.owner, turn.alone, turn.now
        self.beat = turn.beat
        self.by_production = turn.worker.partition is Partition.BY_PRODUCTION

    def step(self) -> StepResult:
        """Do the next step."""
        with self.database.reading() as session:
            cursor = cursors.find(session, self.key)
        if cursor is not None and (refusal := self._refusal(cursor)):
            return refusal
        claimed = self._claim()
        return claimed if isinstance(claimed, StepResult) else self._work(claimed)

    def _claim(self) -> Cursor | StepResult:
        with self.database.writing() as session:
            if not self.edition.stored and not editions.begin(session, self.edition, now=self.now):
                return self._result(Outcome.OVERTAKEN)
            cursors.add(session, self.key, batch_limit=self.settings.engine_batch)
            cursor = cursors.lock(session, self.key)
            if refusal := self._refusal(cursor):
                return refusal
            if cursor.held_by_another(self.owner):
                return self._give_back(session, cursor, error=DIED, first_s=FIRST_PAUSE_AFTER_DEATH_S)
            attempts = cursor.attempts + (cursor.lease_owner != self.owner)
            until = self.now + timedelta(seconds=self.settings.lease_s)
            cursors.lease(session, self.key, attempts=attempts, owner=self.owner, until=until)
        return replace(cursor, attempts=attempts, next_try_at=None, leased_until=until, lease_owner=self.owner)

    def _work(self, claimed: Cursor) -> StepResult:
        mark: object = None

        def work() -> Sequence[Change]:
            nonlocal mark
            made = self.worker.rebuild(self.edition.mark, claimed.batch_limit, context)
            mark = _mark(made)
            return _rows(made)

        with self.database.reading() as session:
            head = events.head(session)
            context = Snapshot(
                session, worker=self.worker, edition=self.edition.number, position=head, now=self.now, beat=self.beat
            )
            changes, failure = attempt(self.worker, work)
        if failure is not None:
            return self._failed(claimed, failure)

        write = partial(self._settle, claimed=claimed, changes=changes, mark=mark, rests_on=head)
        try:
            write_again(self.database, write)
        except Overtaken:
            return self._result(Outcome.OVERTAKEN)
        except Busy:
            raise
        except Exception as error:  # noqa: BLE001 - rows the database refuses are the worker's failure like any other
            return self._failed(claimed, describe(error))
        return self._result(Outcome.MOVED)

    def _settle(
        self, session: Session, *, claimed: Cursor, changes: Sequence[Change], mark: object, rests_on: int
    ) -> None:
        done = cursors.advance(
            session,
            self.key,
            old=claimed.position,
            new=claimed.position + 1,
            batch_limit=min(claimed.batch_limit * 2, self.settings.engine_batch),
            now=self.now,
        )
        if not done or not editions.step_on(
            session,
            self.edition,
            mark=mark,
            reads_from=rests_on,
            by_production=self.by_production,
            batch_limit=self.settings.engine_batch,
            now=self.now,
        ):
            raise Overtaken
        apply(session, self.worker, changes, edition=self.edition.number, position=rests_on, now=self.now)
        if mark is None and (filled := editions.find(session, self.edition.worker, self.edition.number)):
            editions.follow(session, filled, by_production=self.by_production, now=self.now)

    def _failed(self, claimed: Cursor, error: str) -> StepResult:
        with self.database.writing() as session:
            return self._give_back(session, claimed, error=error, first_s=FIRST_PAUSE_S)

    def _give_back(self, session: Session, cursor: Cursor, *, error: str, first_s: float) -> StepResult:
        kept = cursors.give_back(
            session,
            self.key,
            owner=cursor.lease_owner,
            old=cursor.position,
            attempts=cursor.attempts,
            batch_limit=max(1, cursor.batch_limit // 2),
            next_try_at=self.now + backoff(cursor.attempts, first_s),
            error=error,
            now=self.now,
        )
        return self._result(Outcome.FAILED if kept else Outcome.OVERTAKEN, error)

    def _refusal(self, cursor: Cursor) -> StepResult | None:
        if not self.alone and cursor.leased(self.now, owner=self.owner):
            return self._result(Outcome.LEASED)
        return self._result(Outcome.WAITING) if cursor.waits(self.now) else None

    def _result(self, outcome: Outcome, error: str | None = None) -> StepResult:
        return StepResult(outcome=outcome, position=self.edition.reads_from or 0, error=error)


def _rows(made: Rebuilt) -> Sequence[Change]:
    changes: list[Change] = list(islice(made.changes, MOST_CHANGES + 1))
    if wrong := next((each for each in changes if not isinstance(each, Replace | Keep)), None):
        raise WrongChange(f"a rebuild makes rows, Replace and Keep, not {type(wrong).__name__}")
    return changes


def _mark(made: object) -> object:
    """A step's mark as the database keeps it; raises WrongChange of what JSON does not know."""
    if not isinstance(made, Rebuilt):
        raise WrongChange(f"rebuild returns Rebuilt, not {type(made).__name__}")
    try:
        text = json.dumps(made.mark, allow_nan=False, ensure_ascii=False)
        size = len(text.encode())
    except (TypeError, ValueError, RecursionError) as error:
        raise WrongChange(f"a mark is a plain JSON value: {error}") from error
    if size > MOST_BYTES or "\\u0000" in text:
        raise WrongChange(f"a mark has {MOST_BYTES} bytes of JSON at most and no NUL; this one has {size}")
    return json.loads(text)
