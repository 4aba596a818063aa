"""Rows read under a lock: rivals wait, foreign keys that point at them do not."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from uuid import uuid4

import pytest
from sqlmodel import Session

from service.actions import keys, productions, stages, terminals
from service.actions.keys import Wanted
from service.domain.events import EventKind
from service.domain.keys import Scope
from service.store import editions, events, idempotency, retention, shots, studio
from service.store import keys as key_store
from service.store import productions as production_store
from service.store import stages as stage_store
from service.store import terminals as terminal_store
from service.store.editions import Edition
from service.store.engine import Busy, Database
from service.store.idempotency import Attempt
from service.store.tables import EpisodeRow, ShotRow, StageRow, StudioRow

NOW = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
LOCKED: dict[str, Callable[[Session], object]] = {
    "studio": lambda session: studio.read(session, lock=True),
    "production": lambda session: production_store.by_code(session, "lantern-bay", lock=True),
    "episode": lambda session: production_store.episode_by_code(session, 1, "101", lock=True),
    "stage": lambda session: stage_store.by_code(session, "mill", lock=True),
    "terminal": lambda session: terminal_store.by_name(session, "mill-capture", lock=True),
    "key": lambda session: key_store.by_name(session, "office", lock=True),
    "shot": lambda session: shots.by_code(session, 1, "0120", lock=True),
    "cleaning": lambda session: editions.begin(session, begun(session), now=NOW),
    "same Idempotency-Key": lambda session: idempotency.recall(session, attempt("k"), now=NOW),
}


def attempt(key: str) -> Attempt:
    return Attempt(api_key_id=1, idempotency_key=key, method="POST", path="/v1/stages", body_digest="")


def begun(session: Session) -> Edition:
    """Rows of a worker that no other session begins."""
    return editions.planned(session, f"worker-{uuid4()}", 1, kinds=(), rebuilds=False)


def furnish(database: Database) -> None:
    with database.writing() as session:
        session.add(
            StudioRow(
                name="Tin Pier",
                time_zone="UTC",
                day_starts_at_min=300,
                plate_minimum_frames=25,
                terminals_may_decide=False,
            )
        )
        of = productions.add(session, "lantern-bay", title="L", frame_rate=Fraction(25), by="command", now=NOW)
        episode = productions.add_episode(session, of, code="101", title="One", by="command", now=NOW)
        mill = stages.add(session, "mill", name="The Mill", by="command", now=NOW)
        terminals.add(session, "mill-capture", stage=mill, by="command", now=NOW)
        keys.make(session, Wanted(name="office", scope=Scope.READ), by="command", now=NOW)
        session.add(
            ShotRow(
                production_id=of.id or 0,
                episode_id=episode.id or 0,
                code="0120",
                cut_frames=96,
                cameras=["main"],
                passes=["main"],
                phase_since=NOW,
                added_at=NOW,
            )
        )


@pytest.fixture
def impatient(database: Database, database_url: str) -> Iterator[Database]:
    """The same database, furnished, waiting 0.2 s for another writer."""
    furnish(database)
    opened = Database.open(database_url, lock_timeout_s=0.2)
    yield opened
    opened.close()


@pytest.mark.parametrize("what", LOCKED)
def test_rival_waits_for_what_is_locked(database: Database, impatient: Database, what: str) -> None:
    with database.writing() as holder:
        LOCKED[what](holder)
        with pytest.raises(Busy), impatient.writing() as rival:
            LOCKED[what](rival)
    with impatient.writing() as rival:
        LOCKED[what](rival)


def test_cleaning_does_not_wait_for_whoever_holds_it_up(postgres_url: str) -> None:
    database = Database.open(postgres_url)
    with database.writing() as holder:
        retention.hold(holder)
        with database.writing() as rival:
            assert not retention.held(rival)
    with database.writing() as session:
        assert retention.held(session)
    database.close()


def test_row_is_read_as_it_is_once_the_lock_is_held(database: Database) -> None:
    furnish(database)
    with database.writing() as session:
        row = stage_store.by_code(session, "mill")
        assert row is not None
        row.name = "The Old Mill"
        session.flush()
        assert (stage_store.by_code(session, "mill", lock=True) or row).name == "The Old Mill"


def test_locked_production_takes_episodes_all_the_same(postgres_url: str) -> None:
    """A stronger lock would let counts and plans of one production wait for each other's foreign keys."""
    database = Database.open(postgres_url, lock_timeout_s=0.2)
    furnish(database)
    with database.writing() as holder:
        LOCKED["production"](holder)
        with database.writing() as other:
            other.add(EpisodeRow(production_id=1, code="102", title="Two", added_at=NOW))
    database.close()


def test_other_idempotency_keys_do_not_wait(postgres_url: str) -> None:
    database = Database.open(postgres_url, lock_timeout_s=0.2)
    furnish(database)
    with database.writing() as holder:
        idempotency.recall(holder, attempt("k"), now=NOW)
        with database.writing() as other:
            assert idempotency.recall(other, attempt("l"), now=NOW + timedelta(days=30)) is None
    database.close()


def test_rows_still_pending_are_written_before_the_log_is_held(database: Database) -> None:
    """The log is held last and shortly; a row written after it would wait for others while all wait for the log."""
    with database.writing() as session:
        row = StageRow(code="mill", name="The Mill", added_at=NOW)
        session.add(row)
        events.append(session, kind=EventKind.STAGE_ADDED, at=NOW, actor="command", data={"stage": "mill"})
        assert row.id is not None
