"""Plans of shots as they are sent: a shot to add, what to change of one."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated

from pydantic import Discriminator, Field, Tag, model_validator
from pydantic_core import PydanticCustomError

from service.actions.shots import Planned
from service.api.errors import UNION_TAGS
from service.api.fields import Body, Change, Code, Given, Line, Out, shown_as
from service.store.shots import PlannedPart

ONE, LIST = UNION_TAGS
MOST_SHOTS = 1000
MOST_CUT_FRAMES = 1_000_000
MOST_HANDLE_FRAMES = 10_000
LEAST_FRAME, LARGEST_FRAME = -MOST_HANDLE_FRAMES, MOST_CUT_FRAMES + MOST_HANDLE_FRAMES

NEW = {
    "code": "0120",
    "episode": "101",
    "scene": "12B",
    "cut_frames": 88,
    "handle_in": 4,
    "handle_out": 4,
    "stage": "mill",
}
CutFrames = Annotated[int, Field(ge=1, le=MOST_CUT_FRAMES)]
HandleFrames = Annotated[int, Field(ge=0, le=MOST_HANDLE_FRAMES)]
Identity = Annotated[int, Field(ge=LEAST_FRAME, le=LARGEST_FRAME)]
Names = Annotated[list[Code], Field(min_length=1, max_length=16)]


class PartIn(Body):
    """The part of a shot that one stage shoots."""

    part: Code = Field(description="The name of the part, its own in the shot.")
    stage: Code = Field(description="The code of the stage that shoots it.")
    first: Identity | None = Field(None, description="Its first frame identity; null for the first planned frame.")
    last: Identity | None = Field(None, description="Its last frame identity; null for the last planned frame.")

    @model_validator(mode="after")
    def _ends_after_it_begins(self) -> "PartIn":
        if self.first is not None and self.last is not None and self.last < self.first:
            raise PydanticCustomError(
                "range", "The last frame of a part lies before its first; give the lower as first."
            )
        return self

    def planned(self) -> PlannedPart:
        """The part as the plan keeps it."""
        return PlannedPart(self.part, self.stage, self.first, self.last)


Parts = Annotated[list[PartIn], Field(min_length=1, max_length=32)]


class ShotIn(Body):
    """A shot to plan."""

    model_config = shown_as(NEW)

    code: Code = Field(description="What the shot is called, unique in its production and never used again.")
    episode: Code = Field(description="The code of its episode.")
    scene: Code | None = Field(None, description="The scene it belongs to.")
    cut_frames: CutFrames = Field(description="Frames the edit uses; they are numbered from 1.")
    handle_in: HandleFrames = Field(0, description="Spare frames before the cut, numbered 0 and below.")
    handle_out: HandleFrames = Field(0, description="Spare frames after the cut.")
    cameras: Names = Field(["main"], description="The required cameras: a frame is credited when each has it.")
    passes: Names = Field(["main"], description="The required passes: a frame is credited when each has it.")
    moving_camera: bool = Field(default=False, description="Whether the camera moves, so that its plate is as long.")
    stage: Code | None = Field(
        None, description="The stage that shoots it. Without `stage` and `parts` any stage may count for it."
    )
    parts: Parts | None = Field(
        None, description="In place of `stage`: the parts of a split shot, together every planned frame."
    )
    animator: Line | None = Field(None, description="Who is to animate it; no part of the plan.")

    @model_validator(mode="after")
    def _one_place(self) -> "ShotIn":
        _require_one_place(self.stage, self.parts)
        _require_distinct(self.cameras, self.passes)
        return self

    def planned(self) -> Planned:
        """The shot as the plan keeps it."""
        return Planned(
            code=self.code,
            episode=self.episode,
            scene=self.scene,
            cut_frames=self.cut_frames,
            handle_in=self.handle_in,
            handle_out=self.handle_out,
            cameras=tuple(self.cameras),
            passes=tuple(self.passes),
            moving_camera=self.moving_camera,
            parts=_places(self.stage, self.parts),
            animator=self.animator,
        )


class ShotChange(Change):
    """What to change of a shot; what is left out stays."""

    model_config = shown_as({"handle_out": 6, "reason": "the editor asks for a longer tail"})

    episode: Given[Code] = Field(None, description="The code of its episode.")
    scene: Code | None = Field(None, description="The scene it belongs to; null for none.")
    cut_frames: Given[CutFrames] = Field(
        None, description="Frames the edit uses, while no cut list has named the shot: more or fewer at its tail."
    )
    handle_in: Given[HandleFrames] = Field(None, description="Spare frames before the cut.")
    handle_out: Given[HandleFrames] = Field(None, description="Spare frames after the cut.")
    cameras: Given[Names] = Field(None, description="The required cameras.")
    passes: Given[Names] = Field(None, description="The required passes.")
    moving_camera: Given[bool] = Field(None, description="Whether the camera moves, so that its plate is as long.")
    stage: Code | None = Field(None, description="The stage that shoots all of it; null for any.")
    parts: Parts | None = Field(None, description="In place of `stage`: the parts of a split shot; null for any stage.")
    omitted: Given[bool] = Field(
        None, description="True removes it from the cut and keeps its number and counts; false brings all of it back."
    )
    suspended: Given[bool] = Field(
        None,
        description="True stops work on it for the `reason`: it keeps its phase and makes no move; false takes it up.",
    )
    animator: Line | None = Field(
        None, description="Who is to animate it, null for nobody yet; no part of the plan, so `plan_rev` stays."
    )
    reason: Line | None = Field(None, description="Why, up to 200 characters, for the log.")

    @model_validator(mode="after")
    def _says_what(self) -> "ShotChange":
        if self.model_fields_set == {"reason"}:
            raise PydanticCustomError("empty", "Name a field to change beside the reason.")
        _require_one_place(self.stage, self.parts)
        _require_distinct(self.cameras or (), self.passes or ())
        return self

    def applied(self, present: Planned) -> Planned:
        """The shot as it is wanted, where *present* is how it stands."""
        given = {name: getattr(self, name) for name in self.model_fields_set - {"reason", "suspended"}}
        for name in ("cameras", "passes"):
            if name in given:
                given[name] = tuple(given[name])
        if given.keys() & {"stage", "parts"}:
            given["parts"] = _places(given.pop("stage", None), given.get("parts"))
        return replace(present, **given)


def _require_one_place(stage: str | None, parts: Sequence[PartIn] | None) -> None:
    if stage is not None and parts is not None:
        raise PydanticCustomError("place", "Give the one stage, or the parts of a split shot, not both.")


def _require_distinct(*lists: Sequence[str]) -> None:
    if any(len(set(names)) != len(names) for names in lists):
        raise PydanticCustomError("twice", "Name each required camera and each required pass once.")


def _places(stage: str | None, parts: Sequence[PartIn] | None) -> tuple[PlannedPart, ...]:
    if stage is not None:
        return (PlannedPart("", stage, None, None),)
    return tuple(part.planned() for part in parts or ())


def _one_or_list(body: object) -> str:
    return LIST if isinstance(body, list) else ONE


ShotsIn = Annotated[
    Annotated[ShotIn, Tag(ONE)] | Annotated[list[ShotIn], Field(min_length=1, max_length=MOST_SHOTS), Tag(LIST)],
    Discriminator(_one_or_list),
]


class PartOut(Out):
    """The part of a shot that one stage shoots."""

    part: str = Field(description="The name of the part; empty where the shot is not split.")
    stage: str = Field(description="The code of the stage that shoots it.")
    first: int | None = Field(description="Its first frame identity; null for the first planned frame.")
    last: int | None = Field(description="Its last frame identity; null for the last planned frame.")


class UseOut(Out):
    """A range of frames of a shot."""

    first: int = Field(description="Its first frame identity.")
    last: int = Field(description="Its last frame identity.")
