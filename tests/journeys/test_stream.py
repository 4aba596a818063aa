"""The stream on many machines: ten readers who go from one web process to the other while these are killed."""

import random
import signal
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from httpx import HTTPTransport

from service.actions import keys, productions
from service.actions.keys import Wanted
from service.client import Client, Patience, Unanswered
from service.domain.events import Event, EventKind
from service.domain.keys import Scope
from service.store import events
from service.store.engine import Database
from service.store.events import Happening
from tests.journeys.house import Running, environment, furnish, opened, running, until

KINDS = (EventKind.STAGE_CHANGED, EventKind.SHOT_ADDED, EventKind.TAKE_DECIDED)
LANTERN_BAY, TIN_MOON = 1, 2
READERS, WRITERS = 10, 3
# How far the log may run ahead of the slowest reader.
LEAD = 80
TLS = ssl.create_default_context()
END_S = 2.0
# What the machine may add that runs all of this.
BUSY_S = 4.0


@pytest.fixture
def database(postgres_url: str) -> Iterator[Database]:
    with opened(postgres_url) as found:
        furnish(found)
        with found.writing() as session:
            # More than is kept on the way to a reader that takes nothing.
            large = Happening(kind=KINDS[0], at=datetime.now(UTC), actor="test", data={"line": "x" * 20_000})
            events.append_all(session, [large] * 50)
        with found.writing() as session:
            productions.add(
                session, "tin-moon", title="Tin Moon", frame_rate=Fraction(24), by="test", now=datetime.now(UTC)
            )
        yield found


class Finished(Exception):
    """A reader has come to the end."""


@dataclass
class Doors:
    """The web processes, of which each may be away."""

    start: Callable[[], Running]
    open: dict[int, tuple[Running, str]] = field(default_factory=dict)

    def begin(self, *doors: int) -> None:
        """Start the processes of doors, and wait until they serve."""
        for door, started in [(door, self.start()) for door in doors]:
            self.open[door] = (started, started.address())

    def any(self, dice: random.Random) -> str:
        """The address of an open door."""
        return dice.choice(list(self.open.values()))[1]

    def end(self, door: int, how: signal.Signals) -> tuple[Running, float]:
        """Kill a door's process, or ask it to end; the process, and how many seconds it took."""
        process, _ = self.open.pop(door)
        began = time.monotonic()
        process.end(how)
        return process, time.monotonic() - began


@contextmanager
def stuck(address: str, key: str) -> Iterator[None]:
    """A reader that begins at the beginning and then takes nothing, while the block lasts."""
    where = urlsplit(address)
    with socket.socket() as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.connect((where.hostname, where.port))
        asked = f"GET /v1/stream?after=0 HTTP/1.1\r\nHost: {where.netloc}\r\nAuthorization: Bearer {key}\r\n\r\n"
        connection.sendall(asked.encode())
        assert connection.recv(12) == b"HTTP/1.1 200"
        # All that this side has room for has come, and the first of what is large is on its way.
        until(lambda: len(connection.recv(4096, socket.MSG_PEEK)) > 2000)
        yield


class Reader(threading.Thread):
    """Follows the stream from one door to the next, with what it heard and how far it came."""

    def __init__(self, doors: Doors, key: str, seed: int, *, asked: dict[str, Any]) -> None:
        super().__init__(daemon=True)
        self.asked = asked
        self.position = 0
        self.heard: list[int] = []
        self.last: int | None = None
        self.failed: BaseException | None = None
        self.visits = 0
        self._doors, self._key, self._dice = doors, key, random.Random(seed)

    def run(self) -> None:
        """Go from door to door until the last position is reached."""
        try:
            while True:
                self._visit()
        except Finished:
            pass
        except BaseException as error:
            self.failed = error
            raise

    def _visit(self) -> None:
        # What a client makes by itself takes longer than all it is used for here.
        options: dict[str, Any] = {"patience": Patience(tries=1), "sleep": lambda _s: None}
        try:
            with (
                Client(
                    self._doors.any(self._dice), self._key, transport=HTTPTransport(verify=TLS), **options
                ) as client,
                closing(client.events_stream(self.position, reached=self._reach, **self.asked)) as stream,
            ):
                self.visits += 1
                for event in stream:
                    self.heard.append(event["id"])
                    self.position = event["id"]
                    if self._dice.random() < 0.03:
                        return
        except (Unanswered, IndexError):
            # Nobody opens; the next door may be open.
            pass

    def _reach(self, position: int) -> None:
        self.position = position
        if self.last is not None and position >= self.last:
            raise Finished


def append(database: Database, seed: int, *, ended: threading.Event, readers: list[Reader]) -> None:
    """Let things happen until the end is called, never far ahead of the slowest reader."""
    dice = random.Random(seed)
    while not ended.is_set():
        happenings = [
            Happening(
                kind=dice.choice(KINDS),
                at=datetime.now(UTC),
                actor=f"writer {seed}",
                production_id=dice.choice([None, LANTERN_BAY, TIN_MOON]),
                data={"line": "one\ntwo"},
            )
            for _ in range(dice.randint(1, 9))
        ]
        with database.writing() as session:
            head = events.append_all(session, happenings)[-1]
        until(lambda: ended.is_set() or head - min(each.position for each in readers) < LEAD)  # noqa: B023 -- at once


def test_ten_readers_hear_everything_once_and_in_order_whichever_process_dies(
    postgres_url: str, database: Database, tmp_path: Path
) -> None:
    env = environment(postgres_url, port=0, stream_heartbeat_s=0.2)
    tokens = {name: make(database, name, production) for name, production in (("all", None), ("tin-moon", "tin-moon"))}
    with ExitStack() as stack:
        logs = (tmp_path / f"web-{number}.log" for number in range(99))
        doors = Doors(lambda: stack.enter_context(running("web", env=env, log=next(logs))))
        doors.begin(0, 1)
        kinds = [KINDS[0].value, KINDS[2].value]
        ways: list[tuple[str, dict[str, Any]]] = [
            *[("all", {})] * 4,
            *[("all", {"production": "lantern-bay"})] * 2,
            *[("tin-moon", {})] * 2,
            ("tin-moon", {"kind": kinds}),
            ("all", {"kind": kinds[:1]}),
        ]
        readers = [Reader(doors, tokens[who], seed, asked=asked) for seed, (who, asked) in enumerate(ways)]
        assert len(readers) == READERS
        ended = threading.Event()
        writers = [
            threading.Thread(target=append, args=(database, seed), kwargs={"ended": ended, "readers": readers})
            for seed in range(WRITERS)
        ]
        for thread in (*readers, *writers):
            thread.start()

        dice = random.Random(7)
        for how, comes_back in ((signal.SIGKILL, True), (signal.SIGTERM, True), (signal.SIGKILL, False)):
            # Each strikes readers at work.
            before = [len(each.heard) for each in readers]
            until(lambda heard=before: all(len(each.heard) > was for each, was in zip(readers, heard, strict=True)))  # type: ignore[misc]
            door = dice.choice([0, 1])
            with stuck(doors.open[door][1], tokens["all"]):
                process, took_s = doors.end(door, how)
            if how is signal.SIGTERM:
                said = process.log.read_text()
                assert took_s < END_S + BUSY_S
                # The server had to cancel nothing: readers went by themselves, and the one that was stuck was dropped.
                assert [each for each in ("exceeded", "without completing", "Traceback") if each in said] == []
                assert said.count("the stream ended") >= said.count('"answered"') > 0
            if comes_back:
                doors.begin(door)
        ended.set()
        for thread in writers:
            thread.join()
        with database.reading() as session:
            head = events.head(session)
        for each in readers:
            each.last = head + 1
        with database.writing() as session:
            events.append(session, kind=KINDS[0], at=datetime.now(UTC), actor="test", data={})
        for each in readers:
            each.join(30)

    with database.reading() as session:
        log = events.read_after(session, 0, limit=100_000)

    assert [(each.is_alive(), each.failed) for each in readers] == [(False, None)] * READERS
    for each, (who, asked) in zip(readers, ways, strict=True):
        assert each.heard == [event.id for event in log if concerns(event, who, asked)]
        assert each.visits > 2


def concerns(event: Event, who: str, asked: dict[str, Any]) -> bool:
    """Whether a reader must hear of it."""
    only = TIN_MOON if who == "tin-moon" else LANTERN_BAY if "production" in asked else None
    return only in {None, event.production_id} and ("kind" not in asked or event.kind in asked["kind"])


def make(database: Database, name: str, production: str | None) -> str:
    """A key that may read."""
    wanted = Wanted(name=name, scope=Scope.READ, production=production)
    with database.writing() as session:
        return keys.make(session, wanted, by="test", now=datetime.now(UTC))[1]
