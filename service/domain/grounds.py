"""The grounds of a figure: what it is reckoned from, so that whoever doubts it can follow.

The sets are those the figures themselves are made of; nothing here decides anything anew.
"""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum

from service.domain.frames import FrameSet, common
from service.domain.progress import Share, ShotFacts, beyond, held, members, shares, shot_figures, tracks
from service.domain.takes import Purpose, StandIn


class Figure(StrEnum):
    """The figures of a shot."""

    PLANNED_FRAMES = "planned_frames"
    SHOT_FRAMES = "shot_frames"
    CREDITED_FRAMES = "credited_frames"
    CREDITED_CUT_FRAMES = "credited_cut_frames"
    REMAINING_FRAMES = "remaining_frames"
    OVERSHOOT_FRAMES = "overshoot_frames"
    PROVISIONAL = "provisional"
    PLATE_PLANNED_FRAMES = "plate_planned_frames"
    PLATE_SHOT_FRAMES = "plate_shot_frames"


FORMULAS: Mapping[Figure, str] = {
    Figure.PLANNED_FRAMES: "T: the frames of every use in the cut with its handles and with what dissolves need, each "
    "frame once; none while the shot is omitted.",
    Figure.SHOT_FRAMES: "S: the frames that live in every take shot for the cut, every camera and pass added up.",
    Figure.CREDITED_FRAMES: "E: the planned frames that every required camera and pass holds, accepted or standing in.",
    Figure.CREDITED_CUT_FRAMES: "The credited frames that the cut itself uses, without handles and dissolves.",
    Figure.REMAINING_FRAMES: "T − E: the planned frames that at least one required camera or pass does not hold.",
    Figure.OVERSHOOT_FRAMES: "O: of each required camera the frames outside the plan that are accepted or stand in, in "
    "any pass, the cameras added up; none while the shot is omitted.",
    Figure.PROVISIONAL: "Whether there is a credited frame that some required camera or pass holds by a stand-in only.",
    Figure.PLATE_PLANNED_FRAMES: "As many as planned frames where the camera moves, else what the studio asks of a "
    "plate; none while the shot is omitted.",
    Figure.PLATE_SHOT_FRAMES: "The frames that live in every take shot for a plate, added up.",
}

_REASONS: Mapping[StandIn, str] = {
    StandIn.FINISHED_LAST: "it is the take that was offered as finished last",
    StandIn.HIGHEST_OPEN: "no take was offered as finished, and it is the highest open one",
    StandIn.KEPT: "only other frames of it were rejected",
    StandIn.GIVES_WAY: "what is accepted, or a take finished later or open above it, goes before it",
    StandIn.REJECTED: "all of it is rejected",
    StandIn.ABANDONED: "it was given up",
}


@dataclass(frozen=True, slots=True)
class TakeGround:
    """What one take brings to a required camera and pass."""

    share: Share

    @property
    def said(self) -> str:
        """In a sentence."""
        parts = []
        if self.share.accepted:
            parts.append(f"{spoken(self.share.accepted)} accepted")
        if self.share.stand_in:
            parts.append(f"{spoken(self.share.stand_in)} standing in, because {_REASONS[self.share.standing]}")
        elif not self.share.accepted:
            parts.append(f"nothing, because {_REASONS[self.share.standing]}")
        part = f" of part {self.share.series.part}" if self.share.series.part else ""
        return f"Take {self.share.series.take}{part} brings {' and '.join(parts)}."


@dataclass(frozen=True, slots=True)
class TrackGround:
    """What a required camera and pass can show, from which takes, and which planned frames it lacks."""

    camera: str
    pass_: str
    accepted: FrameSet
    stand_in: FrameSet
    missing: FrameSet
    takes: tuple[TakeGround, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """One series whose total is in a sum, in frames."""

    take: int
    part: str
    camera: str
    pass_: str
    stage_id: int
    total_frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Grounds:
    """A figure's `value` and the sets of frame identities it is made of.

    `planned` is T, `cut` what the cut itself uses, `credited` E and `settled` those of T which every camera and pass
    holds accepted, `missing` the rest of T, `beyond` the frames outside the plan by required camera. `counted` are the
    series whose totals are added up. `plate_minimum_frames` is what the studio asks of a plate of a still camera.
    """

    figure: Figure
    value: int | bool
    planned: FrameSet
    cut: FrameSet
    credited: FrameSet
    settled: FrameSet
    missing: FrameSet
    beyond: Mapping[str, FrameSet]
    tracks: tuple[TrackGround, ...]
    counted: tuple[Counted, ...]
    plate_minimum_frames: int

    @property
    def unit(self) -> str:
        """What it counts."""
        return "yes or no" if self.figure is Figure.PROVISIONAL else "frames"

    @property
    def formula(self) -> str:
        """How it is reckoned, in words."""
        return FORMULAS[self.figure]


def grounds(facts: ShotFacts, figure: Figure) -> Grounds:
    """Explain one figure of a shot."""
    plan, planned = facts.plan, facts.plan.planned_set
    found = members(facts.series, facts.decisions)
    brought = {key: shares(series) for key, series in found.items()}
    required = tracks(plan, {key: held(series) for key, series in found.items()})
    credited = common(planned, (each.all for each in required.values()))
    purpose = Purpose.PLATE if figure is Figure.PLATE_SHOT_FRAMES else Purpose.SHOOT
    return Grounds(
        figure=figure,
        value=_value(facts, figure),
        planned=planned,
        cut=plan.cut_set,
        credited=credited,
        settled=common(planned, (each.accepted for each in required.values())),
        missing=planned - credited,
        beyond=beyond(plan, required),
        tracks=tuple(
            TrackGround(camera, pass_, each.accepted, each.stand_in, planned - each.all, _takes(brought, camera, pass_))
            for (camera, pass_), each in required.items()
        ),
        counted=tuple(_counted(facts, purpose)),
        plate_minimum_frames=facts.plate_minimum_frames,
    )


def _value(facts: ShotFacts, figure: Figure) -> int | bool:
    found = shot_figures(facts)
    values = asdict(found.figures) | {
        Figure.PLATE_PLANNED_FRAMES.value: found.plate_planned_frames,
        Figure.PLATE_SHOT_FRAMES.value: found.plate_shot_frames,
    }
    value: int | bool = values[figure.value]
    return value


def _takes(
    brought: Mapping[tuple[str, str, str], tuple[Share, ...]], camera: str, pass_: str
) -> tuple[TakeGround, ...]:
    here = [each for (_, *of), found in brought.items() if of == [camera, pass_] for each in found]
    return tuple(TakeGround(each) for each in sorted(here, key=lambda each: (each.series.part, each.series.take)))


def _counted(facts: ShotFacts, purpose: Purpose) -> Iterator[Counted]:
    for each in sorted(facts.series, key=lambda one: (one.part, one.take, one.camera, one.pass_)):
        if each.purpose is purpose:
            yield Counted(
                take=each.take,
                part=each.part,
                camera=each.camera,
                pass_=each.pass_,
                stage_id=each.stage_id,
                total_frames=each.total_frames,
            )


def said(of: Grounds) -> str:
    """What the figure comes to, in a sentence or two."""
    value = of.value
    match of.figure:
        case Figure.PLANNED_FRAMES:
            text = f"Planned are {spoken(of.planned)}: {value}."
        case Figure.CREDITED_FRAMES:
            text = f"Every required camera and pass holds {spoken(of.credited)}: {value} of {len(of.planned)}."
        case Figure.CREDITED_CUT_FRAMES:
            text = f"Of the credited frames the cut uses {spoken(of.credited & of.cut)}: {value}."
        case Figure.REMAINING_FRAMES:
            text = f"Not held by every required camera and pass: {spoken(of.missing)}: {value} of {len(of.planned)}."
        case Figure.OVERSHOOT_FRAMES:
            outside = "; ".join(f"camera {camera}: {spoken(frames)}" for camera, frames in of.beyond.items())
            text = f"Outside the plan are, {outside}: {value}."
        case Figure.PROVISIONAL:
            undecided = of.credited - of.settled
            text = f"Credited by a stand-in on some camera or pass: {spoken(undecided)}."
        case Figure.PLATE_PLANNED_FRAMES:
            text = f"The plate needs {value} frames."
        case _:
            text = f"{len(of.counted)} series added up: {value}."
    return text


def spoken(frames: FrameSet) -> str:
    """The frames as they are said: `frames 1 to 60 and 97`, or `no frame`."""
    ranges = [str(first) if first == last else f"{first} to {last}" for first, last in frames.ranges]
    if not ranges:
        return "no frame"
    whole = " and ".join((", ".join(ranges[:-1]), ranges[-1])) if len(ranges) > 1 else ranges[0]
    return f"{'frame' if len(frames) == 1 else 'frames'} {whole}"


_PLANNED = frozenset({"planned", "uses", "dissolves"})
_CREDITED = _PLANNED | {"tracks", "credited"}

RESTS_ON: Mapping[Figure, frozenset[str]] = {
    Figure.PLANNED_FRAMES: _PLANNED,
    Figure.SHOT_FRAMES: frozenset({"counted"}),
    Figure.CREDITED_FRAMES: _CREDITED | {"missing"},
    Figure.CREDITED_CUT_FRAMES: _CREDITED | {"cut"},
    Figure.REMAINING_FRAMES: _CREDITED | {"missing"},
    Figure.OVERSHOOT_FRAMES: _PLANNED | {"tracks", "beyond"},
    Figure.PROVISIONAL: _CREDITED | {"settled"},
    Figure.PLATE_PLANNED_FRAMES: _PLANNED | {"plate_minimum_frames"},
    Figure.PLATE_SHOT_FRAMES: frozenset({"counted"}),
}
"""Which inputs a figure is made of, by name."""
