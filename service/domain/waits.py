"""How long takes wait for a decision, and how many first takes are approved.

Exact until ink: waits are fractions of an hour. What is undefined is None, never a quotient by zero.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import groupby
from math import floor

from service.domain.progress import Verdict, judged
from service.domain.spans import NEVER, Span, TimeSet, times
from service.domain.viewing import ShotTakes, TakeFacts, waiting

HALF, NINE_TENTHS = Fraction(1, 2), Fraction(9, 10)
_HOUR = timedelta(hours=1)
_TICK = timedelta(microseconds=1)


def hours(span: timedelta) -> Fraction:
    """A span in hours, exactly."""
    return Fraction(span // _TICK, _HOUR // _TICK)


def percentile(values: Sequence[Fraction], share: Fraction) -> Fraction | None:
    """The percentile of `values` at `share` (0 to 1), by linear interpolation between the order statistics.

    It lies at the place (n − 1) × share, counted from 0: type 7 of R. J. Hyndman and Y. Fan, Sample Quantiles in
    Statistical Packages, The American Statistician 50 (1996). None of no values.
    """
    if not values:
        return None
    ordered = sorted(values)
    place = (len(ordered) - 1) * share
    below = floor(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How long so many takes waited, in hours: the middle one and the one in ten; None of no takes."""

    takes: int
    p50_h: Fraction | None
    p90_h: Fraction | None

    @classmethod
    def of(cls, waits: Iterable[timedelta]) -> "Spread":
        """The spread of these waits."""
        found = [hours(each) for each in waits]
        return cls(takes=len(found), p50_h=percentile(found, HALF), p90_h=percentile(found, NINE_TENTHS))


def decided_waits(shots: Iterable[ShotTakes], opens_at: datetime, *, closes_at: datetime) -> Iterator[timedelta]:
    """How long each take waited whose first verdict was said in [opens_at, closes_at).

    From the first offer of the last of its required series to the first verdict, whoever gave it. A verdict on a take
    that nobody had offered answers no wait and is left out.
    """
    for shot in shots:
        for take in shot.takes:
            offered_at, verdict_at = _first_offered_at(take, shot), _first_verdict_at(take, shot)
            if offered_at is not None and verdict_at is not None and opens_at <= verdict_at < closes_at:
                wait = verdict_at - offered_at
                if wait >= timedelta(0):
                    yield wait


def undecided(shot: ShotTakes, *, until: datetime) -> TimeSet:
    """When any take of a shot waited for its first verdict, as far as the instant `until`; an omitted one waits not."""
    if shot.plan.omitted:
        return NEVER
    offers = ((_first_offered_at(take, shot), _first_verdict_at(take, shot) or until) for take in shot.takes)
    return times(Span(since, min(to, until)) for since, to in offers if since is not None and since < min(to, until))


def waits_at(shots: Iterable[ShotTakes], instant: datetime) -> Iterator[timedelta]:
    """How long each take that waited at `instant` had waited by then.

    Decisions are those said before it, counts those that are known now.
    """
    for shot in shots:
        for each in waiting(shot.as_of(instant)):
            if each.since <= instant:
                yield instant - each.since


def _first_offered_at(take: TakeFacts, shot: ShotTakes) -> datetime | None:
    offers = [take.first_offers.get((each.camera, each.pass_)) for each in take.required(shot.plan)]
    known = [each for each in offers if each is not None]
    return max(known) if known and len(known) == len(offers) else None


def _first_verdict_at(take: TakeFacts, shot: ShotTakes) -> datetime | None:
    for said in take.said:
        on_required = said.decision.camera is None or said.decision.camera in shot.plan.cameras
        if on_required and said.decision.verdict is not Verdict.WITHDRAW:
            return said.at
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstTakes:
    """Of `decided` shots, a split one counting for each part, `approved` had their first finished take accepted."""

    decided: int
    approved: int

    @property
    def rate(self) -> Fraction | None:
        """Approved of decided; None where none was decided."""
        return Fraction(self.approved, self.decided) if self.decided else None


def first_takes(shots: Iterable[ShotTakes], opens_at: datetime, *, closes_at: datetime) -> FirstTakes:
    """First-take approval of the shots and parts whose first verdict was said in [opens_at, closes_at).

    Decided is a part of which a take offered as finished has a verdict. Approved is it where, by what was said before
    `closes_at`, every planned frame of the lowest-numbered finished take is accepted on each required camera and pass
    it was counted on, and nothing is rejected of a take with a lower number. Omitted shots are left out.
    """
    decided = approved = 0
    for shot in (each.as_of(closes_at) for each in shots if not each.plan.omitted):
        in_order = sorted(shot.takes, key=lambda take: (take.part, take.number))
        for _, of_part in groupby(in_order, key=lambda take: take.part):
            takes = list(of_part)
            finished = [take for take in takes if take.offered_at(shot.plan) is not None]
            verdicts = [at for take in finished if (at := _first_verdict_at(take, shot)) is not None]
            if verdicts and min(verdicts) >= opens_at:
                first = finished[0]
                earlier = [take for take in takes if take.number < first.number]
                decided += 1
                approved += _accepted_whole(first, shot) and not any(_rejected(take, shot) for take in earlier)
    return FirstTakes(decided=decided, approved=approved)


def _accepted_whole(take: TakeFacts, shot: ShotTakes) -> bool:
    held = [(each.live & shot.plan.planned_set, each.camera) for each in take.required(shot.plan)]
    said = take.decisions()
    return any(frames for frames, _ in held) and not any(
        frames - judged(said, camera).accepted for frames, camera in held
    )


def _rejected(take: TakeFacts, shot: ShotTakes) -> bool:
    return any(judged(take.decisions(), camera).rejected for camera in shot.plan.cameras)
