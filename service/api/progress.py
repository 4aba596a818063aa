"""Progress: frames shot against frames planned, added up."""

from datetime import date
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, assert_never

from fastapi import APIRouter, Query, Response
from pydantic import Field
from sqlmodel import Session

from service.actions.productions import EpisodeUnknown, ProductionUnknown, find_episode
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import Out
from service.api.productions import ProductionInPath
from service.api.refusals import ScopeTooNarrow
from service.api.strict import StrictRoute
from service.domain.keys import Scope
from service.domain.progress import Cause
from service.domain.studio import iso_week
from service.domain.totals import Sum
from service.store import events
from service.store import progress as store
from service.store.editions import Rest
from service.store.progress import Animator, Day, FramesShot, Group, Over

router = APIRouter(prefix="/v1/productions", tags=["progress"], route_class=StrictRoute)


class By(StrEnum):
    """What figures are added up by."""

    EPISODE = "episode"
    SCENE = "scene"
    STAGE = "stage"
    DAY = "day"
    ANIMATOR = "animator"


class SumOut(Out):
    """Figures added up, in frames. Progress is ΣE / ΣT, never a mean of percentages."""

    shots: int = Field(description="How many shots; omitted ones are among them and plan nothing.")
    planned_frames: int = Field(description="Frames planned, T.")
    shot_frames: int = Field(description="Frames shot for every take, camera and pass.")
    credited_frames: int = Field(description="Planned frames that every required camera and pass has, E.")
    credited_cut_frames: int = Field(description="Credited frames without handles.")
    remaining_frames: int = Field(description="Frames still to be credited, T − E.")
    overshoot_frames: int = Field(description="Frames beyond the planned ones, the required cameras added up.")
    per_cent: float | None = Field(description="Credited of planned frames in per cent, rounded to 0.1; null of none.")
    provisional_shots: int = Field(description="Shots whose credited frames rest on a take nobody has decided on.")

    @classmethod
    def of(cls, figures: Sum) -> "SumOut":
        """The figures, rounded for display."""
        return cls(
            shots=figures.shots,
            planned_frames=figures.planned_frames,
            shot_frames=figures.shot_frames,
            credited_frames=figures.credited_frames,
            credited_cut_frames=figures.credited_cut_frames,
            remaining_frames=figures.remaining_frames,
            overshoot_frames=figures.overshoot_frames,
            per_cent=per_cent(figures.credited_frames, figures.planned_frames),
            provisional_shots=figures.provisional_shots,
        )


class GroupOut(SumOut):
    """The figures of an episode, a scene or a stage."""

    episode: str | None = Field(None, description="By episode and scene: the episode's code.")
    scene: str | None = Field(None, description="By scene: the scene; null of shots that name none.")
    stage: str | None = Field(
        None, description="By stage: its code; null of shots that are planned nowhere and were shot nowhere."
    )

    @classmethod
    def of_group(cls, group: Group) -> "GroupOut":
        """The figures with what they are the sum of."""
        figures = SumOut.of(group.sum).model_dump()
        return cls(episode=group.episode, scene=group.scene, stage=group.stage, **figures)


class FramesShotOut(Out):
    """Frames shot, for every take, camera and pass of purpose shoot."""

    net: int = Field(description="Gross − deletions + corrected; negative where more was deleted than shot.")
    gross: int = Field(description="Frames gained.")
    deletions: int = Field(description="Frames deleted.")
    corrected: int = Field(description="What corrections made of them; neither gained nor deleted.")

    @classmethod
    def of(cls, frames: FramesShot) -> "FramesShotOut":
        """The frames, with their net."""
        return cls(net=frames.net, gross=frames.gross, deletions=frames.deletions, corrected=frames.corrected)


class CreditedChangeOut(Out):
    """By how many the credited frames changed."""

    frames: int = Field(description="The change, all causes together.")
    causes: dict[Cause, int] = Field(description="The change by cause.")


class DayOut(Out):
    """One production day."""

    day: date = Field(description="The production day.")
    week: str = Field(description="Its ISO 8601 week.", examples=["2026-W53"])
    frames_shot: FramesShotOut = Field(description="Frames captured on the day, whenever they were reported.")
    credited_change: CreditedChangeOut = Field(description="What changed in credited frames on the day it changed.")

    @classmethod
    def of(cls, day: Day) -> "DayOut":
        """The day, its changes added up."""
        causes = {Cause(cause): frames for cause, frames in sorted(day.credited_change.items())}
        return cls(
            day=day.day_on,
            week=iso_week(day.day_on),
            frames_shot=FramesShotOut.of(day.frames_shot),
            credited_change=CreditedChangeOut(frames=sum(causes.values()), causes=causes),
        )


class AnimatorOut(Out):
    """What one animator shot. Not a ranking: frames alone say nothing of how hard a shot was."""

    animator: str | None = Field(description="The name as posted; null of counts that named nobody.")
    days: int = Field(description="Production days on which anything was shot or deleted.")
    frames_shot: FramesShotOut = Field(description="Frames shot, over all stages.")

    @classmethod
    def of(cls, animator: Animator) -> "AnimatorOut":
        """What they shot."""
        frames = FramesShotOut.of(animator.frames_shot)
        return cls(animator=animator.animator, days=animator.days, frames_shot=frames)


class ProgressOut(Out):
    """Figures of a production or of an episode of it, as of one event."""

    by: By = Field(description="What they are added up by.")
    version: int | None = Field(description="The version of the worker that made them; null before any.")
    position: int = Field(description="The last event they rest on; 0 before any.")
    total: SumOut | None = Field(description="All of them together; null while there are no figures.")
    items: list[GroupOut] | list[DayOut] | list[AnimatorOut] = Field(
        description="By episode, scene or stage: sums of figures. By day: frames shot and credited change. By "
        "animator: frames shot, only for `coordinate`."
    )


FIGURES = {
    "shots": 2,
    "planned_frames": 192,
    "shot_frames": 152,
    "credited_frames": 100,
    "credited_cut_frames": 100,
    "remaining_frames": 92,
    "overshoot_frames": 0,
    "per_cent": 52.1,
    "provisional_shots": 1,
}
PROGRESS = {
    "by": "episode",
    "version": 1,
    "position": 4812,
    "total": FIGURES,
    "items": [{**FIGURES, "episode": "101", "scene": None, "stage": None}],
}


@router.get(
    "/{production}/progress",
    operation_id="progress_get",
    summary="Read progress",
    response_model=ProgressOut,
    responses=answers(PROGRESS, ProductionUnknown, EpisodeUnknown, ScopeTooNarrow),
)
def get_progress(
    door: Reader,
    production: ProductionInPath,
    by: Annotated[By, Query(description="What to add up by.")] = By.EPISODE,
    episode: Annotated[str | None, Query(description="Only the shots of the episode with this code.")] = None,
) -> Response:
    """Read the frames shot against the frames planned, in frames. Needs `read`; by animator, `coordinate`.

    The figures are made by the worker *progress* after each count; `position` is the event they rest on. A split shot
    counts for each of its stages, the frames of a join for both.
    """
    if by is By.ANIMATOR and not door.caller.scope.covers(Scope.COORDINATE):
        raise ScopeTooNarrow(door.caller.name, door.caller.scope, (Scope.COORDINATE,))
    with door.reading() as session:
        of = door.production(session, production)
        only = None if episode is None else find_episode(session, of, episode).id
        over = Over(of.id or 0, only)
        at = store.rest(session)
        head = at.tag if at else "0"
        out = _progress(session, over, at, by)
        last = events.last_of(session, over.production_id)
    return door.reply(None, out, rev=last, head=head)


def _progress(session: Session, over: Over, at: Rest | None, by: By) -> ProgressOut:
    if at is None:
        return ProgressOut(by=by, version=None, position=0, total=None, items=[])
    total = SumOut.of(store.total(session, over, at))
    items = _items(session, over, at, by)
    return ProgressOut(by=by, version=at.version, position=at.position, total=total, items=items)


def _items(session: Session, over: Over, at: Rest, by: By) -> list[GroupOut] | list[DayOut] | list[AnimatorOut]:
    match by:
        case By.EPISODE:
            return [GroupOut.of_group(each) for each in store.by_episode(session, over, at)]
        case By.SCENE:
            return [GroupOut.of_group(each) for each in store.by_scene(session, over, at)]
        case By.STAGE:
            return [GroupOut.of_group(each) for each in store.by_stage(session, over, at)]
        case By.DAY:
            return [DayOut.of(each) for each in store.by_day(session, over, at)]
        case By.ANIMATOR:
            return [AnimatorOut.of(each) for each in store.by_animator(session, over, at)]
        case _:
            assert_never(by)


def per_cent(credited: int, planned: int) -> float | None:
    """Credited of planned frames in per cent, rounded to 0.1; None where nothing is planned."""
    return round(float(Fraction(1000 * credited, planned))) / 10 if planned else None
