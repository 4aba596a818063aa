"""Drafts of tables that say what shots need."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import defer
from sqlmodel import Session, col

from service.store.tables import NeedsDraftRow


def by_number(session: Session, production_id: int, number: int) -> NeedsDraftRow | None:
    """A draft of a production."""
    statement = select(NeedsDraftRow).where(
        col(NeedsDraftRow.production_id) == production_id, col(NeedsDraftRow.number) == number
    )
    return session.scalars(statement).one_or_none()


def last_number(session: Session, production_id: int) -> int:
    """The number of a production's newest draft, applied or not; 0 before any."""
    statement = select(func.max(NeedsDraftRow.number)).where(col(NeedsDraftRow.production_id) == production_id)
    return session.scalar(statement) or 0


def page(session: Session, production_id: int, *, after: int, limit: int) -> Sequence[NeedsDraftRow]:
    """At most *limit* drafts after the one with id *after*, without what the tables say."""
    statement = select(NeedsDraftRow).where(
        col(NeedsDraftRow.production_id) == production_id, col(NeedsDraftRow.id) > after
    )
    heavy: tuple[Any, ...] = (NeedsDraftRow.text, NeedsDraftRow.findings, NeedsDraftRow.rows)
    light = statement.options(*(defer(each, raiseload=True) for each in heavy))
    return session.scalars(light.order_by(col(NeedsDraftRow.id)).limit(limit)).all()
