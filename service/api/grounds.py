"""Why a figure of a shot is what it is."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Path, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import shots
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import Out
from service.api.productions import ProductionInPath
from service.api.shots import ShotInPath
from service.api.strict import StrictRoute
from service.domain.frames import FrameSet
from service.domain.grounds import RESTS_ON, Counted, Figure, Grounds, TrackGround, grounds, said
from service.domain.progress import ShotFacts
from service.domain.refusals import Unknown
from service.domain.takes import StandIn
from service.store import histories, progress, stages, studio, takes
from service.store.tables import ShotRow

router = APIRouter(prefix="/v1/productions", tags=["progress"], route_class=StrictRoute)

FigureInPath = Annotated[
    str, Path(description="The figure, as a shot's `progress` names it.", examples=["credited_frames"])
]


@dataclass(eq=False)
class FigureUnknown(Unknown):
    """A shot has no figure {figure}; it has {figures}."""

    figure: str
    figures: tuple[str, ...]


class SpanOut(Out):
    """Frame identities first to last, both included."""

    first: int = Field(description="The lowest frame.")
    last: int = Field(description="The highest frame.")


class UsedOut(SpanOut):
    """One use of the shot in the cut."""

    planned_first: int = Field(description="The first frame planned for it, with its handle.")
    planned_last: int = Field(description="The last frame planned for it, with its handle.")


class BroughtOut(Out):
    """What one take brings to a required camera and pass."""

    take: int = Field(description="The take's number.")
    part: str = Field(description="The part of a split shot; empty where it is not split.")
    stage: str = Field(description="The stage that counted it last.")
    live: list[SpanOut] = Field(description="The frames that live in it.")
    accepted: list[SpanOut] = Field(description="Those that are accepted.")
    rejected: list[SpanOut] = Field(description="Those that are rejected.")
    stand_in: list[SpanOut] = Field(description="Those that stand in until somebody decides.")
    standing: StandIn = Field(description="Why what is not accepted of it stands in, or does not.")
    said: str = Field(description="The same in a sentence.")


class TrackOut(Out):
    """What a required camera and pass holds."""

    camera: str = Field(description="The camera.")
    pass_: str = Field(alias="pass", description="The pass.")
    accepted: list[SpanOut] = Field(description="The frames accepted of it, of the plan or beyond.")
    stand_in: list[SpanOut] = Field(description="The frames that stand in.")
    missing: list[SpanOut] = Field(description="Planned frames it does not hold.")
    takes: list[BroughtOut] = Field(description="What each take brings.")


class BeyondOut(Out):
    """What a required camera holds outside the plan."""

    camera: str = Field(description="The camera.")
    outside: list[SpanOut] = Field(description="The frames outside the plan, accepted or standing in.")


class CountedOut(Out):
    """A series whose total is in the sum."""

    take: int = Field(description="The take's number.")
    part: str = Field(description="The part of a split shot; empty where it is not split.")
    camera: str = Field(description="The camera.")
    pass_: str = Field(alias="pass", description="The pass.")
    stage: str = Field(description="The stage that counted it last.")
    total_frames: int = Field(description="The frames that live in it.")


class StoredOut(Out):
    """The figure as the worker *progress* wrote it last."""

    value: int | bool = Field(description="What it was then.")
    position: int = Field(description="The last event of the shot that it rests on.")


class WhyOut(Out):
    """A figure of a shot and what it is made of, as of one moment; what it does not rest on is null."""

    figure: Figure = Field(description="The figure.")
    value: int | bool = Field(description="Its value, from the facts as they stand.")
    unit: str = Field(description="What it counts.")
    formula: str = Field(description="How it is reckoned.")
    said: str = Field(description="What that comes to here.")
    position: int = Field(description="The last event of the shot; what is said rests on all up to it.")
    stored: StoredOut | None = Field(description="The figure as lists show it; null before any was made.")
    differs: bool = Field(description="Whether lists show another value than this: the worker is behind `position`.")
    planned: list[SpanOut] | None = Field(None, description="The planned frames.")
    uses: list[UsedOut] | None = Field(None, description="The uses in the cut they come from.")
    dissolves: list[SpanOut] | None = Field(None, description="Frames beyond the uses that dissolves need.")
    cut: list[SpanOut] | None = Field(None, description="The frames the cut itself uses; none while it is omitted.")
    tracks: list[TrackOut] | None = Field(None, description="What each required camera and pass holds.")
    credited: list[SpanOut] | None = Field(None, description="The planned frames all of them hold.")
    settled: list[SpanOut] | None = Field(None, description="Those of them that each holds accepted.")
    missing: list[SpanOut] | None = Field(None, description="The planned frames not all of them hold.")
    beyond: list[BeyondOut] | None = Field(None, description="What each required camera holds outside the plan.")
    counted: list[CountedOut] | None = Field(None, description="The series that are added up.")
    plate_minimum_frames: int | None = Field(None, description="The frames the studio asks of a still camera's plate.")


def _spans(frames: FrameSet) -> list[SpanOut]:
    return [SpanOut(first=first, last=last) for first, last in frames.ranges]


def _track(track: TrackGround, codes: Mapping[int, str]) -> TrackOut:
    brought = [
        BroughtOut(
            take=each.share.series.take,
            part=each.share.series.part,
            stage=codes[each.share.series.stage_id],
            live=_spans(each.share.series.live),
            accepted=_spans(each.share.accepted),
            rejected=_spans(each.share.series.live & each.share.verdict.rejected),
            stand_in=_spans(each.share.stand_in),
            standing=each.share.standing,
            said=each.said,
        )
        for each in track.takes
    ]
    return TrackOut(
        camera=track.camera,
        **{"pass": track.pass_},
        accepted=_spans(track.accepted),
        stand_in=_spans(track.stand_in),
        missing=_spans(track.missing),
        takes=brought,
    )


def _counted(each: Counted, codes: Mapping[int, str]) -> CountedOut:
    return CountedOut(
        take=each.take,
        part=each.part,
        camera=each.camera,
        **{"pass": each.pass_},
        stage=codes[each.stage_id],
        total_frames=each.total_frames,
    )


def _inputs(of: Grounds, facts: ShotFacts, codes: Mapping[int, str]) -> dict[str, Any]:
    """The inputs by name, those alone that the figure rests on."""
    plan = facts.plan
    uses = [
        UsedOut(first=first, last=last, planned_first=first - plan.handle_in, planned_last=last + plan.handle_out)
        for first, last in plan.uses
    ]
    inputs = {
        "planned": _spans(of.planned),
        "uses": uses,
        "dissolves": [SpanOut(first=first, last=last) for first, last in plan.dissolves],
        "cut": _spans(of.cut),
        "tracks": [_track(each, codes) for each in of.tracks],
        "credited": _spans(of.credited),
        "settled": _spans(of.settled),
        "missing": _spans(of.missing),
        "beyond": [BeyondOut(camera=camera, outside=_spans(frames)) for camera, frames in of.beyond.items()],
        "counted": [_counted(each, codes) for each in of.counted],
        "plate_minimum_frames": of.plate_minimum_frames,
    }
    return {name: value for name, value in inputs.items() if name in RESTS_ON[of.figure]}


def _stored(session: Session, shot: ShotRow, figure: Figure) -> StoredOut | None:
    at = progress.rest(session)
    row = None if at is None else progress.of_shot(session, shot.id or 0, at)
    return None if row is None else StoredOut(value=getattr(row, figure.value), position=row.position)


def _named(figure: str) -> Figure:
    try:
        return Figure(figure)
    except ValueError:
        raise FigureUnknown(figure, tuple(each.value for each in Figure)) from None


SPAN = {"first": 1, "last": 60}
WHY: Mapping[str, Any] = {
    "figure": "credited_frames",
    "value": 60,
    "unit": "frames",
    "formula": "E: the planned frames that every required camera and pass holds, accepted or standing in.",
    "said": "Every required camera and pass holds frames 1 to 60: 60 of 96.",
    "position": 4812,
    "stored": {"value": 60, "position": 4812},
    "differs": False,
    "planned": [{"first": 1, "last": 96}],
    "uses": [{"first": 1, "last": 96, "planned_first": 1, "planned_last": 96}],
    "dissolves": [],
    "cut": None,
    "tracks": [
        {
            "camera": "main",
            "pass": "main",
            "accepted": [],
            "stand_in": [SPAN],
            "missing": [{"first": 61, "last": 96}],
            "takes": [
                {
                    "take": 1,
                    "part": "",
                    "stage": "mill",
                    "live": [{"first": 1, "last": 96}],
                    "accepted": [],
                    "rejected": [{"first": 61, "last": 96}],
                    "stand_in": [SPAN],
                    "standing": "finished last",
                    "said": "Take 1 brings frames 1 to 60 standing in, because it is the take that was offered as "
                    "finished last.",
                }
            ],
        }
    ],
    "credited": [SPAN],
    "settled": None,
    "missing": [{"first": 61, "last": 96}],
    "beyond": None,
    "counted": None,
    "plate_minimum_frames": None,
}


@router.get(
    "/{production}/shots/{shot}/why/{figure}",
    operation_id="shot_why",
    summary="Read why a figure is what it is",
    response_model=WhyOut,
    responses=answers(WHY, ProductionUnknown, ShotUnknown, FigureUnknown),
)
def get_why(door: Reader, production: ProductionInPath, shot: ShotInPath, figure: FigureInPath) -> Response:
    """Read what a figure of a shot is made of: planned ranges, what each take brings, what is missing. In frames.

    All of it is read at one moment, from the facts; `stored` is what lists and sums still show. Needs `read`.
    """
    with door.reading() as session:
        row = shots.find(session, door.production(session, production), shot)
        asked = _named(figure)
        minimum = studio.load(session).plate_minimum_frames
        facts = takes.shot_facts(session, [row], plate_minimum_frames=minimum)[row.id or 0]
        of = grounds(facts, asked)
        codes = stages.codes(session, {each.stage_id for each in facts.series})
        stored = _stored(session, row, asked)
        out = WhyOut(
            figure=asked,
            value=of.value,
            unit=of.unit,
            formula=of.formula,
            said=said(of),
            position=histories.last(session, row.id or 0),
            stored=stored,
            differs=stored is not None and stored.value != of.value,
            **_inputs(of, facts, codes),
        )
    return door.reply(None, out)
