"""What an event costs on its way through very many watches, and whether that stays so as notices and messages pile up.

    .venv/bin/python -m tests.bench.telling [--events 100000] [--watches 500] [--shots 200] [--url sqlite:///FILE]

A measurement, no test: it makes an empty database, adds the watches (each hears of three kinds, every second one only
of a shot, every third one gathers for an hour), lays the events in the log (of ten, nine are counts and one approves a
shot) and has the worker *notices* read them, a hundredth of them a step. It prints the milliseconds an event takes in
each tenth of the log, and each as a ratio to the first tenth of the same run; then the notices and messages there are.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import func, select
from sqlmodel import col

from service.domain.events import EventKind
from service.domain.notices import MEANINGS, NoticeKind
from service.domain.watches import Heard
from service.store import watches
from service.store.engine import Database
from service.store.events import Happening, append_all
from service.store.schema import migrate
from service.store.tables import DeliveryNoticeRow, DeliveryRow, NoticeRow, WatchRow
from tests.nights import Nights
from tests.workers.strangers import Limits
from workers.builtin.notices import Notices, NoticesSettings
from workers.engine import Outcome, step

NOW = datetime(2026, 3, 4, 9, tzinfo=UTC)
TENTHS = 10
PLAIN = [kind for kind, meaning in MEANINGS.items() if meaning.unit is None]


def watch_all(database: Database, number: int, shots: int) -> None:
    """Add the watches."""
    with database.writing() as session:
        for place in range(number):
            row = WatchRow(
                name=f"watch-{place}",
                channel="folder",
                target={"folder": str(place)},
                time_zone="UTC",
                shot_id=place % shots + 1 if place % 2 else None,
                every_min=None if place % 3 else 60,
                secret="whsec_none",
                by="office",
                added_at=NOW,
            )
            session.add(row)
            session.flush()
            heard = {NoticeKind.APPROVED, PLAIN[place % len(PLAIN)], PLAIN[(place + 7) % len(PLAIN)]}
            # A tenth of them hear of approvals: who hears of everything is told of everything.
            kinds = heard if place % TENTHS == 0 else heard - {NoticeKind.APPROVED}
            watches.let_hear(session, row.id or 0, [Heard(kind=kind) for kind in sorted(kinds)])


def lay(database: Database, number: int, shots: int) -> None:
    """Lay the events in the log."""
    counted = {"before_frames": 0, "total_frames": 1, "state": "open", "counts": 1, "captured_at": NOW.isoformat()}
    for first in range(0, number, 1000):
        happenings = [
            Happening(
                kind=EventKind.SHOT_MOVED,
                at=NOW,
                actor="office",
                production_id=1,
                shot_id=place % shots + 1,
                data={"to": "approved"},
            )
            if place % TENTHS == 0
            else Happening(
                kind=EventKind.FRAMES_COUNTED,
                at=NOW,
                actor="barn-capture",
                production_id=1,
                shot_id=place % shots + 1,
                data=counted,
            )
            for place in range(first, min(first + 1000, number))
        ]
        with database.writing() as session:
            append_all(session, happenings)


def read(database: Database, number: int) -> Sequence[float]:
    """Let the worker read the log; the milliseconds an event took, tenth by tenth."""
    worker, limits = Notices(NoticesSettings()), Limits(engine_batch=max(1, number // 100))
    took, handled = [0.0] * TENTHS, [0] * TENTHS
    done = 0
    while True:
        began = time.perf_counter()
        result = step(database, worker, settings=limits, owner="bench", now=NOW)
        if result.outcome is Outcome.IDLE:
            return [1000 * seconds / max(1, events) for seconds, events in zip(took, handled, strict=True)]
        tenth = min(TENTHS - 1, done * TENTHS // number)
        took[tenth] += time.perf_counter() - began
        handled[tenth] += result.handled
        done += result.handled


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--events", type=int, default=100_000)
    parser.add_argument("--watches", type=int, default=500)
    parser.add_argument("--shots", type=int, default=200)
    parser.add_argument("--url", default=None, help="an empty database; a file of its own where it is left out")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = given.url or f"sqlite:///{Path(folder, 'bench.db')}"
        migrate(url)
        database = Database.open(url)
        here = Nights(database, NOW.isoformat())
        for number in range(given.shots):
            here.shot(f"s{number}", stage="barn")
        watch_all(database, given.watches, given.shots)
        lay(database, given.events, given.shots)
        tenths = read(database, given.events)
        sys.stdout.write(f"{given.events} events, {given.watches} watches, {given.shots} shots" + "\n")
        for place, each in enumerate(tenths, start=1):
            sys.stdout.write(f"tenth {place:2}: {each:.3f} ms an event, {each / tenths[0]:.2f} of the first" + "\n")
        with database.reading() as session:
            for what, row in (
                ("notices", NoticeRow.id),
                ("messages", DeliveryRow.id),
                ("told", DeliveryNoticeRow.notice_id),
            ):
                sys.stdout.write(f"{what}: {session.scalar(select(func.count(col(row))))}" + "\n")
        database.close()


if __name__ == "__main__":
    main()
