"""Terminals and where they stand."""

from collections.abc import Collection, Sequence

from sqlalchemy import select, update
from sqlmodel import Session, col

from service.store.rows import locked
from service.store.tables import KeyRow, TerminalRow


def by_name(session: Session, name: str, *, lock: bool = False) -> TerminalRow | None:
    """The terminal of this name."""
    return session.scalars(locked(select(TerminalRow).where(col(TerminalRow.name) == name), lock=lock)).one_or_none()


def names(session: Session, ids: Collection[int]) -> dict[int, str]:
    """The names of these terminals by id."""
    found = session.execute(select(col(TerminalRow.id), col(TerminalRow.name)).where(col(TerminalRow.id).in_(ids)))
    return {int(id_): name for id_, name in found}


def page(session: Session, *, after: int, limit: int) -> Sequence[TerminalRow]:
    """At most *limit* terminals added after the one with id *after*."""
    statement = select(TerminalRow).where(col(TerminalRow.id) > after).order_by(col(TerminalRow.id)).limit(limit)
    return session.scalars(statement).all()


def every(session: Session) -> Sequence[TerminalRow]:
    """Every terminal, in the order they were added."""
    return session.scalars(select(TerminalRow).order_by(col(TerminalRow.id))).all()


def beside(session: Session, stage_ids: Collection[int]) -> Sequence[TerminalRow]:
    """The terminals beside these stages, in the order they were added."""
    statement = select(TerminalRow).where(col(TerminalRow.stage_id).in_(stage_ids)).order_by(col(TerminalRow.id))
    return session.scalars(statement).all()


def move_keys(session: Session, terminal_id: int, stage_id: int) -> None:
    """Bind every key of a terminal that was not revoked to the stage it now stands beside."""
    session.execute(
        update(KeyRow)
        .where(col(KeyRow.terminal_id) == terminal_id, col(KeyRow.revoked_at).is_(None))
        .values(stage_id=stage_id, rev=col(KeyRow.rev) + 1)
    )
