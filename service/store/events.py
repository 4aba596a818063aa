"""The append-only log: append, read, head."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, func, insert, select, text
from sqlmodel import Session, col

from service.domain.events import Event, EventKind
from service.store.tables import EventRow

# Any constant no other lock of this database uses; all appenders must share it.
_APPEND_LOCK = 0x7469_6564_6F77_6E


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """An event about to be appended."""

    kind: EventKind
    at: datetime
    actor: str
    production_id: int | None = None
    shot_id: int | None = None
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """Which events somebody asks for and may see: of these kinds, of this production; None asks for all."""

    kinds: frozenset[str] | None = None
    production_id: int | None = None

    def takes(self, event: Event) -> bool:
        """Whether an event is one of them, as the database would judge."""
        return (self.kinds is None or event.kind in self.kinds) and (
            self.production_id is None or event.production_id == self.production_id
        )

    def clauses(self) -> Iterator[ColumnElement[bool]]:
        """What a row must be to be one of them."""
        if self.kinds is not None:
            yield col(EventRow.kind).in_(sorted(self.kinds))
        if self.production_id is not None:
            yield col(EventRow.production_id) == self.production_id


def append(
    session: Session,
    *,
    kind: EventKind,
    at: datetime,
    actor: str,
    production_id: int | None = None,
    shot_id: int | None = None,
    data: Mapping[str, Any],
) -> int:
    """Append one event and return its id. Rows still pending are written first; call it last in a transaction."""
    happening = Happening(kind=kind, at=at, actor=actor, production_id=production_id, shot_id=shot_id, data=data)
    return append_all(session, [happening])[0]


def append_all(session: Session, happenings: Sequence[Happening]) -> list[int]:
    """Append events in this order and return their ids.

    Rows still pending are written first; call it last in a transaction.
    """
    if not happenings:
        return []
    session.flush()
    if session.get_bind().dialect.name == "postgresql":
        # Held to the commit: a reader that remembers position N would otherwise never see N - 1, committed after N by a
        # slower writer.
        session.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _APPEND_LOCK})
    rows = [
        {
            "at": each.at,
            "kind": each.kind.value,
            "actor": each.actor,
            "production_id": each.production_id,
            "shot_id": each.shot_id,
            "data": dict(each.data),
        }
        for each in happenings
    ]
    statement = insert(EventRow).returning(col(EventRow.id), sort_by_parameter_order=True)
    return [int(id_) for (id_,) in session.execute(statement, rows)]


def read_after(
    session: Session,
    position: int,
    *,
    limit: int,
    kinds: Collection[str] | None = None,
    production_id: int | None = None,
    holds: ColumnElement[bool] | None = None,
) -> list[Event]:
    """At most *limit* events after *position* in order, of these kinds, this production, in a partition where given."""
    sought = Sought(kinds=None if kinds is None else frozenset(kinds), production_id=production_id)
    statement = select(EventRow).where(col(EventRow.id) > position, *sought.clauses())
    statement = statement.order_by(col(EventRow.id)).limit(limit)
    if holds is not None:
        statement = statement.where(holds)
    return [event_of(row) for row in session.scalars(statement)]


def up_to(position: int) -> ColumnElement[bool]:
    """What an event must be to come no later than this position."""
    return col(EventRow.id) <= position


def event_of(row: EventRow) -> Event:
    """The entry of the log that a row holds."""
    return Event(
        id=row.id or 0,
        at=row.at,
        kind=row.kind,
        actor=row.actor,
        production_id=row.production_id,
        shot_id=row.shot_id,
        data=row.data,
    )


def head(session: Session) -> int:
    """The id of the last event, 0 where there is none."""
    return session.scalar(select(func.max(EventRow.id))) or 0


def last_of(session: Session, production_id: int) -> int:
    """The id of the last event of a production, 0 where there is none."""
    return session.scalar(select(func.max(EventRow.id)).where(col(EventRow.production_id) == production_id)) or 0
