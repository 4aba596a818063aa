"""What every noun's store needs: reading a row under its lock, adding a row whose name may be taken."""

from typing import TypeVar

from sqlalchemy import Select
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, SQLModel

_UNIQUE_VIOLATION = "23505"

Row = TypeVar("Row")


def locked(statement: Select[Row], *, lock: bool) -> Select[Row]:
    """*statement*, reading its rows under FOR NO KEY UPDATE where *lock*.

    Rivals wait, foreign keys that point here do not. SQLite's writers are alone anyway.

    Locks are taken in one order: production, episode, shot, take.
    """
    # populate_existing: a row read before it was locked may be older than what the lock protects.
    return statement.with_for_update(key_share=True).execution_options(populate_existing=True) if lock else statement


class NameTaken(Exception):
    """Another transaction gave this name away first."""


def add(session: Session, row: SQLModel) -> None:
    """Write *row* at once, so that it has its id.

    Raises NameTaken where its name is another row's, also one a rival committed since it was looked up.
    """
    session.add(row)
    try:
        session.flush()
    except IntegrityError as error:
        if not _is_unique_violation(error):
            raise
        raise NameTaken from error


def _is_unique_violation(error: IntegrityError) -> bool:
    if (state := getattr(error.orig, "sqlstate", None)) is not None:
        return bool(state == _UNIQUE_VIOLATION)
    return "UNIQUE constraint failed" in str(error.orig)
