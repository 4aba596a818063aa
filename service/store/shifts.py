"""The stages' logs."""

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy import ColumnElement
from sqlmodel import Session, col, select

from service.domain.shifts import DAY_SIGNALS, LONGEST_SHIFT, Identity, Shift, Signal, shifts_of
from service.store.tables import CountRow, StageLogRow, StageRow

DAY_KINDS = sorted(DAY_SIGNALS)


def keep_stage(session: Session, stage_id: int, *, alone: bool) -> None:
    """Lock a stage to the end of the transaction: alone to change its log, or beside others who read it.

    Without it a count could be dated by a log that a call is just being entered in. It comes before every other lock.
    """
    statement = select(StageRow.id).where(col(StageRow.id) == stage_id)
    session.exec(statement.with_for_update(key_share=alone, read=not alone)).one()


def around(session: Session, stage_id: int, first: datetime, last: datetime) -> tuple[Shift, ...]:
    """The shifts of a stage that may hold an instant between `first` and `last`."""
    statement = select(col(StageLogRow.at), col(StageLogRow.kind)).where(
        col(StageLogRow.stage_id) == stage_id,
        col(StageLogRow.kind).in_(DAY_KINDS),
        col(StageLogRow.at) >= first - LONGEST_SHIFT,
        col(StageLogRow.at) <= last + LONGEST_SHIFT,
    )
    return shifts_of((at, Signal(kind)) for at, kind in session.exec(statement))


def lately(session: Session, stage_ids: Collection[int], now: datetime) -> dict[int, list[tuple[datetime, Signal]]]:
    """What the logs of these stages say of the last 24 hours, by stage, in the order it was entered."""
    found: dict[int, list[tuple[datetime, Signal]]] = {stage_id: [] for stage_id in stage_ids}
    statement = (
        select(col(StageLogRow.stage_id), col(StageLogRow.at), col(StageLogRow.kind))
        .where(col(StageLogRow.stage_id).in_(stage_ids), col(StageLogRow.at) > now - LONGEST_SHIFT)
        .order_by(col(StageLogRow.id))
    )
    for stage_id, at, kind in session.exec(statement):
        found[stage_id].append((at, Signal(kind)))
    return found


def since(session: Session, stage_id: int, instant: datetime) -> Sequence[StageLogRow]:
    """The lines of a stage's log of this instant and later, in the order of their instants, of one as they came."""
    statement = select(StageLogRow).where(col(StageLogRow.stage_id) == stage_id, col(StageLogRow.at) >= instant)
    return session.exec(statement.order_by(col(StageLogRow.at), col(StageLogRow.id))).all()


def find(
    session: Session, stage_id: int, signal: Signal, at: datetime, *, reason: str | None = None
) -> StageLogRow | None:
    """The first line of this kind at this instant that gives this reason, or none."""
    statement = select(StageLogRow).where(
        col(StageLogRow.stage_id) == stage_id,
        col(StageLogRow.at) == at,
        col(StageLogRow.kind) == signal.value,
        col(StageLogRow.reason).is_not_distinct_from(reason),
    )
    return session.exec(statement.order_by(col(StageLogRow.id)).limit(1)).one_or_none()


def named(session: Session, terminal_id: int, identity: Identity) -> StageLogRow | None:
    """The line that a terminal gave this identity."""
    statement = select(StageLogRow).where(
        col(StageLogRow.terminal_id) == terminal_id,
        col(StageLogRow.spool) == identity.spool,
        col(StageLogRow.serial) == identity.serial,
    )
    return session.exec(statement).one_or_none()


def page(
    session: Session, stage_id: int, *, after: int, limit: int, signal: Signal | None = None
) -> Sequence[StageLogRow]:
    """At most `limit` lines of a stage's log entered after the one with id `after`, all or those of one kind."""
    statement = select(StageLogRow).where(col(StageLogRow.stage_id) == stage_id, col(StageLogRow.id) > after)
    if signal is not None:
        statement = statement.where(col(StageLogRow.kind) == signal.value)
    return session.exec(statement.order_by(col(StageLogRow.id)).limit(limit)).all()


def shots_near(session: Session, stage_id: int, at: datetime) -> set[int]:
    """The shots that counts of a stage count for whose production day an entry at this instant may decide."""
    statement = select(CountRow.shot_id).where(*_near(stage_id, at), col(CountRow.shot_id).is_not(None)).distinct()
    return {shot_id for shot_id in session.exec(statement) if shot_id is not None}


def captured_near(session: Session, stage_id: int, at: datetime) -> Sequence[CountRow]:
    """The counts of a stage whose production day an entry at this instant may decide, locked."""
    statement = (
        select(CountRow)
        .where(*_near(stage_id, at))
        .order_by(col(CountRow.terminal_id), col(CountRow.spool), col(CountRow.serial))
        .with_for_update(key_share=True)
    )
    return session.exec(statement).all()


def _near(stage_id: int, at: datetime) -> tuple[ColumnElement[bool], ...]:
    return (
        col(CountRow.stage_id) == stage_id,
        col(CountRow.captured_at) >= at - LONGEST_SHIFT,
        col(CountRow.captured_at) <= at + LONGEST_SHIFT,
    )
