"""What API tests of shots and counts share: a production with shots, counts as bodies, the worker caught up."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

from httpx import Response

from service.actions import productions, stages, terminals
from service.store.engine import Database
from service.store.tables import PartRow, ShotRow
from tests.api.conftest import Caller, Clock
from workers import schedule
from workers.builtin.nightly import Nightly
from workers.builtin.progress import Progress, ProgressSettings
from workers.contract import NoSettings
from workers.engine import Outcome, step

PRODUCTION = "lantern-bay"


def begin(database: Database, clock: Clock) -> None:
    """Begin `lantern-bay` with its episode `101`."""
    with database.writing() as session:
        production = productions.add(
            session, PRODUCTION, title="Lantern Bay", frame_rate=Fraction(25), by="command", now=clock()
        )
        productions.add_episode(session, production, code="101", title="One", by="command", now=clock())


def add_stage(database: Database, clock: Clock, code: str) -> None:
    """Add a stage with the terminal `<code>-capture`."""
    with database.writing() as session:
        stage = stages.add(session, code, name=code.title(), by="command", now=clock())
        terminals.add(session, f"{code}-capture", stage=stage, by="command", now=clock())


def add_shot(
    database: Database,
    code: str = "0120",
    *,
    cut_frames: int = 96,
    parts: Sequence[tuple[str, int, int | None, int | None]] = (),
    **plan: object,
) -> int:
    """Add a shot to the first production's first episode; `parts` are (part, stage id, first, last)."""
    planned: dict[str, Any] = {"cameras": ["main"], "passes": ["main"], **plan}
    with database.writing() as session:
        row = ShotRow(
            production_id=1,
            episode_id=1,
            code=code,
            cut_frames=cut_frames,
            phase_since=datetime(2026, 3, 1, tzinfo=UTC),
            added_at=datetime(2026, 3, 1, tzinfo=UTC),
            **planned,
        )
        session.add(row)
        session.flush()
        for part, stage_id, first, last in parts:
            session.add(PartRow(shot_id=row.id or 0, part=part, stage_id=stage_id, first=first, last=last))
        return row.id or 0


def count(serial: int, frames: int, **more: object) -> dict[str, object]:
    """A count of take 1 of `0120`, in frames."""
    return {"serial": serial, "production": PRODUCTION, "shot": "0120", "take": 1, "frames_total": frames, **more}


def post(terminal: Caller, *counts: object, **more: object) -> Response:
    """Post counts in one body."""
    return terminal.post("/v1/counts", {"counts": list(counts), **more})


def decide(coordinator: Caller, take: int, verdict: str, *, shot: str = "0120", **scope: object) -> Response:
    """Decide on a take as it now stands."""
    path = f"/v1/productions/{PRODUCTION}/shots/{shot}/takes/{take}"
    etag = coordinator.get(path).headers["ETag"]
    return coordinator.post(f"{path}/decisions", {"verdict": verdict, **scope}, headers={"If-Match": etag})


def correct(coordinator: Caller, take: int, *, shot: str = "0120", part: str = "", **right: object) -> Response:
    """Put a take right as it now stands."""
    path = f"/v1/productions/{PRODUCTION}/shots/{shot}/takes/{take}"
    asked = {"part": part} if part else {}
    read = coordinator.get(path, params=asked)
    headers = {"If-Match": read.headers.get("ETag", "*")}
    return coordinator.post(f"{path}/corrections", {"reason": "miscounted", **right}, headers=headers, params=asked)


class Limits:
    """What an engine needs to know."""

    engine_batch = 500
    quarantine_after = 5
    lease_s = 30.0


def catch_up(database: Database, clock: Clock) -> None:
    """Let *progress* read the log to its head."""
    worker = Progress(ProgressSettings())
    while (result := step(database, worker, settings=Limits(), owner="test", now=clock())).outcome is not Outcome.IDLE:
        assert result.again, result


def report(database: Database, clock: Clock, *, nights: int = 1) -> None:
    """Let *nightly* do its job, and then that of the days that follow: `nights` in all, the clock left as it is."""
    worker = Nightly(NoSettings())
    for night in range(nights):
        now = clock() + timedelta(days=night)
        schedule.enter(database, [worker], now=now)
        done = schedule.run(database, [worker], settings=Limits(), owner="test", now=now, beat=lambda: None)
        assert done is not None
        assert done.error is None
        _read(database, worker, now)


def revise(database: Database, clock: Clock) -> None:
    """Let *nightly* read the log to its head, and revise what has changed."""
    _read(database, Nightly(NoSettings()), clock())


def _read(database: Database, worker: Nightly, now: datetime) -> None:
    while (result := step(database, worker, settings=Limits(), owner="test", now=now)).outcome is not Outcome.IDLE:
        assert result.again, result
