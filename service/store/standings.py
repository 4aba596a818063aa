"""How the shots of a production stood at the close of a day.

What a plan said then is read backwards: what it says now, less what the log says was changed since. Planned and
credited frames are the sums of their journals up to the day.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row, Select, and_, case, exists, func, or_, select
from sqlmodel import Session, col

from service.domain.days import CreditChange, PlanChange, ShotAtClose, Terms, worked
from service.domain.events import EventKind
from service.domain.phases import Phase
from service.domain.progress import Cause
from service.domain.takes import Purpose, history
from service.store.counts import ledger
from service.store.tables import (
    CountRow,
    CreditedChangeRow,
    EpisodeRow,
    PartRow,
    PlannedChangeRow,
    SeriesRow,
    ShotRow,
    TakeRow,
)

PLAN_KINDS = frozenset({EventKind.SHOT_CHANGED, EventKind.SHOT_OMITTED, EventKind.SHOT_RESTORED})

ById = Mapping[int, int]
Journal = type[PlannedChangeRow] | type[CreditedChangeRow]


@dataclass(frozen=True, slots=True)
class Asked:
    """The day of a production that is asked for, and the codes of the studio's stages by id."""

    session: Session
    production_id: int
    code: str
    terms: Terms
    stages: Mapping[int, str]

    @property
    def own(self) -> Select[int | None]:
        """The ids of the production's shots."""
        return select(col(ShotRow.id)).where(col(ShotRow.production_id) == self.production_id)


@dataclass(frozen=True, slots=True)
class Shot:
    """What was asked of a shot at the day's close that no journal keeps; `home` is the stage its credit counts for."""

    code: str
    episode: str
    moving_camera: bool
    home: str | None


@dataclass(frozen=True, slots=True)
class InPhase:
    """The phase of a shot at the day's close; why and since when it was suspended then, None where it was not."""

    phase: Phase
    suspended: str | None = None
    suspended_at: datetime | None = None


def shots_then(asked: Asked, changes: Iterable[Row[Any]]) -> dict[int, Shot]:
    """Every shot of the production as it stood at the day's close, by `changes` of plans in the order of the log."""
    then: dict[int, dict[str, Any]] = defaultdict(dict)
    for event in changes:
        if event.kind in PLAN_KINDS and event.at >= asked.terms.closes_at:
            for name, change in (event.data.get("changed") or {}).items():
                then[event.shot_id].setdefault(name, change["before"])
    homes = _planned_homes(asked)
    for shot_id, said in then.items():
        if "parts" in said:
            homes[shot_id] = _first_stage((part["part"], part["first"], part["stage"]) for part in said["parts"])
    counted = _counted_last(asked, [shot_id for shot_id, home in homes.items() if home is None])
    statement = (
        select(col(ShotRow.id), col(ShotRow.code), col(EpisodeRow.code), col(ShotRow.moving_camera))
        .join(EpisodeRow, col(EpisodeRow.id) == col(ShotRow.episode_id))
        .where(col(ShotRow.production_id) == asked.production_id)
    )
    return {
        shot_id: Shot(
            code,
            then[shot_id].get("episode", episode),
            then[shot_id].get("moving_camera", moving_camera),
            homes.get(shot_id) or counted.get(shot_id),
        )
        for shot_id, code, episode, moving_camera in asked.session.execute(statement)
    }


def _planned_homes(asked: Asked) -> dict[int, str | None]:
    """The stage of the first part of each shot that has parts now."""
    parts: dict[int, list[tuple[str, int | None, str]]] = defaultdict(list)
    statement = select(col(PartRow.shot_id), col(PartRow.part), col(PartRow.first), col(PartRow.stage_id)).where(
        col(PartRow.shot_id).in_(asked.own)
    )
    for shot_id, part, first, stage_id in asked.session.execute(statement):
        parts[shot_id].append((part, first, asked.stages[stage_id]))
    return {shot_id: _first_stage(of_shot) for shot_id, of_shot in parts.items()}


def _first_stage(parts: Iterable[tuple[str, int | None, str]]) -> str | None:
    """The stage of the part with the first frames; None of a shot without parts."""
    first = min(parts, key=lambda part: (part[1] is not None, part[1] or 0, part[0]), default=None)
    return None if first is None else first[2]


def _counted_last(asked: Asked, unplanned_then: Sequence[int]) -> dict[int, str]:
    """The stage whose count came last before the day's close, of shots without a planned stage.

    By receipt, not by capture: a late count must not move what was credited on a past day to another stage.
    """
    unplanned = and_(
        col(CountRow.shot_id).in_(asked.own), ~exists().where(col(PartRow.shot_id) == col(CountRow.shot_id))
    )
    last = (
        select(func.max(CountRow.id))
        .where(or_(unplanned, col(CountRow.shot_id).in_(unplanned_then)) if unplanned_then else unplanned)
        .where(col(CountRow.purpose) == Purpose.SHOOT.value, col(CountRow.received_at) < asked.terms.closes_at)
        .group_by(col(CountRow.shot_id))
    )
    statement = select(col(CountRow.shot_id), col(CountRow.stage_id)).where(col(CountRow.id).in_(last))
    return {shot_id: asked.stages[stage_id] for shot_id, stage_id in asked.session.execute(statement)}


@dataclass(frozen=True, slots=True)
class Sums:
    """A journal at the day's close: its sum by shot, and the day's own entries by shot and cause."""

    total: ById
    today: Mapping[int, Mapping[str, int]]


def journal(asked: Asked, rows: Journal) -> Sums:
    """What a journal of planned or credited frames adds up to at the day's close."""
    cause = case((col(rows.changed_on) == asked.terms.day, col(rows.cause)), else_="").label("cause_today")
    statement = (
        select(col(rows.shot_id), cause, func.sum(rows.frames))
        .where(col(rows.shot_id).in_(asked.own), col(rows.changed_on) <= asked.terms.day)
        .group_by(col(rows.shot_id), "cause_today")
    )
    total: dict[int, int] = defaultdict(int)
    today: dict[int, dict[str, int]] = defaultdict(dict)
    for shot_id, cause_today, frames in asked.session.execute(statement):
        total[shot_id] += int(frames)
        if cause_today:
            today[shot_id][cause_today] = int(frames)
    return Sums(total, today)


def credit_changes(sums: Sums, shots: Mapping[int, Shot]) -> Iterator[CreditChange]:
    """The day's entries of the journal of credited frames, by shot and cause."""
    for shot_id, causes in sorted(sums.today.items()):
        for cause, frames in sorted(causes.items()):
            yield CreditChange(shot=shots[shot_id].code, cause=Cause(cause), frames=frames)


def plan_changes(sums: Sums, shots: Mapping[int, Shot]) -> Iterator[PlanChange]:
    """The day's entries of the journal of planned frames, by shot."""
    for shot_id, causes in sorted(sums.today.items()):
        yield PlanChange(shot=shots[shot_id].code, frames=sum(causes.values()))


def standings(
    asked: Asked, shots: Mapping[int, Shot], *, planned: Sums, credited: Sums, phases: Mapping[int, InPhase]
) -> Iterator[ShotAtClose]:
    """The shots that stood in the plan or the credit at the day's close, or changed on the day."""
    plates = _plates(asked)
    for shot_id, shot in sorted(shots.items()):
        asked_frames, done = planned.total.get(shot_id, 0), credited.total.get(shot_id, 0)
        if asked_frames or done or shot_id in planned.today or shot_id in credited.today:
            yield ShotAtClose(
                shot=shot.code,
                episode=shot.episode,
                stage=shot.home,
                planned_frames=asked_frames,
                credited_frames=done,
                plate_needed_frames=asked_frames if shot.moving_camera else asked.terms.plate_minimum_frames,
                plate_frames=plates.get(shot_id, 0),
                phase=phases[shot_id].phase,
                suspended=phases[shot_id].suspended,
                suspended_at=phases[shot_id].suspended_at,
            )


def _plates(asked: Asked) -> ById:
    """The frames of each shot's plates captured by the day; only of plates counted since is the history needed."""
    plates = (
        select(col(SeriesRow.id), col(SeriesRow.shot_id), col(SeriesRow.total_frames))
        .join(TakeRow, col(TakeRow.id) == col(SeriesRow.take_id))
        .where(col(SeriesRow.shot_id).in_(asked.own), col(TakeRow.purpose) == Purpose.PLATE.value)
    )
    found = [tuple(row) for row in asked.session.execute(plates)]
    since = select(col(CountRow.series_id)).distinct()
    since = since.where(col(CountRow.series_id).in_(plates.with_only_columns(col(SeriesRow.id))))
    since = since.where(col(CountRow.day_on) > asked.terms.day)
    posts = ledger(asked.session, [each for each in asked.session.scalars(since) if each is not None])
    frames: dict[int, int] = defaultdict(int)
    for series_id, shot_id, total in found:
        later = [each for each in worked(history(posts.get(series_id, ()))) if each.day_on > asked.terms.day]
        frames[shot_id] += total - sum(each.net_frames for each in later)
    return frames
