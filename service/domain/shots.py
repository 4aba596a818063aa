"""A shot's plan: which frames are asked for, from which cameras and passes, and where each part is to be shot."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from service.domain.frames import NOTHING, FrameSet, frames


class PlanRefused(Exception):
    """The plan contradicts itself; `field` is where, the message what would be right."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.message = message


@dataclass(frozen=True, slots=True)
class Part:
    """The `part` of a shot that the stage `stage_id` shoots.

    `first` and `last` are frame identities, both included; None means the planned end.
    """

    part: str
    stage_id: int
    first: int | None = None
    last: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is asked for of one shot.

    `uses` are the inclusive frame ranges the cut takes from it, one for each use; `dissolves` the ranges beyond them
    that a dissolve shows; `handle_in` and `handle_out` spare frames before and after each use; `cameras` and `passes`
    the required ones; `parts` where it is planned to be shot, in the order of their frames (none: anywhere).
    `moving_camera` asks for a plate as long as the shot; what is `omitted` plans nothing.
    """

    uses: tuple[tuple[int, int], ...]
    dissolves: tuple[tuple[int, int], ...] = ()
    handle_in: int = 0
    handle_out: int = 0
    cameras: tuple[str, ...]
    passes: tuple[str, ...]
    parts: tuple[Part, ...] = ()
    moving_camera: bool = False
    omitted: bool = False

    def __post_init__(self) -> None:
        """Raise PlanRefused where no camera or no pass is required: such a shot would be complete before it began."""
        for name, required in (("cameras", self.cameras), ("passes", self.passes)):
            if not required:
                raise PlanRefused(name, "at least one is required")

    @property
    def cut_set(self) -> FrameSet:
        """The frames the cut uses, without handles; empty while the shot is omitted."""
        return NOTHING if self.omitted else FrameSet.of(self.uses)

    @property
    def planned_set(self) -> FrameSet:
        """The union of every use with its handles and of what dissolves need; empty while the shot is omitted."""
        if self.omitted:
            return NOTHING
        handled = ((first - self.handle_in, last + self.handle_out) for first, last in self.uses)
        return FrameSet.of((*handled, *self.dissolves))

    def part_set(self, part: Part) -> FrameSet:
        """The planned frames that fall to a part."""
        planned = self.planned_set
        if planned.first is None or planned.last is None:
            return NOTHING
        first = planned.first if part.first is None else part.first
        last = planned.last if part.last is None else part.last
        return planned & frames(first, last)

    def default_start(self, part: str) -> int:
        """Where a series begins that does not say so: the first planned frame, or the part's first where it has one.

        Of an omitted shot it is the first frame it would have planned.
        """
        for declared in self.parts:
            if declared.part == part and declared.first is not None:
                return declared.first
        return min(first for first, _ in self.uses) - self.handle_in

    def part_counted(self, posted: str | None, stage_id: int) -> str | None:
        """The part a count of a stage belongs to, or None where the shot is not planned for that stage.

        A shot without planned stages may be counted by any. A count that names no part means the first part planned for
        its stage.
        """
        if not self.parts:
            return posted or ""
        here = [part.part for part in self.parts if part.stage_id == stage_id]
        if posted is None:
            return here[0] if here else None
        if any(part.part == posted for part in self.parts):
            return posted if posted in here else None
        return posted if here else None

    def part_by_hand(self, posted: str | None, stage_id: int) -> str:
        """The part a count of a stage is put to whatever is planned for the stage: somebody knows better than the plan.

        Where it may count by itself, else the part it names, else the first.
        """
        counted = self.part_counted(posted, stage_id)
        if counted is not None:
            return counted
        return posted if posted in {part.part for part in self.parts} and posted else self.parts[0].part


def stretched(plan: Plan) -> Plan:
    """The plan with its parts made to cover the planned set, as a new cut may leave frames to none of them.

    The outermost parts take what lies before and behind, a part what lies between it and the next.
    """
    if not plan.parts or not plan.planned_set - FrameSet.union(plan.part_set(part) for part in plan.parts):
        return plan
    parts = [replace(plan.parts[0], first=None), *plan.parts[1:]]
    parts[-1] = replace(parts[-1], last=None)
    for place, (part, following) in enumerate(pairwise(parts)):
        if part.last is not None and following.first is not None:
            parts[place] = replace(part, last=max(part.last, following.first - 1))
    return replace(plan, parts=tuple(parts))


def check_parts(plan: Plan, names: Sequence[str]) -> None:
    """Raise PlanRefused unless part names differ and, where the shot is not omitted, parts cover the planned set."""
    if len(set(names)) != len(names):
        raise PlanRefused("parts", "each part of a shot needs a name of its own")
    if not plan.parts:
        return
    missing = plan.planned_set - FrameSet.union(plan.part_set(part) for part in plan.parts)
    if missing:
        gaps = ", ".join(str(first) if first == last else f"{first} to {last}" for first, last in missing.ranges)
        raise PlanRefused("parts", f"the parts together must cover every planned frame; no part has {gaps}")
