"""Take events out of the log that every worker has read: which may go, up to where, and how far a pass has come."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, and_, case, delete, func, or_
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from service.domain.editions import EditionState
from service.domain.events import MAY_GO, EventKind
from service.store import catalogue, events, partitions
from service.store.cursors import by_partition
from service.store.tables import CatalogueRow, CleanedRow, CleaningRow, EditionRow, EventRow, QuarantineRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """A pass through the log, from its beginning on: when it began, up to where it has looked, and when it ended."""

    looked_to: int
    begun_at: datetime
    ended_at: datetime | None = None


def last_pass(session: Session) -> Pass | None:
    """The pass that is under way, else the last one; None before any."""
    row = session.get(CleaningRow, 1, populate_existing=True)
    return None if row is None else Pass(looked_to=row.looked_to, begun_at=row.begun_at, ended_at=row.ended_at)


def note(session: Session, done: Pass) -> None:
    """Keep how far a pass has come."""
    row = session.get(CleaningRow, 1) or CleaningRow(looked_to=0, begun_at=done.begun_at)
    row.looked_to, row.begun_at, row.ended_at = done.looked_to, done.begun_at, done.ended_at
    session.add(row)


def read_by_all(session: Session, *, now: datetime) -> int:
    """Up to which event every worker that hosts have has read all that may go; the last event where none wants such.

    For the rows it shows, for those it fills beside them, and for those of an earlier version that a host still has. A
    worker that no host has any more keeps nobody waiting.
    """
    there: dict[str, list[CatalogueRow]] = defaultdict(list)
    for row in session.exec(select(CatalogueRow)):
        there[row.worker].append(row)
    wanting = {worker for worker, rows in there.items() if any(_may_want(row) for row in rows)}
    rows = session.exec(
        select(EditionRow).where(
            col(EditionRow.worker).in_(wanting),
            col(EditionRow.state) != EditionState.GIVEN_UP.value,
            col(EditionRow.swept).is_(False),
        )
    )
    positions = [_read_to(session, row) for row in rows if _in_use(session, row, now=now)]
    return min([events.head(session), *positions])


def reached(session: Session, after: int, *, number: int, end: int) -> int:
    """The event that comes so many after a position, or the one at the `end` where fewer do."""
    ids = select(EventRow.id).where(col(EventRow.id) > after).order_by(col(EventRow.id))
    there = session.exec(ids.offset(number - 1).limit(1)).one_or_none()
    return end if there is None else min(there, end)


def take_out(session: Session, *, after: int, to: int, before: datetime, now: datetime) -> int:
    """Take out what may go of the events after a position up to another that happened before an instant; how many.

    Kept are the newest count of each shot, the last event of each production and of none, and what was set aside for a
    worker and still waits.
    """
    gone = session.execute(
        delete(EventRow)
        .where(col(EventRow.id) > after, col(EventRow.id) <= to, col(EventRow.at) < before, _superseded(), ~_waits())
        .returning(
            col(EventRow.id),
            col(EventRow.production_id),
            col(EventRow.shot_id),
            col(EventRow.kind),
            col(EventRow.at),
        )
        .execution_options(synchronize_session=False)
    ).all()
    found: dict[tuple[int, int, str], list[tuple[int, datetime]]] = defaultdict(list)
    for id_, production_id, shot_id, kind, at in gone:
        found[production_id or 0, shot_id or 0, kind].append((id_, at))
    _remember(
        session,
        (
            {
                "production_id": production_id,
                "shot_id": shot_id,
                "kind": kind,
                "position": max(id_ for id_, _ in taken),
                "happened_at": max(at for _, at in taken),
                "events": len(taken),
                "cleaned_at": now,
            }
            for (production_id, shot_id, kind), taken in sorted(found.items())
        ),
    )
    return len(gone)


def _may_want(row: CatalogueRow) -> bool:
    # What a package wants that could never be loaded nobody knows.
    return row.version == 0 or not MAY_GO.isdisjoint(row.events)


def _in_use(session: Session, row: EditionRow, *, now: datetime) -> bool:
    return row.state != EditionState.FORMER or row.version in catalogue.loaded(session, row.worker, now=now)


def _read_to(session: Session, row: EditionRow) -> int:
    if row.by_facts and row.filled_at is None:
        return events.head(session) if row.reads_from is None else row.reads_from
    return partitions.reach(session, by_partition(session, row.worker, row.edition)).position


def _superseded() -> ColumnElement[bool]:
    """Whether a later event stands for this one: of counts the shot's next, of unmatched ones any of its production."""
    later = aliased(EventRow)
    # The end of an index each; asked whether there is a later row, PostgreSQL would read the table from its beginning.
    last = select(func.max(col(later.id)))
    of_shot = last.where(
        col(later.shot_id) == col(EventRow.shot_id), col(later.kind) == EventKind.FRAMES_COUNTED.value
    ).scalar_subquery()
    of_production = last.where(col(later.production_id) == col(EventRow.production_id)).scalar_subquery()
    of_none = last.where(col(later.production_id).is_(None)).scalar_subquery()
    kind, id_ = col(EventRow.kind), col(EventRow.id)
    return or_(
        and_(kind == EventKind.FRAMES_COUNTED.value, id_ < of_shot),
        and_(kind == EventKind.FRAMES_UNMATCHED.value, id_ < of_production),
        and_(kind == EventKind.FRAMES_UNMATCHED.value, col(EventRow.production_id).is_(None), id_ < of_none),
    )


def _waits() -> ColumnElement[bool]:
    waiting = select(QuarantineRow.event_id).where(col(QuarantineRow.released_at).is_(None))
    return col(EventRow.id).in_(waiting)


def _remember(session: Session, taken: Iterable[dict[str, object]]) -> None:
    dialect = postgresql if session.get_bind().dialect.name == "postgresql" else sqlite
    new = dialect.insert(CleanedRow)
    known = CleanedRow.__table__.c  # type: ignore[attr-defined]  # SQLModel tells no type of its tables
    statement = new.on_conflict_do_update(
        index_elements=["production_id", "shot_id", "kind"],
        set_={
            **{
                name: case((known[name] > new.excluded[name], known[name]), else_=new.excluded[name])
                for name in ("position", "happened_at")
            },
            "events": known.events + new.excluded.events,
            "cleaned_at": new.excluded.cleaned_at,
        },
    )
    if rows := list(taken):
        session.execute(statement, rows)
