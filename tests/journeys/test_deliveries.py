"""The engine of one machine is killed while it sends: nothing is lost, and what comes twice comes under one id."""

import json
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from sqlmodel import select

from service.domain.signatures import secret_of
from service.store.engine import Database
from service.store.tables import DeliveryAttemptRow, DeliveryRow
from tests.journeys.house import environment, until
from tests.workers.messages import Clock, House

WATCHES, NOTICES, KILL_EVERY, KILLS = 8, 12, 25, 3


@dataclass
class Receiver:
    """What was received, by watch, as (message id, occasion); every so many requests it kills who sent, unanswered."""

    engine: "Engine | None" = None
    received: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    requests: int = 0
    kills: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self, message_id: str, body: bytes) -> bool:
        """Keep a message; whether it is answered."""
        data = json.loads(body)["data"]
        with self.lock:
            (notice,) = data["notices"]
            self.received.setdefault(data["watch"], []).append((message_id, notice["occasion"]))
            self.requests += 1
            if self.requests % KILL_EVERY or self.kills == KILLS:
                return True
            self.kills += 1
            if self.engine is not None:
                self.engine.process.kill()
            return False


@contextmanager
def listening(receiver: Receiver) -> Iterator[int]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            if receiver.take(self.headers["webhook-id"], body):
                self.send_response(204)
                self.end_headers()
            self.close_connection = True

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield server.server_port
        finally:
            server.shutdown()
            thread.join()


class Engine:
    """The engine's process, as `tiedown serve` starts it."""

    def __init__(self, url: str, log: Path) -> None:
        channels = json.dumps({"webhook": {"private_networks": ["127.0.0.0/8"]}})
        self._env = environment(url) | {"TIEDOWN_CHANNELS": channels}
        self._log = log
        self.process = self._started()

    def keep_up(self) -> None:
        """Start it again where it was killed."""
        if self.process.poll() is not None:
            self.process.communicate()
            self.process = self._started()

    def _started(self) -> "subprocess.Popen[bytes]":
        with self._log.open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-P", "-m", "workers.child"],
                env=self._env,
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
            )

    def end(self) -> None:
        """End it by the end of its input."""
        self.process.communicate(timeout=10)


def test_an_engine_that_is_killed_while_it_sends_loses_nothing(sqlite_url: str, tmp_path: Path) -> None:
    receiver = Receiver()
    with listening(receiver) as port:
        database = Database.open(sqlite_url)
        house = House(database, Clock(datetime.now(UTC)))
        for number in range(WATCHES):
            target = {"url": f"http://127.0.0.1:{port}/{number}"}
            house.watch(f"watch-{number}", channel="webhook", target=target, secret=secret_of(bytes(32)))
        for occasion in range(NOTICES):
            house.tell(occasion)
        engine = receiver.engine = Engine(sqlite_url, tmp_path / "engine.log")
        try:

            def settled() -> bool:
                engine.keep_up()
                return not house.rows(state="waiting")

            until(settled)
        finally:
            engine.end()

    with database.reading() as session:
        tries = len(session.exec(select(DeliveryAttemptRow)).all())
        states = Counter(row.state for row in session.exec(select(DeliveryRow)))
    database.close()
    ids = Counter(message_id for got in receiver.received.values() for message_id, _ in got)
    twice = sum(1 for number in ids.values() if number > 1)
    print(f"sent {tries}, received {receiver.requests}, twice {twice}, lost {WATCHES * NOTICES - len(ids)}")  # noqa: T201 - the figures of this run
    assert (receiver.kills, states) == (KILLS, {"delivered": WATCHES * NOTICES})
    assert len(ids) == WATCHES * NOTICES
    assert twice > 0
    # Each watch heard all of it in order, but for what came again.
    for got in receiver.received.values():
        assert [occasion for _, occasion in dict.fromkeys(got)] == [str(each) for each in range(NOTICES)]
    # Who died and was not heard of again was asked for once more; nothing else was.
    assert tries >= receiver.requests
