"""Parts of the log that have cursors of their own: what each holds, and how far a worker has read them together.

A partition is the whole log, or what concerns one production: its events and those of no production, so that no row has
to be written by two cursors. It begins right before the production's first event, whatever the studio did before.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from sqlalchemy import ColumnElement, or_, true
from sqlmodel import Session, col, func, select

from service.store import events
from service.store.cursors import Cursor, CursorKey, by_partition
from service.store.tables import EventRow, ProductionRow, QuarantineRow

WHOLE_LOG = "all"
_OF = "production "


@dataclass(frozen=True, slots=True)
class Part:
    """A partition: the position its cursor begins at, and the last event it holds.

    `production_id` is None where it is the whole log.
    """

    name: str
    production_id: int | None
    begins: int
    last: int

    def holds(self) -> ColumnElement[bool]:
        """What an event of the log must be to be in it."""
        return concerning(self.production_id)


@dataclass(frozen=True, slots=True)
class Behind:
    """A partition with something to do, where its cursor stands, and the cursor, None before its first step."""

    part: Part
    position: int
    cursor: Cursor | None


@dataclass(frozen=True, slots=True)
class Reach:
    """How far a worker has read the log: `position` holds for all of it, `left` are the productions' parts behind.

    `left` is empty where the worker reads the log as a whole.
    """

    position: int
    left: tuple[Behind, ...]


def concerning(production_id: int | None) -> ColumnElement[bool]:
    """What an event must be to concern a production: its own, or of none; any event where none is given."""
    if production_id is None:
        return true()
    return or_(col(EventRow.production_id) == production_id, col(EventRow.production_id).is_(None))


def named(production_id: int) -> str:
    """The name of a production's partition."""
    return f"{_OF}{production_id}"


def production_of(partition: str) -> int | None:
    """The production whose partition has this name; None of the whole log."""
    return int(partition.removeprefix(_OF)) if partition.startswith(_OF) else None


def part(session: Session, name: str) -> Part:
    """The partition of this name; one without any event where nothing ever happened in its production."""
    if (production_id := production_of(name)) is None:
        return parts(session, by_production=False)[0]
    found = parts(session, by_production=True, only=production_id)
    return found[0] if found else Part(name, production_id, 0, 0)


def parts(session: Session, *, by_production: bool, only: int | None = None) -> list[Part]:
    """The partitions there are: the whole log, or one a production that anything happened in, or of one of them `only`.

    Two look-ups in an index for each production, in one query.
    """
    if not by_production:
        return [Part(WHOLE_LOG, None, 0, events.head(session))]
    own = col(EventRow.production_id) == col(ProductionRow.id)
    first = select(func.min(EventRow.id)).where(own).correlate(ProductionRow).scalar_subquery()
    last = select(func.max(EventRow.id)).where(own).correlate(ProductionRow).scalar_subquery()
    of_none = select(func.max(EventRow.id)).where(col(EventRow.production_id).is_(None))
    shared = session.exec(of_none).one() or 0
    statement = select(ProductionRow.id, first, last).order_by(col(ProductionRow.id))
    found = session.exec(statement if only is None else statement.where(col(ProductionRow.id) == only))
    return [
        Part(named(id_), id_, begins - 1, max(ends, shared))
        for id_, begins, ends in found
        if id_ is not None and begins is not None
    ]


def behind(
    session: Session, worker: str, edition: int, among: Iterable[Part], *, asked: Collection[CursorKey]
) -> list[Behind]:
    """The partitions with something a worker has not read or is `asked` to try again, the longest untouched first.

    So that where there are more of them than hands, a busy production does not keep the others out.
    """
    again = {key.partition for key in asked if (key.worker, key.edition) == (worker, edition)}
    return sorted(_behind(among, by_partition(session, worker, edition), again), key=_untouched)


def reach(session: Session, there: Mapping[str, Cursor]) -> Reach:
    """How far a edition with these cursors, by the name of their partition, has read the log.

    A cursor stays where it is while nothing happens in its partition, which then holds nothing up.
    """
    by_production = any(production_of(name) is not None for name in there)
    if not by_production:
        return Reach(min((cursor.position for cursor in there.values()), default=0), ())
    left = tuple(_behind(parts(session, by_production=True), there, ()))
    return Reach(min((each.position for each in left), default=events.head(session)), left)


def reached(session: Session, worker: str, edition: int) -> int:
    """The event up to which a edition has read all that concerns it, on every partition; 0 before its first step."""
    return reach(session, by_partition(session, worker, edition)).position


def asked_again(session: Session) -> set[CursorKey]:
    """The cursors of which an event that was set aside is to be tried again, whether or not it is its turn yet."""
    statement = (
        select(QuarantineRow.worker, QuarantineRow.edition, QuarantineRow.partition)
        .where(col(QuarantineRow.released_at).is_(None), col(QuarantineRow.retry_at).is_not(None))
        .distinct()
    )
    return {CursorKey(*each) for each in session.exec(statement)}


def _behind(among: Iterable[Part], there: Mapping[str, Cursor], again: Collection[str]) -> Iterator[Behind]:
    for part in among:
        cursor = there.get(part.name)
        position = part.begins if cursor is None else cursor.position
        if position < part.last or part.name in again:
            yield Behind(part, position, cursor)


def _untouched(each: Behind) -> tuple[float, int]:
    moved_at = None if each.cursor is None else each.cursor.moved_at
    return (0.0 if moved_at is None else moved_at.timestamp(), each.position)
