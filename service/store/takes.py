"""Takes, series and decisions: the facts a shot's figures rest on."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import exists, func
from sqlmodel import Session, col, select

from service.domain.causes import ReturnCause
from service.domain.codes import is_code
from service.domain.progress import Decision, SeriesFacts, ShotFacts, TakeKey, Verdict
from service.domain.shots import Part, Plan
from service.domain.takes import Purpose, SeriesState
from service.store.tables import (
    CreditedChangeRow,
    DecisionRow,
    PartRow,
    PlannedChangeRow,
    SeriesRow,
    ShotRow,
    TakeRow,
)


@dataclass(frozen=True, slots=True)
class DecisionRecord:
    """A decision with who said it, when and why; `take_id` is the row it speaks of."""

    id: int
    take_id: int
    decision: Decision
    by: str
    reason: str | None
    decided_at: datetime


def locked_shots(session: Session, shot_ids: Collection[int]) -> list[ShotRow]:
    """The shots of these ids.

    Locked to the end of the transaction in the order of their ids and as they stand after any wait.
    """
    statement = select(ShotRow).where(col(ShotRow.id).in_(shot_ids)).order_by(col(ShotRow.id))
    return list(session.exec(statement.with_for_update(key_share=True).execution_options(populate_existing=True)))


def plans(session: Session, shots: Sequence[ShotRow]) -> dict[int, Plan]:
    """The plan of each shot by its id."""
    ids = [shot.id for shot in shots if shot.id is not None]
    parts: dict[int, list[Part]] = defaultdict(list)
    for row in session.exec(select(PartRow).where(col(PartRow.shot_id).in_(ids))):
        parts[row.shot_id].append(Part(row.part, row.stage_id, row.first, row.last))
    return {shot.id: plan_of(shot, parts[shot.id]) for shot in shots if shot.id is not None}


def plan_of(shot: ShotRow, parts: Sequence[Part]) -> Plan:
    """A shot's plan from its row and parts, which it has in the order of their frames."""
    # Not as the database sorts names, which is one way on one machine and another on the next.
    in_order = sorted(parts, key=lambda part: (part.first is not None, part.first or 0, part.part))
    return Plan(
        uses=uses_of(shot),
        dissolves=dissolves_of(shot),
        handle_in=shot.handle_in,
        handle_out=shot.handle_out,
        cameras=tuple(shot.cameras),
        passes=tuple(shot.passes),
        parts=tuple(in_order),
        moving_camera=shot.moving_camera,
        omitted=shot.omitted,
    )


def uses_of(shot: ShotRow) -> tuple[tuple[int, int], ...]:
    """The inclusive frame ranges the cut takes from a shot; of one no cut list has named, 1…`cut_frames`."""
    return ((1, shot.cut_frames),) if shot.uses is None else tuple((first, last) for first, last in shot.uses)


def dissolves_of(shot: ShotRow) -> tuple[tuple[int, int], ...]:
    """The inclusive ranges of frames beyond a shot's uses that dissolves show."""
    return tuple((first, last) for first, last in shot.dissolves or ())


def series_of(session: Session, shot_ids: Collection[int]) -> list[tuple[TakeRow, SeriesRow]]:
    """Every series of these shots with its take, those without any count left among them, in the order they began."""
    statement = (
        select(TakeRow, SeriesRow)
        .join(SeriesRow, col(SeriesRow.take_id) == col(TakeRow.id))
        .where(col(SeriesRow.shot_id).in_(shot_ids))
        .order_by(col(SeriesRow.id))
    )
    return [(take, series) for take, series in session.exec(statement)]


def facts_of(take: TakeRow, series: SeriesRow) -> SeriesFacts:
    """A series as the figures need it."""
    return SeriesFacts(
        take=take.number,
        part=take.part,
        purpose=Purpose(take.purpose),
        camera=series.camera,
        pass_=series.pass_,
        starts_at=series.starts_at,
        total_frames=series.total_frames,
        state=SeriesState(series.outcome),
        offered_at=series.offered_at,
        stage_id=series.stage_id,
        ruled_at=series.ruled_at,
    )


def decisions_of(session: Session, shot_ids: Collection[int]) -> dict[int, list[DecisionRecord]]:
    """The decisions on every take of these shots by take id, in the order they were said."""
    said: dict[int, list[DecisionRecord]] = defaultdict(list)
    statement = select(DecisionRow).where(col(DecisionRow.shot_id).in_(shot_ids)).order_by(col(DecisionRow.id))
    for row in session.exec(statement):
        said[row.take_id].append(record_of(row))
    return said


def record_of(row: DecisionRow) -> DecisionRecord:
    """A decision's row as it is computed with."""
    decision = Decision(
        verdict=Verdict(row.verdict),
        camera=row.camera,
        first=row.first,
        last=row.last,
        cause=None if row.cause is None else ReturnCause(row.cause),
    )
    return DecisionRecord(row.id or 0, row.take_id, decision, row.by, row.reason, row.decided_at)


def take_key(take: TakeRow) -> TakeKey:
    """What tells a take from the other takes of its shot."""
    return take.part, Purpose(take.purpose), take.number


def take_by_key(session: Session, shot_id: int, key: TakeKey) -> TakeRow | None:
    """The take of a shot with this part, purpose and number, if it has counts."""
    part, purpose, number = key
    if part and not is_code(part):
        # A database may refuse to be asked for what no part can be called.
        return None
    counted = exists().where(col(SeriesRow.take_id) == col(TakeRow.id), col(SeriesRow.moved_at).is_(None))
    statement = select(TakeRow).where(
        col(TakeRow.shot_id) == shot_id,
        col(TakeRow.part) == part,
        col(TakeRow.purpose) == purpose.value,
        col(TakeRow.number) == number,
        counted,
    )
    return session.exec(statement).one_or_none()


def cameras_counted(session: Session, take_id: int) -> set[str]:
    """The cameras a take was counted on."""
    return set(session.exec(select(SeriesRow.camera).where(col(SeriesRow.take_id) == take_id)))


def shot_facts(session: Session, shots: Sequence[ShotRow], *, plate_minimum_frames: int) -> dict[int, ShotFacts]:
    """What the figures of these shots rest on, by shot id; a handful of queries however many shots."""
    planned = plans(session, shots)
    pairs = series_of(session, planned.keys())
    return facts_from(session, planned, pairs, plate_minimum_frames=plate_minimum_frames)


def facts_from(
    session: Session,
    planned: Mapping[int, Plan],
    pairs: Sequence[tuple[TakeRow, SeriesRow]],
    *,
    plate_minimum_frames: int,
) -> dict[int, ShotFacts]:
    """The same, where plans and series were read already."""
    said = decisions_of(session, planned.keys())
    series: dict[int, list[SeriesFacts]] = defaultdict(list)
    decided: dict[int, dict[TakeKey, list[Decision]]] = defaultdict(dict)
    for take, each in pairs:
        # One whose counts were all moved elsewhere is no take that could stand in.
        if each.moved_at is None:
            series[each.shot_id].append(facts_of(take, each))
        decided[each.shot_id][take_key(take)] = [record.decision for record in said[each.take_id]]
    return {
        shot_id: ShotFacts(
            plan=plan,
            series=series[shot_id],
            decisions=decided[shot_id],
            plate_minimum_frames=plate_minimum_frames,
        )
        for shot_id, plan in planned.items()
    }


def note_credit(session: Session, shot_id: int, frames: int, *, cause: str, changed_on: date, now: datetime) -> None:
    """Enter a change of credited frames in the journal; no change is no entry."""
    if frames:
        session.add(
            CreditedChangeRow(shot_id=shot_id, changed_on=changed_on, cause=cause, frames=frames, changed_at=now)
        )


def note_planned(session: Session, shot_id: int, frames: int, *, cause: str, changed_on: date, now: datetime) -> None:
    """Enter a change of planned frames in the journal; no change is no entry."""
    if frames:
        session.add(
            PlannedChangeRow(shot_id=shot_id, changed_on=changed_on, cause=cause, frames=frames, changed_at=now)
        )


def journal(session: Session, shot_ids: Collection[int]) -> list[tuple[int, date, str, int]]:
    """The journal of credited frames added up: (shot id, production day, cause, frames)."""
    statement = (
        select(
            col(CreditedChangeRow.shot_id),
            col(CreditedChangeRow.changed_on),
            col(CreditedChangeRow.cause),
            func.sum(CreditedChangeRow.frames),
        )
        .where(col(CreditedChangeRow.shot_id).in_(shot_ids))
        .group_by(col(CreditedChangeRow.shot_id), col(CreditedChangeRow.changed_on), col(CreditedChangeRow.cause))
    )
    return [(shot_id, day, cause, int(frames)) for shot_id, day, cause, frames in session.exec(statement)]
