"""Paces of animators, from the days and the credited frames that the worker *progress* made."""

from collections.abc import Collection
from fractions import Fraction

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.domain.paces import DayWork, Paces, day_outputs
from service.store.editions import Rest
from service.store.progress import rest
from service.store.tables import DayFramesRow, ProductionRow, ShotProgressRow, ShotRow

NONE = Paces({}, None)


def read(session: Session, production: ProductionRow, *, animators: Collection[str] | None = None) -> Paces:
    """The paces of a production's animators: of these, where they are named and all known, else of all of them.

    Of those named alone fewer rows are read; `together` is then None, since nobody needs it.
    """
    at = rest(session)
    if at is None:
        return NONE
    rate = Fraction(production.rate_num, production.rate_den)
    if animators:
        worked, credited = _worked(session, production.id or 0, at, animators=animators)
        found = Paces.read(day_outputs(worked, credited, frame_rate=rate))
        if set(animators) <= found.of.keys():
            return Paces({name: found.of[name] for name in animators}, None)
    worked, credited = _worked(session, production.id or 0, at)
    return Paces.read(day_outputs(worked, credited, frame_rate=rate))


def _worked(
    session: Session, production_id: int, at: Rest, *, animators: Collection[str] | None = None
) -> tuple[list[DayWork], dict[int, int]]:
    """What was captured of the shots that are not omitted, day by day, and their credited frames.

    Of the shots of these animators alone, where they are named: all that anybody captured of them.
    """
    of = [col(ShotRow.production_id) == production_id, ~col(ShotRow.omitted)]
    if animators is not None:
        own = select(col(DayFramesRow.shot_id)).where(
            col(DayFramesRow.edition) == at.edition, col(DayFramesRow.animator).in_(animators)
        )
        of.append(col(ShotRow.id).in_(own))
    day = (col(DayFramesRow.animator), col(DayFramesRow.day_on), col(DayFramesRow.shot_id))
    statement = (
        select(*day, func.sum(DayFramesRow.net_frames))
        .join(ShotRow, col(ShotRow.id) == col(DayFramesRow.shot_id))
        .where(*of, col(DayFramesRow.edition) == at.edition)
        .group_by(*day)
    )
    days = [DayWork(who, day_on, shot_id, int(frames)) for who, day_on, shot_id, frames in session.execute(statement)]
    credited = (
        select(col(ShotProgressRow.shot_id), col(ShotProgressRow.credited_frames))
        .join(ShotRow, col(ShotRow.id) == col(ShotProgressRow.shot_id))
        .where(*of, col(ShotProgressRow.edition) == at.edition)
    )
    return days, {shot_id: int(frames) for shot_id, frames in session.execute(credited)}
