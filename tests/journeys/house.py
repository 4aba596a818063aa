"""The project's own processes, started as an operator would, and what journeys look at while they run."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

import httpx
import psutil
from sqlmodel import select

from service.store import cursors
from service.store.cursors import CursorKey
from service.store.engine import Database
from service.store.tables import ShotProgressRow
from tests.api.conftest import Clock
from tests.api.scenes import PRODUCTION, add_shot, add_stage, begin

TIEDOWN = [sys.executable, "-P", "-m", "workers.entry"]
PROGRESS = CursorKey("progress", 1, "all")


def until(condition: Callable[[], object], *, within_s: float = 30.0) -> None:
    """Wait for a condition; fails when the time is up."""
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, f"not within {within_s} s"
        time.sleep(0.02)


def environment(database_url: str, **settings: object) -> dict[str, str]:
    """What a process of the house finds in its environment."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("TIEDOWN_")}
    given = {f"TIEDOWN_{name.upper()}": str(value) for name, value in settings.items()}
    return clean | {"TIEDOWN_DATABASE_URL": database_url} | given


def tiedown(*arguments: str, env: Mapping[str, str]) -> subprocess.CompletedProcess[str]:
    """Run a command of the house to its end."""
    return subprocess.run([*TIEDOWN, *arguments], env=env, capture_output=True, text=True, timeout=60, check=False)


class Running:
    """A process of the house under way; what it logs goes to a file beside the test's database."""

    def __init__(self, arguments: tuple[str, ...], env: Mapping[str, str], log: Path) -> None:
        self.log = log
        with log.open("ab") as lines:
            self.process = subprocess.Popen(
                [*TIEDOWN, *arguments], env=env, stdout=subprocess.PIPE, stderr=lines, text=True
            )

    def address(self) -> str:
        """Where it serves, as it says itself."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found is not None, f"said {line!r}; {self.log.read_text()}"
        return found[0]

    def children(self) -> list[psutil.Process]:
        """Its child processes."""
        return list(psutil.Process(self.process.pid).children(recursive=True))

    def engine(self) -> psutil.Process:
        """The one child of `tiedown serve`."""
        found: list[psutil.Process] = []

        def alone() -> bool:
            found[:] = self.children()
            return len(found) == 1

        until(alone)
        return found[0]

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        """Signal it and wait for its end; the exit code."""
        if self.process.poll() is None:
            self.process.send_signal(how)
        return self.process.wait(20)


@contextmanager
def running(*arguments: str, env: Mapping[str, str], log: Path) -> Iterator[Running]:
    """A process of the house while the block lasts; it and all its children are gone afterwards."""
    started = Running(arguments, env, log)
    try:
        yield started
    finally:
        family = started.children() if started.process.poll() is None else []
        # Whether it ends as it should is asked by the tests that call `end`; here it must be gone, whatever it was at.
        with suppress(subprocess.TimeoutExpired):
            started.end()
        started.process.kill()
        started.process.wait()
        for process in family:
            if process.is_running():
                process.kill()
        if started.process.stdout is not None:
            started.process.stdout.close()


@contextmanager
def opened(url: str) -> Iterator[Database]:
    """The database, to look into it from outside."""
    database = Database.open(url, pool_size=4)
    yield database
    database.close()


def furnish(database: Database, *, shots: int = 1) -> None:
    """A production with one episode, a stage `barn` with its terminal, and shots `0001`… of 96 frames."""
    clock = Clock(datetime.now(UTC))
    begin(database, clock)
    add_stage(database, clock, "barn")
    for number in range(1, shots + 1):
        add_shot(database, f"{number:04}")


def key(env: Mapping[str, str], name: str, *, scope: str, **binding: str) -> str:
    """A new key, made by the command."""
    options = [part for option, value in binding.items() for part in (f"--{option}", value)]
    made = tiedown("key", "create", name, "--scope", scope, *options, env=env)
    assert made.returncode == 0, made.stderr
    return made.stdout.strip()


class Terminal:
    """A terminal that posts over HTTP and remembers what was acknowledged."""

    def __init__(self, address: str, token: str) -> None:
        self.client = httpx.Client(base_url=address, headers={"Authorization": f"Bearer {token}"}, timeout=20)
        self.serial = 0
        self.acknowledged: dict[str, int] = {}
        self.last: dict[str, object] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.client.close()

    def post(self, shot: str, frames: int) -> httpx.Response:
        """Post the frames now live in take 1 of a shot."""
        self.serial += 1
        count = {"serial": self.serial, "production": PRODUCTION, "shot": shot, "take": 1, "frames_total": frames}
        return self._send(count)

    def insist(self, shot: str, frames: int) -> None:
        """Post, and post the same again while the door is busy or out of reach, as a terminal does."""
        answer = self.post(shot, frames)
        while answer.status_code != 200:
            assert answer.status_code == 503, answer.text
            answer = self._send(self.last)

    def _send(self, count: dict[str, object]) -> httpx.Response:
        self.last = count
        try:
            answer = self.client.post("/v1/counts", json={"counts": [count]})
        except httpx.TransportError:
            return httpx.Response(503)
        if answer.status_code == 200:
            self.acknowledged[str(count["shot"])] = int(str(count["frames_total"]))
        return answer


def credited(database: Database) -> dict[int, int]:
    """The credited frames shown, by shot id."""
    with database.reading() as session:
        return {row.shot_id: row.credited_frames for row in session.exec(select(ShotProgressRow))}


def position(database: Database) -> int:
    """How far *progress* has read."""
    with database.reading() as session:
        cursor = cursors.find(session, PROGRESS)
    return 0 if cursor is None else cursor.position
