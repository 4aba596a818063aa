"""Shots, and the parts of them that stages shoot."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import and_, delete, exists, insert, not_, or_, select
from sqlmodel import Session, col

from service.domain.phases import Phase
from service.store.rows import locked
from service.store.tables import EpisodeRow, PartRow, ShotRow, StageRow, SuspensionRow

IN_HAND = [phase.value for phase in Phase if phase not in {Phase.PLANNING, Phase.APPROVED}]


@dataclass(frozen=True, slots=True)
class PlannedPart:
    """A part of a shot on a stage, by the stage's code.

    `first` and `last` are frame identities, None for the planned end.
    """

    part: str
    stage: str
    first: int | None
    last: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Which shots of a production; `on_stage_id` also keeps the shots that no stage is planned for.

    In hand are shots from set dressing to approval that are neither omitted nor suspended.
    """

    episode_id: int | None = None
    stage_id: int | None = None
    scene: str | None = None
    on_stage_id: int | None = None
    phase: str | None = None
    animator: str | None = None
    suspended: bool | None = None
    in_hand: bool | None = None


def by_code(session: Session, production_id: int, code: str, *, lock: bool = False) -> ShotRow | None:
    """The shot of this code in a production.

    With *lock*, kept from other writers (after production and episode, before takes).
    """
    statement = select(ShotRow).where(col(ShotRow.production_id) == production_id, col(ShotRow.code) == code)
    return session.scalars(locked(statement, lock=lock)).one_or_none()


def ids_of(session: Session, production_id: int, shot_ids: Collection[int]) -> set[int]:
    """Those of *shot_ids* that are shots of the production."""
    if not shot_ids:
        return set()
    statement = select(col(ShotRow.id)).where(
        col(ShotRow.production_id) == production_id, col(ShotRow.id).in_(sorted(shot_ids))
    )
    return {id_ for id_ in session.scalars(statement) if id_ is not None}


def taken_codes(session: Session, production_id: int, codes: Collection[str]) -> set[str]:
    """Those of *codes* that shots of the production, omitted ones included, already have."""
    statement = select(col(ShotRow.code)).where(
        col(ShotRow.production_id) == production_id, col(ShotRow.code).in_(codes)
    )
    return set(session.scalars(statement))


def page(session: Session, production_id: int, *, after: int, limit: int, where: Filter) -> Sequence[ShotRow]:
    """At most *limit* shots of a production that pass the filter, added after the one with id *after*."""
    statement = select(ShotRow).where(col(ShotRow.production_id) == production_id, col(ShotRow.id) > after)
    part_on = exists().where(col(PartRow.shot_id) == col(ShotRow.id))
    if where.episode_id is not None:
        statement = statement.where(col(ShotRow.episode_id) == where.episode_id)
    if where.scene is not None:
        statement = statement.where(col(ShotRow.scene) == where.scene)
    if where.stage_id is not None:
        statement = statement.where(part_on.where(col(PartRow.stage_id) == where.stage_id))
    if where.on_stage_id is not None:
        statement = statement.where(or_(part_on.where(col(PartRow.stage_id) == where.on_stage_id), ~part_on))
    for named, value in ((ShotRow.phase, where.phase), (ShotRow.animator, where.animator)):
        if value is not None:
            statement = statement.where(col(named) == value)
    held = exists().where(col(SuspensionRow.shot_id) == col(ShotRow.id), col(SuspensionRow.resumed_at).is_(None))
    if where.suspended is not None:
        statement = statement.where(held if where.suspended else ~held)
    if where.in_hand is not None:
        in_hand = and_(col(ShotRow.phase).in_(IN_HAND), ~col(ShotRow.omitted), ~held)
        statement = statement.where(in_hand if where.in_hand else not_(in_hand))
    return session.scalars(statement.order_by(col(ShotRow.id)).limit(limit)).all()


def in_turn(session: Session, production_id: int, *, where: Filter, at_once: int) -> Iterator[Sequence[ShotRow]]:
    """Every shot of a production that passes the filter, *at_once* at a time, in the order they were added."""
    after = 0
    while rows := page(session, production_id, after=after, limit=at_once, where=where):
        yield rows
        if len(rows) < at_once:
            return
        after = rows[-1].id or 0


def parts(session: Session, shot_ids: Collection[int]) -> dict[int, tuple[PlannedPart, ...]]:
    """The parts of these shots, by name within a shot; a shot no stage is planned for has none."""
    statement = (
        select(col(PartRow.shot_id), col(PartRow.part), col(StageRow.code), col(PartRow.first), col(PartRow.last))
        .join(StageRow, col(StageRow.id) == col(PartRow.stage_id))
        .where(col(PartRow.shot_id).in_(shot_ids))
        .order_by(col(PartRow.shot_id), col(PartRow.part))
    )
    found: dict[int, tuple[PlannedPart, ...]] = {int(id_): () for id_ in shot_ids}
    for shot_id, *rest in session.execute(statement):
        found[shot_id] = (*found[shot_id], PlannedPart(*rest))
    return found


def set_parts(
    session: Session, shot_id: int, *, planned: Collection[PlannedPart], stage_ids: Mapping[str, int]
) -> None:
    """Put these parts in the place of those a shot had; *stage_ids* gives the id of each stage's code."""
    session.execute(delete(PartRow).where(col(PartRow.shot_id) == shot_id))
    add_parts(session, {shot_id: planned}, stage_ids)


def add_parts(session: Session, planned: Mapping[int, Collection[PlannedPart]], stage_ids: Mapping[str, int]) -> None:
    """Store the parts of shots that have none yet."""
    rows = [
        {
            "shot_id": shot_id,
            "part": part.part,
            "stage_id": stage_ids[part.stage],
            "first": part.first,
            "last": part.last,
        }
        for shot_id, parts_ in planned.items()
        for part in parts_
    ]
    if rows:
        session.execute(insert(PartRow), rows)


def episode_codes(session: Session, ids: Collection[int]) -> dict[int, str]:
    """The codes of these episodes by id."""
    found = session.execute(select(col(EpisodeRow.id), col(EpisodeRow.code)).where(col(EpisodeRow.id).in_(ids)))
    return {int(id_): code for id_, code in found}


def by_ids(session: Session, shot_ids: Collection[int]) -> Sequence[ShotRow]:
    """These shots, in the order of their ids."""
    return session.scalars(select(ShotRow).where(col(ShotRow.id).in_(shot_ids)).order_by(col(ShotRow.id))).all()


def ids_after(session: Session, after: int, *, limit: int) -> list[int]:
    """The ids of up to *limit* shots of all productions above *after*, rising."""
    statement = select(col(ShotRow.id)).where(col(ShotRow.id) > after).order_by(col(ShotRow.id)).limit(limit)
    return [id_ for id_ in session.scalars(statement) if id_ is not None]


def ids_by_code(session: Session, production_id: int, codes: Collection[str]) -> dict[str, int]:
    """The ids of the production's shots that have one of *codes*, omitted ones included."""
    statement = select(col(ShotRow.code), col(ShotRow.id)).where(
        col(ShotRow.production_id) == production_id, col(ShotRow.code).in_(codes)
    )
    return {code: id_ for code, id_ in session.execute(statement) if id_ is not None}


def codes(session: Session, shot_ids: Collection[int]) -> dict[int, str]:
    """The codes of these shots by id."""
    found = session.execute(select(col(ShotRow.id), col(ShotRow.code)).where(col(ShotRow.id).in_(shot_ids)))
    return {int(id_): code for id_, code in found}
