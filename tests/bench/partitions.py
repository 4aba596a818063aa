"""How fast a worker with real work is through the log: one cursor or one a production, with one and two processes.

    .venv/bin/python -m tests.bench.partitions [--events 1200] [--cpu-ms 5] [--repeat 3]
        [--productions 1 10 100] [--server postgresql://postgres@127.0.0.1:5432/postgres]
        [--redis-url redis://127.0.0.1:6379/9]

A measurement, no test: for each number of productions it makes an empty database on the server, lays as many events of
counts in the log, spread evenly over productions of twenty shots each, and has `tiedown relay` and one or two
`tiedown worker --concurrency 1` take two workers along it, one after the other. Both read the facts of the shots of
each batch, as *progress* does, reckon so many milliseconds for each event and keep a row a shot; one has a cursor for
the whole log, the other one for each production. It prints events per second from their commit to the last batch's, and
each as a ratio to one cursor and one process of the same run. The Redis database is emptied. Run it on a machine that
has nothing else to do: two processes of work need two cores.
"""

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from secrets import token_hex

import psycopg
from psycopg import sql
from redis import Redis
from sqlalchemy import make_url

from service.actions import productions
from service.domain.events import EventKind
from service.store import catalogue, events, partitions
from service.store.engine import Database
from service.store.events import Happening
from service.store.tables import ShotRow
from tests.journeys.house import environment, opened, running, tiedown, until
from tests.workers.shelf import Shelf

SHOTS = 20
READY_S = 2.0
DISABLED = {name: {"enabled": False} for name in ("progress", "nightly", "notices", "occupancy")}
CURSORS = {"whole": "one cursor", "parted": "one cursor a production"}
NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
LIMIT_S = 600.0
SOURCE = """
    import time
    from workers.contract import Partition, Replace, Worker

    class Whole(Worker):
        name, version, events = "whole", 1, frozenset({{"frames.counted"}})
        tables = {{"shots": "What was reckoned of a shot."}}

        def handle(self, batch, context):
            facts = context.shot_facts(sorted({{event.shot_id for event in batch}}))
            until = time.thread_time() + len(batch) * {cpu_ms} / 1000
            while time.thread_time() < until:
                sum(range(1000))
            return [Replace(table="shots", shot_id=of, rows=[{{"events": len(batch)}}]) for of in facts]

    class Parted(Whole):
        name, partition = "parted", Partition.BY_PRODUCTION
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--events", type=int, default=1200, help="events in the log (default 1200)")
    parser.add_argument("--cpu-ms", type=float, default=5.0, help="what each costs, in ms (default 5)")
    parser.add_argument("--repeat", type=int, default=3, help="the best of so many counts (default 3)")
    parser.add_argument("--productions", type=int, nargs="+", default=[1, 10, 100])
    parser.add_argument("--server", default="postgresql://postgres@127.0.0.1:5432/postgres")
    parser.add_argument("--redis-url", default="redis://127.0.0.1:6379/9")
    asked = parser.parse_args()
    say(f"{asked.events} events of {asked.cpu_ms:g} ms each, on {os.cpu_count()} cores; events per second (ratio)")
    for number in asked.productions:
        kinds = [(worker, processes) for worker in CURSORS for processes in (1, 2)]
        best = dict.fromkeys(kinds, 0.0)
        for _ in range(asked.repeat):
            for kind in kinds:
                best[kind] = max(best[kind], measured(asked, kind[0], of=number, processes=kind[1]))
        for (worker, processes), rate in best.items():
            ratio = rate / best[kinds[0]]
            say(f"{number:4} productions, {CURSORS[worker]}, {processes} processes: {rate:.0f} ({ratio:.2f})")


def measured(asked: argparse.Namespace, worker: str, *, of: int, processes: int) -> float:
    """Events per second of one worker on a database of its own, from their commit to when the last is handled."""
    with ExitStack() as stack:
        url = stack.enter_context(a_database(asked.server))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tiedown-bench-")))
        Shelf(folder).put("bench-workers", SOURCE.format(cpu_ms=asked.cpu_ms), **{worker: worker.title()})
        env = environment(url, redis_url=asked.redis_url, log_level="error", workers=json.dumps(DISABLED))
        env |= {"PYTHONPATH": str(folder)}
        assert tiedown("migrate", env=env).returncode == 0
        database = stack.enter_context(opened(url))
        shots = furnished(database, of)
        with Redis.from_url(asked.redis_url) as redis:
            redis.flushdb()
        takers = [
            stack.enter_context(running("worker", "--concurrency", "1", env=env, log=folder / f"worker-{number}.log"))
            for number in range(processes)
        ]
        stack.enter_context(running("relay", env=env, log=folder / "relay.log"))
        until(lambda: all(each.children() for each in takers) and beaten(database), within_s=LIMIT_S)
        time.sleep(READY_S)
        began = time.perf_counter()
        last = happen(database, shots, asked.events)
        until(lambda: reached(database, worker) >= last, within_s=LIMIT_S)
        return float(asked.events / (time.perf_counter() - began))


@contextmanager
def a_database(server: str) -> Iterator[str]:
    """The address of an empty database of this run's own."""
    name = f"tiedown_bench_{token_hex(4)}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        try:
            yield make_url(server).set(database=name).render_as_string(hide_password=False)
        finally:
            connection.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


def furnished(database: Database, of: int) -> list[tuple[int, int]]:
    """Productions with their shots; production and shot of each shot, one of each production after another."""
    rows = []
    with database.writing() as session:
        for number in range(of):
            row = productions.add(session, f"p-{number}", title="Bench", frame_rate=Fraction(25), by="bench", now=NOW)
            episode = productions.add_episode(session, row, code="e", title="One", by="bench", now=NOW)
            rows += [
                ShotRow(
                    production_id=row.id or 0,
                    episode_id=episode.id or 0,
                    code=f"s{shot:03}",
                    cut_frames=120,
                    cameras=["main"],
                    passes=["main"],
                    phase_since=NOW,
                    added_at=NOW,
                )
                for shot in range(SHOTS)
            ]
        session.add_all(rows)
        session.flush()
        return sorted(((row.production_id, row.id or 0) for row in rows), key=lambda each: (each[1] % SHOTS, each))


def happen(database: Database, shots: Sequence[tuple[int, int]], number: int) -> int:
    """Lay so many counts in the log, of one shot after another; the last one's id."""
    with database.writing() as session:
        happenings = [
            Happening(
                kind=EventKind.FRAMES_COUNTED,
                at=NOW,
                actor="bench",
                production_id=shots[each % len(shots)][0],
                shot_id=shots[each % len(shots)][1],
                data={},
            )
            for each in range(number)
        ]
        return events.append_all(session, happenings)[-1]


def reached(database: Database, worker: str) -> int:
    """The event up to which all is handled."""
    with database.reading() as session:
        return partitions.reached(session, worker, 1)


def beaten(database: Database) -> bool:
    """Whether an engine gave a sign of life."""
    with database.reading() as session:
        return catalogue.last_beat(session, catalogue.ENGINE) is not None


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
