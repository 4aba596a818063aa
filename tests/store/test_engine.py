"""What a database promises to those who read and write through it, on both kinds."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime

import pytest
from psycopg.errors import DeadlockDetected
from sqlalchemy import Connection, UniqueConstraint, make_url, text
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlmodel import Session, SQLModel, col, select, update

from service.store.engine import (
    PATIENCE,
    Busy,
    Database,
    Dialect,
    Unreachable,
    Unusable,
    address_of,
    retryable,
    sqlite_path,
)
from service.store.failures import COUNT_IDENTITY
from service.store.tables import CountRow, HeartbeatRow

NOW = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)
LATER = datetime(2031, 3, 4, 13, 0, tzinfo=UTC)
SHORT_S = 0.3


@contextmanager
def opened(url: str, *, pool_size: int = 5, lock_timeout_s: float = 5.0) -> Iterator[Database]:
    with closing(Database.open(url, pool_size=pool_size, lock_timeout_s=lock_timeout_s)) as database:
        yield database


def put(session: Session, name: str) -> None:
    session.add(HeartbeatRow(name=name, at=NOW))
    session.flush()


def names(database: Database) -> list[str]:
    with database.reading() as session:
        return list(session.exec(select(HeartbeatRow.name).order_by(HeartbeatRow.name)))


def test_what_a_writer_wrote_a_reader_sees_after_the_commit(database: Database) -> None:
    with database.writing() as session:
        put(session, "engine")
    with database.reading() as session:
        assert session.exec(select(HeartbeatRow.at)).one() == NOW


@pytest.mark.parametrize("raised", [ValueError, KeyboardInterrupt, SystemExit])
def test_whatever_leaves_the_block_by_an_error_is_undone_and_lets_the_next_writer_in(
    database_url: str, raised: type[BaseException]
) -> None:
    def fail() -> None:
        with first.writing() as session:
            put(session, "undone")
            raise raised

    with opened(database_url, lock_timeout_s=SHORT_S) as first, opened(database_url, lock_timeout_s=SHORT_S) as second:
        with pytest.raises(raised):
            fail()
        for writer in (first, second):
            with writer.writing() as session:
                put(session, f"kept {writer is first}")
        assert names(first) == ["kept False", "kept True"]


def test_a_commit_that_fails_is_undone_and_lets_the_next_writer_in(database_url: str) -> None:
    with opened(database_url, lock_timeout_s=SHORT_S) as first, opened(database_url, lock_timeout_s=SHORT_S) as second:
        with first.writing() as session:
            session.connection().execute(
                text("CREATE TABLE child (of TEXT REFERENCES heartbeat (name) DEFERRABLE INITIALLY DEFERRED)")
            )

        def fail_at_the_end() -> None:
            with first.writing() as session:
                put(session, "undone")
                session.connection().execute(text("INSERT INTO child VALUES ('nobody')"))

        with pytest.raises(IntegrityError):
            fail_at_the_end()
        for writer in (first, second):
            with writer.writing() as session:
                put(session, f"kept {writer is first}")
        assert names(second) == ["kept False", "kept True"]


def test_nobody_but_the_entrance_commits(database: Database) -> None:
    def commit_early() -> None:
        with database.writing() as session:
            put(session, "early")
            session.commit()

    with pytest.raises(RuntimeError, match="committed where its"):
        commit_early()
    assert names(database) == []


def test_a_reader_sees_one_moment(database: Database) -> None:
    with database.writing() as session:
        put(session, "before")
    with database.reading() as reader:
        assert reader.exec(select(HeartbeatRow.name)).all() == ["before"]
        with database.writing() as session:
            put(session, "after")
            session.execute(update(HeartbeatRow).where(col(HeartbeatRow.name) == "before").values(at=LATER))
        assert reader.exec(select(HeartbeatRow.name, HeartbeatRow.at)).all() == [("before", NOW)]
    assert names(database) == ["after", "before"]


def test_a_reader_does_not_wait_for_a_writer_nor_the_writer_for_it(database_url: str) -> None:
    with opened(database_url, lock_timeout_s=SHORT_S) as database, database.reading() as reader:
        assert reader.exec(select(HeartbeatRow.name)).all() == []
        with database.writing() as session:
            put(session, "under way")
            assert names(database) == []


def test_a_reader_cannot_write(database: Database) -> None:
    with database.reading() as session, pytest.raises(DBAPIError, match=r"read-?only"):
        put(session, "sneaked in")
    assert names(database) == []


def test_what_fails_tells_the_statement_and_not_the_values_in_it(database: Database) -> None:
    with pytest.raises(DBAPIError, match="no_such_table") as failed, database.reading() as session:
        session.execute(text("SELECT 1 FROM no_such_table WHERE name = :name"), {"name": "Ilse"})
    assert "Ilse" not in str(failed.value)


def test_eight_threads_that_look_before_they_write_never_overfill_a_plan(database: Database) -> None:
    planned_frames = 20
    with database.writing() as session:
        put(session, "shot")

    def shoot() -> None:
        for _ in range(planned_frames):
            with database.writing() as session:
                # On PostgreSQL the row of the shot is what writers of one shot meet at.
                locked = select(HeartbeatRow).where(HeartbeatRow.name == "shot").with_for_update(key_share=True)
                session.exec(locked).one()
                stored = len(session.exec(select(HeartbeatRow)).all()) - 1
                if stored < planned_frames:
                    put(session, f"frame {stored + 1}")

    in_threads(*[shoot] * 8)
    assert len(names(database)) == planned_frames + 1


def in_threads(*works: object) -> None:
    """Run all at once and raise what any of them raised."""
    failures: list[BaseException] = []

    def run(work: object) -> None:
        try:
            assert callable(work)
            work()
        except BaseException as error:  # noqa: BLE001 — handed to the test's own thread
            failures.append(error)

    threads = [threading.Thread(target=run, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if failures:
        raise failures[0]


def test_a_writer_that_another_keeps_out_is_told_that_the_database_is_busy(database_url: str) -> None:
    with opened(database_url) as first, opened(database_url, lock_timeout_s=SHORT_S) as second:
        with first.writing() as session:
            put(session, "engine")

        def touch() -> None:
            with second.writing() as session:
                session.execute(update(HeartbeatRow).values(at=LATER))

        with first.writing() as session:
            session.execute(update(HeartbeatRow).values(at=NOW))
            with pytest.raises(Busy):
                touch()
        touch()


def test_a_reader_without_a_free_connection_is_told_that_the_database_is_busy(database_url: str) -> None:
    with opened(database_url, pool_size=1, lock_timeout_s=SHORT_S) as database:
        with database.reading(), pytest.raises(Busy, match="All connections were in use"):
            names(database)
        assert names(database) == []


def test_a_closed_database_leaves_no_connection_open(database_url: str) -> None:
    with opened(database_url) as database:
        with database.writing() as session:
            put(session, "engine")
        assert names(database) == ["engine"]
        database.close()
        assert strangers_of(database_url) == 0


def strangers_of(url: str) -> int:
    """How many connections others hold."""
    if (path := sqlite_path(address_of(url))) is not None:
        # SQLite removes its log when the last connection closes.
        return int(path.with_name(path.name + "-wal").exists())
    with opened(url) as counting, counting.reading() as session:
        held = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
        return int(session.connection().execute(text(held)).scalar_one())


@pytest.mark.parametrize(
    ("url", "right"),
    [
        ("", "cannot be read"),
        ("tiedown.db", "cannot be read"),
        ("mysql://host/name", "'mysql'"),
        ("postgresql+asyncpg://host/name", r"'postgresql\+asyncpg'"),
        ("postgresql://host", "names no database"),
        ("sqlite://", "in memory"),
        ("sqlite:///:memory:", "in memory"),
        ("sqlite:///file:x?mode=memory&uri=true", "no options"),
        ("sqlite:///file::memory:", "in memory"),
        ("sqlite:///x.db?timeout=0", "no options"),
        ("sqlite://tiedown.db", "three slashes"),
        ("sqlite:////nowhere/at/all/tiedown.db", "no folder /nowhere/at/all"),
    ],
)
def test_an_address_that_cannot_be_used_is_refused_with_what_would_be_right(url: str, right: str) -> None:
    with pytest.raises(Unusable, match=right):
        Database.open(url)


def test_the_count_s_identity_is_named_as_it_is_declared() -> None:
    constraints = SQLModel.metadata.tables[str(CountRow.__tablename__)].constraints
    (identity,) = [found for found in constraints if found.name == COUNT_IDENTITY]
    assert isinstance(identity, UniqueConstraint)
    assert [column.name for column in identity.columns] == ["terminal_id", "spool", "serial"]


class TestPostgreSQL:
    """What only PostgreSQL has: servers that go away, deadlocks, isolation levels."""

    @pytest.fixture
    def url(self, postgres_url: str) -> str:
        return postgres_url

    @staticmethod
    def shown(connection: Connection, setting: str) -> str:
        return str(connection.execute(text("SELECT current_setting(:setting)"), {"setting": setting}).scalar_one())

    def test_writers_and_readers_run_as_promised(self, url: str) -> None:
        name = make_url(url).database
        with opened(url) as database, database.writing() as session:
            session.connection().execute(text(f"ALTER DATABASE {name} SET synchronous_commit = off"))
            session.connection().execute(text(f"ALTER DATABASE {name} SET timezone = 'Asia/Tokyo'"))
        with opened(url, lock_timeout_s=1.5) as database:
            assert database.dialect is Dialect.POSTGRESQL
            with database.writing() as session:
                connection = session.connection()
                assert self.shown(connection, "transaction_isolation") == "read committed"
                assert self.shown(connection, "transaction_read_only") == "off"
                assert self.shown(connection, "lock_timeout") == "1500ms"
                assert self.shown(connection, "synchronous_commit") == "on"
                assert self.shown(connection, "timezone") == "UTC"
            with database.reading() as session:
                connection = session.connection()
                assert self.shown(connection, "transaction_isolation") == "repeatable read"
                assert self.shown(connection, "transaction_read_only") == "on"
                assert self.shown(connection, "timezone") == "UTC"

    def test_options_in_the_address_are_kept(self, url: str) -> None:
        with opened(f"{url}?options=-c%20work_mem%3D7MB") as database, database.reading() as session:
            assert self.shown(session.connection(), "work_mem") == "7MB"
            assert self.shown(session.connection(), "timezone") == "UTC"

    def test_a_deadlock_is_worth_trying_again(self, url: str) -> None:
        both = threading.Barrier(2, timeout=10)
        met: list[BaseException] = []

        def cross(first: str, second: str) -> None:
            try:
                with database.writing() as session:
                    session.execute(update(HeartbeatRow).where(col(HeartbeatRow.name) == first).values(at=LATER))
                    both.wait()
                    session.execute(update(HeartbeatRow).where(col(HeartbeatRow.name) == second).values(at=LATER))
            except DBAPIError as error:
                met.append(error)

        with opened(url) as database:
            with database.writing() as session:
                put(session, "a")
                put(session, "b")
            in_threads(lambda: cross("a", "b"), lambda: cross("b", "a"))
        (error,) = met
        assert isinstance(error, DBAPIError)
        assert isinstance(error.orig, DeadlockDetected)
        assert retryable(error)

    @pytest.mark.parametrize(
        ("raised", "again"),
        [
            ("ERRCODE = '40001'", True),
            ("ERRCODE = '40P01'", True),
            ("ERRCODE = '23505', CONSTRAINT = 'uq_frame_count_terminal_id_spool_serial'", True),
            ("ERRCODE = '23505', CONSTRAINT = 'uq_production_code'", False),
            ("ERRCODE = '23503'", False),
        ],
    )
    def test_what_passes_by_itself_is_worth_trying_again_and_nothing_else(
        self, url: str, raised: str, *, again: bool
    ) -> None:
        with opened(url) as database:
            with pytest.raises(DBAPIError) as met, database.writing() as session:
                session.connection().execute(text(f"DO $$ BEGIN RAISE EXCEPTION 'planted' USING {raised}; END $$"))
            assert retryable(met.value) is again
            told_on = RuntimeError("while counting")
            told_on.__cause__ = met.value
            assert retryable(told_on) is again

    def test_a_server_that_is_not_there_is_unreachable(self) -> None:
        with opened("postgresql://postgres@127.0.0.1:1/none") as database, pytest.raises(Unreachable, match="port 1"):
            names(database)

    def test_a_server_that_never_says_a_word_is_not_waited_for(self, monkeypatch: pytest.MonkeyPatch) -> None:
        # Two seconds are the least that libpq waits (its manual, section "Parameter Key Words").
        monkeypatch.setitem(PATIENCE, "connect_timeout", 2)
        with socket.create_server(("127.0.0.1", 0)) as dumb:
            url = f"postgresql://postgres@127.0.0.1:{dumb.getsockname()[1]}/none"
            with opened(url) as database, pytest.raises(Unreachable, match="timeout"):
                names(database)

    def test_how_long_a_silent_server_is_waited_for_may_be_said_in_the_address(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as dumb:
            url = f"postgresql://postgres@127.0.0.1:{dumb.getsockname()[1]}/none?connect_timeout=2"
            began_s = time.monotonic()
            with opened(url) as database, pytest.raises(Unreachable):
                names(database)
            assert time.monotonic() - began_s < PATIENCE["connect_timeout"]

    def test_a_connection_cut_in_the_middle_is_unreachable_and_the_next_one_works(self, url: str) -> None:
        with opened(url) as database, opened(url) as other:

            def lose_it() -> None:
                with database.writing() as session:
                    put(session, "lost")
                    process = session.connection().execute(text("SELECT pg_backend_pid()")).scalar_one()
                    with other.writing() as killer:
                        killer.connection().execute(text("SELECT pg_terminate_backend(:process)"), {"process": process})
                    put(session, "never")

            with pytest.raises(Unreachable):
                lose_it()
            assert names(database) == []

    def test_many_may_serve_it(self, url: str) -> None:
        with opened(url) as first, opened(url) as second, first.serve_lock(), second.serve_lock():
            assert names(first) == names(second)
