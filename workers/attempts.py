"""What every kind of a worker's work has in common: its outcome, its limits, what went wrong, and the pause after."""

import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Protocol

from sqlalchemy.exc import DBAPIError
from sqlmodel import Session

from service.store.engine import Database, retryable
from service.store.failures import understood
from workers.changes import checked
from workers.contract import Change, Context, Worker

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
    set aside; another engine was faster; an operator disabled the worker; events it had not read were cleaned away.
    """

    IDLE = "idle"
    LEASED = "leased"
    WAITING = "waiting"
    MOVED = "moved"
    FAILED = "failed"
    QUARANTINED = "quarantined"
    OVERTAKEN = "overtaken"
    DISABLED = "disabled"
    NEEDS_REBUILD = "needs rebuild"


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What a step works with: `owner`, `alone`, `now` and `beat` are those of `workers.engine.step`."""

    database: Database
    worker: Worker
    settings: EngineSettings
    owner: str
    alone: bool
    now: datetime
    beat: Callable[[], None]


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
