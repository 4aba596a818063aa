"""Many machines: PostgreSQL, Redis, web processes, relays and Celery workers as real processes, and their deaths."""

import json
import random
import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import psycopg
import pytest
from redis import Redis
from sqlmodel import col, select

from service.actions import stages
from service.actions.shifts import Author, enter
from service.domain import studio as hours
from service.domain.counts import CaptureTime, TimeBasis
from service.domain.events import EventKind
from service.domain.shifts import Line, Signal
from service.store import catalogue, events, kept, workers
from service.store.engine import Database
from service.store.kept import Shelf as RowShelf
from service.store.tables import CursorRow, QuarantineRow
from tests.journeys.house import (
    Running,
    Terminal,
    credited,
    environment,
    furnish,
    key,
    opened,
    position,
    running,
    tiedown,
    until,
)
from tests.workers.messages import Clock, House
from tests.workers.shelf import Shelf

SHOTS = 6
LAMPS = RowShelf("lamp-hours", 1, "stage-days")


@pytest.fixture
def env(postgres_url: str, redis_url: str, strangers: Path, tmp_path: Path) -> dict[str, str]:
    channels = json.dumps({"folder": {"root": str(tmp_path)}})
    env = environment(postgres_url, redis_url=redis_url, port=0, lease_s=4, handler_limit_s=3, channels=channels)
    return env | {"PYTHONPATH": str(strangers)}


@pytest.fixture
def database(postgres_url: str) -> Iterator[Database]:
    with opened(postgres_url) as found:
        furnish(found, shots=SHOTS)
        yield found


class Studio:
    """The processes of the house, each started and ended by itself."""

    def __init__(self, stack: ExitStack, env: dict[str, str], folder: Path) -> None:
        self._stack, self._env, self._folder, self._started = stack, env, folder, 0

    def start(self, *arguments: str) -> Running:
        self._started += 1
        log = self._folder / f"{self._started}-{arguments[0]}.log"
        return self._stack.enter_context(running(*arguments, env=self._env, log=log))

    def terminal(self, web: Running, number: int) -> Terminal:
        token = key(self._env, f"key-{number}", scope="count", terminal=f"capture-{number}", stage="barn")
        return self._stack.enter_context(Terminal(web.address(), token))


@pytest.fixture
def studio(env: dict[str, str], database: Database, tmp_path: Path) -> Iterator[Studio]:
    with ExitStack() as stack:
        yield Studio(stack, env, tmp_path)


def kill(process: Running) -> None:
    """As when a machine loses power: the process and its children at once."""
    for child in process.children():
        child.kill()
    process.end(signal.SIGKILL)


def flush(redis_url: str) -> None:
    """As when Redis loses its memory."""
    with Redis.from_url(redis_url) as redis:
        redis.flushall()


def cut_off(database: Database) -> None:
    """As when PostgreSQL restarts: every connection to the database is gone at once."""
    with psycopg.connect(
        database.url.set(drivername="postgresql", database="postgres").render_as_string(hide_password=False)
    ) as server:
        server.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", (database.url.database,)
        )


def shown(database: Database, terminal: Terminal) -> bool:
    expected = {int(shot): frames for shot, frames in terminal.acknowledged.items()}
    return credited(database) == expected


def at_rest(database: Database, *, caught_up: bool) -> bool:
    """Whether nobody is at work on any cursor, and all stand at the end of the log where that is asked for."""
    with database.reading() as session:
        reached = events.head(session) if caught_up else 0
        return all(row.lease_owner is None and row.position >= reached for row in session.exec(select(CursorRow)))


def shift(database: Database, opened: datetime) -> None:
    """A day at the barn, by the stage's log: an hour of lamps, and the power off."""
    author = Author(by="coordinator")
    with database.writing() as session:
        barn = stages.find(session, "barn")
        for signal_, minutes in ((Signal.CALL, 0), (Signal.WRAP, 50), (Signal.POWER_OFF, 60)):
            at = opened + timedelta(minutes=minutes)
            time = CaptureTime(at, TimeBasis.AT, adjusted=False)
            line = Line(stage="barn", signal=signal_, at=at)
            enter(session, barn, line, time=time, studio=hours.Studio(), author=author, now=opened)


def lamps(database: Database) -> list[object]:
    """The seconds of lamps that the stranger's worker keeps."""
    with database.reading() as session:
        return [each.row.data["lamps_on_s"] for each in kept.page(session, LAMPS, after="", limit=9)]


def test_figures_catch_up_whatever_dies(studio: Studio, database: Database, redis_url: str) -> None:
    terminal = studio.terminal(studio.start("web"), 1)
    relay = studio.start("relay")
    worker = studio.start("worker", "--concurrency", "1")

    terminal.post("0001", 10)
    shift(database, datetime(2026, 3, 2, 9, tzinfo=UTC))
    until(lambda: shown(database, terminal), within_s=60)
    until(lambda: lamps(database) == [3600], within_s=60)
    messages = House(database, Clock(datetime.now(UTC)))
    messages.watch("barn", channel="folder", target={"folder": "barn"})
    messages.tell("once")
    until(lambda: [each.state for each in messages.rows()] == ["delivered"], within_s=60)

    # Hints on their way when the relay dies are followed, so none are, and there is nothing left to hint at.
    until(lambda: at_rest(database, caught_up=True), within_s=60)
    relay.end(signal.SIGKILL)
    flush(redis_url)
    until(lambda: at_rest(database, caught_up=False), within_s=60)
    before = position(database)
    assert [terminal.post("0002", frames).status_code for frames in range(1, 6)] == [200] * 5
    assert position(database) == before
    studio.start("relay")
    until(lambda: shown(database, terminal), within_s=60)

    flush(redis_url)
    terminal.post("0003", 10)
    until(lambda: shown(database, terminal), within_s=60)

    cut_off(database)
    until(lambda: terminal.post("0005", 10).status_code == 200)
    until(lambda: shown(database, terminal), within_s=60)

    kill(worker)
    assert terminal.post("0004", 10).status_code == 200
    studio.start("worker", "--concurrency", "1")
    until(lambda: shown(database, terminal), within_s=60)


def test_counts_from_two_doors_are_all_in_the_figures_after_a_storm(
    studio: Studio, database: Database, redis_url: str
) -> None:
    terminals = [studio.terminal(studio.start("web"), number) for number in (1, 2)]
    relays = [studio.start("relay"), studio.start("relay")]
    workers = [studio.start("worker", "--concurrency", "2") for _ in range(2)]
    until(lambda: beaten(database), within_s=60)
    until(lambda: all(worker.children() for worker in workers), within_s=60)
    done = threading.Event()

    def shoot(terminal: Terminal, shots: list[int], seed: int) -> None:
        dice = random.Random(seed)
        while not done.is_set():
            terminal.insist(f"{dice.choice(shots):04}", dice.randint(1, 90))

    cameras = [
        threading.Thread(target=shoot, args=(terminals[0], [1, 2, 3], 1)),
        threading.Thread(target=shoot, args=(terminals[1], [4, 5, 6], 2)),
    ]
    for camera in cameras:
        camera.start()
    for disaster in (
        partial(kill, workers[0]),
        partial(relays[0].end, signal.SIGKILL),
        partial(flush, redis_url),
        partial(cut_off, database),
        workers[1].children()[0].kill,
    ):
        # Between two disasters the figures must have moved, so that each strikes work under way.
        before = position(database)
        until(lambda reached=before: position(database) > reached, within_s=60)  # type: ignore[misc]  # this turn's
        disaster()
    done.set()
    for camera in cameras:
        camera.join()

    acknowledged = {int(shot): frames for each in terminals for shot, frames in each.acknowledged.items()}
    until(lambda: credited(database) == acknowledged, within_s=60)


SIBLINGS = """
    import os, signal, time
    from workers.contract import Worker

    class Killer(Worker):
        name, version, events = "killer", 1, frozenset({"frames.counted"})

        def handle(self, batch, context):
            if any(event.data["total_frames"] == 13 for event in batch):
                os.kill(os.getpid(), signal.SIGKILL)
            return []

    class Sleeper(Killer):
        name, events = "sleeper", frozenset({"production.added"})

        def handle(self, batch, context):
            while True:
                try:
                    time.sleep(60)
                except Exception:
                    # The limit that asks is not listened to; the one that kills is left.
                    pass

    class Dozer(Sleeper):
        name = "dozer"

        def handle(self, batch, context):
            time.sleep(60)
"""


def test_workers_that_kill_or_hang_celerys_processes_stop_no_other(
    env: dict[str, str], database: Database, tmp_path: Path
) -> None:
    shelf = Shelf(tmp_path)
    shelf.put("siblings", SIBLINGS, killer="Killer", sleeper="Sleeper", dozer="Dozer")
    env |= {"PYTHONPATH": str(tmp_path), "TIEDOWN_QUARANTINE_AFTER": "1", "TIEDOWN_HANDLER_LIMIT_S": "1"}
    with ExitStack() as stack:
        studio = Studio(stack, env | {"TIEDOWN_LEASE_S": "2"}, tmp_path)
        terminal = studio.terminal(studio.start("web"), 1)
        for frames in (11, 12, 13, 14):
            terminal.post("0001", frames)
        studio.start("relay")
        studio.start("worker", "--concurrency", "3")
        until(lambda: shown(database, terminal), within_s=60)
        until(lambda: {"killer", "sleeper", "dozer"} <= quarantined(database).keys(), within_s=100)
        until(lambda: left(database, "killer") == 0, within_s=60)
        terminal.post("0001", 15)
        until(lambda: shown(database, terminal), within_s=60)
    found = quarantined(database)
    assert found["killer"] == [(frames_of(database)[13], 1, "the process died at work on 1 events")]
    assert found["sleeper"][0][1:] == (1, "the process died at work on 1 events")
    assert "SoftTimeLimitExceeded" in found["dozer"][0][2]


def quarantined(database: Database) -> dict[str, list[tuple[int, int, str]]]:
    """By worker, each event that was set aside, after how many tries, and what went wrong."""
    found: dict[str, list[tuple[int, int, str]]] = {}
    with database.reading() as session:
        for row in session.exec(select(QuarantineRow).order_by(col(QuarantineRow.event_id))):
            found.setdefault(row.worker, []).append((row.event_id, row.attempts, row.error))
    return found


def left(database: Database, worker: str) -> int:
    """How many events a worker is behind."""
    with database.reading() as session:
        (found,) = [each for each in workers.standings(session) if each.worker == worker]
        return found.lag.events


def frames_of(database: Database) -> dict[int, int]:
    """The event of each count, by the frames it told of."""
    with database.reading() as session:
        counted = events.read_after(session, 0, limit=100, kinds={EventKind.FRAMES_COUNTED})
    return {int(each.data["total_frames"]): each.id for each in counted}


def beaten(database: Database) -> bool:
    with database.reading() as session:
        return catalogue.last_beat(session, catalogue.ENGINE) is not None


def test_a_relay_outlives_redis_and_says_so_once(studio: Studio, database: Database, tmp_path: Path) -> None:
    url = database.url.render_as_string(hide_password=False)
    env = environment(url, redis_url="redis://127.0.0.1:1/0")
    log = tmp_path / "relay.log"
    with running("relay", env=env, log=log) as relay:
        until(lambda: "does not answer" in log.read_text())
        beat = relay_beat(database)
        until(lambda: relay_beat(database) != beat)
        assert relay.process.poll() is None
        assert relay.end() == 0
    assert log.read_text().count("Redis does not answer") == 1


def relay_beat(database: Database) -> object:
    with database.reading() as session:
        return catalogue.last_beat(session, catalogue.RELAY)


def test_a_part_says_whether_it_is_well(studio: Studio, env: dict[str, str]) -> None:
    assert tiedown("healthy", "relay", env=env).returncode == 1

    studio.start("relay")

    until(lambda: tiedown("healthy", "relay", env=env).returncode == 0, within_s=60)
    unwell = tiedown("healthy", "worker", env=env)
    assert (unwell.returncode, "gives no sign of life" in unwell.stderr) == (1, True)
