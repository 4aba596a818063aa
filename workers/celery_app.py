"""Celery's home: tasks that wrap the engine's step, and the hints that ask for them.

A message is a hint. It is acknowledged when taken, never retried, never delayed, has no result, and expires: whether
anything is left to do the database knows.
"""

import logging
import os
import secrets
import socket
import time
from datetime import UTC, datetime
from typing import Any

from celery import Celery
from celery.signals import worker_process_init, worker_process_shutdown
from kombu.exceptions import OperationalError
from redis import Redis
from redis.exceptions import RedisError

from service.settings import Settings
from service.store.cursors import CursorKey
from service.store.engine import Database
from service.store.partitions import production_of
from workers import host, schedule, upkeep
from workers.contract import Partition, Worker
from workers.deliveries import Sender, post_of
from workers.engine import Outcome, step
from workers.relay import Unsent
from workers.roster import Roster

log = logging.getLogger("tiedown.engine")

QUEUE = "tiedown"
STEP, JOB, PULSE, DELIVER = "tiedown.step", "tiedown.job", "tiedown.pulse", "tiedown.deliver"
# A task steps on for this long at most before it lets the next hint have its turn.
BUDGET_S = 10.0
# Of many parts of the log each has its turn within the life of a hint.
PART_BUDGET_S = 1.0
HINT_LIFE_S = 5.0
KILL_AFTER_S = 5.0
FAREWELL_S = 5.0
BROKER_TIMEOUT_S = 2.0


class Engine:
    """What one pool process works with; made after the fork, because connections and locks do not survive it."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.database = Database.open(settings.database_url, pool_size=2, lock_timeout_s=settings.lock_timeout_s)
        self.roster = Roster(self.database, settings.workers)
        self.owner = f"{host.this_host()}:{os.getpid()}:{secrets.token_hex(8)}"
        self.sender = Sender(self.database, post_of(settings), owner=self.owner, clock=_now)

    def step(self, name: str, partition: str) -> None:
        """Step a worker until it has caught up, cannot go on, or the time is up."""
        worker = self._worker(name)
        by_production = production_of(partition) is not None
        # Another version may be installed here, whose cursors are others.
        if worker is None or by_production != (worker.partition is Partition.BY_PRODUCTION):
            return
        deadline = time.monotonic() + (PART_BUDGET_S if by_production else budget_s(self.settings))
        while time.monotonic() < deadline:
            result = step(
                self.database,
                worker,
                partition=partition,
                settings=self.settings,
                owner=self.owner,
                now=datetime.now(UTC),
            )
            if result.outcome in {Outcome.FAILED, Outcome.QUARANTINED}:
                log.error("worker failed", extra={"worker": name, "outcome": result.outcome, "error": result.error})
            if not result.again:
                return

    def _worker(self, name: str) -> Worker | None:
        """The worker of this name; of one that is not at work here the database may say by now that it is enabled."""
        if not any(each.name == name for each in self.roster.workers):
            self.roster.look()
        return next((each for each in self.roster.workers if each.name == name), None)

    def job(self) -> None:
        """Do one job that is due."""
        done = schedule.run(
            self.database,
            self.roster.workers,
            settings=self.settings,
            owner=self.owner,
            now=datetime.now(UTC),
            beat=_no_parent,
        )
        if done is not None:
            log.info("job tried", extra={"worker": done.worker, "job": done.name, "outcome": done.outcome})

    def deliver(self) -> None:
        """Begin to send what is due; the threads that do go on after the task."""
        self.sender.turn()

    def close(self) -> None:
        """End with the process: what is being sent has a little time left."""
        self.sender.close(within_s=FAREWELL_S)
        self.database.close()

    def pulse(self) -> None:
        """Give a sign of life, and do what is due with it."""
        upkeep.pulse(self.database, self.roster, settings=self.settings, now=datetime.now(UTC))


def budget_s(settings: Settings) -> float:
    """How long a task steps on: not so long that a handler's limit is nothing beside it."""
    return min(BUDGET_S, settings.handler_limit_s)


def _now() -> datetime:
    return datetime.now(UTC)


def _no_parent() -> None:
    """Celery's own time limits watch over a task; there is no heartbeat to give."""


def make_app(settings: Settings) -> Celery:
    """The Celery application of this process."""
    app = Celery("tiedown", broker=settings.redis_url, set_as_current=False)
    app.conf.update(
        task_serializer="json",
        accept_content=["json"],
        task_ignore_result=True,
        task_default_queue=QUEUE,
        task_create_missing_queues=False,
        # The hint has done its work when it is taken: what the task leaves undone the relay sees in the database.
        task_acks_late=False,
        worker_prefetch_multiplier=1,
        worker_enable_remote_control=False,
        worker_hijack_root_logger=False,
        worker_send_task_events=False,
        # What a task does rests on the database, so it may end its work while Redis is away.
        worker_cancel_long_running_tasks_on_connection_loss=False,
        broker_connection_retry_on_startup=True,
        broker_connection_max_retries=None,
        broker_transport_options={"socket_connect_timeout": BROKER_TIMEOUT_S},
        task_soft_time_limit=budget_s(settings) + settings.handler_limit_s,
        task_time_limit=budget_s(settings) + settings.handler_limit_s + KILL_AFTER_S,
    )
    _add_tasks(app, settings)
    return app


def _add_tasks(app: Celery, settings: Settings) -> None:
    here: dict[str, Engine] = {}

    def begin(**_given: object) -> None:
        here["engine"] = Engine(settings)

    def end(**_given: object) -> None:
        if (engine := here.pop("engine", None)) is not None:
            engine.close()

    worker_process_init.connect(begin, weak=False)
    worker_process_shutdown.connect(end, weak=False)

    def engine() -> Engine:
        # Celery logs an error of the signal above and goes on, as when the database was away at that moment.
        if "engine" not in here:
            begin()
        return here["engine"]

    @app.task(name=STEP)  # type: ignore[untyped-decorator]  # Celery ships no types
    def step_worker(worker: str, partition: str) -> None:
        engine().step(worker, partition)

    @app.task(
        name=JOB,
        soft_time_limit=settings.lease_s * schedule.LEASES - KILL_AFTER_S,
        time_limit=settings.lease_s * schedule.LEASES,
    )  # type: ignore[untyped-decorator]  # Celery ships no types
    def do_job() -> None:
        engine().job()

    @app.task(name=DELIVER)  # type: ignore[untyped-decorator]  # Celery ships no types
    def deliver() -> None:
        engine().deliver()

    @app.task(name=PULSE)  # type: ignore[untyped-decorator]  # Celery ships no types
    def pulse() -> None:
        engine().pulse()


class CeleryHints:
    """Hints as Celery messages in Redis."""

    def __init__(self, settings: Settings) -> None:
        self._app = make_app(settings)
        self._app.conf.broker_transport_options = {
            "socket_connect_timeout": BROKER_TIMEOUT_S,
            "socket_timeout": BROKER_TIMEOUT_S,
            # Its next look is the next try; six seconds of tries of Celery's own would be six without a sign of life.
            "max_retries": 0,
        }
        self._redis = Redis.from_url(
            settings.redis_url, socket_connect_timeout=BROKER_TIMEOUT_S, socket_timeout=BROKER_TIMEOUT_S
        )

    def step(self, key: CursorKey) -> None:
        """Hint that a worker has events to read."""
        self._send(STEP, key.worker, key.partition)

    def job(self) -> None:
        """Hint that a job is due."""
        self._send(JOB)

    def deliver(self) -> None:
        """Hint that a message is due to be sent."""
        self._send(DELIVER)

    def pulse(self) -> None:
        """Ask for a sign of life."""
        self._send(PULSE)

    def waiting(self) -> int:
        """How many hints nobody has taken yet."""
        try:
            return int(self._redis.llen(QUEUE))
        except (RedisError, OSError) as error:
            raise Unsent(str(error)) from error

    def close(self) -> None:
        """Give the connections back."""
        self._redis.close()
        self._app.close()

    def _send(self, task: str, *given: Any) -> None:  # noqa: ANN401 - plain JSON values
        try:
            self._app.send_task(task, args=given, queue=QUEUE, expires=HINT_LIFE_S, retry=False, ignore_result=True)
        except (OperationalError, RedisError, OSError) as error:
            raise Unsent(str(error)) from error


def run_worker(settings: Settings, *, concurrency: int) -> None:
    """Take hints with so many pool processes until SIGTERM; the hint under way is finished first."""
    app = make_app(settings)
    name = f"tiedown@{socket.gethostname()}-{os.getpid()}"
    log.info("taking hints", extra={"processes": concurrency, "node": name})
    app.worker_main(
        [
            "--quiet",
            "worker",
            f"--concurrency={concurrency}",
            f"--hostname={name}",
            "--loglevel=WARNING",
            "--without-gossip",
            "--without-mingle",
            "--without-heartbeat",
        ]
    )
