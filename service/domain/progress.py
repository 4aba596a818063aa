"""Frames shot against frames planned: the figures of one shot from its plan, its series and what was decided of them.

Credited frames are a set: the planned frames that every required camera and pass holds, from accepted ranges or, where
nothing is accepted, from a stand-in.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import assert_never

from service.domain.causes import ReturnCause
from service.domain.frames import EVERYTHING, NOTHING, FrameSet, common, frames, run
from service.domain.shots import Plan
from service.domain.takes import STANDS, Purpose, SeriesState, StandIn


class Verdict(StrEnum):
    """What is said of a take or a range of it.

    Accepted, rejected (NG), circled (chosen, which accepts it), or an earlier verdict withdrawn.
    """

    ACCEPT = "accept"
    REJECT = "reject"
    CIRCLE = "circle"
    WITHDRAW = "withdraw"


class Cause(StrEnum):
    """Why planned or credited frames changed."""

    ADDED = "added"
    COUNTED = "counted"
    CIRCLED = "circled"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    WITHDRAWN = "withdrawn"
    RECUT = "re-cut"
    OMITTED = "omitted"
    RESTORED = "restored"
    CORRECTED = "corrected"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """A `verdict` on a take, on one `camera` of it or on all (None).

    It speaks of the frame identities `first` to `last`, both included, or of the whole take where both are None. A
    rejection may say its `cause`.
    """

    verdict: Verdict
    camera: str | None = None
    first: int | None = None
    last: int | None = None
    cause: ReturnCause | None = None

    @property
    def scope(self) -> FrameSet:
        """The frames it speaks of; a whole take includes what is shot of it later."""
        if self.first is None or self.last is None:
            return EVERYTHING
        return frames(self.first, self.last)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesFacts:
    """One series as the figures need it.

    `take` is its number; `part`, `purpose`, `camera` and `pass_` tell it from the others of the shot. `total_frames`
    live in it from the identity `starts_at` on. `offered_at` is the capture instant of the post that settled its
    `state`, `ruled_at` that of the post whose total stands, `stage_id` where it was.
    """

    take: int
    part: str
    purpose: Purpose
    camera: str
    pass_: str
    starts_at: int
    total_frames: int
    state: SeriesState
    offered_at: datetime | None = None
    stage_id: int
    ruled_at: datetime

    @property
    def live(self) -> FrameSet:
        """The frame identities that live in the series."""
        return run(self.starts_at, self.total_frames)


TakeKey = tuple[str, Purpose, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotFacts:
    """Everything the figures of one shot rest on.

    `plan` is what is asked for, `series` what was shot of it; `decisions` by (part, purpose, take number), each in the
    order it was said; `plate_minimum_frames` what the studio asks of a plate of a still camera.
    """

    plan: Plan
    series: Sequence[SeriesFacts]
    decisions: Mapping[TakeKey, Sequence[Decision]] = field(default_factory=dict)
    plate_minimum_frames: int


@dataclass(frozen=True, slots=True)
class Judged:
    """What stands of a take's verdicts on one camera: frames accepted, rejected, and circled among the accepted."""

    accepted: FrameSet = NOTHING
    rejected: FrameSet = NOTHING
    circled: FrameSet = NOTHING

    @property
    def ng(self) -> bool:
        """Whether the whole take is rejected."""
        return not EVERYTHING - self.rejected


def judged(decisions: Iterable[Decision], camera: str) -> Judged:
    """Fold the decisions on a take, in the order said, into what stands for a camera.

    A later verdict replaces an earlier one on the frames both speak of.
    """
    stands = Judged()
    for decision in decisions:
        if decision.camera is not None and decision.camera != camera:
            continue
        scope = decision.scope
        cleared = Judged(stands.accepted - scope, stands.rejected - scope, stands.circled - scope)
        match decision.verdict:
            case Verdict.ACCEPT:
                stands = Judged(cleared.accepted | scope, cleared.rejected, cleared.circled)
            case Verdict.CIRCLE:
                stands = Judged(cleared.accepted | scope, cleared.rejected, cleared.circled | scope)
            case Verdict.REJECT:
                stands = Judged(cleared.accepted, cleared.rejected | scope, cleared.circled)
            case Verdict.WITHDRAW:
                stands = cleared
            case _:
                assert_never(decision.verdict)
    return stands


@dataclass(frozen=True, slots=True)
class Held:
    """The frames one part, camera or pass can show: those accepted, and those that stand in until somebody decides."""

    accepted: FrameSet = NOTHING
    stand_in: FrameSet = NOTHING

    @property
    def all(self) -> FrameSet:
        """Accepted and stand-in frames together."""
        return self.accepted | self.stand_in


@dataclass(frozen=True, slots=True)
class Share:
    """What one series brings to its part, camera and pass: `stand_in` are frames that nothing accepted holds."""

    series: SeriesFacts
    verdict: Judged
    accepted: FrameSet
    stand_in: FrameSet
    standing: StandIn


def held(series: Iterable[tuple[SeriesFacts, Judged]]) -> Held:
    """What one part, camera and pass can show of its `shoot` series: what their shares bring together."""
    found = shares(series)
    return Held(FrameSet.union(each.accepted for each in found), FrameSet.union(each.stand_in for each in found))


def shares(series: Iterable[tuple[SeriesFacts, Judged]]) -> tuple[Share, ...]:
    """What each `shoot` series of one part, camera and pass brings.

    Accepted frames count wherever they are. Where nothing is accepted the stand-in is the latest take offered as
    finished, else the highest open take, less its rejected frames, and never an NG or abandoned one. A take of which
    only a range was rejected was looked at and kept: its other frames stand beside the rest until decided, so that a
    retake that starts at frame 61 does not lose frames 1–60.
    """
    offered = [(each, verdict, each.live) for each, verdict in series]
    accepted = FrameSet.union(live & verdict.accepted for _, verdict, live in offered)
    out = [_out(each, verdict, live) for each, verdict, live in offered]
    free = [each for (each, _, _), why in zip(offered, out, strict=True) if why is None]
    chosen = None if accepted else _chosen(free)
    found = []
    for (each, verdict, live), why in zip(offered, out, strict=True):
        standing = why or _standing(each, chosen, rejected=bool(live & verdict.rejected))
        stand_in = live - verdict.rejected - accepted if standing in STANDS else NOTHING
        found.append(Share(each, verdict, live & verdict.accepted, stand_in, standing))
    return tuple(found)


def _standing(series: SeriesFacts, chosen: SeriesFacts | None, *, rejected: bool) -> StandIn:
    if series is chosen:
        return StandIn.FINISHED_LAST if series.state is SeriesState.FINISHED else StandIn.HIGHEST_OPEN
    return StandIn.KEPT if rejected else StandIn.GIVES_WAY


def _out(series: SeriesFacts, verdict: Judged, live: FrameSet) -> StandIn | None:
    """Why a series cannot stand in for anything, None where it may."""
    if series.state is SeriesState.ABANDONED:
        return StandIn.ABANDONED
    # A take whose every frame was rejected range by range is as much an NG as one rejected whole.
    ng = not live - verdict.rejected if live else verdict.ng
    return StandIn.REJECTED if ng else None


def _chosen(candidates: Sequence[SeriesFacts]) -> SeriesFacts | None:
    finished = [each for each in candidates if each.state is SeriesState.FINISHED]
    if finished:
        return max(finished, key=lambda each: (each.offered_at or each.ruled_at, each.take))
    return max(candidates, key=lambda each: each.take, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """Frames planned, shot, credited, credited of the cut itself, remaining and over, of a shot or of a part of it.

    `shot_frames` counts every camera, pass and take of purpose shoot; `credited_frames` counts a frame once;
    `overshoot_frames` adds up the required cameras. `provisional` where a credited frame rests on a stand-in.
    """

    planned_frames: int
    shot_frames: int
    credited_frames: int
    credited_cut_frames: int
    remaining_frames: int
    overshoot_frames: int
    provisional: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PartFigures:
    """The figures of what one stage shoots of a shot.

    `stage_id` is None while neither a plan nor a count says where.
    """

    part: str
    stage_id: int | None
    figures: Figures


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotFigures:
    """The figures of a shot, of its parts, and of its plates."""

    figures: Figures
    parts: tuple[PartFigures, ...]
    plate_planned_frames: int
    plate_shot_frames: int


def remaining(planned: int, credited: int) -> int:
    """Frames still to be credited; R = T − E."""
    return planned - credited


def shot_figures(facts: ShotFacts) -> ShotFigures:
    """Compute the figures of one shot.

    The frames of a camera and pass are the union over the parts; credited are the planned frames that every required
    camera and pass has. Plate frames never add to them: a plate of a moving camera needs as many frames as the shot,
    any other the studio's minimum.
    """
    plan = facts.plan
    shoot, groups = _shot(facts)
    whole = _figures(plan.planned_set, plan, shoot=shoot, groups=groups)
    plate_need = whole.planned_frames if plan.moving_camera else facts.plate_minimum_frames
    return ShotFigures(
        figures=whole,
        parts=_parts(plan, whole, shoot=shoot, groups=groups),
        plate_planned_frames=0 if plan.omitted else plate_need,
        plate_shot_frames=sum(each.total_frames for each in facts.series if each.purpose is Purpose.PLATE),
    )


def whole_figures(facts: ShotFacts) -> Figures:
    """The figures of a shot as a whole, the same as among those of `shot_figures`: what every single count asks for."""
    shoot, groups = _shot(facts)
    return _figures(facts.plan.planned_set, facts.plan, shoot=shoot, groups=groups)


GroupKey = tuple[str, str, str]


def _shot(facts: ShotFacts) -> tuple[Sequence[SeriesFacts], Mapping[GroupKey, Held]]:
    """The series that count as frames of the shot, and what each part, camera and pass can show of them."""
    shoot = [each for each in facts.series if each.purpose is Purpose.SHOOT]
    return shoot, _groups(shoot, facts.decisions)


def tracks(plan: Plan, groups: Mapping[GroupKey, Held]) -> dict[tuple[str, str], Held]:
    """What each required camera and pass can show, all parts together, from what each part of it can."""
    return {(camera, pass_): _track(groups, camera, pass_) for camera in plan.cameras for pass_ in plan.passes}


def beyond(plan: Plan, held_by: Mapping[tuple[str, str], Held]) -> dict[str, FrameSet]:
    """The frames outside the plan that each required camera can show in any pass; none of an omitted shot."""
    outside = NOTHING if plan.omitted else EVERYTHING - plan.planned_set
    return {
        camera: FrameSet.union(held_by[camera, pass_].all for pass_ in plan.passes) & outside for camera in plan.cameras
    }


def members(
    series: Iterable[SeriesFacts], decisions: Mapping[TakeKey, Sequence[Decision]]
) -> dict[GroupKey, list[tuple[SeriesFacts, Judged]]]:
    """The series of purpose `shoot` with what stands of their verdicts, by part, camera and pass."""
    found: dict[GroupKey, list[tuple[SeriesFacts, Judged]]] = {}
    for each in series:
        if each.purpose is Purpose.SHOOT:
            verdict = judged(decisions.get((each.part, each.purpose, each.take), ()), each.camera)
            found.setdefault((each.part, each.camera, each.pass_), []).append((each, verdict))
    return found


def tracks_of(facts: ShotFacts) -> dict[tuple[str, str], Held]:
    """What each required camera and pass can show of a shot, all parts together, by (camera, pass)."""
    _, groups = _shot(facts)
    return tracks(facts.plan, groups)


def _groups(shoot: Iterable[SeriesFacts], decisions: Mapping[TakeKey, Sequence[Decision]]) -> dict[GroupKey, Held]:
    return {key: held(series) for key, series in members(shoot, decisions).items()}


def _parts(
    plan: Plan, whole: Figures, *, shoot: Sequence[SeriesFacts], groups: Mapping[GroupKey, Held]
) -> tuple[PartFigures, ...]:
    if not plan.parts:
        latest = max(shoot, key=lambda each: each.ruled_at, default=None)
        return (PartFigures(part="", stage_id=latest.stage_id if latest else None, figures=whole),)
    homes = _homes(plan, shoot)
    parts = []
    for part in plan.parts:
        series = [each for each in shoot if homes[each.part] == part.part]
        own = {key: held_frames for key, held_frames in groups.items() if homes[key[0]] == part.part}
        parts.append(
            PartFigures(
                part=part.part,
                stage_id=part.stage_id,
                figures=_figures(plan.part_set(part), plan, shoot=series, groups=own),
            )
        )
    return tuple(parts)


def _homes(plan: Plan, shoot: Iterable[SeriesFacts]) -> dict[str, str]:
    """The planned part that each counted part's frames belong to: itself, else one of the stage that counted it last.

    Else the first: what was shot before a plan was split, or under a name nobody planned, is in some sum of parts.
    """
    names = {part.part for part in plan.parts}
    homes: dict[str, str] = {}
    for each in sorted(shoot, key=lambda series: series.ruled_at):
        here = (part.part for part in plan.parts if part.stage_id == each.stage_id)
        homes[each.part] = each.part if each.part in names else next(here, plan.parts[0].part)
    return homes


def _figures(
    planned: FrameSet, plan: Plan, *, shoot: Iterable[SeriesFacts], groups: Mapping[GroupKey, Held]
) -> Figures:
    required = tracks(plan, groups)
    credited = common(planned, (each.all for each in required.values()))
    settled = common(planned, (each.accepted for each in required.values()))
    return Figures(
        planned_frames=len(planned),
        shot_frames=sum(each.total_frames for each in shoot),
        credited_frames=len(credited),
        credited_cut_frames=len(credited & plan.cut_set),
        remaining_frames=remaining(len(planned), len(credited)),
        overshoot_frames=sum(map(len, beyond(plan, required).values())),
        provisional=credited != settled,
    )


def _track(groups: Mapping[GroupKey, Held], camera: str, pass_: str) -> Held:
    here = [each for (_, of_camera, of_pass), each in groups.items() if (of_camera, of_pass) == (camera, pass_)]
    accepted = FrameSet.union(each.accepted for each in here)
    return Held(accepted, FrameSet.union(each.stand_in for each in here) - accepted)
