"""When a stage was worked on and at what, from its log, the captures made on it and the phases of its shots.

What people said rules: from call to wrap, without the waits between. Where nobody said that work ended, it ended with
the last sign of life of the stage, and is `inferred`; so a terminal that dies leaves no shooting behind it.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise, takewhile

from service.domain.shifts import LONGEST_SHIFT, Signal, shifts_of
from service.domain.spans import NEVER, TimeSet, seconds_of
from service.domain.takes import Purpose

LONGEST_S = int(LONGEST_SHIFT.total_seconds())
QUIET = timedelta(hours=2)
"""Captures that no call or wrap speaks of are one piece of work where no two neighbours lie further apart."""


class Use(StrEnum):
    """What a stage is used for."""

    SHOOTING = "shooting"
    PLATE = "plate"
    DRESSING = "dressing"
    UPKEEP = "upkeep"
    HELD = "held"
    IDLE = "idle"


PRECEDENCE = (Use.SHOOTING, Use.PLATE, Use.DRESSING, Use.UPKEEP, Use.HELD)
"""Of what lies over one another the first of these counts; idle is what is none of them."""

WORK = frozenset(PRECEDENCE) - {Use.HELD}
"""The uses in which somebody is at work; a set that is held is not to be touched."""

_USE_OF = {Purpose.SHOOT: Use.SHOOTING, Purpose.PLATE: Use.PLATE}


@dataclass(frozen=True, slots=True)
class LogLine:
    """A line of a stage's log: what was said (`signal`) `at` an instant, and the `reason` where one was given."""

    at: datetime
    signal: Signal
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Capture:
    """A capture made on a stage `at` an instant, for a `purpose`, of the shot `shot_id`, None where it is not known."""

    at: datetime
    shot_id: int | None
    purpose: Purpose


@dataclass(frozen=True, slots=True)
class Mark:
    """From the instant `at` on the shot `shot_id` is at this `use` on its stage; None where it has left it."""

    at: datetime
    shot_id: int
    use: Use | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Work on a stage from second `start` until `end`; `inferred` where nobody said that it ended."""

    start: int
    end: int
    inferred: bool


@dataclass(frozen=True, slots=True)
class Wait:
    """A stage waited from second `start` until `end`, for what its log calls the `reason`."""

    start: int
    end: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """What a stage was worked on: by use, sets that do not overlap.

    `inferred` is what of it nobody said the end of, `in_hand` when each shot was the last the stage had been at.
    """

    uses: Mapping[Use, TimeSet]
    inferred: TimeSet
    in_hand: Mapping[int, TimeSet]


def stretches(log: Sequence[LogLine], captures: Sequence[Capture]) -> tuple[Stretch, ...]:
    """The work that the log and the captures of a stage tell of, in order; log and captures in that of their instants.

    From call to wrap. Without a wrap within 24 hours it ends with the last line or capture before the next call.
    Captures outside of that are work from the first to the last of those not further apart than QUIET.
    """
    wraps = {line.at for line in log if line.signal is Signal.WRAP}
    signs = sorted({*(seconds_of(line.at) for line in log), *(seconds_of(each.at) for each in captures)})
    called: list[Stretch] = []
    for shift in shifts_of((line.at, line.signal) for line in log):
        start = seconds_of(shift.called_at)
        ended = None if shift.wrapped_at is None else seconds_of(shift.wrapped_at)
        limit = start + LONGEST_S if ended is None else min(ended, start + LONGEST_S)
        wrapped = shift.wrapped_at in wraps and ended == limit
        end = limit if wrapped else signs[bisect_left(signs, limit) - 1]
        if limit > start and end > start:
            called.append(Stretch(start, end, inferred=not wrapped))
    said = TimeSet.of((each.start, each.end - 1) for each in called)
    lone = [Stretch(first, last + 1, inferred=True) for first, last in (_runs(captures, called) - said).ranges]
    return tuple(sorted((*called, *lone), key=lambda each: each.start))


def _runs(captures: Sequence[Capture], called: Sequence[Stretch]) -> TimeSet:
    starts = [each.start for each in called]
    lone = []
    for capture in captures:
        at = seconds_of(capture.at)
        # One within the very second of a wrap belongs to the work that was wrapped.
        place = bisect_left(starts, at + 1) - 1
        if place < 0 or at > called[place].end:
            lone.append(at)
    quiet_s = int(QUIET.total_seconds())
    return TimeSet.of((one, other - 1) for one, other in pairwise(lone) if other - one <= quiet_s)


def waits(log: Sequence[LogLine], captures: Sequence[Capture]) -> tuple[Wait, ...]:
    """The waits a stage's log tells of, each until its next line, the next capture, or for 24 hours."""
    captured = [seconds_of(each.at) for each in captures]
    lines = [(seconds_of(line.at), line) for line in log]
    found = []
    for place, (start, line) in enumerate(lines):
        if line.signal is not Signal.WAITING:
            continue
        ends = [start + LONGEST_S]
        ends += [at for at, _ in lines[place + 1 : place + 2]]
        ends += captured[(after := bisect_left(captured, start + 1)) : after + 1]
        if min(ends) > start:
            found.append(Wait(start, min(ends), line.reason or ""))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class State:
    """From second `at` on a stage is at a `use` of the shot `shot_id`; both None where it is at none."""

    at: int
    shot_id: int | None
    use: Use | None


def _states(marks: Sequence[Mark], captures: Sequence[Capture]) -> list[State]:
    """What the stage was at last, from each instant on at which that changed."""
    captured = [
        Mark(each.at, each.shot_id, _USE_OF[each.purpose])
        for each in captures
        if each.shot_id is not None and each.purpose in _USE_OF
    ]
    # Of one instant in an order of their own: that in which they arrived must change nothing.
    captured.sort(key=lambda each: (each.at, each.shot_id, each.use))
    states = [State(-(1 << 62), None, None)]
    # Of one instant a move comes first: what is captured then was captured after it.
    for mark in sorted((*marks, *captured), key=lambda each: each.at):
        now = states[-1]
        if mark.use is None and mark.shot_id != now.shot_id:
            continue
        following = State(seconds_of(mark.at), mark.shot_id if mark.use else None, mark.use)
        if (following.shot_id, following.use) != (now.shot_id, now.use):
            states.append(following)
    return states


def at_last(marks: Sequence[Mark], captures: Sequence[Capture]) -> State | None:
    """What a stage was at last, and since when it has been at that shot, whatever it did of it; None where at none.

    Captures in order, marks in any.
    """
    states = _states(marks, captures)
    last = states[-1]
    of_shot = list(takewhile(lambda each: each.shot_id == last.shot_id, reversed(states)))
    return None if last.shot_id is None else State(of_shot[-1].at, last.shot_id, last.use)


@dataclass(slots=True)
class _Pieces:
    """What work is at, collected piece by piece: as marks in it say, or as a guess that bookings come before."""

    said: dict[Use, list[tuple[int, int]]] = field(default_factory=dict)
    unsaid: dict[Use, list[tuple[int, int]]] = field(default_factory=dict)

    def add(self, start: int, end: int, *, said: Use | None = None, guess: Use = Use.UPKEEP) -> None:
        where = self.unsaid if said is None else self.said
        where.setdefault(said or guess, []).append((start, end - 1))


def worked(
    log: Sequence[LogLine],
    captures: Sequence[Capture],
    *,
    marks: Sequence[Mark],
    booked: Mapping[Use, TimeSet],
    dressed: TimeSet = NEVER,
) -> Worked:
    """What a stage was worked on, of log and captures in the order of their instants, marks in any.

    Within a piece of work each capture and each mark says what it is at from then on. Before the first, and after a
    shot has left, `booked` says it (confirmed work, sets that do not overlap); else what the stage was at last, else
    what it came to first, else it is upkeep: work for no shot. `dressed` is dressing that phases alone tell of; of it
    counts what lies outside of all other work.
    """
    found, states = stretches(log, captures), _states(marks, captures)
    starts = [state.at for state in states]
    pieces = _Pieces()
    for stretch in found:
        place = bisect_left(starts, stretch.start)
        inside = states[place : bisect_left(starts, stretch.end)]
        # A capture that ends a piece of work says what it was.
        first = states[place : place + 1] if starts[place : place + 1] <= [stretch.end] else []
        guess = states[place - 1].use or (first[0].use if first else None) or Use.UPKEEP
        pieces.add(stretch.start, inside[0].at if inside else stretch.end, guess=guess)
        stops = [*(each.at for each in inside), stretch.end]
        for state, following in zip(inside, stops[1:], strict=True):
            pieces.add(state.at, following, said=state.use)
    idle = TimeSet.of((each.start, each.end - 1) for each in waits(log, captures))
    whole = TimeSet.of((each.start, each.end - 1) for each in found)
    return Worked(
        uses={
            use: (each - idle) | (dressed - whole - idle if use is Use.DRESSING else NEVER)
            for use, each in _told(pieces, booked).items()
        },
        inferred=(TimeSet.of((each.start, each.end - 1) for each in found if each.inferred) | (dressed - whole)) - idle,
        in_hand=_in_hand(states),
    )


def _told(pieces: _Pieces, booked: Mapping[Use, TimeSet]) -> dict[Use, TimeSet]:
    guessed = TimeSet.union(TimeSet.of(each) for each in pieces.unsaid.values())
    promised = TimeSet.union(booked.get(use, NEVER) for use in WORK)
    return {
        use: TimeSet.of(pieces.said.get(use, ()))
        | (guessed & booked.get(use, NEVER))
        | (TimeSet.of(pieces.unsaid.get(use, ())) - promised)
        for use in PRECEDENCE
        if use in WORK
    }


def _in_hand(states: Sequence[State]) -> dict[int, TimeSet]:
    found: dict[int, list[tuple[int, int]]] = {}
    for state, following in zip(states, [*(each.at for each in states[1:]), 1 << 62], strict=True):
        if state.shot_id is not None:
            found.setdefault(state.shot_id, []).append((state.at, following - 1))
    return {shot_id: TimeSet.of(each) for shot_id, each in found.items()}
