"""API keys: the digest of a secret and what it opens."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlmodel import Session, col

from service.store.rows import locked
from service.store.tables import KeyRow, ProductionRow, StageRow, TerminalRow


@dataclass(frozen=True, slots=True)
class BoundKey:
    """A key's row and the names of what it is bound to."""

    row: KeyRow
    stage: str | None
    terminal: str | None
    production: str | None


_BOUND = (
    select(KeyRow, col(StageRow.code), col(TerminalRow.name), col(ProductionRow.code))
    .outerjoin(StageRow, col(StageRow.id) == col(KeyRow.stage_id))
    .outerjoin(TerminalRow, col(TerminalRow.id) == col(KeyRow.terminal_id))
    .outerjoin(ProductionRow, col(ProductionRow.id) == col(KeyRow.production_id))
)


def by_prefix(session: Session, prefix: str) -> BoundKey | None:
    """The key whose token begins with this prefix."""
    found = session.execute(_BOUND.where(col(KeyRow.prefix) == prefix)).one_or_none()
    return None if found is None else BoundKey(*found)


def by_name(session: Session, name: str, *, lock: bool = False) -> KeyRow | None:
    """The key of this name."""
    return session.scalars(locked(select(KeyRow).where(col(KeyRow.name) == name), lock=lock)).one_or_none()


def bound(session: Session, name: str) -> BoundKey | None:
    """The key of this name with the names of what it is bound to."""
    found = session.execute(_BOUND.where(col(KeyRow.name) == name)).one_or_none()
    return None if found is None else BoundKey(*found)


def page(session: Session, *, after: int, limit: int) -> Sequence[BoundKey]:
    """At most *limit* keys made after the one with id *after*, those expired and revoked included."""
    statement = _BOUND.where(col(KeyRow.id) > after).order_by(col(KeyRow.id)).limit(limit)
    return [BoundKey(*found) for found in session.execute(statement)]
