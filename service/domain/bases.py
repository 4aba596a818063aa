"""What a comp or an approval rests on: which frames, as captured how many times, and of which plan.

Eleven frames deleted and shot again are other frames under the same numbers, so a number alone does not say what was
looked at.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from service.domain.events import EventKind
from service.domain.frames import NOTHING, FrameSet, frames
from service.domain.progress import ShotFacts, judged
from service.domain.shots import Plan
from service.domain.takes import Purpose, Step

SeriesName = tuple[str, int, str, str]
"""Part, take number, camera and pass."""


def generations(steps: Sequence[Step]) -> tuple[tuple[FrameSet, int], ...]:
    """The live frames of a series by how many times each was captured, counted from 1 at the series' first frame.

    `steps` is its history in order. A frame deleted and shot again has been captured once more.
    """
    layers: list[FrameSet] = []
    for step in steps:
        captured = frames(step.before_frames + 1, step.post.total_frames)
        depth = 0
        while captured:
            if depth == len(layers):
                layers.append(NOTHING)
            again = layers[depth] & captured
            layers[depth] |= captured
            captured, depth = again, depth + 1
    live = frames(1, steps[-1].post.total_frames) if steps else NOTHING
    found = ((live & (layer - below), times) for times, (layer, below) in enumerate(pairwise([*layers, NOTHING]), 1))
    return tuple((here, times) for here, times in found if here)


@dataclass(frozen=True, slots=True, order=True)
class Stretch:
    """The frames `first` to `last` of a series, both included, captured `times` times; `accepted` or not decided."""

    first: int
    last: int
    times: int
    accepted: bool


@dataclass(frozen=True, slots=True)
class Basis:
    """The frames a sign-off speaks of: the `planned` ones, and of each required `series` what lives in it."""

    planned: FrameSet
    series: Mapping[SeriesName, tuple[Stretch, ...]]

    @classmethod
    def of(cls, facts: ShotFacts, histories: Mapping[SeriesName, Sequence[Step]]) -> "Basis":
        """What stands of a shot; `histories` are those of its series of purpose shoot."""
        plan = facts.plan
        series: dict[SeriesName, tuple[Stretch, ...]] = {}
        for each in facts.series:
            if each.purpose is not Purpose.SHOOT or each.camera not in plan.cameras or each.pass_ not in plan.passes:
                continue
            verdict = judged(facts.decisions.get((each.part, each.purpose, each.take), ()), each.camera)
            name = (each.part, each.take, each.camera, each.pass_)
            live = _shifted(generations(histories.get(name, ())), each.starts_at - 1)
            if stretches := tuple(sorted(_stretches(live, verdict.accepted))):
                series[name] = stretches
        return cls(plan.planned_set, series)

    @property
    def digest(self) -> str:
        """The basis in one line: SHA-256 of its canonical JSON, in hexadecimal."""
        return hashlib.sha256(json.dumps(self.document(), separators=(",", ":")).encode()).hexdigest()

    def document(self) -> dict[str, Any]:
        """The basis as JSON, the same for the same frames."""
        return {
            "planned": [list(span) for span in self.planned.ranges],
            "series": [
                {
                    "part": part,
                    "take": take,
                    "camera": camera,
                    "pass": pass_,
                    "frames": [[each.first, each.last, each.times, each.accepted] for each in stretches],
                }
                for (part, take, camera, pass_), stretches in sorted(self.series.items())
            ],
        }

    @classmethod
    def read(cls, document: Mapping[str, Any]) -> "Basis":
        """The basis that `document` wrote."""
        return cls(
            FrameSet.of((first, last) for first, last in document["planned"]),
            {
                (each["part"], each["take"], each["camera"], each["pass"]): tuple(
                    Stretch(*stretch) for stretch in each["frames"]
                )
                for each in document["series"]
            },
        )

    def under(self, plan: Plan) -> "Basis":
        """What would stand of the shot if it were planned so, its cameras and passes as they are."""
        return replace(self, planned=plan.planned_set)

    def accepted(self) -> dict[tuple[SeriesName, int], FrameSet]:
        """The planned frames that are accepted, by series and by how many times they were captured."""
        return {key: here for key, live in self._by_times(accepted=True).items() if (here := live & self.planned)}

    def _by_times(self, *, accepted: bool | None = None) -> dict[tuple[SeriesName, int], FrameSet]:
        sets: dict[tuple[SeriesName, int], FrameSet] = {}
        for name, stretches in self.series.items():
            for each in stretches:
                if accepted is None or each.accepted is accepted:
                    key = (name, each.times)
                    sets[key] = sets.get(key, NOTHING) | frames(each.first, each.last)
        return sets


def _shifted(live: Iterable[tuple[FrameSet, int]], by: int) -> Iterator[tuple[FrameSet, int]]:
    for here, times in live:
        yield FrameSet(tuple((first + by, last + by) for first, last in here.ranges)), times


def _stretches(live: Iterable[tuple[FrameSet, int]], accepted: FrameSet) -> Iterator[Stretch]:
    for here, times in live:
        for chosen, part in ((True, here & accepted), (False, here - accepted)):
            for first, last in part.ranges:
                yield Stretch(first, last, times, chosen)


LEAVE_AS_IT_IS = frozenset(
    {
        EventKind.SHOT_MOVED,
        EventKind.SHOT_SUSPENDED,
        EventKind.SHOT_RESUMED,
        EventKind.SIGNOFF_GIVEN,
        EventKind.SIGNOFF_WITHDRAWN,
        EventKind.TAKE_NOTED,
        EventKind.NOTE_STRUCK,
        EventKind.NOTICE_RAISED,
    }
)
"""What may befall a shot without any frame of its basis becoming another; after anything else it is looked at."""


def made_since(then: Basis, now: Basis) -> tuple[str, ...]:
    """What a comp made of the frames accepted `then` does not show of what is asked for `now`, each in a sentence.

    Those are the frames accepted now, and those planned since that nobody has accepted yet. Empty where it shows them
    all: a shot that became shorter needs no new comp.
    """
    had, has = then.accepted(), now.accepted()
    said = []
    if new := now.planned - then.planned - FrameSet.union(has.values()):
        said.append(f"{_frames(new)} planned since")
    for (name, times), here in sorted(has.items(), key=lambda item: item[0]):
        if lacks := here - had.get((name, times), NOTHING):
            again = any(lacks & live for (named, _), live in had.items() if named == name)
            said.append(f"{_frames(lacks)} of {_series(name)} {'shot again' if again else 'accepted'} since")
    return tuple(said)


def changed_since(then: Basis, now: Basis) -> tuple[str, ...]:
    """What is other `now` than it was `then`, each in a sentence; empty where nothing is."""
    said = []
    if then.planned != now.planned:
        said.append(f"planned frames {_ranges(then.planned)} became {_ranges(now.planned)}")
    for name in sorted({*then.series, *now.series}):
        before, after = then.series.get(name, ()), now.series.get(name, ())
        if before != after:
            said += [f"{_frames(here)} of {_series(name)} {what} since" for what, here in _changes(before, after)]
    return tuple(said)


def _changes(before: Sequence[Stretch], after: Sequence[Stretch]) -> Iterator[tuple[str, FrameSet]]:
    """What happened to the frames of a series, and to which; none of a kind that befell no frame."""
    had, has = _union(before), _union(after)
    renewed = _common(before, after, lambda old, new: old.times != new.times)
    decided = _common(before, after, lambda old, new: old.accepted != new.accepted) - renewed
    for what, here in (
        ("deleted", had - has),
        ("shot", has - had),
        ("shot again", renewed),
        ("decided on", decided),
    ):
        if here:
            yield what, here


def _common(
    before: Sequence[Stretch], after: Sequence[Stretch], differs: Callable[[Stretch, Stretch], bool]
) -> FrameSet:
    """The frames that are there before and after, and differ in this."""
    return FrameSet.union(
        frames(old.first, old.last) & frames(new.first, new.last)
        for old in before
        for new in after
        if differs(old, new)
    )


def _union(stretches: Iterable[Stretch]) -> FrameSet:
    return FrameSet.of((each.first, each.last) for each in stretches)


def _frames(here: FrameSet) -> str:
    return f"{'frame' if len(here) == 1 else 'frames'} {_ranges(here)}"


def _ranges(here: FrameSet) -> str:
    return ", ".join(str(first) if first == last else f"{first}–{last}" for first, last in here.ranges) or "none"


def _series(name: SeriesName) -> str:
    part, take, camera, pass_ = name
    named = (("part", part, ""), ("camera", camera, "main"), ("pass", pass_, "main"))
    return ", ".join([f"take {take}", *(f"{what} {name}" for what, name, usual in named if name != usual)])
