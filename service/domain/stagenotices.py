"""What people hear of about a stage: that it frees, stands idle, has a silent terminal, or perhaps still has power."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from service.domain.conditions import Condition
from service.domain.notices import NoticeKind
from service.domain.shifts import Signal, silent_since
from service.domain.spans import Span, TimeSet, times

TIMED = (
    NoticeKind.STAGE_FREES,
    NoticeKind.STAGE_IDLE,
    NoticeKind.TERMINAL_SILENT,
    NoticeKind.POWER_DOWN_UNCONFIRMED,
)
"""The kinds that tell of a stage, each at thresholds of its own."""

LOOKS_BACK = timedelta(days=31)
LOOKS_AHEAD = timedelta(days=60)
"""Which bookings are looked at: what ended in the last month, what begins in the next two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupant:
    """What stands on a stage by a confirmed booking: for which `shot` (id, None of none), and what its code is."""

    span: Span
    shot_id: int | None
    shot: str | None
    activity: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A terminal beside the stage, and when it was last heard of (UTC), None if never."""

    terminal: str
    heard_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StageState:
    """What is known of a stage: confirmed `bookings` by their start, its `log`, its `terminals`, when it is open."""

    stage_id: int
    bookings: Sequence[Occupant]
    log: Sequence[tuple[datetime, Signal]]
    terminals: Sequence[Heard]
    open: TimeSet
    thresholds: Mapping[NoticeKind, Sequence[int]] = field(default_factory=dict)

    @property
    def subject(self) -> str:
        """How notices name it."""
        return f"stage/{self.stage_id}"


@dataclass(frozen=True, slots=True)
class Judged:
    """A condition of a stage, None where it cannot be judged, and when it may be another though nothing happens."""

    condition: Condition | None
    changes_at: datetime | None


def judge(state: StageState, now: datetime) -> Iterator[Judged]:
    """Every condition of a stage that somebody wants to hear of."""
    yield from _frees(state, now)
    yield from _idle(state, now)
    yield from _silent(state, now)
    yield from _powered(state, now)


def runs(bookings: Iterable[Occupant]) -> list[Occupant]:
    """What stands on a stage one after the other: bookings of one shot that touch or overlap are one."""
    found: list[Occupant] = []
    for each in sorted(bookings, key=lambda each: (each.span.start_at, each.span.end_at)):
        last = found[-1] if found else None
        if last is not None and last.shot_id == each.shot_id is not None and each.span.start_at <= last.span.end_at:
            span = Span(last.span.start_at, max(last.span.end_at, each.span.end_at))
            found[-1] = Occupant(span=span, shot_id=last.shot_id, shot=last.shot, activity=each.activity)
        else:
            found.append(each)
    return found


def _frees(state: StageState, now: datetime) -> Iterator[Judged]:
    standing = runs(state.bookings)
    run = next((each for each in standing if each.span.end_at > now), None)
    follows = next((each for each in standing if run is not None and each.span.start_at >= run.span.end_at), None)
    for hours in state.thresholds.get(NoticeKind.STAGE_FREES, ()):
        begins = None if run is None else run.span.end_at - timedelta(hours=hours)
        holds = run is not None and begins is not None and run.span.start_at <= now and begins <= now
        facts = {} if run is None else {"frees_at": run.span.end_at.isoformat(), "shot": run.shot}
        if follows is not None:
            facts |= {"next_at": follows.span.start_at.isoformat(), "next_shot": follows.shot}
            facts |= {"next_activity": follows.activity}
        condition = Condition(
            kind=NoticeKind.STAGE_FREES,
            subject=state.subject,
            threshold=hours,
            holds=holds,
            since=begins,
            occasion=None if run is None else run.span.end_at.isoformat(),
            facts=facts,
        )
        ahead = [] if run is None or begins is None else [max(begins, run.span.start_at), run.span.end_at]
        yield Judged(condition, min((at for at in ahead if at > now), default=None))


def _idle(state: StageState, now: datetime) -> Iterator[Judged]:
    there = any(each.span.start_at <= now < each.span.end_at for each in state.bookings)
    ended = max((each.span.end_at for each in state.bookings if each.span.end_at <= now), default=None)
    begins = min((each.span.start_at for each in state.bookings if each.span.start_at > now), default=None)
    free_until = now + LOOKS_AHEAD if begins is None else begins
    free_s = 0 if there or ended is None else len(state.open & times([Span(ended, free_until)]))
    ahead = [each.span.end_at for each in state.bookings] + ([] if begins is None else [begins])
    changes_at = min((at for at in ahead if at > now), default=None)
    if ended is None and not there:
        # Never booked, or so long ago that nobody remembers: what was told of it stands.
        yield Judged(None, changes_at)
        return
    for hours in state.thresholds.get(NoticeKind.STAGE_IDLE, ()):
        condition = Condition(
            kind=NoticeKind.STAGE_IDLE,
            subject=state.subject,
            threshold=hours,
            holds=free_s >= hours * 3600,
            since=ended,
            occasion=None if ended is None else ended.isoformat(),
            facts={"idle_since": None if ended is None else ended.isoformat()}
            | ({} if begins is None else {"next_at": begins.isoformat()}),
        )
        yield Judged(condition, changes_at)


def _silent(state: StageState, now: datetime) -> Iterator[Judged]:
    for minutes in state.thresholds.get(NoticeKind.TERMINAL_SILENT, ()):
        limit = timedelta(minutes=minutes)
        for each in state.terminals:
            any_ = silent_since(state.log, heard_at=each.heard_at, now=now, limit_s=-1)
            long = any_ is not None and now - any_ >= limit
            condition = Condition(
                kind=NoticeKind.TERMINAL_SILENT,
                subject=f"terminal/{each.terminal}",
                threshold=minutes,
                holds=long,
                since=None if any_ is None else any_ + limit,
                occasion=None if any_ is None else any_.isoformat(),
                facts={"terminal": each.terminal, "heard_at": None if any_ is None else any_.isoformat()},
            )
            # Nothing in the log says that it was heard of again, so that is looked for as long as it is silent.
            again = None if any_ is None else (now + limit if long else any_ + limit)
            yield Judged(condition, again)


def _powered(state: StageState, now: datetime) -> Iterator[Judged]:
    wrapped_at: datetime | None = None
    for at, signal in sorted((each for each in state.log if each[0] <= now), key=lambda each: each[0]):
        if signal is Signal.WRAP:
            wrapped_at = at
        elif signal in {Signal.POWER_OFF, Signal.CALL}:
            wrapped_at = None
    for minutes in state.thresholds.get(NoticeKind.POWER_DOWN_UNCONFIRMED, ()):
        due = None if wrapped_at is None else wrapped_at + timedelta(minutes=minutes)
        condition = Condition(
            kind=NoticeKind.POWER_DOWN_UNCONFIRMED,
            subject=state.subject,
            threshold=minutes,
            holds=due is not None and due <= now,
            since=due,
            occasion=None if wrapped_at is None else wrapped_at.isoformat(),
            facts={"wrapped_at": None if wrapped_at is None else wrapped_at.isoformat()},
        )
        yield Judged(condition, due if due is not None and due > now else None)
