"""Decisions over a time: which shots they spoke of, what was counted meanwhile, what went through compositing."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.domain.events import EventKind
from service.domain.phases import Phase
from service.domain.queues import Turn
from service.domain.signoffs import Matter
from service.domain.takes import Purpose
from service.store.tables import CountRow, DecisionRow, EventRow, MoveRow, ShotRow, SignOffRow

OMISSIONS: Mapping[str, Turn] = {
    EventKind.SHOT_OMITTED: Turn.OMITTED,
    EventKind.SHOT_MERGED: Turn.OMITTED,
    EventKind.SHOT_RESTORED: Turn.RESTORED,
}


def decided(session: Session, production_id: int, opens_at: datetime, *, closes_at: datetime) -> set[int]:
    """The ids of the shots of a production that anything was decided of in [opens_at, closes_at)."""
    statement = (
        select(col(DecisionRow.shot_id))
        .join(ShotRow, col(ShotRow.id) == col(DecisionRow.shot_id))
        .where(
            col(ShotRow.production_id) == production_id,
            col(DecisionRow.decided_at) >= opens_at,
            col(DecisionRow.decided_at) < closes_at,
        )
        .distinct()
    )
    return set(session.scalars(statement))


def counted(session: Session, production_id: int, first_on: date, *, last_on: date) -> dict[int, bool]:
    """The ids of the shots of a production with counts captured on these production days, both included.

    And of each whether all its counts were.
    """
    on_the_days = select(col(CountRow.shot_id)).where(
        col(CountRow.day_on) >= first_on, col(CountRow.day_on) <= last_on, col(CountRow.shot_id).is_not(None)
    )
    first, last = func.min(CountRow.day_on), func.max(CountRow.day_on)
    statement = (
        select(col(CountRow.shot_id), first, last)
        .join(ShotRow, col(ShotRow.id) == col(CountRow.shot_id))
        .where(
            col(ShotRow.production_id) == production_id,
            col(CountRow.purpose) == Purpose.SHOOT.value,
            col(CountRow.shot_id).in_(on_the_days),
        )
        .group_by(col(CountRow.shot_id))
    )
    return {id_: first_on <= first and last <= last_on for id_, first, last in session.execute(statement)}


def comp_turns(session: Session, production_id: int) -> list[Sequence[tuple[datetime, Turn]]]:
    """What befell each shot of a production that was ever moved into compositing, as far as its comp's queue goes."""
    found: dict[int, list[tuple[datetime, Turn]]] = defaultdict(list)
    statement = (
        select(col(MoveRow.shot_id), col(MoveRow.moved_at), col(MoveRow.to_phase))
        .join(ShotRow, col(ShotRow.id) == col(MoveRow.shot_id))
        .where(
            col(ShotRow.production_id) == production_id,
            (col(MoveRow.to_phase) == Phase.COMPOSITING.value) | (col(MoveRow.origin) == Phase.COMPOSITING.value),
        )
        .order_by(col(MoveRow.id))
    )
    for shot_id, moved_at, to_phase in session.execute(statement):
        found[shot_id].append((moved_at, Turn.CAME if to_phase == Phase.COMPOSITING else Turn.LEFT))
    for shot_id, at, turn in (*_deliveries(session, found), *_omissions(session, found)):
        found[shot_id].append((at, turn))
    return list(found.values())


def _deliveries(session: Session, shot_ids: Collection[int]) -> list[tuple[int, datetime, Turn]]:
    statement = (
        select(col(SignOffRow.shot_id), col(SignOffRow.signed_at), col(SignOffRow.withdrawn_at))
        .where(col(SignOffRow.shot_id).in_(shot_ids), col(SignOffRow.matter) == Matter.COMP_DELIVERED.value)
        .order_by(col(SignOffRow.id))
    )
    given: dict[int, list[tuple[datetime, datetime | None]]] = defaultdict(list)
    for shot_id, signed_at, withdrawn_at in session.execute(statement):
        given[shot_id].append((signed_at, withdrawn_at))
    turns = []
    for shot_id, of_shot in given.items():
        for place, (signed_at, withdrawn_at) in enumerate(of_shot, start=1):
            turns.append((shot_id, signed_at, Turn.DELIVERED))
            # Of a comp that a later one had replaced a withdrawal takes nothing back.
            if withdrawn_at is not None and (place == len(of_shot) or withdrawn_at < of_shot[place][0]):
                turns.append((shot_id, withdrawn_at, Turn.WITHDRAWN))
    return turns


def _omissions(session: Session, shot_ids: Collection[int]) -> list[tuple[int, datetime, Turn]]:
    statement = (
        select(col(EventRow.shot_id), col(EventRow.at), col(EventRow.kind))
        .where(col(EventRow.shot_id).in_(shot_ids), col(EventRow.kind).in_(sorted(OMISSIONS)))
        .order_by(col(EventRow.id))
    )
    return [(shot_id, at, OMISSIONS[kind]) for shot_id, at, kind in session.execute(statement)]
