"""What was taken out of the log, and up to where something may be missing."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement
from sqlmodel import Session, col, func, select

from service.store.tables import CleanedRow


@dataclass(frozen=True, slots=True)
class Gap:
    """Events that are gone: how many, the last one's `position` in the log, and the instant of the latest."""

    events: int
    position: int
    until: datetime


def cleaned_to(session: Session, *, production_id: int | None = None, kinds: Collection[str] | None = None) -> int:
    """The last event that was taken out, of a production and of these kinds where given; 0 where none was.

    Whoever has read up to there, or further, misses nothing.
    """
    wanted = _wanted(production_id=production_id, shot_id=None, kinds=kinds)
    return session.exec(select(func.max(CleanedRow.position)).where(*wanted)).one() or 0


def gap(session: Session, *, production_id: int, shot_id: int, kinds: Collection[str] | None = None) -> Gap | None:
    """What is gone of a shot, of these kinds where given; None where nothing is."""
    wanted = _wanted(production_id=production_id, shot_id=shot_id, kinds=kinds)
    rows = session.exec(select(CleanedRow).where(*wanted)).all()
    if not rows:
        return None
    events, position = sum(each.events for each in rows), max(each.position for each in rows)
    return Gap(events, position, max(each.happened_at for each in rows))


def _wanted(
    *, production_id: int | None, shot_id: int | None, kinds: Collection[str] | None
) -> tuple[ColumnElement[bool], ...]:
    given: list[ColumnElement[bool]] = []
    if production_id is not None:
        given.append(col(CleanedRow.production_id) == production_id)
    if shot_id is not None:
        given.append(col(CleanedRow.shot_id) == shot_id)
    if kinds is not None:
        given.append(col(CleanedRow.kind).in_(sorted(kinds)))
    return tuple(given)
