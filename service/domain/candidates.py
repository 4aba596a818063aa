"""Candidates: which shots could go on a stage now, for what, and what each still lacks or is taken by."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.domain.addresses import Place, Told
from service.domain.bookings import Activity
from service.domain.moves import Lack, Standing, blocked_by, lacking
from service.domain.phases import ALWAYS, ORDER, Fact, Phase
from service.domain.progress import shot_figures
from service.domain.spans import Span


class Whose(StrEnum):
    """Who or what is booked elsewhere."""

    SHOT = "shot"
    ANIMATOR = "animator"


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """A booking that stands at the instant asked for, of the shot or its animator, on another stage or on none."""

    booking: int
    whose: Whose
    stage: str | None
    activity: Activity
    span: Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """What a shot could be on a stage for, and what it lacks for that.

    `remaining_frames` are those of the part that the stage would shoot.
    """

    activity: Activity
    lacks: tuple[Lack, ...]
    remaining_frames: int


def chance(standing: Standing, stage_id: int) -> Chance | None:
    """What a shot could be on this stage for as it stands; None where nothing is left to be done of it on a stage.

    A shot in planning could be dressed once it lacks nothing for set dressing. One in set dressing lacks nothing to be
    dressed, since what it lacks for shooting is signed off on the stage; once it has that, it can be shot. One that is
    shot waits for nobody but the camera where a plate is asked for and not in.
    """
    if standing.facts.plan.omitted:
        return None
    remaining = _remaining(standing, stage_id)
    held = tuple(Lack(fact, said) for fact in ALWAYS if (said := lacking(fact, standing)) is not None)
    match standing.phase:
        case Phase.PLANNING:
            return Chance(activity=Activity.DRESSING, lacks=blocked_by(standing), remaining_frames=remaining)
        case Phase.SET_DRESSING:
            ready = not blocked_by(standing)
            activity = Activity.SHOOTING if ready else Activity.DRESSING
            return Chance(activity=activity, lacks=held, remaining_frames=remaining)
        case Phase.SHOOTING if remaining:
            return Chance(activity=Activity.SHOOTING, lacks=held, remaining_frames=remaining)
        case Phase.SHOOTING | Phase.BACKGROUND_PLATE if lacking(Fact.PLATE_SHOT, standing) is not None:
            return Chance(activity=Activity.PLATE, lacks=held, remaining_frames=remaining)
        case _:
            return None


def _remaining(standing: Standing, stage_id: int) -> int:
    figures = shot_figures(standing.facts)
    parts = {part.part for part in standing.facts.plan.parts if part.stage_id == stage_id}
    if not parts:
        return figures.figures.remaining_frames
    return sum(each.figures.remaining_frames for each in figures.parts if each.part in parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A shot that could go on a stage, the phase it is in, since when, and what it lacks, with who can record it."""

    place: Place
    phase: Phase
    since: datetime
    animator: str | None
    chance: Chance
    lacks: tuple[Told, ...]
    elsewhere: tuple[Elsewhere, ...]

    @property
    def ready(self) -> bool:
        """Whether it lacks nothing."""
        return not self.chance.lacks

    @property
    def free(self) -> bool:
        """Whether neither it nor its animator is booked elsewhere then."""
        return not self.elsewhere


def in_order(candidates: Iterable[Candidate]) -> list[Candidate]:
    """What can go on the stage first: ready and free, then ready, then by how little is missing.

    Among these the furthest on, and of one phase the one that is longest in it. Nobody's pace has a part in it.
    """
    return sorted(
        candidates,
        key=lambda each: (
            not (each.ready and each.free),
            not each.ready,
            len(each.chance.lacks),
            -ORDER[each.phase],
            each.since,
            each.place.shot,
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A booking as candidates are held against it."""

    booking: int
    shot_id: int | None
    stage_id: int | None
    stage: str | None
    animator: str | None
    activity: Activity
    span: Span


def elsewhere(standing: Standing, shot_id: int, stage_id: int, held: Sequence[Held]) -> tuple[Elsewhere, ...]:
    """Which of the bookings that stand at an instant keep a shot, or its animator, from this stage.

    A split shot is on several stages at once; its animator is not.
    """
    split = len(standing.facts.plan.parts) > 1
    found = []
    for each in held:
        if each.stage_id == stage_id:
            continue
        whose = None
        if each.animator is not None and each.animator == standing.animator:
            whose = Whose.ANIMATOR
        elif each.shot_id == shot_id and each.stage_id is not None and not split:
            whose = Whose.SHOT
        if whose is not None:
            found.append(
                Elsewhere(booking=each.booking, whose=whose, stage=each.stage, activity=each.activity, span=each.span)
            )
    return tuple(found)
