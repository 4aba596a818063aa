"""What people hear of about a shot: judged from its facts, none of it from what an event says."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import groupby
from math import floor

from service.domain.conditions import Condition
from service.domain.moves import Standing, lacking
from service.domain.notices import NoticeKind
from service.domain.phases import Fact, Phase
from service.domain.progress import judged
from service.domain.signoffs import Matter, Role
from service.domain.spans import Span, TimeSet, seconds_of, times
from service.domain.viewing import ShotTakes, TakeFacts, waiting

AT_THE_STAGE = frozenset({Phase.SHOOTING, Phase.BACKGROUND_PLATE})
"""The phases in which a shot's set has to stand."""

SIGNED: tuple[tuple[NoticeKind, tuple[Fact, ...], Matter], ...] = (
    (NoticeKind.SET_DRESSED, (Fact.SET_APPROVED,), Matter.SET_APPROVED),
    (
        NoticeKind.FRAMING_APPROVED,
        (Fact.FRAMING_APPROVED_BY_DIRECTOR, Fact.FRAMING_APPROVED_BY_CAMERA_OPERATOR),
        Matter.FRAMING_APPROVED,
    ),
)


def reached(changes: Iterable[tuple[datetime, int, int]]) -> list[datetime]:
    """The instants at which a shot came to have all its planned frames, rising.

    `changes` are (instant, change of planned frames, change of credited frames) by instant, of both journals together;
    what changed at one instant changed at once.
    """
    planned = credited = 0
    whole, found = False, []
    for at, several in groupby(changes, key=lambda each: each[0]):
        for _, more_planned, more_credited in several:
            planned, credited = planned + more_planned, credited + more_credited
        now_whole = planned > 0 and credited >= planned
        if now_whole and not whole:
            found.append(at)
        whole = now_whole
    return found


def completion(shot_id: int, came: Sequence[datetime], *, whole: bool, planned: int) -> Condition:
    """Whether every planned frame of a shot is credited, and each time it came to that."""
    return Condition(
        kind=NoticeKind.PLANNED_REACHED,
        subject=f"shot/{shot_id}",
        holds=whole,
        times=came,
        facts={"planned_frames": planned},
    )


def of_standing(shot_id: int, standing: Standing) -> Iterator[Condition]:
    """What a shot's sign-offs, plate and approval say."""
    subject = f"shot/{shot_id}"
    present = not standing.facts.plan.omitted

    def holds(*facts: Fact) -> bool:
        return present and all(lacking(fact, standing) is None for fact in facts)

    for kind, facts, matter in SIGNED:
        given = [each for (of, _), each in standing.signed.items() if of is matter]
        yield Condition(
            kind=kind,
            subject=subject,
            holds=holds(*facts),
            since=max((each.signed_at for each in given), default=None),
            occasion="/".join(str(each.id) for each in sorted(given, key=lambda each: each.id)) or None,
            facts={"signers": sorted({each.signer or each.by for each in given})},
        )
    plate_needed = standing.needs is not None and standing.needs.plate_needed
    in_ = plate_needed and holds(Fact.PLATE_SHOT)
    due = plate_needed and not in_ and standing.phase in AT_THE_STAGE and holds(Fact.FRAMES_SHOT)
    yield Condition(kind=NoticeKind.PLATE_IN, subject=subject, holds=in_)
    yield Condition(
        kind=NoticeKind.PLATE_DUE, subject=subject, holds=due, facts={"lacks": lacking(Fact.PLATE_SHOT, standing)}
    )
    approval = standing.signed.get((Matter.APPROVAL, Role.DIRECTOR))
    changed = standing.phase is Phase.APPROVED and present and not holds(Fact.APPROVAL_SIGNED)
    yield Condition(
        kind=NoticeKind.CHANGED_SINCE_APPROVAL,
        subject=subject,
        holds=changed,
        people=() if approval is None else (approval.signer or approval.by,),
        facts={
            "lacks": lacking(Fact.APPROVAL_SIGNED, standing),
            "signers": [] if approval is None else [approval.signer or approval.by],
        },
    )


def of_takes(takes: ShotTakes, thresholds: Sequence[int], now: datetime) -> Iterator[Condition]:
    """What the takes of a shot say: which are finished, which circled, and which wait longer than so many hours."""
    waits = {each.take.id: each for each in waiting(takes)}
    for take in takes.takes:
        subject, facts = f"take/{take.id}", {"take": take.number, "part": take.part}
        present = not takes.plan.omitted
        offered_at = take.offered_at(takes.plan)
        yield Condition(
            kind=NoticeKind.TAKE_FINISHED,
            subject=subject,
            holds=present and offered_at is not None,
            since=take.heard_at,
            facts={**facts, "frames": _longest(take), "captured_at": _written(offered_at)},
        )
        yield Condition(kind=NoticeKind.TAKE_CIRCLED, subject=subject, holds=present and _circled(take), facts=facts)
        wait = waits.get(take.id)
        for hours in thresholds:
            yield Condition(
                kind=NoticeKind.DECISION_WAITED_FOR,
                subject=subject,
                threshold=hours,
                holds=wait is not None and now - wait.since >= timedelta(hours=hours),
                since=None if wait is None else wait.since + timedelta(hours=hours),
                occasion=None if wait is None else _written(wait.since),
                facts={
                    **facts,
                    "frames": _longest(take),
                    "waits_since": None if wait is None else _written(wait.since),
                },
            )


def decisions_due(takes: ShotTakes, thresholds: Sequence[int], now: datetime) -> datetime | None:
    """The next instant at which a take will have waited for as long as somebody wants to hear of."""
    due = (each.since + timedelta(hours=hours) for each in waiting(takes) for hours in thresholds)
    return min((at for at in due if at > now), default=None)


def _circled(take: TakeFacts) -> bool:
    decisions = take.decisions()
    return any(judged(decisions, each.camera).circled & each.live for each in take.series)


def _longest(take: TakeFacts) -> int:
    return max((each.total_frames for each in take.series), default=0)


def _written(instant: datetime | None) -> str | None:
    return None if instant is None else instant.isoformat()


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """The shooting of a shot that is booked: the open time of its stages, and how many stage-days that is."""

    time: TimeSet
    days: Fraction


@dataclass(frozen=True, slots=True)
class Behind:
    """How far a shot is behind its booked shooting: credited frames that lack, and the booked days these would take."""

    frames: int
    days: Fraction


def behind(planned_frames: int, credited_frames: int, booked: Booked, now: datetime) -> Behind:
    """How far a shot is behind, where its planned frames are spread evenly over its booked shooting.

    A shot that is whole, or of which nothing is booked, is not behind.
    """
    whole = len(booked.time)
    if not whole or credited_frames >= planned_frames:
        return Behind(0, Fraction(0))
    over = len(booked.time & times([Span(_BEGINNING, now)])) if now > _BEGINNING else 0
    lacks = Fraction(planned_frames * over, whole) - credited_frames
    if lacks <= 0:
        return Behind(0, Fraction(0))
    return Behind(floor(lacks), lacks / planned_frames * booked.days)


_BEGINNING = datetime.fromisoformat("1970-01-01T00:00:00+00:00")


def behind_conditions(
    shot_id: int, how_far: Behind, *, by_frames: Sequence[int], by_days: Sequence[int]
) -> Iterator[Condition]:
    """Whether a shot is behind by as much as somebody wants to hear of."""
    for kind, thresholds, value in (
        (NoticeKind.BEHIND_BY_FRAMES, by_frames, how_far.frames),
        (NoticeKind.BEHIND_BY_DAYS, by_days, how_far.days),
    ):
        for threshold in thresholds:
            yield Condition(
                kind=kind,
                subject=f"shot/{shot_id}",
                threshold=threshold,
                holds=value >= threshold,
                facts={"behind_frames": how_far.frames, "behind_tenths": floor(how_far.days * 10)},
            )


def next_day_end(booked: Booked, now: datetime) -> datetime | None:
    """When the open time of the booked shooting that is under way, or comes next, ends."""
    second = seconds_of(now)
    return min((span.end_at for span in booked.time.spans if seconds_of(span.end_at) > second), default=None)
