"""What only an SQLite file has: settings of a connection, syncs, the disk it lies on, who may serve it."""

import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from textwrap import dedent
from typing import Self

import pytest
from sqlalchemy import text
from sqlalchemy.exc import OperationalError
from sqlmodel import Session, select

from service.store import mounts
from service.store.engine import (
    AlreadyServed,
    Busy,
    Database,
    Dialect,
    FileMoved,
    NetworkFile,
    NoDatabase,
    Unsynced,
    Unusable,
)
from service.store.failures import Stricken, understood
from service.store.schema import migrate
from service.store.tables import CursorRow, HeartbeatRow
from tests.conftest import unavailable
from tests.store.test_engine import NOW
from tests.store.test_turnstile import program, said


@pytest.fixture
def database(sqlite_url: str) -> Iterator[Database]:
    with closing(Database.open(sqlite_url)) as opened:
        yield opened


@pytest.fixture
def file(database: Database) -> Path:
    assert database.path is not None
    return database.path


def pragma(session: Session, name: str) -> object:
    return session.connection().execute(text(f"PRAGMA {name}")).scalar_one()


def test_every_connection_syncs_and_checks_references(database: Database) -> None:
    assert database.dialect is Dialect.SQLITE
    # https://sqlite.org/pragma.html: synchronous 2 is FULL.
    wanted = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}
    with database.writing() as session:
        assert {name: pragma(session, name) for name in wanted} == wanted
    with database.reading() as session:
        assert {name: pragma(session, name) for name in wanted} == wanted
        assert pragma(session, "query_only") == 1


def test_a_connection_that_would_not_sync_is_refused(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    class Deaf(sqlite3.Cursor):
        """A SQLite that is told to sync and does not."""

        def execute(self, statement: str, *_: object) -> Self:
            return super().execute(statement.replace("synchronous=FULL", "synchronous=NORMAL"))

    class Connection(sqlite3.Connection):
        def cursor(self, *_: object) -> sqlite3.Cursor:  # type: ignore[override]
            return super().cursor(Deaf)

    real = sqlite3.connect
    monkeypatch.setattr(sqlite3.dbapi2, "connect", lambda *given, **named: real(*given, **named, factory=Connection))
    with pytest.raises(Unsynced, match="synchronous=1"):
        Database.open(str(database.url))


COMMITS = """
    import sys
    from sqlalchemy import text
    from service.store.engine import Database
    database = Database.open(sys.argv[1])
    for _ in range(int(sys.argv[2])):
        with database.writing() as session:
            session.connection().execute(text("UPDATE worker_cursor SET position = position + 1"))
    database.close()
"""


def test_every_commit_of_the_writer_is_synced_to_the_disk(database: Database, tmp_path: Path) -> None:
    with database.writing() as session:
        session.add(CursorRow(worker="door", edition=1, partition="", batch_limit=1))

    def syncs(commits: int) -> int:
        log = tmp_path / f"{commits}.strace"
        source = [sys.executable, "-c", dedent(COMMITS), str(database.url), str(commits)]
        traced = ["strace", "-f", "-e", "trace=fsync,fdatasync", "-o", str(log), *source]
        done = subprocess.run(traced, capture_output=True, text=True, check=False)
        if not log.exists() or "ptrace" in done.stderr.lower():
            unavailable(f"strace may not look at a process here: {done.stderr.strip()[:200]}")
        assert done.returncode == 0, done.stderr
        return len(re.findall(r"\bf(?:data)?sync\(", log.read_text()))

    if shutil.which("strace") is None:
        unavailable("there is no strace here to see the syncs with")
    assert syncs(25) - syncs(0) >= 25


def test_a_writer_keeps_out_even_programs_that_know_no_turnstile(database: Database, file: Path) -> None:
    with closing(sqlite3.connect(file, timeout=0, isolation_level=None)) as stranger:
        with database.writing(), pytest.raises(sqlite3.OperationalError, match="locked"):
            stranger.execute("BEGIN IMMEDIATE")
        stranger.execute("BEGIN IMMEDIATE")


def test_a_program_that_keeps_the_file_locked_makes_it_busy(sqlite_url: str, file: Path) -> None:
    with (
        closing(sqlite3.connect(file, isolation_level=None)) as stranger,
        closing(Database.open(sqlite_url, lock_timeout_s=0.1)) as database,
    ):
        stranger.execute("BEGIN IMMEDIATE")
        with pytest.raises(Busy, match="another program"), database.writing():
            pytest.fail("two were inside")
        stranger.execute("ROLLBACK")
        with database.writing() as session:
            session.add(HeartbeatRow(name="engine", at=NOW))


def test_a_relative_file_is_tied_to_the_folder_it_was_opened_in(
    sqlite_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with closing(Database.open("sqlite:///tiedown.db")) as database:
        monkeypatch.chdir("/")
        assert database.path == tmp_path.resolve() / "tiedown.db"
        with database.reading() as session:
            assert session.exec(select(HeartbeatRow)).all() == []


def test_two_names_of_one_file_share_its_turnstile(database: Database, file: Path, tmp_path: Path) -> None:
    (tmp_path / "other.db").symlink_to(file)
    with closing(Database.open(f"sqlite:///{tmp_path / 'other.db'}", lock_timeout_s=0.05)) as other:
        with database.writing(), pytest.raises(Busy, match="writer"), other.writing():
            pytest.fail("two were inside")
        assert other.path == database.path


def test_a_file_that_is_not_there_is_refused_and_not_made(tmp_path: Path) -> None:
    with pytest.raises(NoDatabase, match="tiedown migrate"):
        Database.open(f"sqlite:///{tmp_path / 'none.db'}")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "letter.db"
    path.write_text("Dear studio, " * 100)
    with pytest.raises(Unusable, match="no SQLite database"):
        Database.open(f"sqlite:///{path}")
    assert path.read_text() == "Dear studio, " * 100


def test_a_full_disk_undoes_the_writer_and_is_got_over_once_there_is_room(database: Database) -> None:
    """SQLite answers SQLITE_FULL at `max_page_count` as it does on a full disk (https://sqlite.org/pragma.html)."""

    def fill() -> None:
        with database.writing() as session:
            session.add_all(HeartbeatRow(name=f"{number:0400}", at=NOW) for number in range(1000))

    def allow(pages: int) -> None:
        with database.writing() as session:
            session.connection().exec_driver_sql(f"PRAGMA max_page_count = {pages}")

    allow(1)
    with pytest.raises(Busy, match=r"The disk of the database is full\."):
        fill()
    with database.reading() as session:
        assert session.exec(select(HeartbeatRow)).all() == []
    allow(1_000_000)
    fill()
    with database.reading() as session:
        assert len(session.exec(select(HeartbeatRow)).all()) == 1000


def test_a_file_cut_short_is_told_as_damaged(database: Database, file: Path) -> None:
    database.close()
    with file.open("r+b") as cut:
        cut.truncate(20_000)
    with pytest.raises(Stricken, match=r"damaged.*go back to a copy"):
        Database.open(f"sqlite:///{file}")


def test_a_file_that_may_only_be_read_is_told_when_a_writer_begins(file: Path) -> None:
    with (
        closing(sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True, isolation_level=None)) as locked,
        pytest.raises(sqlite3.OperationalError) as refused,
    ):
        locked.execute("CREATE TABLE more (one)")
    told = understood(OperationalError("BEGIN IMMEDIATE", None, refused.value))
    assert isinstance(told, Stricken)
    assert "may not be written" in str(told)


@pytest.mark.parametrize("put_back", [False, True])
def test_nothing_is_written_to_a_file_that_lost_its_name(database: Database, file: Path, *, put_back: bool) -> None:
    copy = file.with_name("copy")
    shutil.copy(file, copy)
    with database.writing() as session:
        session.add(HeartbeatRow(name="before", at=NOW))
    if put_back:
        copy.replace(file)
    else:
        file.unlink()
    for entrance in (database.writing, database.reading):
        with pytest.raises(FileMoved, match="End tiedown"), entrance():
            pytest.fail("went on with a file that nobody will find")


def test_a_file_on_a_network_file_system_is_refused(
    sqlite_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mounted = tmp_path / "mountinfo"
    mounted.write_text(f"24 1 0:30 / {tmp_path.resolve()} rw,relatime shared:1 - nfs4 server:/studio rw\n")
    monkeypatch.setattr(mounts, "MOUNTINFO", mounted)
    for refused in (Database.open, migrate):
        with pytest.raises(NetworkFile, match=r"nfs4.*PostgreSQL"):
            refused(sqlite_url)


FORKED = """
    import os, sys
    from service.store.engine import Database
    database = Database.open(sys.argv[1])
    if os.fork() == 0:
        try:
            with database.writing():
                print("wrote", flush=True)
        except RuntimeError as error:
            print(error, flush=True)
        os._exit(0)
    os.wait()
"""


def test_a_database_opened_before_a_fork_is_refused_after_it(sqlite_url: str) -> None:
    with program(FORKED, sqlite_url) as parent:
        assert said(parent) == f"This database was opened in process {parent.pid}; open it after the fork."


SERVER = """
    import sys
    from service.store.engine import Database
    with Database.open(sys.argv[1]).serve_lock():
        print("serving", flush=True)
        sys.stdin.readline()
"""


def test_one_file_is_served_once_until_its_server_is_gone_however_it_went(database: Database, sqlite_url: str) -> None:
    with program(SERVER, sqlite_url) as server:
        assert said(server) == "serving"
        with pytest.raises(AlreadyServed, match="already being served"), database.serve_lock():
            pytest.fail("two serve")
        with database.writing() as session:
            session.add(HeartbeatRow(name="engine", at=NOW))
        server.send_signal(signal.SIGKILL)
        server.wait()
    with database.serve_lock():
        pass
    with database.serve_lock():
        pass


def test_a_place_where_no_file_can_be_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "folder.db").mkdir()
    with pytest.raises(Unusable, match="is a folder"):
        migrate(f"sqlite:///{tmp_path / 'folder.db'}")
    # The administrator may write everywhere, so the system's answer is given here.
    monkeypatch.setattr(os, "access", lambda place, _right: Path(place) != tmp_path.resolve())
    with pytest.raises(Unusable, match="may not write"):
        migrate(f"sqlite:///{tmp_path / 'tiedown.db'}")
