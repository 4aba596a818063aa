"""Rows are made anew and old events taken out of the log while counts come in and the engine is killed again and again.

Whoever reads meanwhile is shown one edition after the other, each with all shots, and never an earlier one again.
Totals of takes only grow here, so figures of one edition that fall would be those of two engines or editions, mixed.
"""

import json
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import httpx
import pytest
from sqlalchemy import text
from sqlmodel import col, select

from service.actions import keys
from service.actions.keys import Wanted
from service.client import Client, Patience
from service.domain.keys import Scope
from service.store.engine import Database
from service.store.tables import CleanedRow, EditionRow
from tests.api.scenes import PRODUCTION
from tests.journeys.house import Running, Terminal, environment, furnish, opened, running, until
from tests.journeys.test_counts_under_fire import seed

SHOTS = [f"{number:04}" for number in range(1, 41)]
KILLS, BATCH = 2, 8


@dataclass
class Reader:
    """Reads the figures of all shots over and over; `fell` is whatever was less than it had been."""

    address: str
    token: str
    edition: int = 0
    seen: dict[str, int] = field(default_factory=dict)
    fell: list[object] = field(default_factory=list)
    editions: set[int] = field(default_factory=set)

    def read(self, over: threading.Event) -> None:
        with httpx.Client(base_url=self.address, headers={"Authorization": f"Bearer {self.token}"}) as http:
            while not over.is_set():
                self.read_once(http)

    def read_once(self, http: httpx.Client) -> None:
        answer = http.get(f"/v1/productions/{PRODUCTION}/shots?limit=100")
        # "rev.head.whose", of which the head is the edition and the event its figures rest on.
        edition = int(answer.headers["ETag"].split(".")[1].split("-")[0])
        items = answer.json()["items"]
        self.note(edition, {each["code"]: each["progress"]["shot_frames"] for each in items if each["progress"]})

    def note(self, edition: int, now: dict[str, int]) -> None:
        again = edition == self.edition
        at_least = {code: frames if again else 0 for code, frames in self.seen.items()}
        self.fell += [
            (edition, code, each, now.get(code)) for code, each in at_least.items() if now.get(code, -1) < each
        ]
        if edition < self.edition:
            self.fell.append((edition, self.edition))
        self.edition, self.seen = edition, now
        self.editions.add(edition)


@pytest.fixture
def database(sqlite_url: str) -> Iterator[Database]:
    with opened(sqlite_url) as found:
        furnish(found, shots=len(SHOTS))
        yield found


def keys_of(database: Database) -> dict[Scope, str]:
    made = {}
    with database.writing() as session:
        for scope in (Scope.ADMIN, Scope.READ, Scope.COUNT):
            wanted = Wanted(name=scope.value, scope=scope, terminal="barn-capture" if scope is Scope.COUNT else None)
            made[scope] = keys.make(session, wanted, by="test", now=datetime.now(UTC))[1]
    return made


def a_week_later(database: Database) -> None:
    """Let everything in the log be older than what is kept, and the next cleaning be due."""
    with database.writing() as session:
        session.execute(text("UPDATE event SET at = strftime('%Y-%m-%d %H:%M:%f', at, '-9 days')"))
        session.execute(text("UPDATE cleaning SET begun_at = strftime('%Y-%m-%d %H:%M:%f', begun_at, '-9 days')"))


def editions_of(database: Database) -> list[EditionRow]:
    with database.reading() as session:
        rows = session.exec(select(EditionRow).where(EditionRow.worker == "progress").order_by(col(EditionRow.edition)))
        return list(rows)


def under_way(database: Database) -> EditionRow | None:
    return next((each for each in editions_of(database) if each.state == "filling"), None)


def count_on(terminal: Terminal, over: threading.Event) -> None:
    """Count one shot after another, one frame more each time round."""
    frames = 0
    while not over.is_set():
        frames += 1
        for shot in SHOTS:
            if not over.is_set():
                terminal.insist(shot, frames)


@contextmanager
def beside(*works: Callable[[], None], over: threading.Event) -> Iterator[None]:
    """Let these go on in threads of their own while the block runs."""
    threads = [threading.Thread(target=work) for work in works]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        over.set()
        for thread in threads:
            thread.join()


def far_enough(database: Database, steps: int) -> bool:
    """Whether a rebuild has done so many steps, or is over."""
    now = under_way(database)
    return now is None or now.steps >= steps


def total(admin: Client) -> int:
    return int(admin.progress(PRODUCTION, "episode")["total"]["shot_frames"])


def kill_engine(house: Running) -> None:
    engine = house.engine()
    engine.kill()
    until(lambda: house.children() and house.engine().pid != engine.pid)


def test_readers_see_no_mixture_while_rows_are_made_anew_and_the_log_is_cleaned_under_kills(
    database: Database, sqlite_url: str, tmp_path: Path
) -> None:
    chance = random.Random(seed())
    off = json.dumps({name: {"enabled": False} for name in ("nightly", "notices", "occupancy")})
    env = environment(sqlite_url, port=0, engine_batch=BATCH, keep_events_days=7, workers=off)
    tokens = keys_of(database)
    with running("serve", env=env, log=tmp_path / "serve.log") as house:
        address = house.address()
        admin = Client(address, tokens[Scope.ADMIN], patience=Patience(tries=12))
        reader = Reader(address, tokens[Scope.READ])
        over = threading.Event()
        with admin, Terminal(address, tokens[Scope.COUNT]) as terminal:
            with beside(partial(count_on, terminal, over), partial(reader.read, over), over=over):
                until(lambda: len(reader.seen) == len(SHOTS))
                for _ in range(KILLS):
                    admin.rebuild("progress")
                    a_week_later(database)
                    steps = chance.randint(0, len(SHOTS) // BATCH)
                    until(partial(far_enough, database, steps))
                    kill_engine(house)
                admin.rebuild("progress")
                until(lambda: under_way(database) is None)
            until(lambda: total(admin) == sum(terminal.acknowledged.values()))
            with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {reader.token}"}) as http:
                reader.read_once(http)
            assert reader.seen == terminal.acknowledged
            assert reader.fell == []
            standing = next(each for each in admin.workers()["items"] if each["name"] == "progress")
            assert (standing["needs_rebuild"], standing["lacks_to"], standing["quarantined"]) == (False, None, 0)
        assert len(reader.editions - {0}) > 1
        with database.reading() as session:
            gone = sum(session.exec(select(CleanedRow.events)))
        assert gone > 0
