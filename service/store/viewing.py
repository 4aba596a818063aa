"""The viewing: shots with the takes that may wait for a decision, as the domain judges them."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import exists, func, select
from sqlmodel import Session, col

from service.domain.progress import Verdict
from service.domain.reshoots import Histories
from service.domain.shots import Plan
from service.domain.takes import Outcome, Purpose, SeriesState, Step, history
from service.domain.viewing import Said, ShotTakes, TakeFacts
from service.store import counts, shots
from service.store import takes as store
from service.store.tables import CountRow, DecisionRow, SeriesRow, ShotRow, TakeRow

READ_AT_ONCE = 500
# A circled or NG take was offered too, by the terminal that says so.
OFFERS = [outcome.value for outcome in Outcome if outcome is not Outcome.ABANDONED]


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Which takes: of shots of an episode, of shots that an animator is named for, counted on a stage."""

    episode_id: int | None = None
    stage_id: int | None = None
    animator: str | None = None


@dataclass(frozen=True, slots=True)
class Viewed:
    """A shot with its takes of purpose shoot: `rows` are the takes' own by id, `series` those of their series."""

    shot: ShotRow
    takes: ShotTakes
    rows: Mapping[int, TakeRow]
    series: Sequence[SeriesRow]


class Offers(NamedTuple):
    """When a series was first offered, by capture, and when its last offer came."""

    first_at: datetime
    heard_at: datetime


def undecided(session: Session, production_id: int, where: Filter) -> list[int]:
    """The ids of the shots that have a finished take which may wait: of which no verdict stands for all of it.

    What really waits is the domain's to say; what was decided whole and never withdrawn is not worth reading.
    """
    of_take = col(DecisionRow.take_id) == col(TakeRow.id)
    whole = exists().where(
        of_take,
        col(DecisionRow.camera).is_(None),
        col(DecisionRow.first).is_(None),
        col(DecisionRow.verdict) != Verdict.WITHDRAW.value,
    )
    withdrawn = exists().where(of_take, col(DecisionRow.verdict) == Verdict.WITHDRAW.value)
    statement = (
        select(col(ShotRow.id))
        .join(SeriesRow, col(SeriesRow.shot_id) == col(ShotRow.id))
        .join(TakeRow, col(TakeRow.id) == col(SeriesRow.take_id))
        .where(
            col(ShotRow.production_id) == production_id,
            ~col(ShotRow.omitted),
            col(TakeRow.purpose) == Purpose.SHOOT.value,
            col(SeriesRow.outcome) == SeriesState.FINISHED.value,
            col(SeriesRow.moved_at).is_(None),
            ~whole | withdrawn,
        )
        .distinct()
    )
    for named, value in (
        (ShotRow.episode_id, where.episode_id),
        (ShotRow.animator, where.animator),
        (SeriesRow.stage_id, where.stage_id),
    ):
        if value is not None:
            statement = statement.where(col(named) == value)
    return sorted(id_ for id_ in session.scalars(statement) if id_ is not None)


def of_shots(session: Session, shot_ids: Collection[int]) -> Iterator[Viewed]:
    """These shots with their takes of purpose shoot, in the order of their ids; a handful of queries for each 500."""
    ids = sorted(shot_ids)
    for first in range(0, len(ids), READ_AT_ONCE):
        yield from _read(session, shots.by_ids(session, ids[first : first + READ_AT_ONCE]))


def _read(session: Session, rows: Sequence[ShotRow]) -> Iterator[Viewed]:
    ids = [row.id or 0 for row in rows]
    planned, said = store.plans(session, rows), store.decisions_of(session, ids)
    counted: dict[int, dict[int, tuple[TakeRow, list[SeriesRow]]]] = defaultdict(dict)
    for take, series in store.series_of(session, ids):
        # One whose counts were all moved elsewhere waits where they went.
        if take.purpose == Purpose.SHOOT.value and series.moved_at is None:
            counted[series.shot_id].setdefault(series.take_id, (take, []))[1].append(series)
    tracks = {id_: [each for _, of_take in takes.values() for each in of_take] for id_, takes in counted.items()}
    offers = _offers(session, [each.id or 0 for of_shot in tracks.values() for each in of_shot])
    for row in rows:
        id_ = row.id or 0
        plan, takes = planned[id_], counted[id_]
        facts = [_facts(*each, plan, said=said.get(key, ()), offers=offers) for key, each in takes.items()]
        yield Viewed(
            shot=row,
            takes=ShotTakes(id=id_, plan=plan, takes=facts),
            rows={key: take for key, (take, _) in takes.items()},
            series=tracks.get(id_, ()),
        )


def _facts(
    take: TakeRow,
    tracks: Sequence[SeriesRow],
    plan: Plan,
    *,
    said: Sequence[store.DecisionRecord],
    offers: Mapping[int, Offers],
) -> TakeFacts:
    offered = {(each.camera, each.pass_): offers[each.id or 0] for each in tracks if each.id in offers}
    # An optional camera that comes late brings no choice up again.
    required = {(camera, pass_) for camera in plan.cameras for pass_ in plan.passes}
    heard = [each.heard_at for track, each in offered.items() if track in required]
    return TakeFacts(
        id=take.id or 0,
        part=take.part,
        number=take.number,
        series=[store.facts_of(take, each) for each in tracks],
        said=[Said(order=each.id, at=each.decided_at, decision=each.decision) for each in said],
        first_offers={track: each.first_at for track, each in offered.items()},
        heard_at=max(heard, default=None),
    )


def _offers(session: Session, series_ids: Collection[int]) -> dict[int, Offers]:
    statement = (
        select(col(CountRow.series_id), func.min(CountRow.captured_at), func.max(CountRow.received_at))
        .where(col(CountRow.series_id).in_(series_ids), col(CountRow.outcome).in_(OFFERS))
        .group_by(col(CountRow.series_id))
    )
    return {series_id: Offers(first_at, heard_at) for series_id, first_at, heard_at in session.execute(statement)}


def histories(session: Session, viewed: Sequence[Viewed]) -> Histories:
    """The history of every series of these shots' takes; one query for each 500 shots."""
    found: dict[tuple[int, str, str], Sequence[Step]] = {}
    for first in range(0, len(viewed), READ_AT_ONCE):
        series = {row.id or 0: row for each in viewed[first : first + READ_AT_ONCE] for row in each.series}
        for series_id, posts in counts.ledger(session, series).items():
            row = series[series_id]
            found[row.take_id, row.camera, row.pass_] = history(posts)
    return found
