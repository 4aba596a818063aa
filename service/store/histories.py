"""Read the history of a shot: its events, and what the ledger says of the counts behind them."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func
from sqlmodel import Session, col, select

from service.domain.events import Event, EventKind
from service.domain.histories import Seen
from service.store.events import event_of
from service.store.tables import CountRow, EventRow, StageRow, TerminalRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Which events of a shot: of these kinds, from the instant `since` on and before `until`, where given."""

    newest_first: bool = False
    kinds: Collection[str] | None = None
    since: datetime | None = None
    until: datetime | None = None


def page(session: Session, shot_id: int, asked: Asked, *, after: int, limit: int) -> list[Event]:
    """At most *limit* events of a shot that come after the one with id *after* in the order asked for; 0: from the end.

    The end is the newest where the newest come first.
    """
    ids = col(EventRow.id)
    statement = select(EventRow).where(col(EventRow.shot_id) == shot_id)
    if asked.newest_first:
        statement = statement.order_by(ids.desc())
        statement = statement.where(ids < after) if after else statement
    else:
        statement = statement.order_by(ids).where(ids > after)
    if asked.kinds is not None:
        statement = statement.where(col(EventRow.kind).in_(sorted(asked.kinds)))
    if asked.since is not None:
        statement = statement.where(col(EventRow.at) >= asked.since)
    if asked.until is not None:
        statement = statement.where(col(EventRow.at) < asked.until)
    return [event_of(row) for row in session.scalars(statement.limit(limit))]


def last(session: Session, shot_id: int) -> int:
    """The id of the last event of a shot, 0 where there is none."""
    return session.scalar(select(func.max(EventRow.id)).where(col(EventRow.shot_id) == shot_id)) or 0


def seen(session: Session, events: Sequence[Event]) -> dict[int, Seen]:
    """What the ledger says of the counts behind each event that tells of some, by the event's id.

    An event of counts and their rows in the ledger were written in one transaction, at one instant of the server's
    clock. Counts that were since moved to another shot are not found.
    """
    counted = [each for each in events if each.kind == EventKind.FRAMES_COUNTED and "series" in each.data]
    if not counted:
        return {}
    received = [each.at for each in counted]
    statement = (
        select(CountRow.series_id, CountRow.received_at, TerminalRow.name, StageRow.code)
        .add_columns(col(CountRow.animator), col(CountRow.day_on))
        .join(StageRow, col(StageRow.id) == col(CountRow.stage_id))
        .join(TerminalRow, col(TerminalRow.id) == col(CountRow.terminal_id))
        .where(col(CountRow.series_id).in_({each.data["series"] for each in counted}))
        .where(col(CountRow.received_at) >= min(received), col(CountRow.received_at) <= max(received))
        .order_by(col(CountRow.id))
    )
    found: dict[tuple[int, datetime, str], list[tuple[str, str | None, date]]] = defaultdict(list)
    for series_id, at, terminal, stage, animator, day_on in session.execute(statement):
        found[series_id, at, terminal].append((stage, animator, day_on))
    told = {each.id: found.get((each.data["series"], each.at, each.actor), []) for each in counted}
    return {id_: _seen(rows) for id_, rows in told.items() if rows}


def _seen(rows: Sequence[tuple[str, str | None, date]]) -> Seen:
    animators = {animator for _, animator, _ in rows if animator is not None}
    stage, _, day_on = rows[-1]
    return Seen(stage=stage, animators=tuple(sorted(animators)), day_on=day_on)
