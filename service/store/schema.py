"""The schema's revision: reading it, requiring it, moving it on.

Revisions live in the import package `migrations` and travel with the wheel. All that are due run in one transaction, so
a migration that fails leaves the database as it was; a SQLite file is copied first. There is no way down: the copy is
the way back (on PostgreSQL the operator's own).
"""

import os
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from itertools import count
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import (
    URL,
    Connection,
    Engine,
    column,
    event,
    inspect,
    table,
    text,
)

from service.store.engine import (
    Database,
    address_of,
    postgresql_engine,
    require_local,
    sqlite_engine,
    sqlite_path,
)
from service.store.failures import Unusable, told
from service.store.turnstile import Turnstile

WAIT_S = 60.0
MIGRATION_LOCK = int.from_bytes(b"migrate")


class NotMigrated(Unusable):
    """The database's schema is older than this program's."""

    def __init__(self, *, found: str | None, wanted: str) -> None:
        at = "has no schema yet" if found is None else f"is at schema {found}"
        super().__init__(f"The database {at}, this program needs {wanted}. Run `tiedown migrate`.")
        self.found = found
        self.wanted = wanted


class NewerSchema(Unusable):
    """The database was migrated by a newer version of this program."""

    def __init__(self, *, found: str, wanted: str) -> None:
        super().__init__(
            f"The database is at schema {found}, which this program (schema {wanted}) does not know. "
            "Run a newer version of tiedown, or go back to a backup."
        )
        self.found = found
        self.wanted = wanted


class ForeignDatabase(Unusable):
    """The SQLite file holds another program's tables."""

    def __init__(self, path: Path, tables: tuple[str, ...]) -> None:
        super().__init__(
            f"{path} holds tables of another program ({', '.join(tables[:3])}). Name a file of its own for tiedown."
        )
        self.path = path
        self.tables = tables


class MigrationFailed(Unusable):
    """A migration failed and was undone."""

    def __init__(self, reason: str, backup: Path | None) -> None:
        copy = "" if backup is None else f" A copy from before lies at {backup}."
        super().__init__(f"The migration failed, the database is as it was: {reason}.{copy}")
        self.reason = reason
        self.backup = backup


@dataclass(frozen=True, slots=True)
class Migration:
    """What a call of `migrate` did: revisions before and after (None: no schema), and the copy made first."""

    before: str | None
    after: str
    backup: Path | None = None


def migrate(database_url: str, *, wait_s: float = WAIT_S, revisions: Path | None = None) -> Migration:
    """Bring the database at `database_url` to the newest revision; a SQLite file is made where there is none.

    Two at once: the second waits for the first, at most `wait_s`, and then finds nothing to do. Raises Busy, Unusable
    or one of its kinds (NewerSchema, ForeignDatabase, MigrationFailed, NetworkFile). `revisions` is the folder of the
    revisions, by default the package's own.
    """
    address = address_of(database_url)
    folder = packaged() if revisions is None else revisions
    if (path := sqlite_path(address)) is None:
        return _migrate_postgresql(address, folder, wait_s=wait_s)
    return _migrate_sqlite(address, path, folder=folder, wait_s=wait_s)


def at_head(database: Database) -> bool:
    """Whether the database's schema is the one this program was written for."""
    return revision_of(database) == head_of(packaged())


def require_head(database: Database) -> None:
    """Raise NotMigrated or NewerSchema where the schema is not the one this program was written for."""
    found, wanted = revision_of(database), head_of(packaged())
    if found == wanted:
        return
    _require_known(found, packaged())
    raise NotMigrated(found=found, wanted=wanted)


def revision_of(database: Database) -> str | None:
    """The revision the database is at; None where it has no schema."""
    with database.reading() as session:
        return MigrationContext.configure(session.connection()).get_current_revision()


def backup(path: Path, *, revision: str | None, now: datetime) -> Path:
    """Copy the SQLite file at `path` beside it, as `<name>.backup-<UTC time>-<revision>`, while others may use it.

    The copy has the file's own permissions, is checked, and appears under its name only when whole. Raises Unusable.
    """
    stem = f"{path.name}.backup-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}-{revision or 'none'}"
    names = (stem if turn == 1 else f"{stem}-{turn}" for turn in count(1))
    copy = next(path.with_name(name) for name in names if not path.with_name(name).exists())
    draft = copy.with_name(copy.name + ".partial")
    draft.unlink(missing_ok=True)
    draft.touch(mode=0o600)
    try:
        _copy(path, draft)
        shutil.copymode(path, draft)
        draft.rename(copy)
    except (OSError, sqlite3.Error) as error:
        raise Unusable(f"{path} could not be copied, so nothing was migrated: {error}.") from error
    finally:
        draft.unlink(missing_ok=True)
    _sync_folder(copy.parent)
    return copy


def _copy(path: Path, draft: Path) -> None:
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(draft)) as target:
        source.backup(target)
        # The copy is for putting away, so it must not need files beside it.
        target.execute("PRAGMA journal_mode=DELETE")
        (found,) = target.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        raise sqlite3.DatabaseError(f"the copy is damaged, {found}")


def packaged() -> Path:
    """The folder of the revisions that belong to this program."""
    return Path(str(resources.files("migrations")))


@cache
def head_of(folder: Path) -> str:
    """The newest revision in a folder of revisions."""
    head = _scripts(folder).get_current_head()
    if head is None:
        raise Unusable(f"There are no schema revisions in {folder}; the installation is broken. Install tiedown anew.")
    return head


def configuration(folder: Path, connection: Connection) -> Config:
    """What Alembic's commands want: the folder of the revisions, and the connection that env.py is to use."""
    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    return config


def _scripts(folder: Path) -> ScriptDirectory:
    return ScriptDirectory(str(folder))


def _require_known(found: str | None, folder: Path) -> None:
    scripts = _scripts(folder)
    if found is not None and found not in {script.revision for script in scripts.walk_revisions()}:
        raise NewerSchema(found=found, wanted=head_of(folder))


@contextmanager
def _engine(address: URL, *, wait_s: float) -> Iterator[Engine]:
    if sqlite_path(address) is None:
        engine = postgresql_engine(address, pool_size=1, lock_timeout_s=wait_s)
    else:
        engine = sqlite_engine(address, pool_size=1, lock_timeout_s=wait_s, begin="BEGIN IMMEDIATE")
    try:
        yield engine
    finally:
        engine.dispose()


def _migrate_postgresql(address: URL, folder: Path, *, wait_s: float) -> Migration:
    with _engine(address, wait_s=wait_s) as engine, told(wait_s), engine.begin() as connection:
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
        return _upgraded(connection, folder, copied=None)


def _migrate_sqlite(address: URL, path: Path, *, folder: Path, wait_s: float) -> Migration:
    require_local(path)
    with (
        told(wait_s),
        Turnstile(path).turn(timeout_s=wait_s),
        _as_it_was(path),
        _engine(address, wait_s=wait_s) as engine,
    ):
        # A table is altered by building it anew and dropping the old one, which must not take the rows that refer to it
        # along. SQLite ignores this inside a transaction.
        event.listen(engine, "connect", lambda connection, _record: connection.execute("PRAGMA foreign_keys=OFF"))
        with engine.begin() as connection:
            return _migrate_file(connection, path, folder)


@contextmanager
def _as_it_was(path: Path) -> Iterator[None]:
    """Leave no file behind where there was none and the block fails."""
    present = path.exists()
    try:
        yield
    except BaseException:
        if not present:
            for ending in ("", "-wal", "-shm"):
                path.with_name(path.name + ending).unlink(missing_ok=True)
        raise


def _migrate_file(connection: Connection, path: Path, folder: Path) -> Migration:
    before = MigrationContext.configure(connection).get_current_revision()
    tables = tuple(inspect(connection).get_table_names())
    if before is None and tables:
        raise ForeignDatabase(path, tables)
    if before == head_of(folder):
        return Migration(before=before, after=before)
    _require_known(before, folder)
    copied = backup(path, revision=before, now=datetime.now(UTC)) if tables else None
    numbered, last_ids = _numbered_tables(connection), _last_ids(connection)
    migration = _upgraded(connection, folder, copied=copied)
    _require_references(connection, copied)
    _keep_last_ids(connection, last_ids, dropped=numbered - _numbered_tables(connection), copied=copied)
    return migration


def _upgraded(connection: Connection, folder: Path, *, copied: Path | None) -> Migration:
    before = MigrationContext.configure(connection).get_current_revision()
    _require_known(before, folder)
    try:
        command.upgrade(configuration(folder, connection), "head")
    except Exception as error:
        raise MigrationFailed(f"{type(error).__name__}: {error}", copied) from error
    return Migration(before=before, after=head_of(folder), backup=copied)


def _require_references(connection: Connection, copied: Path | None) -> None:
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if broken:
        rows = ", ".join(f"{row[0]} row {row[1]} refers to a missing {row[2]}" for row in broken[:5])
        raise MigrationFailed(f"it broke {len(broken)} references ({rows})", copied)


def _numbered_tables(connection: Connection) -> frozenset[str]:
    rows = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'table' AND sql IS NOT NULL")
    return frozenset(name for name, sql in rows if "AUTOINCREMENT" in sql.upper())


def _last_ids(connection: Connection) -> dict[str, int]:
    if not inspect(connection).has_table("sqlite_sequence"):
        return {}
    rows = connection.exec_driver_sql("SELECT name, seq FROM sqlite_sequence")
    return {str(row.name): int(row.seq) for row in rows}


def _keep_last_ids(
    connection: Connection, last_ids: Mapping[str, int], *, dropped: frozenset[str], copied: Path | None
) -> None:
    """Put the last id ever handed out back where a rebuild forgot it, so that no id of a deleted row comes again."""
    present = set(inspect(connection).get_table_names())
    if lost := sorted(dropped & present):
        raise MigrationFailed(
            f"it dropped AUTOINCREMENT from {', '.join(lost)}; "
            'give batch_alter_table table_kwargs={"sqlite_autoincrement": True}',
            copied,
        )
    now = _last_ids(connection)
    sequence = table("sqlite_sequence", column("name"), column("seq"))
    for name, last in last_ids.items():
        if name not in present or now.get(name, -1) >= last:
            continue
        connection.execute(sequence.delete().where(sequence.c.name == name))
        connection.execute(sequence.insert().values(name=name, seq=last))


def _sync_folder(folder: Path) -> None:
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
