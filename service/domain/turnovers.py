"""Turnovers: how long a stage took from the last accepted frame of one shot to the first frame of the next."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from service.domain.spans import seconds_of
from service.domain.waits import HALF, NINE_TENTHS, percentile


@dataclass(frozen=True, slots=True)
class Turnover:
    """A stage was handed from the shot `left_id` to `taken_id`: last accepted frame and next first frame, UTC."""

    left_id: int
    taken_id: int
    accepted_at: datetime
    began_at: datetime

    @property
    def length_s(self) -> int:
        """How long it took, in seconds."""
        return seconds_of(self.began_at) - seconds_of(self.accepted_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Frames of one shot that a stage captured without another between: the first at `began_at`.

    `accepted_at` is the capture of the last of them that is of a take with accepted frames, None where there is none.
    """

    shot_id: int
    began_at: datetime
    accepted_at: datetime | None = None


def turnovers(runs: Sequence[Run]) -> tuple[Turnover, ...]:
    """The turnovers among all runs of a stage, in order.

    None is returning to a shot whose set was there before, since it was held; none follows a run of which nothing is
    accepted, since nobody can say when that shot was done.
    """
    seen: set[int] = set()
    found = []
    for place, run in enumerate(runs):
        before = runs[place - 1] if place else None
        if before is not None and before.accepted_at is not None and run.shot_id not in seen:
            found.append(Turnover(before.shot_id, run.shot_id, before.accepted_at, run.began_at))
        seen.add(run.shot_id)
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnoverTimes:
    """How many turnovers there were, and their median and ninth tenth in seconds; None of none."""

    number: int
    p50_s: Fraction | None
    p90_s: Fraction | None

    @classmethod
    def of(cls, lengths_s: Sequence[int]) -> "TurnoverTimes":
        """The times of turnovers of these lengths, by linear interpolation (type 7 of Hyndman and Fan)."""
        lengths = [Fraction(each) for each in lengths_s]
        return cls(number=len(lengths), p50_s=percentile(lengths, HALF), p90_s=percentile(lengths, NINE_TENTHS))
