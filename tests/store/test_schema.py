"""The schema: what is migrated is what is declared, and a migration that fails leaves no trace."""

import ast
import re
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from textwrap import dedent, indent

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Connection, Engine, create_engine, inspect, text
from sqlmodel import SQLModel

from service.store.engine import Busy, Database, Unusable, address_of, sqlite_path
from service.store.schema import (
    ForeignDatabase,
    MigrationFailed,
    NewerSchema,
    NotMigrated,
    at_head,
    backup,
    head_of,
    migrate,
    packaged,
    require_head,
    revision_of,
)
from service.store.tables import StudioRow
from service.store.turnstile import Turnstile
from tests.store.test_turnstile import program, said

HEAD = head_of(packaged())
BOTH = pytest.mark.parametrize("kind", ["sqlite", "postgres"])
A_PRODUCTION = (
    "INSERT INTO production (code, title, rate_num, rate_den, rev, added_at)"
    " VALUES ('{}', 'The Lamp', 25, 1, 1, '2031-03-04 12:00:00')"
)
AN_EPISODE = (
    "INSERT INTO episode (production_id, code, title, rev, added_at) VALUES ({}, '1', 'Dusk', 1, '2031-03-04 12:00:00')"
)


@pytest.fixture
def url(request: pytest.FixtureRequest, kind: str) -> str:
    """A migrated, empty database of this kind."""
    return str(request.getfixturevalue(f"{kind}_url"))


@pytest.fixture
def empty_url(request: pytest.FixtureRequest, kind: str) -> str:
    """A database of this kind without tables."""
    return str(request.getfixturevalue(f"empty_{kind}_url"))


@contextmanager
def connected(url: str) -> Iterator[Connection]:
    engine: Engine = create_engine(address_of(url))
    try:
        with engine.begin() as connection:
            yield connection
    finally:
        engine.dispose()


def run(url: str, *statements: str) -> None:
    with connected(url) as connection:
        for statement in statements:
            connection.execute(text(statement))


def rows(url: str, query: str) -> list[tuple[object, ...]]:
    with connected(url) as connection:
        return [tuple(row) for row in connection.execute(text(query))]


@pytest.fixture
def revisions(tmp_path: Path) -> Path:
    """A copy of the packaged revisions, to plant another one in."""
    folder = tmp_path / "revisions"
    shutil.copytree(packaged(), folder, ignore=shutil.ignore_patterns("__pycache__"))
    return folder


def plant(revisions: Path, upgrade: str) -> None:
    """Add a revision after the newest one, with this body."""
    heading = f"revision, down_revision, branch_labels, depends_on = 'planted', {HEAD!r}, None, None"
    body = indent(dedent(upgrade), "    ")
    source = f"import sqlalchemy as sa\nfrom alembic import op\n{heading}\ndef upgrade():\n{body}\n"
    (revisions / "versions" / "planted.py").write_text(source)


def described(connection: Connection) -> set[tuple[str, ...]]:
    """Everything a database knows of its schema, as its own catalogue words it."""
    if connection.dialect.name == "postgresql":
        return _postgresql_catalogue(connection)
    return _sqlite_catalogue(connection)


def _postgresql_catalogue(connection: Connection) -> set[tuple[str, ...]]:
    queries = (
        """SELECT 'column', table_name, column_name, data_type, is_nullable, coalesce(column_default, '')
        FROM information_schema.columns WHERE table_schema = 'public'""",
        """SELECT 'constraint', conrelid::regclass::text, conname, pg_get_constraintdef(oid)
        FROM pg_constraint WHERE connamespace = 'public'::regnamespace""",
        "SELECT 'index', tablename, indexname, indexdef FROM pg_indexes WHERE schemaname = 'public'",
    )
    found = {tuple(map(str, row)) for query in queries for row in connection.execute(text(query))}
    return {row for row in found if "alembic_version" not in row}


def _sqlite_catalogue(connection: Connection) -> set[tuple[str, ...]]:
    """Each table's columns and constraints in SQLite's own text: the only place where CHECK and AUTOINCREMENT stand."""
    query = "SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'"
    found: set[tuple[str, ...]] = set()
    for kind, name, sql in connection.execute(text(query)):
        flat = " ".join(sql.replace('"', "").split())
        if kind == "table" and name != "alembic_version":
            body = flat[flat.index("(") + 1 : flat.rindex(")")]
            found |= {(name, part.strip()) for part in re.split(r",(?![^(]*\))", body)}
        elif kind != "table":
            found.add((kind, name, flat))
    return found


@BOTH
def test_what_is_migrated_is_what_is_declared(url: str) -> None:
    with connected(url) as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})
        assert compare_metadata(context, SQLModel.metadata) == []


@BOTH
def test_checks_indexes_and_numbering_are_migrated_as_declared(url: str, empty_url: str) -> None:
    if (path := sqlite_path(address_of(empty_url))) is not None:
        empty_url = f"sqlite:///{path.with_name('declared.db')}"
    with connected(empty_url) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("CREATE EXTENSION btree_gist"))
        SQLModel.metadata.create_all(connection)
        declared = described(connection)
    with connected(url) as connection:
        migrated = described(connection)
    assert len(declared) > 200
    assert migrated - declared == set()
    assert declared - migrated == set()


def test_the_comparison_sees_checks_indexes_and_numbering(empty_sqlite_url: str) -> None:
    run(
        empty_sqlite_url,
        "CREATE TABLE a (id INTEGER PRIMARY KEY AUTOINCREMENT, n INTEGER, CONSTRAINT c CHECK (n IN (1, 2)))",
        "CREATE INDEX i ON a (n)",
    )
    with connected(empty_sqlite_url) as connection:
        assert described(connection) == {
            ("a", "id INTEGER PRIMARY KEY AUTOINCREMENT"),
            ("a", "n INTEGER"),
            ("a", "CONSTRAINT c CHECK (n IN (1, 2))"),
            ("index", "i", "CREATE INDEX i ON a (n)"),
        }


def test_no_id_is_ever_handed_out_twice(sqlite_url: str) -> None:
    run(sqlite_url, A_PRODUCTION.format("lamp"), A_PRODUCTION.format("kite"), "DELETE FROM production WHERE id = 2")
    run(sqlite_url, A_PRODUCTION.format("moth"))
    assert rows(sqlite_url, "SELECT id, code FROM production ORDER BY id") == [(1, "lamp"), (3, "moth")]


def test_revisions_are_history_and_import_nothing_of_the_service() -> None:
    sources = sorted((packaged() / "versions").glob("*.py"))
    imported = {
        name.name if isinstance(node, ast.Import) else node.module
        for source in sources
        for node in ast.walk(ast.parse(source.read_text()))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in node.names
    }
    assert sources
    assert imported <= {"alembic", "sqlalchemy"}


@BOTH
def test_migrating_makes_the_schema_once(empty_url: str) -> None:
    first, second = migrate(empty_url), migrate(empty_url)
    assert (first.before, first.after, first.backup) == (None, HEAD, None)
    assert (second.before, second.after, second.backup) == (HEAD, HEAD, None)
    with closing(Database.open(empty_url)) as database:
        assert at_head(database)
        require_head(database)
        with database.writing() as session:
            session.add(
                StudioRow(
                    name="s",
                    time_zone="UTC",
                    day_starts_at_min=300,
                    plate_minimum_frames=25,
                    terminals_may_decide=False,
                )
            )


@BOTH
def test_planned_frames_of_shots_that_stand_begin_their_journal(empty_url: str, revisions: Path) -> None:
    for path in (revisions / "versions").glob("0*.py"):
        if path.name > "0002":
            path.unlink()
    migrate(empty_url, revisions=revisions)
    shot = (
        "INSERT INTO shot (production_id, episode_id, code, cut_frames, handle_in, handle_out, cameras, passes,"
        " moving_camera, omitted, plan_rev, rev, touched, added_at)"
        " VALUES (1, 1, '{}', 96, 4, 6, '[]', '[]', false, {}, 1, 1, 1, '2031-03-04 12:00:00')"
    )
    shots = (shot.format("1", "false"), shot.format("2", "true"))
    run(empty_url, A_PRODUCTION.format("lamp"), AN_EPISODE.format(1), *shots)

    migrate(empty_url)

    assert rows(empty_url, "SELECT shot_id, cause, frames FROM planned_change") == [(1, "added", 106)]


@BOTH
def test_a_schema_that_is_not_at_head_is_refused_with_the_way_out(empty_url: str) -> None:
    if sqlite_path(address_of(empty_url)) is not None:
        run(empty_url)
    with closing(Database.open(empty_url)) as database:
        assert not at_head(database)
        with pytest.raises(NotMigrated, match=rf"has no schema yet, this program needs {HEAD}\. Run `tiedown migrate`"):
            require_head(database)


@BOTH
def test_a_schema_of_a_newer_program_is_refused_and_left_alone(url: str) -> None:
    run(url, "UPDATE alembic_version SET version_num = '9999'")
    with closing(Database.open(url)) as database:
        assert not at_head(database)
        with pytest.raises(NewerSchema, match="Run a newer version"):
            require_head(database)
        with pytest.raises(NewerSchema, match="Run a newer version"):
            migrate(url)
        assert revision_of(database) == "9999"


@BOTH
def test_a_migration_that_fails_leaves_the_database_as_it_was(url: str, revisions: Path) -> None:
    run(url, A_PRODUCTION.format("lamp"))
    plant(
        revisions,
        """
        op.create_table("half_done", sa.Column("id", sa.Integer(), primary_key=True))
        op.execute("UPDATE production SET title = 'half done'")
        with op.batch_alter_table("production", table_kwargs={"sqlite_autoincrement": True}) as production:
            production.alter_column("title", new_column_name="name")
        op.execute("SELECT * FROM nothing_of_that_name")
        """,
    )
    with connected(url) as connection:
        before = described(connection)
    with pytest.raises(MigrationFailed, match=r"as it was: .*nothing_of_that_name") as failed:
        migrate(url, revisions=revisions)
    with connected(url) as connection:
        assert described(connection) == before
    assert rows(url, "SELECT title FROM production") == [("The Lamp",)]
    assert rows(url, "SELECT version_num FROM alembic_version") == [(HEAD,)]
    if sqlite_path(address_of(url)) is not None:
        assert failed.value.backup is not None
        assert rows(f"sqlite:///{failed.value.backup}", "SELECT title FROM production") == [("The Lamp",)]


def test_a_first_migration_that_fails_leaves_no_file(empty_sqlite_url: str, revisions: Path) -> None:
    plant(revisions, "raise OSError('the disk is full')")
    with pytest.raises(MigrationFailed, match="the disk is full"):
        migrate(empty_sqlite_url, revisions=revisions)
    path = sqlite_path(address_of(empty_sqlite_url))
    assert path is not None
    assert sorted(found.name for found in path.parent.glob("*.db*")) == ["tiedown.db.next", "tiedown.db.write"]


def test_a_table_built_anew_keeps_rows_references_checks_and_the_last_id(sqlite_url: str, revisions: Path) -> None:
    run(
        sqlite_url,
        A_PRODUCTION.format("lamp"),
        AN_EPISODE.format(1),
        A_PRODUCTION.format("kite"),
        "DELETE FROM production WHERE code = 'kite'",
    )
    plant(
        revisions,
        """
        with op.batch_alter_table("production", table_kwargs={"sqlite_autoincrement": True}) as production:
            production.add_column(sa.Column("note", sa.String(), nullable=True))
            production.alter_column("title", existing_type=sa.String(), nullable=True)
        """,
    )
    migration = migrate(sqlite_url, revisions=revisions)
    assert (migration.before, migration.after) == (HEAD, "planted")
    run(sqlite_url, A_PRODUCTION.format("moth"))
    assert rows(sqlite_url, "SELECT id, code FROM production ORDER BY id") == [(1, "lamp"), (3, "moth")]
    assert rows(sqlite_url, "SELECT production_id FROM episode") == [(1,)]
    with connected(sqlite_url) as connection:
        kept = described(connection)
    assert ("production", "id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT") in kept
    assert ("production", "CONSTRAINT ck_production_rate CHECK (rate_num > 0 AND rate_den > 0)") in kept
    assert ("production", "CONSTRAINT uq_production_code UNIQUE (code)") in kept


def test_a_rebuild_that_forgets_the_numbering_is_refused(sqlite_url: str, revisions: Path) -> None:
    plant(
        revisions,
        """
        with op.batch_alter_table("production") as production:
            production.alter_column("title", existing_type=sa.String(), nullable=True)
        """,
    )
    with pytest.raises(MigrationFailed, match="dropped AUTOINCREMENT from production"):
        migrate(sqlite_url, revisions=revisions)
    with connected(sqlite_url) as connection:
        assert ("production", "id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT") in described(connection)


def test_a_migration_that_breaks_a_reference_is_undone(sqlite_url: str, revisions: Path) -> None:
    run(sqlite_url, A_PRODUCTION.format("lamp"), AN_EPISODE.format(1))
    plant(revisions, 'op.execute("DELETE FROM production")')
    with pytest.raises(MigrationFailed, match="episode row 1 refers to a missing production"):
        migrate(sqlite_url, revisions=revisions)
    assert rows(sqlite_url, "SELECT code FROM production") == [("lamp",)]


def test_another_program_s_file_is_left_alone(empty_sqlite_url: str) -> None:
    run(empty_sqlite_url, "CREATE TABLE recipe (name TEXT)")
    with pytest.raises(ForeignDatabase, match=r"tables of another program \(recipe\)"):
        migrate(empty_sqlite_url)
    assert rows(empty_sqlite_url, "SELECT name FROM sqlite_master") == [("recipe",)]


def test_a_migration_copies_the_file_first_even_while_others_read_it(sqlite_url: str, revisions: Path) -> None:
    run(sqlite_url, A_PRODUCTION.format("lamp"))
    path = sqlite_path(address_of(sqlite_url))
    assert path is not None
    path.chmod(0o640)
    plant(revisions, 'op.add_column("production", sa.Column("note", sa.String(), nullable=True))')
    with closing(Database.open(sqlite_url)) as database, database.reading() as session:
        session.connection().execute(text("SELECT 1 FROM production"))
        migration = migrate(sqlite_url, revisions=revisions)
    assert migration.backup is not None
    assert re.fullmatch(rf"tiedown\.db\.backup-\d{{8}}T\d{{6}}Z-{HEAD}", migration.backup.name)
    assert stat.S_IMODE(migration.backup.stat().st_mode) == 0o640
    copy = f"sqlite:///{migration.backup}"
    assert rows(copy, "SELECT code FROM production") == [("lamp",)]
    assert rows(copy, "SELECT version_num FROM alembic_version") == [(HEAD,)]
    assert list(path.parent.glob("*.partial*")) == []


def test_copies_made_in_one_second_have_names_of_their_own_in_utc(sqlite_url: str) -> None:
    path = sqlite_path(address_of(sqlite_url))
    assert path is not None
    now = datetime(2031, 3, 4, 1, 2, 3, tzinfo=timezone(timedelta(hours=2)))
    names = [backup(path, revision="0001", now=now).name for _ in range(3)]
    first = "tiedown.db.backup-20310303T230203Z-0001"
    assert names == [first, f"{first}-2", f"{first}-3"]


def test_a_copy_that_fails_leaves_nothing_half_written(sqlite_url: str) -> None:
    path = sqlite_path(address_of(sqlite_url))
    assert path is not None
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * 8192)
    with pytest.raises(Unusable, match="could not be copied, so nothing was migrated"):
        backup(path, revision="0001", now=datetime.now(UTC))
    assert [found.name for found in path.parent.glob("*.backup*")] == []


MIGRATING = """
    import sys
    from service.store.schema import migrate
    print("ready", flush=True)
    done = migrate(sys.argv[1])
    print(done.before, done.after, flush=True)
"""


@BOTH
def test_of_two_that_migrate_at_once_one_does_and_the_other_waits(empty_url: str) -> None:
    with program(MIGRATING, empty_url) as first, program(MIGRATING, empty_url) as second:
        assert [said(first), said(second)] == ["ready", "ready"]
        assert sorted([said(first), said(second)]) == [f"{HEAD} {HEAD}", f"None {HEAD}"]


def test_a_migration_waits_for_the_writer_and_says_so_when_it_takes_too_long(sqlite_url: str) -> None:
    path = sqlite_path(address_of(sqlite_url))
    assert path is not None
    with Turnstile(path).turn(timeout_s=1), pytest.raises(Busy, match=r"for 0\.1 s"):
        migrate(sqlite_url, wait_s=0.1)


@BOTH
def test_the_schema_names_each_constraint(url: str) -> None:
    with connected(url) as connection:
        looking = inspect(connection)
        unnamed = [
            (table, found)
            for table in looking.get_table_names()
            for found in (
                looking.get_pk_constraint(table),
                *looking.get_foreign_keys(table),
                *looking.get_unique_constraints(table),
                *looking.get_check_constraints(table),
            )
            # SQLite does not keep the name of a key that is numbered.
            if not found["name"] and found.get("constrained_columns") != ["id"]
        ]
    assert unnamed == []


def test_alembic_by_itself_may_start_a_revision_but_not_run_any() -> None:
    house = Path(__file__).parents[2]
    asked = [sys.executable, "-m", "alembic", "upgrade", "head"]
    done = subprocess.run(asked, cwd=house, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr.strip()) == (1, "Run `tiedown migrate`.")
