"""Productions and their episodes."""

from collections.abc import Collection, Sequence

from sqlalchemy import exists, select
from sqlmodel import Session, col

from service.store.rows import locked
from service.store.tables import EpisodeRow, ProductionRow, ShotRow


def by_code(session: Session, code: str, *, lock: bool = False) -> ProductionRow | None:
    """The production of this code.

    With *lock*, kept from other writers until the transaction ends (productions lock first of all).
    """
    return session.scalars(
        locked(select(ProductionRow).where(col(ProductionRow.code) == code), lock=lock)
    ).one_or_none()


def codes(session: Session, ids: Collection[int]) -> dict[int, str]:
    """The codes of these productions by id."""
    found = session.execute(
        select(col(ProductionRow.id), col(ProductionRow.code)).where(col(ProductionRow.id).in_(ids))
    )
    return {int(id_): code for id_, code in found}


def page(session: Session, *, after: int, limit: int, only: int | None = None) -> Sequence[ProductionRow]:
    """At most *limit* productions added after the one with id *after*; with *only*, that one alone."""
    statement = select(ProductionRow).where(col(ProductionRow.id) > after)
    if only is not None:
        statement = statement.where(col(ProductionRow.id) == only)
    return session.scalars(statement.order_by(col(ProductionRow.id)).limit(limit)).all()


def every(session: Session) -> Sequence[ProductionRow]:
    """Every production, in the order they were added."""
    return session.scalars(select(ProductionRow).order_by(col(ProductionRow.id))).all()


def has_shots(session: Session, production_id: int) -> bool:
    """Whether a production has any shot, omitted ones included."""
    return bool(session.scalar(select(exists().where(col(ShotRow.production_id) == production_id))))


def episode_by_code(session: Session, production_id: int, code: str, *, lock: bool = False) -> EpisodeRow | None:
    """The episode of this code in a production.

    With *lock*, kept from other writers (after the production, before shots).
    """
    statement = select(EpisodeRow).where(col(EpisodeRow.production_id) == production_id, col(EpisodeRow.code) == code)
    return session.scalars(locked(statement, lock=lock)).one_or_none()


def episodes_by_code(session: Session, production_id: int, codes: Collection[str]) -> dict[str, int]:
    """The ids of a production's episodes of these codes."""
    statement = select(col(EpisodeRow.code), col(EpisodeRow.id)).where(
        col(EpisodeRow.production_id) == production_id, col(EpisodeRow.code).in_(codes)
    )
    return {code: int(id_) for code, id_ in session.execute(statement)}


def episode_page(session: Session, production_id: int, *, after: int, limit: int) -> Sequence[EpisodeRow]:
    """At most *limit* episodes of a production, added after the one with id *after*."""
    statement = select(EpisodeRow).where(col(EpisodeRow.production_id) == production_id, col(EpisodeRow.id) > after)
    return session.scalars(statement.order_by(col(EpisodeRow.id)).limit(limit)).all()
