"""What a database's errors mean to those above the store: too busy, out of reach, worth trying again."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

import psycopg
from psycopg.errors import DeadlockDetected, ExclusionViolation, LockNotAvailable, SerializationFailure, UniqueViolation
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from service.store.turnstile import TurnRefused

# SQLite keeps the kind of an error in the low byte of its code (https://sqlite.org/rescode.html, section 2).
SQLITE_KIND = 0xFF
# What SQLite means by an error of its file or disk, and what mends it.
FULL = "The disk of the database is full. Make room; it goes on by itself then."
STRICKEN = {
    sqlite3.SQLITE_IOERR: "The disk of the database fails. The system's log may say how; keep a copy of the file.",
    sqlite3.SQLITE_CANTOPEN: "The database file or one of those beside it cannot be opened. Look at their rights.",
    sqlite3.SQLITE_CORRUPT: "The database file is damaged. End tiedown, put it aside with its -wal and -shm, and go "
    "back to a copy.",
    sqlite3.SQLITE_READONLY: "The database file may not be written. Give the right to, or mount its disk for writing.",
}
COUNT_IDENTITY = "uq_frame_count_terminal_id_spool_serial"

# What is said to a file before any statement of a unit of work.
BEGINNINGS = (None, "BEGIN IMMEDIATE")

# Classes of SQLSTATE (PostgreSQL manual, appendix A): connection exception, operator intervention; and the one code for
# a server without a free place.
OUT_OF_REACH = ("08", "57P", "53300")
# Insufficient resources, a full disk among them.
EXHAUSTED = "53"


class Unusable(Exception):
    """The database at the address cannot be used as it is; the message says what would be right."""


class Busy(Exception):
    """The database cannot take this just now; nothing was written, and trying again later may succeed."""


class Unreachable(Busy):
    """The database does not answer. Whether a commit under way was kept is then not known."""


class Stricken(Unreachable):
    """The database's file or disk fails. Whether a commit under way was kept is then not known."""


class Outdated(Exception):
    """What a unit of work rests on was changed by another writer while it ran; run again whole, it sees the change."""


@contextmanager
def told(waited_s: float) -> Iterator[None]:
    """Let what happens in the block be told as Busy, Unreachable or Unusable where it is that, else as it came.

    `waited_s` is how long the block waits for a connection.
    """
    try:
        yield
    except TurnRefused as refused:
        raise Busy(f"Another writer held the database for {refused.waited_s:g} s.") from refused
    except PoolTimeout as error:
        raise Busy(f"All connections were in use for {waited_s:g} s.") from error
    except DBAPIError as error:
        if isinstance(error.orig, sqlite3.DatabaseError) and _kind(error.orig) == sqlite3.SQLITE_NOTADB:
            raise Unusable("The file is no SQLite database. Name another one.") from error
        if (plain := understood(error)) is not None:
            raise plain from error
        raise


def understood(error: DBAPIError) -> Busy | None:
    """`error` as Busy or Unreachable; None where it is neither."""
    match error.orig:
        case sqlite3.Error() as orig:
            return _of_the_file(orig, error.statement)
        case psycopg.Error() as orig:
            return _of_the_server(orig, cut=error.connection_invalidated)
        case _:
            return None


def _of_the_file(error: sqlite3.Error, statement: str | None) -> Busy | None:
    match _kind(error):
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return Busy("The database file was locked by another program.")
        case sqlite3.SQLITE_FULL:
            return Busy(f"{FULL} ({error})")
        case sqlite3.SQLITE_READONLY if statement not in BEGINNINGS:
            # It was to write where only reading is allowed, a fault of this program.
            return None
        case kind if kind in STRICKEN:
            return Stricken(f"{STRICKEN[kind]} ({error})")
        case _:
            return None


def _of_the_server(error: psycopg.Error, *, cut: bool) -> Busy | None:
    if isinstance(error, LockNotAvailable):
        return Busy("A row was locked by another writer for too long.")
    if isinstance(error, psycopg.OperationalError) and (cut or _out_of_reach(error)):
        return Unreachable(f"The database server cannot be used: {str(error).strip() or type(error).__name__}")
    if (error.sqlstate or "").startswith(EXHAUSTED):
        return Busy(f"The database server takes nothing: {str(error).strip()}")
    return None


def retryable(error: BaseException) -> bool:
    """Whether the whole unit of work should simply run again.

    So it is after a deadlock, a serialization failure, two posts of the same count or two firm bookings of one stage at
    the same moment (PostgreSQL: the second run finds the first one's row), and where the unit itself found that it was
    Outdated. `error` may be SQLAlchemy's, the driver's, or raised from one of these.
    """
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, DBAPIError) and isinstance(cause.orig, BaseException) and _passing(cause.orig):
            return True
        if _passing(cause):
            return True
        cause = cause.__cause__
    return False


def _passing(error: BaseException) -> bool:
    match error:
        case Outdated() | DeadlockDetected() | SerializationFailure() | ExclusionViolation():
            return True
        case UniqueViolation():
            return error.diag.constraint_name == COUNT_IDENTITY
        case _:
            return False


def _kind(error: sqlite3.Error) -> int:
    return getattr(error, "sqlite_errorcode", 0) & SQLITE_KIND


def _out_of_reach(error: psycopg.OperationalError) -> bool:
    # Without a code the error is libpq's own: no connection came about.
    return error.sqlstate is None or error.sqlstate.startswith(OUT_OF_REACH)
