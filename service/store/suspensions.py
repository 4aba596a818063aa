"""Suspensions: when shots stood still, and why."""

from collections.abc import Collection

from sqlalchemy import select
from sqlmodel import Session, col

from service.store.tables import SuspensionRow


def open_of(session: Session, shot_id: int) -> SuspensionRow | None:
    """The open suspension of a shot; None where it is not suspended."""
    return open_of_all(session, [shot_id]).get(shot_id)


def open_of_all(session: Session, shot_ids: Collection[int]) -> dict[int, SuspensionRow]:
    """The open suspensions of these shots by shot id."""
    statement = select(SuspensionRow).where(
        col(SuspensionRow.shot_id).in_(shot_ids), col(SuspensionRow.resumed_at).is_(None)
    )
    return {row.shot_id: row for row in session.scalars(statement)}
