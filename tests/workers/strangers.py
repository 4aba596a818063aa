"""Workers of the tests' own: each says into the log what it was given, so that a test can read what was written."""

import os
import signal
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from datetime import time as local_time
from pathlib import Path
from typing import ClassVar

from service.domain.events import Event, EventKind
from service.store import events
from service.store.engine import Database
from workers.contract import Announce, Change, Context, Result, Schedule, Worker

START = datetime.fromisoformat("2026-03-02T09:00:00+00:00")
ROLL_CALL_AT = local_time(4, 30)
WANTED = EventKind.STAGE_ADDED
UNWANTED = EventKind.KEY_MADE
TOLD = EventKind.TOTALS_RECOUNTED


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Small limits, so that a test reaches them."""

    engine_batch: int = 8
    quarantine_after: int = 3
    lease_s: float = 20.0


class Listener(Worker):
    """Tells the log which events it was given in one call."""

    name: ClassVar[str] = "listener"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = frozenset({WANTED})

    def __init__(self, during: Callable[[Sequence[Event], Context], None] | None = None) -> None:
        self.during = during

    @property
    def schedules(self) -> Sequence[Schedule]:
        return (Schedule("roll-call", ROLL_CALL_AT),)

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        if self.during is not None:
            self.during(batch, context)
        return [Announce(kind=TOLD, data={"heard": [event.id for event in batch], "rests_on": context.position})]

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        if self.during is not None:
            self.during((), context)
        found = {"job": name, "day": day.isoformat()}
        return [Result(found), Announce(kind=TOLD, data=found)]


def say(database: Database, *kinds: EventKind) -> list[int]:
    """Append one event of each kind, each in a transaction of its own."""
    ids = []
    for kind in kinds:
        with database.writing() as session:
            ids.append(events.append(session, kind=kind, at=START, actor="test", data={}))
    return ids


def told(database: Database) -> list[dict[str, object]]:
    """What workers told the log, in order."""
    with database.reading() as session:
        return [event.data for event in events.read_after(session, 0, limit=10_000, kinds={TOLD})]


def heard(database: Database) -> list[int]:
    """The events that were handled and written, in order, with repetitions."""
    found: list[int] = []
    for data in told(database):
        ids = data.get("heard", [])
        assert isinstance(ids, list)
        found += ids
    return found


def address(database: Database) -> str:
    """The address under which another process finds the same database."""
    return database.url.render_as_string(hide_password=False)


def until(condition: Callable[[], bool], *, within_s: float = 20.0) -> None:
    """Wait for a condition; fails when the time is up."""
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, f"not within {within_s} s"
        time.sleep(0.01)


def die(_batch: Sequence[Event], _context: Context) -> None:
    """Be killed at work."""
    os.kill(os.getpid(), signal.SIGKILL)


def wait_at(gate: Path) -> Callable[[Sequence[Event], Context], None]:
    """Say with a file that work has begun, and go on when it is gone."""

    def wait(_batch: Sequence[Event], _context: Context) -> None:
        gate.touch()
        until(lambda: not gate.exists())

    return wait


def later(seconds: float) -> datetime:
    """An instant so many seconds after the tests' beginning."""
    return START + timedelta(seconds=seconds)
