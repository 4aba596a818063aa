"""Counts as terminals post them: what a post says, when it was captured, and what the door makes of it.

A count is an absolute total, known for ever by (terminal, spool, serial). All functions are pure: the clock is a
parameter.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

from service.domain.corrections import Detour, Place, led
from service.domain.refusals import Clash, Forbidden, Refusal
from service.domain.shots import Plan
from service.domain.takes import VERDICTS, Outcome, Purpose

# Between reading the clock and sending, and on the way, a second is nothing; a larger shift is worth showing.
UNREMARKABLE_SHIFT = timedelta(seconds=2)
# A clock that lost its battery shows its first day; earlier than this no clock shows anything, and calendars run out of
# years.
EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)


class TimeBasis(StrEnum):
    """What a capture time rests on.

    The age the terminal's monotonic clock gave, its clock put right by the sending time, its bare clock, or the
    server's clock at receipt.
    """

    AGE = "age"
    SENT_AT = "sent_at"
    AT = "at"
    RECEIPT = "receipt"


class Unmatched(StrEnum):
    """Why a count was kept without a shot to count for."""

    UNKNOWN_PRODUCTION = "unknown production"
    UNKNOWN_SHOT = "unknown shot"
    OMITTED = "omitted"
    OTHER_STAGE = "not planned for this stage"


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """One count as a terminal posted it: the total reached, never an increment.

    Exactly one of `captures_total` and `frames_total` is set. `at` is the terminal's clock at capture, `age_s` the
    seconds since by its monotonic clock when it sent the post.
    """

    serial: int
    production: str
    shot: str
    take: int
    spool: str = ""
    captures_total: int | None = None
    frames_total: int | None = None
    frames_per_capture: int = 1
    camera: str | None = None
    pass_: str | None = None
    part: str | None = None
    purpose: Purpose = Purpose.SHOOT
    starts_at: int | None = None
    animator: str | None = None
    at: datetime | None = None
    age_s: float | None = None
    outcome: Outcome | None = None

    @property
    def total_frames(self) -> int:
        """The total in frames: captures times frames per capture, or the frames posted where holds are mixed."""
        if self.frames_total is not None:
            return self.frames_total
        return (self.captures_total or 0) * self.frames_per_capture

    @property
    def digest(self) -> str:
        """SHA-256 in hex of what the post says. Without `age_s`.

        Like `sent_at` it tells of the sending, and grows with every resend.
        """
        says = {
            "serial": self.serial,
            "spool": self.spool,
            "production": self.production,
            "shot": self.shot,
            "take": self.take,
            "captures_total": self.captures_total,
            "frames_total": self.frames_total,
            "frames_per_capture": self.frames_per_capture,
            "camera": self.camera,
            "pass": self.pass_,
            "part": self.part,
            "purpose": self.purpose.value,
            "starts_at": self.starts_at,
            "animator": self.animator,
            "at": self.at.astimezone(UTC).isoformat() if self.at else None,
            "outcome": self.outcome.value if self.outcome else None,
        }
        return hashlib.sha256(json.dumps(says, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class CaptureTime:
    """When a frame was captured, or a line of a stage's log happened, by the server's reckoning.

    `adjusted` where that is not what the terminal's clock showed.
    """

    captured_at: datetime
    basis: TimeBasis
    adjusted: bool


def capture_time(post: Post, *, sent_at: datetime | None, received_at: datetime) -> CaptureTime:
    """When a post's frame was captured, as `reckoned` says."""
    return reckoned(post.at, post.age_s, sent_at=sent_at, received_at=received_at)


def reckoned(
    at: datetime | None, age_s: float | None, *, sent_at: datetime | None, received_at: datetime
) -> CaptureTime:
    """Put a terminal's clock right; never later than receipt, and never a reason to refuse.

    The monotonic age is believed before any wall clock; without it the difference between receipt and `sent_at`
    corrects `at`.
    """
    if age_s is not None:
        age_limit_s = (received_at - EARLIEST).total_seconds()
        captured_at = received_at - timedelta(seconds=min(age_s, age_limit_s))
        basis = TimeBasis.AGE
    elif at is None:
        return CaptureTime(received_at, TimeBasis.RECEIPT, adjusted=False)
    else:
        captured_at = clock_corrected(at, sent_at=sent_at, received_at=received_at)
        basis = TimeBasis.AT if sent_at is None else TimeBasis.SENT_AT
    shown = at if at is not None else captured_at
    return CaptureTime(captured_at, basis, adjusted=abs(captured_at - shown) > UNREMARKABLE_SHIFT)


def clock_corrected(at: datetime, *, sent_at: datetime | None, received_at: datetime) -> datetime:
    """An instant of a sender's clock by the server's: moved by what `sent_at` is out, never later than receipt."""
    try:
        corrected = at if sent_at is None else at + (received_at - sent_at)
    except OverflowError:
        corrected = received_at
    return max(min(corrected, received_at), EARLIEST).astimezone(UTC)


@dataclass(eq=False)
class CountConflict(Clash):
    """The serial {serial} of spool {spool!r} was used before with other content.

    Give each count a serial of its own, and a reinstalled terminal a new spool id.
    """

    spool: str
    serial: int


@dataclass(eq=False)
class DecisionNotAllowed(Forbidden):
    """The studio does not let terminals post the outcome {outcome}.

    Post the take as finished and let a coordinator decide, or set terminals_may_decide for the studio.
    """

    POINTER = "/outcome"

    outcome: str


@dataclass(eq=False)
class OtherProduction(Forbidden):
    """The key counts for the production {bound} alone, not for {production}.

    Post it with a key of the terminal that is bound to {production} or to none.
    """

    POINTER = "/production"

    bound: str
    production: str


@dataclass(frozen=True, slots=True)
class Known:
    """A kept post found under its (spool, serial): the digest of what it said, and the answer it was given."""

    digest: str
    answer: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Target:
    """A shot a post may mean: its row's id and its plan."""

    shot_id: int
    plan: Plan


@dataclass(frozen=True, slots=True)
class Counted:
    """The post counts for the series of this shot and part; `led` where a correction leads it from the one it says."""

    shot_id: int
    part: str
    led: Place | None = None

    def meant(self, post: Post) -> Post:
        """The post as it counts."""
        if self.led is None:
            return post
        return replace(post, take=self.led.take, camera=self.led.camera, pass_=self.led.pass_)


@dataclass(frozen=True, slots=True)
class Repeated:
    """The post was kept before; `answer` is what it was told then."""

    answer: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Echo:
    """The post repeats an earlier one of the same body, the one at this index."""

    index: int


@dataclass(frozen=True, slots=True)
class Kept:
    """The post is kept without a shot, and why."""

    reason: Unmatched


@dataclass(frozen=True, slots=True)
class Refused:
    """The post is not kept and its serial not spent."""

    refusal: Refusal


Judgement = Counted | Repeated | Echo | Kept | Refused


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorFacts:
    """What the judgement of one terminal's posts needs to know.

    `known` by (spool, serial); `targets` by (production code, shot code); `productions` the codes that exist;
    `only_production` the code of the one the key is bound to. `detours` are the corrections that lead counts of the
    targets elsewhere, `plans` those of all shots concerned, by id; `terminal_id` whose posts they are.
    """

    stage_id: int
    terminals_may_decide: bool
    known: Mapping[tuple[str, int], Known]
    targets: Mapping[tuple[str, str], Target]
    productions: frozenset[str]
    only_production: str | None = None
    terminal_id: int = 0
    detours: Sequence[Detour] = ()
    plans: Mapping[int, Plan] = field(default_factory=dict)


def judge(posts: Sequence[Post], facts: DoorFacts) -> tuple[Judgement, ...]:
    """Say of each post of one terminal, in the order given, whether it is counted, repeated, kept unmatched or refused.

    One bad post never touches its neighbours.
    """
    judgements: list[Judgement] = []
    here: dict[tuple[str, int], int] = {}
    for index, post in enumerate(posts):
        judgement = _judge_one(post, facts, earlier=here.get((post.spool, post.serial)), posts=posts)
        if isinstance(judgement, Counted | Kept):
            here[post.spool, post.serial] = index
        judgements.append(judgement)
    return tuple(judgements)


def _judge_one(post: Post, facts: DoorFacts, *, earlier: int | None, posts: Sequence[Post]) -> Judgement:
    known = facts.known.get((post.spool, post.serial))
    if known is not None:
        return (
            Repeated(known.answer) if known.digest == post.digest else Refused(CountConflict(post.spool, post.serial))
        )
    if earlier is not None:
        return (
            Echo(earlier) if posts[earlier].digest == post.digest else Refused(CountConflict(post.spool, post.serial))
        )
    if facts.only_production is not None and post.production != facts.only_production:
        return Refused(OtherProduction(facts.only_production, post.production))
    if post.outcome in VERDICTS and not facts.terminals_may_decide:
        return Refused(DecisionNotAllowed(post.outcome.value))
    target = facts.targets.get((post.production, post.shot))
    if target is not None and facts.detours and (counted := _led(post, target, facts)) is not None:
        return counted
    return place(post, target, facts.stage_id, production_known=post.production in facts.productions)


def _led(post: Post, target: Target, facts: DoorFacts) -> Counted | None:
    """Where corrections lead a post to; None where it counts for what it says.

    It counts there whatever is planned for the stage, as a coordinator said it should.
    """

    def part_of(shot_id: int, part: str) -> str:
        return facts.plans[shot_id].part_by_hand(part or None, facts.stage_id)

    says = Place(
        target.shot_id,
        target.plan.part_by_hand(post.part, facts.stage_id),
        post.purpose,
        post.take,
        post.camera or target.plan.cameras[0],
        post.pass_ or target.plan.passes[0],
    )
    where = led(
        says, facts.detours, terminal_id=facts.terminal_id, spool=post.spool, serial=post.serial, part_of=part_of
    )
    return None if where == says else Counted(where.shot_id, where.part, where)


def place(post: Post, target: Target | None, stage_id: int, *, production_known: bool) -> Counted | Kept:
    """Where a post of a stage counts, or why it must be kept unmatched."""
    if target is None:
        return Kept(Unmatched.UNKNOWN_SHOT if production_known else Unmatched.UNKNOWN_PRODUCTION)
    if target.plan.omitted:
        return Kept(Unmatched.OMITTED)
    part = target.plan.part_counted(post.part, stage_id)
    return Kept(Unmatched.OTHER_STAGE) if part is None else Counted(target.shot_id, part)
