"""The engine of one machine: a child process that takes every worker along the log, round after round.

Its standard input is wake-up and life line: a byte says that something was written, the end says that the parent is
gone. A wake-up may be lost, so it looks for itself four times a second.
"""

import logging
import os
import secrets
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from types import FrameType

from service.settings import Settings
from service.store import editions, partitions
from service.store.engine import Busy, Database, Unusable
from service.store.partitions import WHOLE_LOG
from workers import logs, schedule, upkeep
from workers.contract import Partition, Worker
from workers.deliveries import Sender, post_of
from workers.engine import Outcome, step
from workers.roster import Roster

log = logging.getLogger("tiedown.engine")

POLL_S = 0.25
PULSE_S = 2.0
TROUBLE_S = 1.0
# How long a handler may go on once nobody is there to see what it makes.
ORPHAN_S = 2.0
ORPHANED = 70
WAKE_UPS = 65_536
# The parent waits a little longer before it kills.
FAREWELL_S = 0.4
FIRST = "progress"


class Round:
    """One look at every worker and every job, with the state that lies between two of them."""

    def __init__(
        self,
        database: Database,
        roster: Roster,
        *,
        settings: Settings,
        owner: str,
        beat: Callable[[], None],
        clock: Callable[[], datetime],
        sender: Sender,
    ) -> None:
        self._database, self._roster, self._sender = database, roster, sender
        self._settings, self._owner, self._beat, self._clock = settings, owner, beat, clock
        self._pulsed_at = -PULSE_S

    def take(self) -> bool:
        """Step every worker once, do one job and begin to send; whether there may be more to do at once."""
        self._pulse()
        more = False
        workers = self._roster.workers
        # People wait for what *progress* makes of a count that has just come in.
        for worker in sorted(workers, key=lambda each: each.name != FIRST):
            for partition in self._partitions(worker):
                more |= self._step(worker, partition)
        done = schedule.run(
            self._database,
            workers,
            settings=self._settings,
            owner=self._owner,
            now=self._clock(),
            beat=self._beat,
            alone=True,
        )
        if done is not None:
            log.info("job tried", extra={"worker": done.worker, "job": done.name, "outcome": done.outcome})
        self._sender.turn()
        return more or done is not None

    def _partitions(self, worker: Worker) -> Sequence[str]:
        """The parts of the log a worker reads in this round: a batch of each, however much there is in another."""
        if worker.partition is Partition.WHOLE_LOG:
            return [WHOLE_LOG]
        with self._database.reading() as session:
            parts, asked = partitions.parts(session, by_production=True), partitions.asked_again(session)
            found = editions.behind(session, worker.name, worker.version, parts, kinds=worker.events, asked=asked)
        return list(dict.fromkeys(each.part.name for _, each in found))

    def _step(self, worker: Worker, partition: str) -> bool:
        self._beat()
        result = step(
            self._database,
            worker,
            partition=partition,
            settings=self._settings,
            owner=self._owner,
            now=self._clock(),
            # One child at a time serves an embedded database, so whoever else holds a lease is dead.
            alone=True,
            beat=self._beat,
        )
        if result.outcome in {Outcome.FAILED, Outcome.QUARANTINED}:
            log.error("worker failed", extra={"worker": worker.name, "outcome": result.outcome, "error": result.error})
        return result.again

    def _pulse(self) -> None:
        """Give a sign of life where it is due, and do what is due with it."""
        self._beat()
        passed = time.monotonic()
        if passed - self._pulsed_at < PULSE_S:
            return
        upkeep.pulse(self._database, self._roster, settings=self._settings, now=self._clock())
        self._pulsed_at = passed


class LifeLine:
    """Standard input: waited on for a wake-up, and watched for its end."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        os.set_blocking(fd, False)
        self.cut = False

    def wait(self, timeout_s: float) -> None:
        """Return when a wake-up came, the parent is gone, or the time is up."""
        ready, _, _ = select.select([self._fd], [], [], timeout_s)
        if ready:
            with suppress(BlockingIOError):
                self.cut = os.read(self._fd, WAKE_UPS) == b""

    def watch(self) -> None:
        """End this process when the parent is gone and a handler does not come back; runs in a thread of its own."""
        poll = select.poll()
        poll.register(self._fd, 0)
        poll.poll()
        time.sleep(ORPHAN_S)
        os._exit(ORPHANED)


def beating(fd: int | None, *, every_s: float = 0.1) -> Callable[[], None]:
    """A function that gives the parent a sign of life through `fd`, at most ten times a second."""
    last = -every_s

    def beat() -> None:
        nonlocal last
        now = time.monotonic()
        if fd is None or now - last < every_s:
            return
        last = now
        try:
            os.write(fd, b".")
        except OSError:
            # Full or broken: a parent that does not read is none to wait for.
            return

    if fd is not None:
        os.set_blocking(fd, False)
    return beat


def run(settings: Settings, *, beat_fd: int | None) -> None:
    """Take rounds until standard input ends or SIGTERM comes."""
    stopping = threading.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        stopping.set()

    signal.signal(signal.SIGTERM, stop)
    # Ctrl-C reaches the whole terminal; the parent ends this process in its own time.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    line, beat = LifeLine(0), beating(beat_fd)
    threading.Thread(target=line.watch, name="life line", daemon=True).start()
    database = Database.open(settings.database_url, pool_size=2, lock_timeout_s=settings.lock_timeout_s)
    owner = f"onebox:{secrets.token_hex(8)}"
    sender = Sender(database, post_of(settings), owner=owner, clock=_now, alone=True)
    rounds = Round(
        database,
        Roster(database, settings.workers),
        settings=settings,
        owner=owner,
        beat=beat,
        clock=_now,
        sender=sender,
    )
    while not (stopping.is_set() or line.cut):
        line.wait(0 if _taken(rounds) else POLL_S)
    sender.close(within_s=FAREWELL_S)
    database.close()


def main() -> None:
    """Be the child: the number of the pipe for signs of life is the one argument, the settings come as always."""
    settings = Settings.read()
    logs.start(settings.log_level)
    try:
        run(settings, beat_fd=int(sys.argv[1]) if len(sys.argv) > 1 else None)
    except (Unusable, Busy) as problem:
        # The parent starts the next; what it needs to come up is said in plain words, not as a defect of this program.
        log.error("the database cannot be used", extra={"error": str(problem)})  # noqa: TRY400 - no trace is wanted
        sys.exit(1)


def _now() -> datetime:
    return datetime.now(UTC)


def _taken(rounds: Round) -> bool:
    """Take a round; whether to take the next at once. Trouble with the database is logged and waited out."""
    try:
        return rounds.take()
    except Busy as busy:
        log.warning("the database is busy", extra={"error": str(busy)})
        time.sleep(TROUBLE_S)
    except Exception:
        log.exception("a round could not be finished")
        time.sleep(TROUBLE_S)
    return False


if __name__ == "__main__":
    main()
