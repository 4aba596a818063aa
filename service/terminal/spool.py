"""The spool: what a terminal has to say, kept in a file until the service has it, and a while longer.

An entry is on the disk before whoever made it is told so. Serials rise and are never used again; with the random id of
the spool they name an entry for ever. One file serves several processes at once.
"""

import json
import secrets
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from service.terminal.clocks import Moment, spelt
from service.terminal.troubles import NotKept, NotRejected, SpoolStuck, SpoolUnreadable

Json = dict[str, Any]

# What the service has is kept on, because a service put back to an earlier copy has it no more.
KEPT_ON = timedelta(days=14)
# How long a process waits for another that is writing.
PATIENCE_S = 20.0
SCHEMA_VERSION = 1

_SCHEMA = """
CREATE TABLE entry (
    serial INTEGER PRIMARY KEY AUTOINCREMENT,
    spool TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('count', 'log')),
    series TEXT,
    content TEXT NOT NULL,
    boot TEXT,
    run_s REAL,
    entered_at TEXT NOT NULL,
    state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'confirmed', 'rejected', 'dropped')),
    reason TEXT,
    settled_at TEXT
);
CREATE INDEX entry_state ON entry (state, serial);
CREATE INDEX entry_series ON entry (series, serial);
CREATE TABLE followed (series TEXT PRIMARY KEY, total INTEGER NOT NULL);
CREATE TABLE note (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""
_COLUMNS = "serial, spool, kind, content, boot, run_s, entered_at, state, reason"


class Kind(StrEnum):
    """What an entry is: a count of a take, or a line of the stage's log."""

    COUNT = "count"
    LOG = "log"


class State(StrEnum):
    """How an entry stands: to be sent, kept by the service, refused by it for good, or given up with a reason."""

    WAITING = "waiting"
    CONFIRMED = "confirmed"
    REJECTED = "rejected"
    DROPPED = "dropped"


@dataclass(frozen=True, slots=True)
class Said:
    """Something to enter: its kind, its content, and when it happened by both clocks.

    `boot` and `run_s` are None where the running clock was not read as it happened. `series` is what a count's total
    stands for; `followed_total` is what the follower has now seen of it.
    """

    kind: Kind
    content: Json
    boot: str | None = None
    run_s: float | None = None
    series: str | None = None
    followed_total: int | None = None

    @classmethod
    def now(cls, kind: Kind, content: Mapping[str, Any], moment: Moment, *, series: str | None = None) -> Self:
        """What happens at this moment."""
        return cls(kind, {**content, "at": spelt(moment.wall)}, moment.boot, moment.run_s, series)


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry of the spool. `reason` is the problem it was refused with, or why it was dropped."""

    serial: int
    spool: str
    kind: Kind
    content: Json
    boot: str | None
    run_s: float | None
    entered_at: datetime
    state: State
    reason: Json

    @classmethod
    def of(cls, row: Sequence[Any]) -> Self:
        """The entry of these columns."""
        serial, spool, kind, content, boot, run_s, entered_at, state, reason = row
        return cls(
            serial,
            spool,
            Kind(kind),
            json.loads(content),
            boot,
            run_s,
            datetime.fromisoformat(entered_at),
            State(state),
            json.loads(reason) if reason else {},
        )


class Spool:
    """The spool in a file, made where there is none. For one thread; close it, or use it in a `with`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with self._reported(NotKept):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._database = sqlite3.connect(path, timeout=PATIENCE_S, isolation_level=None)
            try:
                # A commit waits until the file, and the folder that holds its journal, are on the disk.
                self._database.execute("PRAGMA synchronous = EXTRA")
                self._prepare()
            except BaseException:
                self._database.close()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()

    def _prepare(self) -> None:
        if self._version() == SCHEMA_VERSION:
            return
        with self._writing(NotKept):
            # Another process may have made it since.
            if (version := self._version()) > SCHEMA_VERSION:
                raise SpoolUnreadable(str(self.path), "a newer version of this program made it")
            if version == 0:
                for statement in _SCHEMA.split(";\n"):
                    self._database.execute(statement)
                self._set("spool", new_id())
                self._database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    def _version(self) -> int:
        return int(self._database.execute("PRAGMA user_version").fetchone()[0])

    @contextmanager
    def _reported(self, trouble: type[NotKept | SpoolStuck] = SpoolStuck) -> Iterator[None]:
        """Say what the file system or SQLite says as what it means for the person at the stage."""
        try:
            yield
        except (sqlite3.OperationalError, OSError) as error:
            raise trouble(str(self.path), str(error)) from error
        except sqlite3.DatabaseError as error:
            raise SpoolUnreadable(str(self.path), str(error)) from error

    @contextmanager
    def _writing(self, trouble: type[NotKept | SpoolStuck] = SpoolStuck) -> Iterator[None]:
        with self._reported(trouble):
            self._database.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._database.execute("COMMIT")
            except BaseException:
                # A full disk may have rolled back already.
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")
                raise

    def _rows(self, statement: str, *values: object) -> list[tuple[Any, ...]]:
        with self._reported():
            return self._database.execute(statement, values).fetchall()

    # What is entered

    @property
    def id(self) -> str:
        """The random id under which entries are now made."""
        return self.note("spool") or ""

    def enter(self, *said: Said, now: datetime) -> list[int]:
        """Enter what was said, all of it or nothing, and return the serials; raises NotKept.

        When this returns, all is on the disk.
        """
        with self._writing(NotKept):
            return [self._enter(each, now) for each in said]

    def _enter(self, said: Said, now: datetime) -> int:
        made = self._database.execute(
            "INSERT INTO entry (spool, kind, series, content, boot, run_s, entered_at)"
            " VALUES ((SELECT value FROM note WHERE name = 'spool'), ?, ?, ?, ?, ?, ?)",
            (said.kind, said.series, json.dumps(said.content), said.boot, said.run_s, spelt(now)),
        )
        if said.followed_total is not None:
            self._database.execute(
                "INSERT INTO followed VALUES (?, ?) ON CONFLICT (series) DO UPDATE SET total = excluded.total",
                (said.series, said.followed_total),
            )
        return int(made.lastrowid or 0)

    def followed(self) -> dict[str, int]:
        """The totals that followers entered last, by series."""
        return dict(self._rows("SELECT series, total FROM followed"))

    # What becomes of it

    def entries(self, state: State, *, most: int = -1) -> list[Entry]:
        """The entries that stand so, oldest first, at most so many."""
        found = self._rows(
            f"SELECT {_COLUMNS} FROM entry WHERE state = ? ORDER BY serial LIMIT ?",  # noqa: S608 - fixed columns
            state,
            most,
        )
        return [Entry.of(row) for row in found]

    def number(self, state: State) -> int:
        """How many entries stand so."""
        return int(self._rows("SELECT count(*) FROM entry WHERE state = ?", state)[0][0])

    def confirm(self, serials: Sequence[int], *, fresh: int, now: datetime) -> None:
        """Note that the service keeps these; `fresh` of them are counts it was not known to have."""
        with self._writing():
            self._settle(serials, State.CONFIRMED, {}, now)
            self._set("confirmed", str(self.confirmed + fresh))

    def prune(self, *, now: datetime) -> None:
        """Forget what was settled more than 14 days ago.

        The newest count of each series is kept for ever: were all else lost, it would put the total right.
        """
        with self._writing():
            self._database.execute(
                "DELETE FROM entry WHERE state IN ('confirmed', 'dropped') AND settled_at < ? AND serial NOT IN"
                " (SELECT max(serial) FROM entry WHERE state = 'confirmed' AND series IS NOT NULL GROUP BY series)",
                (spelt(now - KEPT_ON),),
            )

    @property
    def confirmed(self) -> int:
        """How many counts of this spool the service is known to have had."""
        return int(self.note("confirmed") or 0)

    def reject(self, serial: int, problem: Mapping[str, Any], *, now: datetime) -> None:
        """Put an entry aside that the service refused for good, with the problem it named."""
        with self._writing():
            self._settle([serial], State.REJECTED, problem, now)

    def _settle(self, serials: Sequence[int], state: State, reason: Mapping[str, Any], now: datetime) -> None:
        self._database.executemany(
            "UPDATE entry SET state = ?, reason = ?, settled_at = ? WHERE serial = ? AND state = 'waiting'",
            [(state, json.dumps(reason), spelt(now), serial) for serial in serials],
        )

    def again(self, serial: int, changes: Mapping[str, Any], *, series: str | None = None) -> None:
        """Let a rejected entry wait again, with these fields of its content changed; raises NotRejected.

        It keeps its serial, which a refusal does not spend, and with it its place in the order.
        """
        with self._writing():
            content = {**self._rejected(serial).content, **changes}
            self._database.execute(
                "UPDATE entry SET state = 'waiting', reason = NULL, settled_at = NULL, content = ?,"
                " series = coalesce(?, series), spool = (SELECT value FROM note WHERE name = 'spool') WHERE serial = ?",
                (json.dumps(content), series, serial),
            )

    def drop(self, serial: int, reason: str, *, now: datetime) -> None:
        """Give up a rejected entry, with the reason; raises NotRejected."""
        with self._writing():
            kept = {**self._rejected(serial).reason, "dropped": reason}
            self._database.execute(
                "UPDATE entry SET state = 'dropped', reason = ?, settled_at = ? WHERE serial = ?",
                (json.dumps(kept), spelt(now), serial),
            )

    def rejected(self, serial: int) -> Entry:
        """A rejected entry; raises NotRejected."""
        with self._reported():
            return self._rejected(serial)

    def _rejected(self, serial: int) -> Entry:
        found = self._database.execute(
            f"SELECT {_COLUMNS} FROM entry WHERE serial = ? AND state = 'rejected'",  # noqa: S608 - fixed columns
            (serial,),
        ).fetchone()
        if found is None:
            raise NotRejected(serial)
        return Entry.of(found)

    # What the service forgot, and what this computer forgot

    def rearm(self, *, known: int) -> int:
        """Let all that was confirmed and is still here wait again, because the service has but `known` counts of it.

        Returns how many entries.
        """
        with self._writing():
            self._set("confirmed", str(known))
            changed = self._database.execute(
                "UPDATE entry SET state = 'waiting', settled_at = NULL WHERE state = 'confirmed'"
                " AND spool = (SELECT value FROM note WHERE name = 'spool')",
            )
            return changed.rowcount

    def renew(self) -> None:
        """Take a new spool id, because the service knows serials of the old one that this file did not make.

        So it is where the file itself was put back to an earlier copy. All that waits goes out under the new id.
        """
        with self._writing():
            fresh = new_id()
            self._set("spool", fresh)
            self._set("confirmed", "0")
            self._database.execute("UPDATE entry SET spool = ? WHERE state = 'waiting'", (fresh,))

    @property
    def last_serial(self) -> int:
        """The highest serial made under the present id; 0 where there is none."""
        return int(self._rows("SELECT coalesce(max(serial), 0) FROM entry WHERE spool = ?", self.id)[0][0])

    # Notes

    def note(self, name: str) -> str | None:
        """What was noted under a name."""
        found = self._rows("SELECT value FROM note WHERE name = ?", name)
        return found[0][0] if found else None

    def jot(self, **notes: str) -> None:
        """Note what is worth showing, under names."""
        with self._writing():
            for name, value in notes.items():
                self._set(name, value)

    def _set(self, name: str, value: str) -> None:
        self._database.execute("INSERT OR REPLACE INTO note VALUES (?, ?)", (name, value))


def new_id() -> str:
    """A random id for a spool: 16 hexadecimal digits."""
    return secrets.token_hex(8)


def utc(text: str | None) -> datetime | None:
    """The instant that was noted."""
    return None if text is None else datetime.fromisoformat(text).astimezone(UTC)


@contextmanager
def alone(path: Path) -> Iterator[bool]:
    """Whether this process is the only one holding the lock file at *path*, which it then holds for the block.

    A lock of SQLite's: it works on every system alike, and ends with the process however that ends. Raises SpoolStuck.
    """
    lock = sqlite3.connect(path, timeout=0, isolation_level=None)
    try:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise SpoolStuck(str(path), str(error)) from error
            yield False
        else:
            yield True
    finally:
        lock.close()
