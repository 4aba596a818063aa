"""Who is behind in the log gets a hint: the only publisher to Redis.

The database is the queue. A hint names a worker, carries nothing else, and may be lost or doubled: who is still behind
gets the next one. Any number of relays may run.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from service.domain.workers import State
from service.settings import Settings
from service.store import catalogue, deliveries, editions, jobs, partitions, quarantine, switches
from service.store.cursors import CursorKey
from service.store.engine import Database
from workers.host import this_host

log = logging.getLogger("tiedown.relay")

# Long enough for a worker that is not busy to have taken the first one.
SEND_AGAIN_S = 0.5
PULSE_S = 2.0
# Nobody takes hints: more would only lie there, and be stale when somebody does.
MOST_WAITING = 64


@dataclass(frozen=True, slots=True)
class Behind:
    """A cursor with work after it that nobody does: where it stands, and the last event of its part of the log."""

    key: CursorKey
    position: int
    last: int


@dataclass(frozen=True, slots=True)
class Work:
    """What there is to do: cursors that are behind, whether a job is due, and whether a message is."""

    behind: tuple[Behind, ...]
    job_due: bool
    message_due: bool


class Hints(Protocol):
    """Where hints go; every method raises `Unsent` where it cannot be reached."""

    def step(self, key: CursorKey) -> None:
        """Hint that a worker has events to read."""

    def job(self) -> None:
        """Hint that a job is due."""

    def deliver(self) -> None:
        """Hint that a message is due to be sent."""

    def pulse(self) -> None:
        """Ask for a sign of life, which also enters the jobs whose time has come."""

    def waiting(self) -> int:
        """How many hints nobody has taken yet."""


class Unsent(Exception):
    """The hint did not go out; nothing is lost, who is behind gets the next one."""


def look(database: Database, *, now: datetime) -> Work:
    """What there is to do, in one snapshot and without a write."""
    with database.reading() as session:
        off = switches.disabled(session)
        among = {each: partitions.parts(session, by_production=each) for each in (False, True)}
        asked = partitions.asked_again(session)
        found = [
            (CursorKey(row.worker, edition, each.part.name), each)
            for row in catalogue.newest(session, state=State.LOADED)
            if row.events and row.worker not in off
            for edition, each in editions.behind(
                session, row.worker, row.version, among[row.by_production], kinds=row.events, asked=asked
            )
            if each.cursor is None or not (each.cursor.leased(now, owner="") or each.cursor.waits(now))
        ]
        behind = (
            Behind(key, each.position, each.part.last)
            for key, each in found
            if each.position < each.part.last or quarantine.to_retry(session, key) is not None
        )
        job_due = any(job.free(now) for job in jobs.in_turn(session) if job.worker not in off)
        return Work(tuple(behind), job_due, bool(deliveries.heads(session, now=now)))


class Relay:
    """Hints sent, remembered just long enough not to send the same one at every look."""

    def __init__(
        self,
        database: Database,
        hints: Hints,
        *,
        clock: Callable[[], datetime],
        elapsed_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """`elapsed_s` never goes back, as a clock does that is put right."""
        self._database, self._hints, self._clock, self._elapsed_s = database, hints, clock, elapsed_s
        self._sent: dict[CursorKey, tuple[int, float]] = {}
        self._job_at = self._pulse_at = self._deliver_at = float("-inf")
        self._beat_at = float("-inf")

    def turn(self) -> int:
        """Look once and hint; how many hints went out. Raises Unsent, and what the database raises."""
        passed = self._elapsed_s()
        work = look(self._database, now=self._clock())
        due = [each for each in work.behind if self._due(each, passed)]
        job = work.job_due and passed - self._job_at >= SEND_AGAIN_S
        deliver = work.message_due and passed - self._deliver_at >= SEND_AGAIN_S
        pulse = passed - self._pulse_at >= PULSE_S
        if not (due or job or deliver or pulse) or (waiting := self._hints.waiting()) >= MOST_WAITING:
            return 0
        # Of very many parts of the log those that nobody has touched for longest come first.
        due = due[: MOST_WAITING - waiting]
        for each in due:
            self._hints.step(each.key)
            self._sent[each.key] = (each.last, passed)
        if job:
            self._hints.job()
            self._job_at = passed
        if deliver:
            self._hints.deliver()
            self._deliver_at = passed
        if pulse:
            self._hints.pulse()
            self._pulse_at = passed
        return len(due) + job + deliver + pulse

    def beat(self) -> None:
        """Give a sign of life where it is due."""
        passed = self._elapsed_s()
        if passed - self._beat_at >= PULSE_S:
            with self._database.writing() as session:
                catalogue.beat(session, catalogue.RELAY, host=this_host(), now=self._clock())
            self._beat_at = passed

    def _due(self, behind: Behind, passed: float) -> bool:
        """Whether to hint: the last hint was followed as far as it told of, or is old enough to be thought lost."""
        last, at = self._sent.get(behind.key, (0, float("-inf")))
        return behind.position >= last or passed - at >= SEND_AGAIN_S


class _State:
    """Whether something works, logged when that changes and not at every turn."""

    def __init__(self, what: str) -> None:
        self._what, self._well = what, True

    def well(self) -> None:
        if not self._well:
            log.info("%s answers again", self._what)
        self._well = True

    def trouble(self, error: Exception) -> None:
        if self._well:
            log.warning("%s does not answer; trying on", self._what, extra={"error": str(error)})
        self._well = False


def run(settings: Settings, hints: Hints, *, clock: Callable[[], datetime], stopping: threading.Event) -> None:
    """Relay until told to stop, whatever the database and Redis do meanwhile."""
    database = Database.open(settings.database_url, pool_size=2, lock_timeout_s=settings.lock_timeout_s)
    relay = Relay(database, hints, clock=clock)
    redis, rows = _State("Redis"), _State("the database")
    while not stopping.wait(settings.relay_interval_s):
        try:
            relay.beat()
            sent = relay.turn()
        except Unsent as error:
            redis.trouble(error)
        except Exception as error:  # noqa: BLE001 - a relay that ends is one more thing to be started again
            rows.trouble(error)
        else:
            rows.well()
            if sent:
                redis.well()
    database.close()
