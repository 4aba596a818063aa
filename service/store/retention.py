"""What was taken out of the log, and who lacks it: up to where events may be missing, and who had not read them."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, text
from sqlmodel import Session, col, func, select

from service.domain.events import MAY_GO
from service.store import partitions
from service.store.cursors import Cursor
from service.store.partitions import Behind
from service.store.tables import CleanedRow, EventRow

# Any constant no other lock of this database uses. SQLite has one writer, which is lock enough.
_CLEANING_LOCK = 0x7469_6564_636C_6E


@dataclass(frozen=True, slots=True)
class Gap:
    """Events that are gone: how many, the last one's `position` in the log, and the instant of the latest."""

    events: int
    position: int
    until: datetime


@dataclass(frozen=True, slots=True)
class Cleaned:
    """The last event that was taken out, by production id, under 0 of none, of the kinds asked for."""

    last: Mapping[int, int]

    def unread(self, production_id: int | None, *, position: int, knows_to: int) -> int:
        """The last event taken out of a production's part of the log, or of all, after both positions; 0: none was.

        `position` is how far the part was read, `knows_to` up to where it is known that events are missing.
        """
        if production_id is None:
            last = max(self.last.values(), default=0)
        else:
            last = max(self.last.get(production_id, 0), self.last.get(0, 0))
        return last if last > max(position, knows_to) else 0


def hold(session: Session) -> None:
    """Let nothing be taken out of the log until the transaction ends."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _CLEANING_LOCK})


def held(session: Session) -> bool:
    """Do the same, unless somebody else does; whether it is done."""
    if session.get_bind().dialect.name != "postgresql":
        return True
    return bool(session.scalar(text("SELECT pg_try_advisory_xact_lock(:key)"), {"key": _CLEANING_LOCK}))


def cleaned_to(session: Session, *, production_id: int | None = None, kinds: Collection[str] | None = None) -> int:
    """The last event that was taken out, of a production and of these kinds where given; 0 where none was.

    Whoever has read up to there, or further, misses nothing.
    """
    wanted = _wanted(production_id=production_id, shot_id=None, kinds=kinds)
    return session.exec(select(func.max(CleanedRow.position)).where(*wanted)).one() or 0


def ends(session: Session) -> tuple[int, int]:
    """The last event of the log, and the last that was taken out of it, in one query; 0 where there is none."""
    last = select(func.max(EventRow.id)).scalar_subquery()
    gone = select(func.max(CleanedRow.position)).scalar_subquery()
    head, cleaned_last = session.exec(select(last, gone)).one()
    return head or 0, cleaned_last or 0


def gap(session: Session, *, production_id: int, shot_id: int, kinds: Collection[str] | None = None) -> Gap | None:
    """What is gone of a shot, of these kinds where given; None where nothing is."""
    wanted = _wanted(production_id=production_id, shot_id=shot_id, kinds=kinds)
    rows = session.exec(select(CleanedRow).where(*wanted)).all()
    if not rows:
        return None
    events, position = sum(each.events for each in rows), max(each.position for each in rows)
    return Gap(events, position, max(each.happened_at for each in rows))


def free(session: Session, found: list[Behind], *, knows_to: int, kinds: Collection[str]) -> list[Behind]:
    """Those of these parts of the log in which nothing of these kinds is gone that was not read."""
    if not found or cleaned_to(session) <= max(knows_to, min(each.position for each in found)):
        return found
    gone = cleaned(session, kinds)
    known = {"knows_to": knows_to}
    return [each for each in found if not gone.unread(each.part.production_id, position=each.position, **known)]


def unread_on_any(
    session: Session, there: Mapping[str, Cursor], *, knows_to: int, kinds: Collection[str], by_production: bool
) -> int:
    """As `Cleaned.unread`, of all the parts of the log that these cursors, by the name of their part, are on."""
    if cleaned_to(session) <= knows_to:
        return 0
    gone, found = cleaned(session, kinds), 0
    for part in partitions.parts(session, by_production=by_production):
        position = there[part.name].position if part.name in there else part.begins
        found = max(found, gone.unread(part.production_id, position=position, knows_to=knows_to))
    return found


def cleaned(session: Session, kinds: Collection[str]) -> Cleaned:
    """Up to where events of these kinds are gone, by production."""
    if MAY_GO.isdisjoint(kinds):
        return Cleaned({})
    statement = select(CleanedRow.production_id, func.max(CleanedRow.position)).group_by(col(CleanedRow.production_id))
    return Cleaned(dict(session.exec(statement.where(col(CleanedRow.kind).in_(sorted(kinds)))).all()))


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
