"""Databases and a Redis for the tests, each test's own, on the servers at hand.

TIEDOWN_TEST_DATABASE chooses what `database` and `database_url` are: `sqlite` (default) or `postgresql`. PostgreSQL is
looked for at TIEDOWN_TEST_POSTGRES_URL; Redis is a server of the test run's own where `redis-server` is installed,
else an unused database of the one at TIEDOWN_TEST_REDIS_URL. Where a server does not answer the test is skipped, but
fails where CI=true: there nothing may go untested.
"""

import gc
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from typing import NoReturn
from urllib.parse import urlsplit
from uuid import uuid4

import psycopg
import pytest
from hypothesis import Phase, settings
from psycopg import sql
from redis import Redis
from redis.backoff import ConstantBackoff
from redis.exceptions import RedisError
from redis.retry import Retry
from sqlalchemy import URL, Engine, make_url

from service.store.engine import Database
from service.store.schema import migrate
from tests.api import rejections
from tests.plugins import installing

POSTGRES_URL = os.environ.get("TIEDOWN_TEST_POSTGRES_URL", "postgresql://postgres@127.0.0.1:5432/postgres")
REDIS_URL = os.environ.get("TIEDOWN_TEST_REDIS_URL", "redis://127.0.0.1:6379")
OWN_NAMES = "tiedown_test_"
CHOSEN = os.environ.get("TIEDOWN_TEST_DATABASE", "sqlite")

# How long an example takes is the machine's business.
settings.register_profile("tiedown", deadline=None)
settings.load_profile("tiedown")
# For whoever asks whether a test fails at all: the first example that fails is not made smaller.
settings.register_profile(
    "first-failure", phases=(Phase.explicit, Phase.reuse, Phase.generate), report_multiple_bugs=False
)


def pytest_configure() -> None:
    """Let the tests hear Ctrl-C: what a shell starts in the background is deaf to it, and so are its children."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_finish() -> None:
    """Take what is loaded for good out of the garbage collector's sight: looking through it again cost a third."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 50)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say what became of the requests that were made from the API's description."""
    ended = [report for kind in ("passed", "failed") for report in terminalreporter.getreports(kind)]
    for line in rejections.summary(report.user_properties for report in ended if report.when == "call"):
        terminalreporter.write_line(f"schemathesis: {line}")


def unavailable(reason: str) -> NoReturn:
    """Skip the test for want of a server or a tool; in CI, fail it."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"{reason} (CI=true: nothing may be skipped)")
    pytest.skip(reason)


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated, empty SQLite file, to be copied and never opened."""
    path = tmp_path_factory.mktemp("template") / "template.db"
    migrate(f"sqlite:///{path}")
    return path


@pytest.fixture
def empty_sqlite_url(tmp_path: Path) -> str:
    """The address of a SQLite file that does not exist yet."""
    return f"sqlite:///{tmp_path / 'tiedown.db'}"


@pytest.fixture
def sqlite_url(empty_sqlite_url: str, sqlite_template: Path) -> str:
    """The address of a migrated, empty SQLite file."""
    shutil.copyfile(sqlite_template, make_url(empty_sqlite_url).database or "")
    return empty_sqlite_url


@pytest.fixture(scope="session")
def postgres_server() -> URL:
    """The PostgreSQL server that may be filled with databases."""
    address = make_url(POSTGRES_URL).set(drivername="postgresql")
    try:
        _maintain(address, sql.SQL("SELECT 1"))
    except psycopg.OperationalError as error:
        unavailable(f"no PostgreSQL at {address.render_as_string()}: {error}")
    _sweep(address)
    return address


@pytest.fixture(scope="session")
def postgres_template(postgres_server: URL) -> Iterator[str]:
    """The name of a migrated, empty PostgreSQL database, to be cloned and left alone."""
    with _postgres_database(postgres_server, template="template0") as url:
        migrate(url)
        yield make_url(url).database or ""


@pytest.fixture
def empty_postgres_url(postgres_server: URL) -> Iterator[str]:
    """The address of a PostgreSQL database without any table."""
    with _postgres_database(postgres_server, template="template0") as url:
        yield url


@pytest.fixture(scope="session")
def postgres_spares(
    postgres_server: URL, postgres_template: str
) -> Iterator[Callable[[], AbstractContextManager[str]]]:
    """Lends migrated, empty databases, again and again: making and dropping one takes longer than most tests."""
    spares: list[str] = []
    untouched = _schema_of(postgres_server.set(database=postgres_template).render_as_string(hide_password=False))

    @contextmanager
    def lend() -> Iterator[str]:
        if not spares:
            spares.append(made.enter_context(_postgres_database(postgres_server, template=postgres_template)))
        url = spares.pop()
        yield url
        # A test that changed more than rows has used its database up.
        if _schema_of(url) == untouched:
            _empty(url)
            spares.append(url)

    with ExitStack() as made:
        yield lend


@pytest.fixture
def postgres_url(postgres_spares: Callable[[], AbstractContextManager[str]]) -> Iterator[str]:
    """The address of a migrated, empty PostgreSQL database."""
    with postgres_spares() as url:
        yield url


@pytest.fixture
def empty_database_url(request: pytest.FixtureRequest) -> str:
    """The address of a database of the chosen kind that was never migrated."""
    return str(request.getfixturevalue({"sqlite": "empty_sqlite_url", "postgresql": "empty_postgres_url"}[CHOSEN]))


@pytest.fixture
def database_url(request: pytest.FixtureRequest) -> str:
    """The address of a migrated, empty database of the chosen kind."""
    return str(request.getfixturevalue({"sqlite": "sqlite_url", "postgresql": "postgres_url"}[CHOSEN]))


@pytest.fixture(scope="session")
def first_engines() -> dict[str, Engine]:
    """The first engine of each kind that a test of this run asked for, once it was connected."""
    return {}


@pytest.fixture
def database(database_url: str, first_engines: dict[str, Engine]) -> Iterator[Database]:
    """A migrated, empty database of the chosen kind, open."""
    opened = Database.open(database_url)
    if opened.dialect not in first_engines:
        with opened.reading():
            first_engines[opened.dialect] = opened._reader
    # A quarter of a test's time went into compiling statements that tests before it had compiled. Statements are kept
    # by dialect, of which every engine makes its own.
    for engine in (opened._reader, opened._writer):
        engine.dialect = first_engines[opened.dialect].dialect
        engine._compiled_cache = first_engines[opened.dialect]._compiled_cache
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def strangers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which pip installed packages of strangers."""
    folder = tmp_path_factory.mktemp("strangers")
    installing.fill(folder, tmp_path_factory.mktemp("packages"))
    return folder


@pytest.fixture(scope="session")
def redis_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a Redis that this test process may do anything to."""
    if shutil.which("redis-server") is None:
        with _claimed_redis() as url:
            yield url
        return
    with _own_redis(tmp_path_factory.mktemp("redis")) as url:
        yield url


@pytest.fixture
def redis_url(redis_server: str) -> Iterator[str]:
    """The address of an empty Redis database of this test's own."""
    with Redis.from_url(redis_server) as client:
        client.flushdb()
        yield redis_server
        client.flushdb()


@contextmanager
def _postgres_database(server: URL, *, template: str) -> Iterator[str]:
    name = f"{OWN_NAMES}{int(time.time())}_{uuid4().hex[:12]}"
    _maintain(
        server,
        sql.SQL("CREATE DATABASE {} TEMPLATE {} ENCODING 'UTF8'").format(
            sql.Identifier(name), sql.Identifier(template)
        ),
    )
    try:
        yield server.set(database=name).render_as_string(hide_password=False)
    finally:
        _maintain(server, sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


def _schema_of(url: str) -> object:
    """What tells a schema from the template's it was copied from; None where it is badly damaged.

    How many columns and constraints there are, and which transaction wrote the newest of these; revision and settings.
    """
    query = """
        SELECT
            (SELECT row(count(*), max(pg_attribute.xmin::text::bigint)) FROM pg_attribute
                JOIN pg_class ON pg_class.oid = attrelid WHERE relnamespace = 'public'::regnamespace)::text,
            (SELECT row(count(*), max(xmin::text::bigint)) FROM pg_constraint
                WHERE connamespace = 'public'::regnamespace)::text,
            (SELECT string_agg(version_num, ' ') FROM alembic_version),
            (SELECT string_agg(setconfig::text, ' ') FROM pg_db_role_setting
                JOIN pg_database ON pg_database.oid = setdatabase WHERE datname = current_database())
    """
    with psycopg.connect(url) as connection:
        try:
            return connection.execute(query).fetchone()
        except psycopg.errors.UndefinedTable:
            return None


def _empty(url: str) -> None:
    """Take every row out of a migrated database and let its ids begin at 1 again."""
    with psycopg.connect(url) as connection:
        connection.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
        # Foreign keys are triggers, which do not fire for a replica, so the order of the tables does not matter. One
        # statement does it all, because it is done after every test; what a crash takes back is thrown away anyway.
        connection.execute("SET session_replication_role = replica")
        connection.execute("SET synchronous_commit = off")
        connection.execute(
            """
            DO $$
            DECLARE emptied text;
            BEGIN
                FOR emptied IN SELECT tablename FROM pg_tables
                    WHERE schemaname = 'public' AND tablename <> 'alembic_version'
                LOOP
                    EXECUTE format('DELETE FROM %I', emptied);
                END LOOP;
                PERFORM setval(seqrelid, 1, false) FROM pg_sequence JOIN pg_class ON pg_class.oid = seqrelid
                    WHERE relnamespace = 'public'::regnamespace;
            END $$
            """
        )


def _sweep(server: URL) -> None:
    """Drop what runs that were killed left behind: databases of ours made more than six hours ago."""
    made_before = int(time.time()) - 6 * 3600
    with psycopg.connect(server.render_as_string(hide_password=False), autocommit=True) as connection:
        found = connection.execute("SELECT datname FROM pg_database WHERE datname ^@ %s", (OWN_NAMES,)).fetchall()
        for (name,) in found:
            made_at = name.removeprefix(OWN_NAMES).partition("_")[0]
            if made_at.isdecimal() and int(made_at) < made_before:
                connection.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))


def _maintain(server: URL, statement: sql.SQL | sql.Composed) -> None:
    with psycopg.connect(
        server.render_as_string(hide_password=False), autocommit=True, connect_timeout=5
    ) as connection:
        connection.execute(statement)


@contextmanager
def _own_redis(folder: Path) -> Iterator[str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    options = ["--port", str(port), "--bind", "127.0.0.1", "--dir", str(folder), "--save", "", "--appendonly", "no"]
    with (folder / "log").open("wb") as log, subprocess.Popen(["redis-server", *options], stdout=log) as server:
        try:
            url = f"redis://127.0.0.1:{port}/0"
            _await_redis(url)
            yield url
        finally:
            server.terminate()


def _await_redis(url: str) -> None:
    retry = Retry(ConstantBackoff(0.02), 250)
    with Redis.from_url(url, retry=retry, retry_on_error=[RedisError]) as client:
        client.ping()


@contextmanager
def _claimed_redis() -> Iterator[str]:
    """An empty database of a shared server, claimed by a key that expires should this process die."""
    for number in range(1, 16):
        url = urlsplit(REDIS_URL)._replace(path=f"/{number}").geturl()
        with Redis.from_url(url) as client:
            try:
                if client.dbsize() or not client.set("tiedown:test", os.getpid(), nx=True, ex=3600):
                    continue
            except RedisError as error:
                unavailable(f"no redis-server to start and no Redis at {REDIS_URL}: {error}")
            try:
                yield url
            finally:
                client.flushdb()
            return
    unavailable(f"no unused database in the Redis at {REDIS_URL}")
