"""Paces: how many credited seconds an animator-day brings, of one animator or of a production.

An animator-day is a distinct (animator, production day) over all stages on which something was captured, also where
nothing of it is left. Who is away captures nothing and has no such day. Everything is exact until it is shown.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from service.domain.waits import HALF, NINE_TENTHS, percentile

FEWEST_DAYS = 3
"""Of fewer animator-days nothing is concluded."""

TENTH = Fraction(1, 10)
NOTHING = Fraction(0)


@dataclass(frozen=True, slots=True)
class DayWork:
    """What an animator captured of a shot on a production day: `net_frames` of all cameras, less deletions."""

    animator: str
    day_on: date
    shot_id: int
    net_frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """A pace over `animator_days`, which brought `credited_s` seconds together.

    `p10_s`, `p50_s` and `p90_s` are percentiles (type 7) of the days' credited seconds.
    """

    animator_days: int
    credited_s: Fraction
    p10_s: Fraction
    p50_s: Fraction
    p90_s: Fraction

    @property
    def seconds_a_day(self) -> Fraction:
        """The pooled rate: credited seconds by animator-days, never a mean of rates."""
        return self.credited_s / self.animator_days


def day_outputs(
    worked: Iterable[DayWork], credited_frames: Mapping[int, int], *, frame_rate: Fraction
) -> dict[tuple[str, date], Fraction]:
    """The credited seconds of each animator-day.

    A shot's credited frames are shared out over the days on which it was shot, by the frames each day gained: so all
    days add up to what is credited, and the days of takes that were rejected dilute those that were not. A shot that is
    not in `credited_frames`, as one that was omitted, is left out with its days.
    """
    frames: dict[tuple[str, date], dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for each in worked:
        if each.shot_id in credited_frames:
            frames[each.animator, each.day_on][each.shot_id] += each.net_frames
    gained: dict[int, int] = defaultdict(int)
    for of_day in frames.values():
        for shot_id, net in of_day.items():
            gained[shot_id] += max(net, 0)
    return {
        day: sum(
            (
                Fraction(credited_frames[shot_id] * net, gained[shot_id]) / frame_rate
                for shot_id, net in of_day.items()
                if net > 0
            ),
            NOTHING,
        )
        for day, of_day in frames.items()
    }


def pace(outputs: Iterable[Fraction]) -> Pace | None:
    """The pace of days that brought so many credited seconds.

    None of fewer than FEWEST_DAYS, or where they brought nothing.
    """
    found = list(outputs)
    if len(found) < FEWEST_DAYS or not sum(found, NOTHING):
        return None
    p10, p50, p90 = (percentile(found, share) or NOTHING for share in (TENTH, HALF, NINE_TENTHS))
    return Pace(animator_days=len(found), credited_s=sum(found, NOTHING), p10_s=p10, p50_s=p50, p90_s=p90)


@dataclass(frozen=True, slots=True)
class Paces:
    """The paces of a production's animators by name, and that of all their days together."""

    of: Mapping[str, Pace]
    together: Pace | None

    @classmethod
    def read(cls, outputs: Mapping[tuple[str, date], Fraction]) -> "Paces":
        """The paces of these days; days of counts that named nobody (an empty name) are in none."""
        days: dict[str, list[Fraction]] = defaultdict(list)
        for (animator, _), seconds in outputs.items():
            if animator:
                days[animator].append(seconds)
        known = {animator: found for animator, own in days.items() if (found := pace(own)) is not None}
        return cls(known, pace(seconds for own in days.values() for seconds in own))

    def best(self, animator: str | None) -> tuple[Pace, str | None] | None:
        """The pace to reckon with for an animator and whose it is; None for whose: that of the production.

        None where neither is known.
        """
        if animator is not None and animator in self.of:
            return self.of[animator], animator
        return None if self.together is None else (self.together, None)
