"""Occupancy: what a stage is planned for and what it was used for, each production day, in parts that do not overlap.

Time is sets of whole UTC seconds. Of what lies over one another the first in PRECEDENCE counts; what is left of the
stage's hours is idle. So the parts of a day add up to the day, whatever was booked twice. Everything is a sweep: as
many steps as there are bookings, captures, lines and days, after sorting them; for each shot that was to be worked on
and lacked something, one more over the idle time.
"""

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from service.domain.bookings import Activity, Firmness
from service.domain.idleness import Idle, ShotWaits, because, said
from service.domain.shifts import Signal
from service.domain.spans import NEVER, Span, TimeSet, seconds_of, times
from service.domain.stagefigures import Figures, Part, StageDay
from service.domain.studio import Studio, day_opens
from service.domain.work import PRECEDENCE, Capture, LogLine, Mark, Stretch, Use, stretches, waits, worked

USE_OF: Mapping[Activity, Use] = {
    Activity.SHOOTING: Use.SHOOTING,
    Activity.PLATE: Use.PLATE,
    # Putting a set in, lighting it and taking it down are work on the set.
    Activity.DRESSING: Use.DRESSING,
    Activity.LIGHTING: Use.DRESSING,
    Activity.STRIKE: Use.DRESSING,
    Activity.UPKEEP: Use.UPKEEP,
    Activity.HOLDING: Use.HELD,
}


@dataclass(frozen=True, slots=True)
class Promise:
    """A booking of a stage that stands: its `span`, `activity`, `firmness`, and `shot_id`, None where it is of none."""

    span: Span
    activity: Activity
    firmness: Firmness
    shot_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StageFacts:
    """What is known of a stage: enough for the days asked for.

    `open` are its hours, `promises` its bookings; `log` and `captures` in the order of their instants, from 48 hours
    before the first day on; `marks` of the shots that are planned for it; `approved` when the sets of these were,
    `heard` when each was last heard of, `waiting` what each lacked; `turnovers_s` the length of each turnover with the
    instant of the frame that ended it.
    """

    open: TimeSet
    promises: Sequence[Promise] = ()
    log: Sequence[LogLine] = ()
    captures: Sequence[Capture] = ()
    marks: Sequence[Mark] = ()
    approved: Mapping[int, TimeSet] = field(default_factory=dict)
    heard: Mapping[int, datetime] = field(default_factory=dict)
    waiting: Mapping[int, ShotWaits] = field(default_factory=dict)
    turnovers_s: Sequence[tuple[datetime, int]] = ()


def edges(days: Sequence[date], studio: Studio, called: Sequence[Stretch] = ()) -> list[int]:
    """The seconds at which production days of a stage begin, days in a row, and at which the last of them ends.

    A day begins at the studio's hour, or where work that was called before it ends: what is captured between call and
    wrap is of the call's day, also past that hour.
    """
    found: list[int] = []
    place = 0
    for day in (*days, days[-1] + timedelta(days=1)):
        opens = seconds_of(day_opens(day, studio))
        while place < len(called) and called[place].end <= opens:
            place += 1
        under_way = place < len(called) and called[place].start < opens
        found.append(max([opens, *found[-1:], *([called[place].end] if under_way else [])]))
    return found


def lengths(found: TimeSet, edges: Sequence[int]) -> list[int]:
    """How many seconds of a set lie between each edge and the next; one pass over both."""
    sums = [0] * (len(edges) - 1)
    place = 0
    for first, last in found.ranges:
        while place < len(sums) and edges[place + 1] <= first:
            place += 1
        at = place
        while at < len(sums) and edges[at] <= last:
            sums[at] += max(0, min(last + 1, edges[at + 1]) - max(first, edges[at]))
            at += 1
    return sums


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is promised of a stage: by use, without overlaps; what confirmed bookings alone say, and pencilled alone."""

    uses: Mapping[Use, TimeSet]
    firm: Mapping[Use, TimeSet]
    pencilled: TimeSet


def _planned(promises: Sequence[Promise], spans: Sequence[tuple[int, int]]) -> _Plan:
    """What bookings promise a stage to, each with the seconds of its span."""
    wanted: dict[Firmness, dict[Use, list[tuple[int, int]]]] = {each: defaultdict(list) for each in Firmness}
    for promise, (start, end) in zip(promises, spans, strict=True):
        wanted[promise.firmness][USE_OF[promise.activity]].append((start, end - 1))
    firm, wished = (
        _first_of({use: TimeSet.of(each) for use, each in wanted[firmness].items()})
        for firmness in (Firmness.CONFIRMED, Firmness.PENCILLED)
    )
    taken = TimeSet.union(firm.values())
    uses = {use: firm[use] | (wished[use] - taken) for use in PRECEDENCE}
    return _Plan(uses, firm, TimeSet.union(wished.values()) - taken)


def _first_of(uses: Mapping[Use, TimeSet]) -> dict[Use, TimeSet]:
    """The same without overlaps: of what lies over one another the first in PRECEDENCE."""
    found: dict[Use, TimeSet] = {}
    taken = NEVER
    for use in PRECEDENCE:
        found[use] = uses.get(use, NEVER) - taken
        taken = taken | uses.get(use, NEVER)
    return found


def _concurrency(spans: Sequence[tuple[int, int]], edges: Sequence[int]) -> Iterator[tuple[int, int]]:
    """For each day how long more than one of the spans stood, and how many did at most; a sweep over their ends."""
    changes: dict[int, int] = dict.fromkeys(edges, 0)
    for start, end in spans:
        changes[start] = changes.get(start, 0) + 1
        changes[end] = changes.get(end, 0) - 1
    stops = Counter(edges[1:])
    number = since = overlap_s = most = 0
    for at in sorted(changes):
        if at > edges[0]:
            overlap_s += at - since if number > 1 else 0
            most = max(most, number)
        for _ in range(stops[at]):
            yield overlap_s, most
            overlap_s = most = 0
        number, since = number + changes[at], at
        if at == edges[-1]:
            return


def stage_days(facts: StageFacts, days: Sequence[date], studio: Studio, *, as_of: datetime) -> list[StageDay]:
    """The figures of a stage on these production days, which are in a row; what was done is known up to `as_of`.

    Work that bookings and marks tell of differently is what the marks say; a hold counts where it is confirmed and
    nobody works. Idle is what is left of the hours.
    """
    if not days:
        return []
    spans = [(seconds_of(each.span.start_at), seconds_of(each.span.end_at)) for each in facts.promises]
    plan = _planned(facts.promises, spans)
    waited, found = waits(facts.log, facts.captures), stretches(facts.log, facts.captures)
    calls = {seconds_of(line.at) for line in facts.log if line.signal is Signal.CALL}
    bounds = edges(days, studio, [each for each in found if each.start in calls])
    whole = TimeSet.of([(bounds[0], bounds[-1] - 1)])
    done = worked(
        facts.log,
        facts.captures,
        marks=facts.marks,
        booked=plan.firm,
        dressed=_dressed(facts) - _days_of(found, bounds),
    )
    elapsed = TimeSet.of([(bounds[0], min(seconds_of(as_of), bounds[-1]) - 1)])
    used = _first_of({**done.uses, Use.HELD: plan.firm[Use.HELD]})
    promised = TimeSet.union(plan.uses.values())
    idle = (facts.open & elapsed) - TimeSet.union(used.values())
    return _by_day(
        days,
        _Sets(
            bounds=bounds,
            whole=whole,
            open=facts.open & whole,
            elapsed=elapsed,
            planned={**plan.uses, Use.IDLE: facts.open - promised},
            actual={**used, Use.IDLE: idle},
            pencilled=plan.pencilled,
            inferred=done.inferred,
            idle=because(
                idle,
                waited,
                due=_due(facts, done.in_hand, unpromised=idle - promised),
                waiting=facts.waiting,
                booked=promised,
            ),
        ),
        said=said(idle, waited),
        concurrent=list(_concurrency(spans, bounds)),
        turnovers=[(seconds_of(at), length_s) for at, length_s in facts.turnovers_s if at < as_of],
    )


def _days_of(found: Sequence[Stretch], bounds: Sequence[int]) -> TimeSet:
    """The days on which a stage was worked on as its log and captures say: of these phases tell nothing more."""
    places = {bisect_right(bounds, each.start) for each in found}
    return TimeSet.of((bounds[place - 1], bounds[place] - 1) for place in places if 0 < place < len(bounds))


def _dressed(facts: StageFacts) -> TimeSet:
    """The hours in which shots were being dressed by their phase, until set approved, moved on or last heard of."""
    found: list[TimeSet] = []
    marks: dict[int, list[Mark]] = {}
    for mark in sorted(facts.marks, key=lambda each: each.at):
        marks.setdefault(mark.shot_id, []).append(mark)
    for shot_id, of_shot in marks.items():
        heard = facts.heard.get(shot_id, of_shot[-1].at)
        ends = [*(each.at for each in of_shot[1:]), heard]
        spans = [
            (seconds_of(mark.at), seconds_of(end) - 1)
            for mark, end in zip(of_shot, ends, strict=True)
            if mark.use is Use.DRESSING
        ]
        found.append(TimeSet.of(spans) - facts.approved.get(shot_id, NEVER))
    return TimeSet.union(found) & facts.open


def _due(facts: StageFacts, in_hand: Mapping[int, TimeSet], *, unpromised: TimeSet) -> dict[int, TimeSet]:
    """When each shot that lacked something was to be worked on: when it was booked, else when it was in hand."""
    booked: dict[int, list[Span]] = {}
    for promise in facts.promises:
        if promise.shot_id is not None and promise.firmness is Firmness.CONFIRMED:
            booked.setdefault(promise.shot_id, []).append(promise.span)
    return {
        shot_id: times(booked.get(shot_id, ())) | (in_hand.get(shot_id, NEVER) & unpromised)
        for shot_id in facts.waiting
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sets:
    """The times of a stage over days that begin and end at `bounds`."""

    bounds: Sequence[int]
    whole: TimeSet
    open: TimeSet
    elapsed: TimeSet
    planned: Mapping[Use, TimeSet]
    actual: Mapping[Use, TimeSet]
    pencilled: TimeSet
    inferred: TimeSet
    idle: Mapping[Idle, TimeSet]

    def days(self, found: TimeSet) -> list[int]:
        """How many seconds of a set lie in each day."""
        return lengths(found, self.bounds)

    def parts(self, uses: Mapping[Use, TimeSet], within: TimeSet) -> list[dict[Use, Part]]:
        """How long each use was each day of what lies `within`, in the hours and outside of them."""
        found: list[dict[Use, Part]] = [{} for _ in self.bounds[1:]]
        for use, each in uses.items():
            when = each & within
            for of_day, open_s, outside_s in zip(
                found, self.days(when & self.open), self.days(when - self.open), strict=True
            ):
                of_day[use] = Part(open_s, outside_s)
        return found


def _by_day(
    days: Sequence[date],
    sets: _Sets,
    *,
    said: Iterable[tuple[int, int, str]],
    concurrent: Sequence[tuple[int, int]],
    turnovers: Sequence[tuple[int, int]],
) -> list[StageDay]:
    planned, actual = sets.parts(sets.planned, sets.whole), sets.parts(sets.actual, sets.elapsed)
    spans, hours, elapsed, past, pencilled, inferred = (
        sets.days(each)
        for each in (
            sets.whole,
            sets.open,
            sets.elapsed,
            sets.open & sets.elapsed,
            sets.pencilled,
            sets.inferred & sets.elapsed,
        )
    )
    idle = {why: sets.days(each) for why, each in sets.idle.items()}
    reasons: list[dict[str, int]] = [{} for _ in days]
    for start, end, reason in said:
        place = bisect_right(sets.bounds, start) - 1
        while place < len(days) and sets.bounds[place] < end:
            length_s = min(end, sets.bounds[place + 1]) - max(start, sets.bounds[place])
            reasons[place][reason] = reasons[place].get(reason, 0) + max(length_s, 0)
            place += 1
    taken: list[list[int]] = [[] for _ in days]
    for at, length_s in turnovers:
        if sets.bounds[0] <= at < sets.bounds[-1]:
            taken[bisect_right(sets.bounds, at) - 1].append(length_s)
    return [
        StageDay(
            day,
            Figures(
                span_s=spans[place],
                available_s=hours[place],
                elapsed_s=elapsed[place],
                available_elapsed_s=past[place],
                planned=planned[place],
                actual=actual[place],
                pencilled_s=pencilled[place],
                overlap_s=concurrent[place][0],
                most_at_once=concurrent[place][1],
                inferred_s=inferred[place],
                idle={why: each[place] for why, each in idle.items()},
                said=reasons[place],
                turnovers_s=tuple(taken[place]),
            ),
        )
        for place, day in enumerate(days)
    ]
