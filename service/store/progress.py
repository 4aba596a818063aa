"""Read the figures of the worker *progress*: of one shot, and added up over a production."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, case, func
from sqlalchemy import select as select_columns
from sqlalchemy.orm import Mapped
from sqlmodel import Session, col, select

from service.domain.totals import Sum
from service.store import editions
from service.store.editions import Rest
from service.store.tables import (
    DayCreditRow,
    DayFramesRow,
    EpisodeRow,
    PartProgressRow,
    ShotProgressRow,
    ShotRow,
    StageRow,
)

WORKER = "progress"


@dataclass(frozen=True, slots=True)
class Over:
    """The shots that are added up: of a production, or of one episode of it."""

    production_id: int
    episode_id: int | None = None

    @property
    def conditions(self) -> list[ColumnElement[bool]]:
        """What a shot's row must be to be among them."""
        of = [col(ShotRow.production_id) == self.production_id]
        return of if self.episode_id is None else [*of, col(ShotRow.episode_id) == self.episode_id]


@dataclass(frozen=True, slots=True)
class Group:
    """A sum with what it is the sum of; fields that do not apply are None."""

    episode: str | None
    scene: str | None
    stage: str | None
    sum: Sum


@dataclass(frozen=True, slots=True)
class FramesShot:
    """Frames gained and deleted, and what corrections made of them."""

    gross: int = 0
    deletions: int = 0
    corrected: int = 0

    @property
    def net(self) -> int:
        """Gross − deletions + corrected."""
        return self.gross - self.deletions + self.corrected

    def __add__(self, other: "FramesShot") -> "FramesShot":
        return FramesShot(self.gross + other.gross, self.deletions + other.deletions, self.corrected + other.corrected)


@dataclass(frozen=True, slots=True)
class Day:
    """One production day: frames shot on it, and by how many the credited frames changed on it, by cause."""

    day_on: date
    frames_shot: FramesShot
    credited_change: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Animator:
    """What one animator shot: on how many production days, and how many frames; None where a count named nobody."""

    animator: str | None
    days: int
    frames_shot: FramesShot


def rest(session: Session) -> Rest | None:
    """What the figures now shown rest on; None while no worker has made any."""
    return editions.rest(session, WORKER)


def of_shot(session: Session, shot_id: int, at: Rest) -> ShotProgressRow | None:
    """The figures of a shot; None while the worker has not come to it."""
    return session.get(ShotProgressRow, (at.edition, shot_id))


def of_shots(session: Session, shot_ids: Sequence[int], at: Rest) -> dict[int, ShotProgressRow]:
    """The figures of these shots by id, of those the worker has come to."""
    statement = select(ShotProgressRow).where(
        col(ShotProgressRow.edition) == at.edition, col(ShotProgressRow.shot_id).in_(shot_ids)
    )
    return {row.shot_id: row for row in session.exec(statement)}


def total(session: Session, over: Over, at: Rest) -> Sum:
    """All of them."""
    return _sums(session, over, at)[0][1]


def by_episode(session: Session, over: Over, at: Rest) -> list[Group]:
    """A sum for each episode that has any, by code."""
    sums = _sums(session, over, at, col(EpisodeRow.code))
    return [Group(episode, None, None, each) for (episode,), each in sums]


def by_scene(session: Session, over: Over, at: Rest) -> list[Group]:
    """A sum for each scene of each episode, by codes; shots that name no scene make one of their own."""
    sums = _sums(session, over, at, col(EpisodeRow.code), col(ShotRow.scene))
    return [Group(episode, scene, None, each) for (episode, scene), each in sums]


def by_stage(session: Session, over: Over, at: Rest) -> list[Group]:
    """A sum for each stage, by code, from the parts it shoots.

    Where parts of a split shot overlap at the join, both stages' sums have the frames of the join.
    """
    sums = _sums(session, over, at, col(StageRow.code), figures=PartProgressRow)
    return [Group(None, None, stage, each) for (stage,), each in sums]


def _sums(
    session: Session,
    over: Over,
    at: Rest,
    *by: Mapped[Any],
    figures: type[ShotProgressRow | PartProgressRow] = ShotProgressRow,
) -> list[tuple[tuple[Any, ...], Sum]]:
    added = (
        col(figures.planned_frames),
        col(figures.shot_frames),
        col(figures.credited_frames),
        col(figures.credited_cut_frames),
        col(figures.remaining_frames),
        col(figures.overshoot_frames),
        case((col(figures.provisional), 1), else_=0),
    )
    statement = (
        select_columns(
            *by, func.count(func.distinct(figures.shot_id)), *(func.coalesce(func.sum(each), 0) for each in added)
        )
        .select_from(figures)
        .join(ShotRow, col(ShotRow.id) == col(figures.shot_id))
        .join(EpisodeRow, col(EpisodeRow.id) == col(ShotRow.episode_id))
        .where(*over.conditions, col(figures.edition) == at.edition)
        .group_by(*by)
    )
    if figures is PartProgressRow:
        statement = statement.outerjoin(StageRow, col(StageRow.id) == col(PartProgressRow.stage_id))
    rows = [tuple(row) for row in session.execute(statement)]
    sums = [(row[: len(by)], Sum(*(int(value) for value in row[len(by) :]))) for row in rows]
    return sorted(sums, key=lambda each: [(part is None, part or "") for part in each[0]])


def by_day(session: Session, over: Over, at: Rest) -> list[Day]:
    """Every production day on which frames were shot or credited frames changed, in order."""
    shot = _frames_shot(session, over, at, col(DayFramesRow.day_on))
    changes: dict[date, dict[str, int]] = defaultdict(dict)
    statement = (
        select(col(DayCreditRow.day_on), col(DayCreditRow.cause), func.sum(DayCreditRow.frames))
        .join(ShotRow, col(ShotRow.id) == col(DayCreditRow.shot_id))
        .where(*over.conditions, col(DayCreditRow.edition) == at.edition)
        .group_by(col(DayCreditRow.day_on), col(DayCreditRow.cause))
    )
    for day_on, cause, frames in session.exec(statement):
        changes[day_on][cause] = int(frames)
    days = sorted({day_on for (day_on,) in shot} | changes.keys())
    return [Day(day_on, shot.get((day_on,), FramesShot()), changes.get(day_on, {})) for day_on in days]


def by_animator(session: Session, over: Over, at: Rest) -> list[Animator]:
    """What each animator shot, by name: a list to look people up in, not a ranking."""
    days: dict[str, set[date]] = defaultdict(set)
    sums: dict[str, FramesShot] = defaultdict(FramesShot)
    shot = _frames_shot(session, over, at, col(DayFramesRow.animator), col(DayFramesRow.day_on))
    for (animator, day_on), frames in shot.items():
        days[animator].add(day_on)
        sums[animator] += frames
    return [Animator(animator or None, len(days[animator]), sums[animator]) for animator in sorted(sums)]


def _frames_shot(session: Session, over: Over, at: Rest, *by: Mapped[Any]) -> dict[tuple[Any, ...], FramesShot]:
    added = [
        func.sum(each)
        for each in (DayFramesRow.gross_frames, DayFramesRow.deleted_frames, DayFramesRow.corrected_frames)
    ]
    statement = (
        select_columns(*by, *added)
        .select_from(DayFramesRow)
        .join(ShotRow, col(ShotRow.id) == col(DayFramesRow.shot_id))
        .where(*over.conditions, col(DayFramesRow.edition) == at.edition)
        .group_by(*by)
    )
    rows = [tuple(row) for row in session.execute(statement)]
    return {row[: len(by)]: FramesShot(*(int(each) for each in row[len(by) :])) for row in rows}
