"""Reshoots: how many frames were shot again because something was wrong with what was there, and what.

A frame is *shot again* where a take holds it on a required camera and pass, and when it was captured a rejection stood
of the same frame identity in a take of the same part with a lower number, on the same camera and pass, that had held
it. It counts under the cause of the latest such rejection, and once for each take that shoots it again; under no cause
where none was said. Frames deleted since count neither as shot nor as shot again.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from fractions import Fraction

from service.domain.causes import ReturnCause
from service.domain.frames import FrameSet, run
from service.domain.progress import SeriesFacts, Verdict
from service.domain.takes import Step
from service.domain.viewing import ShotTakes, TakeFacts

Histories = Mapping[tuple[int, str, str], Sequence[Step]]
"""The history of series by (take id, camera, pass)."""


@dataclass(frozen=True, slots=True)
class Layer:
    """Live frames of a series that one post brought: captured at the instant, on the production day."""

    frames: FrameSet
    captured_at: datetime
    day_on: date


def layers(steps: Sequence[Step], starts_at: int) -> tuple[Layer, ...]:
    """The live frames of a series, from the identity `starts_at` on, by the post that brought them.

    What was deleted and shot anew belongs to the post that shot it anew.
    """
    found: list[tuple[int, int, Step]] = []
    for step in steps:
        total = step.post.stands_frames
        found = [(first, min(end, total), each) for first, end, each in found if first < total]
        if total > step.before_frames:
            found.append((step.before_frames, total, step))
    return tuple(
        Layer(run(starts_at + first, end - first), each.post.captured_at, each.post.day_on)
        for first, end, each in found
    )


@dataclass(frozen=True, slots=True)
class Reshoots:
    """Frames shot on required cameras and passes, and those of them that were shot again by cause, None: not said."""

    shot_frames: int = 0
    causes: Mapping[ReturnCause | None, int] = field(default_factory=dict)

    @property
    def reshot_frames(self) -> int:
        """Frames shot again, whatever the cause."""
        return sum(self.causes.values())

    def ratio(self, frames: int) -> Fraction | None:
        """So many frames of those shot; None where none was shot."""
        return Fraction(frames, self.shot_frames) if self.shot_frames else None

    def __add__(self, other: "Reshoots") -> "Reshoots":
        return Reshoots(self.shot_frames + other.shot_frames, Counter(self.causes) + Counter(other.causes))


def reshoots(shot: ShotTakes, histories: Histories, *, first_on: date, last_on: date) -> Reshoots:
    """The reshoots among the frames of a shot that were captured on the production days `first_on` to `last_on`."""
    shot_frames, causes = 0, Counter[ReturnCause | None]()
    for take in shot.takes:
        for series in take.required(shot.plan):
            for layer in layers(histories.get((take.id, series.camera, series.pass_), ()), series.starts_at):
                if first_on <= layer.day_on <= last_on:
                    shot_frames += len(layer.frames)
                    causes.update(_again(shot, take, series, layer=layer, histories=histories))
    return Reshoots(shot_frames, causes)


def unrejected(shot: ShotTakes) -> Reshoots | None:
    """The same of a shot all of whose counts lie on these days, found without its histories.

    None where anything was ever rejected of it: what was shot again is then a matter of when each frame was captured.
    """
    if any(said.decision.verdict is Verdict.REJECT for take in shot.takes for said in take.said):
        return None
    return Reshoots(sum(each.total_frames for take in shot.takes for each in take.required(shot.plan)))


def _again(
    shot: ShotTakes, take: TakeFacts, series: SeriesFacts, *, layer: Layer, histories: Histories
) -> dict[ReturnCause | None, int]:
    """How many frames of a layer were shot again, by cause."""
    rejected = [
        (order, frames & held, cause)
        for earlier in shot.takes
        if earlier.part == take.part and earlier.number < take.number
        for held in [_ever_held(earlier, series, histories)]
        for order, frames, cause in _rejections(earlier, series.camera, layer.captured_at)
    ]
    found: Counter[ReturnCause | None] = Counter()
    left = layer.frames
    for _, frames, cause in sorted(rejected, key=lambda each: each[0], reverse=True):
        if again := len(left & frames):
            found[cause] += again
        left = left - frames
    return found


def _ever_held(take: TakeFacts, series: SeriesFacts, histories: Histories) -> FrameSet:
    # Rejected frames are often deleted before they are shot again.
    return FrameSet.union(
        run(each.starts_at, max((step.post.stands_frames for step in steps), default=each.total_frames))
        for each in take.series
        if (each.camera, each.pass_) == (series.camera, series.pass_)
        for steps in [histories.get((take.id, each.camera, each.pass_), ())]
    )


def _rejections(take: TakeFacts, camera: str, instant: datetime) -> Iterator[tuple[int, FrameSet, ReturnCause | None]]:
    """What stood rejected of a take on a camera at an instant: (order of saying, frames, cause)."""
    stands: list[tuple[int, FrameSet, ReturnCause | None]] = []
    for said in take.said:
        decision = said.decision
        if said.at <= instant and decision.camera in {None, camera}:
            stands = [(order, frames - decision.scope, cause) for order, frames, cause in stands]
            if decision.verdict is Verdict.REJECT:
                stands.append((said.order, decision.scope, decision.cause))
    yield from stands
