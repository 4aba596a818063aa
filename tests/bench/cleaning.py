"""How long taking old events out of the log keeps a writer waiting, and how it goes on as the log gets long.

    .venv/bin/python -m tests.bench.cleaning [--events 100000 400000] [--shots 1000] [--database-url URL]

A measurement, no test: it fills the log of a fresh database with counts of many shots, nine in ten of the events old
enough to go, and cleans it as an engine does, a step at each sign of life. For each number of events it prints how long
a step holds the database (SQLite has one writer), beside the commit of a single event in the same run, and how many
events went. `--database-url` names an empty PostgreSQL database that is migrated, in the place of SQLite.
"""

import argparse
import random
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import delete, insert

from service.actions.cleaning import clean
from service.domain.events import EventKind
from service.store import cleaning, events
from service.store.engine import Database
from service.store.schema import migrate
from service.store.tables import CleanedRow, CleaningRow, EventRow

NOW = datetime(2026, 6, 1, 10, tzinfo=UTC)
KEEP = timedelta(days=30)
AT_ONCE = 10_000
SINGLE = 200


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--events", type=int, nargs="+", default=[100_000, 400_000], help="how many events")
    parser.add_argument("--shots", type=int, default=1000, help="of how many shots (default 1000)")
    parser.add_argument("--database-url", help="an empty, migrated PostgreSQL database")
    asked = parser.parse_args()
    for number in asked.events:
        with tempfile.TemporaryDirectory(prefix="tiedown-bench-") as folder:
            url = asked.database_url or f"sqlite:///{Path(folder) / 'tiedown.db'}"
            if not asked.database_url:
                migrate(url)
            database = Database.open(url)
            _fill(database, number, asked.shots)
            _measure(database, number)
            database.close()


def _fill(database: Database, number: int, shots: int) -> None:
    dice = random.Random(1)
    with database.writing() as session:
        for row in (EventRow, CleanedRow, CleaningRow):
            session.execute(delete(row))
    for begun in range(0, number, AT_ONCE):
        with database.writing() as session:
            session.execute(insert(EventRow), [_event(begun + each, number, dice, shots) for each in range(AT_ONCE)])


def _event(place: int, number: int, dice: random.Random, shots: int) -> dict[str, object]:
    """One of nine counts to a change of a shot; the first nine tenths of them older than what is kept."""
    shot = dice.randrange(shots) + 1
    kind = EventKind.FRAMES_COUNTED if dice.random() < 0.9 else EventKind.SHOT_CHANGED
    return {
        "at": NOW - KEEP * 10 * (1 - place / number),
        "kind": kind.value,
        "actor": "mill-capture",
        "production_id": 1 + shot % 4,
        "shot_id": shot,
        "data": {"series": shot, "take": 1, "before_frames": place, "total_frames": place + 1, "state": "open"},
    }


def _measure(database: Database, number: int) -> None:
    single = [_appended_s(database) for _ in range(SINGLE)]
    steps, gone = [], 0
    while True:
        began = time.perf_counter()
        with database.writing() as session:
            gone += clean(session, keep=KEEP, now=NOW)
        steps.append(time.perf_counter() - began)
        with database.reading() as session:
            at = cleaning.last_pass(session)
        if at is not None and at.ended_at is not None:
            break
    one, step = statistics.median(single), statistics.median(steps)
    longest = statistics.quantiles(steps, n=100)[98]
    _say(f"{number} events, {gone} gone in {len(steps)} steps")
    _say(f"  a step: median {step * 1000:.1f} ms, 99th percentile {longest * 1000:.1f} ms")
    _say(f"  the commit of one event: median {one * 1000:.1f} ms; a step takes {step / one:.1f} times as long")


def _appended_s(database: Database) -> float:
    began = time.perf_counter()
    with database.writing() as session:
        of = {"production_id": 1, "shot_id": 4}
        events.append(session, kind=EventKind.SHOT_CHANGED, at=NOW, actor="bench", data={}, **of)
    return time.perf_counter() - began


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


if __name__ == "__main__":
    main()
