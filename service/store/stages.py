"""Stages."""

from collections.abc import Collection, Sequence

from sqlalchemy import select
from sqlmodel import Session, col

from service.store.rows import locked
from service.store.tables import StageRow


def by_code(session: Session, code: str, *, lock: bool = False) -> StageRow | None:
    """The stage of this code."""
    return session.scalars(locked(select(StageRow).where(col(StageRow.code) == code), lock=lock)).one_or_none()


def ids_by_code(session: Session, codes: Collection[str]) -> dict[str, int]:
    """The ids of the stages of these codes."""
    found = session.execute(select(col(StageRow.code), col(StageRow.id)).where(col(StageRow.code).in_(codes)))
    return {code: int(id_) for code, id_ in found}


def codes(session: Session, ids: Collection[int]) -> dict[int, str]:
    """The codes of these stages by id."""
    found = session.execute(select(col(StageRow.id), col(StageRow.code)).where(col(StageRow.id).in_(ids)))
    return {int(id_): code for id_, code in found}


def page(session: Session, *, after: int, limit: int) -> Sequence[StageRow]:
    """At most *limit* stages added after the one with id *after*."""
    return session.scalars(
        select(StageRow).where(col(StageRow.id) > after).order_by(col(StageRow.id)).limit(limit)
    ).all()


def every(session: Session) -> Sequence[StageRow]:
    """Every stage, in the order they were added."""
    return session.scalars(select(StageRow).order_by(col(StageRow.id))).all()
