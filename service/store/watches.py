"""Watches: who hears of what."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import ColumnElement, Select, delete, func, insert, select
from sqlmodel import Session, col

from service.domain.watches import Heard, Hours, Scope
from service.store.rows import locked
from service.store.tables import (
    DeliveryRow,
    EpisodeRow,
    ProductionRow,
    ShotRow,
    StageRow,
    WatchKindRow,
    WatchRow,
)


@dataclass(frozen=True, slots=True)
class Watch:
    """A watch with the codes of what narrows it and the kinds it hears of."""

    row: WatchRow
    production: str | None
    episode: str | None
    stage: str | None
    shot: str | None
    hears: tuple[Heard, ...]


def scope_of(row: WatchRow) -> Scope:
    """What narrows the watch of this row; the production of the key that made it is among it."""
    productions = {each for each in (row.bound_to, row.production_id) if each is not None}
    return Scope(
        production_ids=frozenset(productions),
        episode_id=row.episode_id,
        stage_id=row.stage_id,
        shot_id=row.shot_id,
        person=row.person,
    )


def is_seen_by(row: WatchRow, only: int | None) -> bool:
    """Whether a key sees a watch that is bound to the production *only*, or to none."""
    return only is None or only == (row.production_id if row.bound_to is None else row.bound_to)


def seen_by(only: int) -> ColumnElement[bool]:
    """The same as is_seen_by, in a statement."""
    return func.coalesce(col(WatchRow.bound_to), col(WatchRow.production_id)) == only


def hours_of(row: WatchRow) -> Hours:
    """When the watch of this row may be reached."""
    return Hours(
        time_zone=row.time_zone,
        quiet_from_min=row.quiet_from_min,
        quiet_to_min=row.quiet_to_min,
        every_min=row.every_min,
        at_min=tuple(row.at_min),
        muted_until=row.muted_until,
    )


def hearing(session: Session, kinds: Collection[str]) -> list[tuple[WatchRow, Heard]]:
    """The watches in force that hear of one of these kinds, each with what it hears; by watch."""
    statement = (
        select(WatchRow, col(WatchKindRow.kind), col(WatchKindRow.threshold), col(WatchKindRow.ends))
        .join(WatchKindRow, col(WatchKindRow.watch_id) == col(WatchRow.id))
        .where(*_in_force(), col(WatchKindRow.kind).in_(sorted(kinds)))
        .order_by(col(WatchRow.id))
    )
    return [
        (row, Heard(kind=kind, threshold=threshold, ends=ends))
        for row, kind, threshold, ends in session.execute(statement)
    ]


def thresholds(session: Session) -> dict[str, list[int]]:
    """The thresholds that watches in force have, rising, by kind."""
    statement = (
        select(col(WatchKindRow.kind), col(WatchKindRow.threshold))
        .join(WatchRow, col(WatchKindRow.watch_id) == col(WatchRow.id))
        .where(*_in_force())
        .distinct()
        .order_by(col(WatchKindRow.kind), col(WatchKindRow.threshold))
    )
    found: dict[str, list[int]] = defaultdict(list)
    for kind, threshold in session.execute(statement):
        found[kind].append(threshold)
    return found


def _in_force() -> tuple[ColumnElement[bool], ...]:
    return col(WatchRow.removed_at).is_(None), col(WatchRow.disabled_at).is_(None)


def _watched() -> Select[WatchRow, str, str, str, str]:
    # Codes may be none, which the type of an outer join does not say.
    return (
        select(WatchRow, col(ProductionRow.code), col(EpisodeRow.code), col(StageRow.code), col(ShotRow.code))
        .outerjoin(ProductionRow, col(ProductionRow.id) == col(WatchRow.production_id))
        .outerjoin(EpisodeRow, col(EpisodeRow.id) == col(WatchRow.episode_id))
        .outerjoin(StageRow, col(StageRow.id) == col(WatchRow.stage_id))
        .outerjoin(ShotRow, col(ShotRow.id) == col(WatchRow.shot_id))
        .where(col(WatchRow.removed_at).is_(None))
    )


def find(session: Session, name: str, *, lock: bool = False) -> Watch | None:
    """The watch of this name that was not removed."""
    named = col(WatchRow.name) == name, col(WatchRow.removed_at).is_(None)
    if lock:
        session.execute(locked(select(WatchRow).where(*named), lock=True))
    found = session.execute(_watched().where(*named)).one_or_none()
    return None if found is None else _whole(session, [tuple(found)])[0]


def by_id(session: Session, watch_id: int, *, lock: bool = False) -> WatchRow | None:
    """The watch, removed or not."""
    return session.scalars(locked(select(WatchRow).where(col(WatchRow.id) == watch_id), lock=lock)).one_or_none()


def secrets_of(row: WatchRow, now: datetime) -> tuple[str, ...]:
    """The secrets that sign for a watch, the newest first: the former one, too, until its time is up."""
    former = row.former_secret if row.former_secret_until is None or row.former_secret_until > now else None
    return (row.secret,) if former is None else (row.secret, former)


def page(session: Session, *, only: int | None, after: int, limit: int) -> list[Watch]:
    """At most *limit* watches after this id in the order they were added; *only* those made for one production."""
    statement = _watched().where(col(WatchRow.id) > after).order_by(col(WatchRow.id)).limit(limit)
    if only is not None:
        statement = statement.where(seen_by(only))
    return _whole(session, [tuple(each) for each in session.execute(statement)])


def _whole(session: Session, found: Sequence[tuple[WatchRow, str, str, str, str]]) -> list[Watch]:
    hears = kinds(session, [row.id or 0 for row, *_ in found])
    return [Watch(*each, tuple(hears.get(each[0].id or 0, ()))) for each in found]


def kinds(session: Session, watch_ids: Collection[int]) -> Mapping[int, Sequence[Heard]]:
    """What each of these watches hears of, in order."""
    rows = session.scalars(
        select(WatchKindRow)
        .where(col(WatchKindRow.watch_id).in_(watch_ids))
        .order_by(col(WatchKindRow.kind), col(WatchKindRow.threshold))
    )
    hears: dict[int, list[Heard]] = defaultdict(list)
    for row in rows:
        hears[row.watch_id].append(Heard(kind=row.kind, threshold=row.threshold, ends=row.ends))
    return hears


def let_hear(session: Session, watch_id: int, hears: Collection[Heard]) -> None:
    """Make these all that a watch hears of."""
    session.execute(delete(WatchKindRow).where(col(WatchKindRow.watch_id) == watch_id))
    rows = [{"watch_id": watch_id, "kind": each.kind, "threshold": each.threshold, "ends": each.ends} for each in hears]
    session.execute(insert(WatchKindRow), rows)


def number(session: Session) -> int:
    """How many watches there are that were not removed."""
    statement = select(func.count()).select_from(WatchRow).where(col(WatchRow.removed_at).is_(None))
    return session.scalar(statement) or 0


@dataclass(frozen=True, slots=True)
class Messages:
    """The messages to a watch that wait, when the next of them is due, and those that could not be delivered."""

    waiting: int = 0
    next_due_at: datetime | None = None
    dead: int = 0


def messages(session: Session, watch_ids: Collection[int]) -> dict[int, Messages]:
    """How the messages to each of these watches stand; one without any is left out."""
    statement = (
        select(col(DeliveryRow.watch_id), col(DeliveryRow.state), func.count(), func.min(DeliveryRow.due_at))
        .where(col(DeliveryRow.watch_id).in_(watch_ids), col(DeliveryRow.state).in_(("waiting", "dead")))
        .group_by(col(DeliveryRow.watch_id), col(DeliveryRow.state))
    )
    found: dict[int, Messages] = {}
    for watch_id, state, number_, due_at in session.execute(statement):
        there = found.get(watch_id, Messages())
        found[watch_id] = (
            replace(there, waiting=number_, next_due_at=due_at) if state == "waiting" else replace(there, dead=number_)
        )
    return found
