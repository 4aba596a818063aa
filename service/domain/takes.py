"""Takes and their series: which post of a series stands, and what each production day added.

A series is one (shot, part, camera, pass, purpose, take); totals are compared within a series only. All functions are
pure: values in, values out.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from itertools import groupby
from typing import assert_never


class Purpose(StrEnum):
    """What a take is shot for; only `shoot` counts as frames of the shot, `plate` as its clean background."""

    SHOOT = "shoot"
    PLATE = "plate"
    REHEARSAL = "rehearsal"
    TEST = "test"
    REFERENCE = "reference"


class Outcome(StrEnum):
    """What a terminal says of a take.

    Offered as finished, given up, or (where the studio lets terminals decide) circled or NG.
    """

    FINISHED = "finished"
    ABANDONED = "abandoned"
    CIRCLED = "circled"
    NG = "ng"


VERDICTS = frozenset({Outcome.CIRCLED, Outcome.NG})


class SeriesState(StrEnum):
    """How a series stands by what its terminals said of it."""

    OPEN = "open"
    FINISHED = "finished"
    ABANDONED = "abandoned"


class StandIn(StrEnum):
    """Why what was not accepted of a series stands in, or does not."""

    FINISHED_LAST = "finished last"
    HIGHEST_OPEN = "highest open"
    KEPT = "kept beside what was rejected"
    GIVES_WAY = "gives way"
    REJECTED = "rejected"
    ABANDONED = "abandoned"


STANDS = frozenset({StandIn.FINISHED_LAST, StandIn.HIGHEST_OPEN, StandIn.KEPT})
"""Of these what is neither accepted nor rejected stands in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerPost:
    """A kept post of one series, with what the ordering and the day sheet need.

    `terminal`, `spool` and `serial` name it for ever. `captured_at` is the server's reckoning, UTC; `day_on` the
    production day. `total_frames` is what the series held, from `starts_at` on where that was said; `outcome` what was
    said of the take, `animator` who animated, `stage_id` where. `restated_frames` is what a correction says it held
    instead, None where nobody corrected it.
    """

    terminal: str
    spool: str
    serial: int
    captured_at: datetime
    total_frames: int
    outcome: Outcome | None = None
    starts_at: int | None = None
    stage_id: int
    animator: str | None = None
    day_on: date
    restated_frames: int | None = None

    @property
    def stands_frames(self) -> int:
        """The total that counts: as corrected, else as posted."""
        return self.total_frames if self.restated_frames is None else self.restated_frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a series stands: `total_frames` live in it from the identity `starts_at` on.

    `state` is what its terminals said of it last, `offered_at` the capture of the post that said it, `ruled_at` that of
    the post whose total stands, `stage_id` where it was. Instants are UTC.
    """

    total_frames: int
    starts_at: int
    state: SeriesState
    offered_at: datetime | None
    stage_id: int
    ruled_at: datetime


@dataclass(frozen=True, slots=True)
class Heads:
    """The newest post of each spool of a series, separately for totals, outcomes, verdicts and starts.

    Since a post may leave the last three unsaid; verdicts are the outcomes that decide, circled and NG.
    """

    totals: Mapping[tuple[str, str], LedgerPost] = field(default_factory=dict)
    outcomes: Mapping[tuple[str, str], LedgerPost] = field(default_factory=dict)
    verdicts: Mapping[tuple[str, str], LedgerPost] = field(default_factory=dict)
    starts: Mapping[tuple[str, str], LedgerPost] = field(default_factory=dict)

    def with_post(self, post: LedgerPost) -> "Heads":
        """The heads after one more post, in whatever order posts arrive."""
        return Heads(
            _newest(self.totals, post),
            _newest(self.outcomes, post) if post.outcome is not None else self.outcomes,
            _newest(self.verdicts, post) if post.outcome in VERDICTS else self.verdicts,
            _newest(self.starts, post) if post.starts_at is not None else self.starts,
        )

    @classmethod
    def of(cls, posts: Iterable[LedgerPost]) -> "Heads":
        """The heads of any posts of one series.

        A subset that has every spool's newest of each kind gives the same as the whole.
        """
        heads = cls()
        for post in posts:
            heads = heads.with_post(post)
        return heads

    @property
    def ruling(self) -> LedgerPost:
        """The post whose total stands: of each spool's newest the latest capture; a tie goes by terminal name.

        Needs at least one post.
        """
        return _latest(self.totals.values())

    def restated(self, frames: int) -> "Heads":
        """The heads once a correction says that the ruling post held `frames`.

        It stands until a later post rules; one that is older than the ruling post, however late it comes, never does.
        """
        old = self.ruling
        new = replace(old, restated_frames=frames)
        return Heads(
            *(
                {spool: new if post == old else post for spool, post in heads.items()}
                for heads in (self.totals, self.outcomes, self.verdicts, self.starts)
            )
        )

    def standing(self, default_starts_at: int) -> Standing:
        """How a series with these heads stands; needs at least one post."""
        rules = self.ruling
        said = _latest(self.outcomes.values()) if self.outcomes else None
        begun = _latest(self.starts.values()) if self.starts else None
        return Standing(
            total_frames=rules.stands_frames,
            starts_at=begun.starts_at if begun is not None and begun.starts_at is not None else default_starts_at,
            state=_state(said.outcome if said else None),
            offered_at=said.captured_at if said else None,
            stage_id=rules.stage_id,
            ruled_at=rules.captured_at,
        )


def rules_verdict(take: Iterable[Heads], post: LedgerPost) -> bool:
    """Whether this post decides: it is circled or NG, and no later one of any series of its take is.

    What a later post says without deciding, as that the take is finished, takes no verdict back. `take` are the heads
    of all its series, this post's with it.
    """
    said = Heads.of(head for series in take for head in series.verdicts.values()).verdicts
    return bool(said) and _latest(said.values()) == post


def _newest(heads: Mapping[tuple[str, str], LedgerPost], post: LedgerPost) -> Mapping[tuple[str, str], LedgerPost]:
    spool = (post.terminal, post.spool)
    head = heads.get(spool)
    return heads if head is not None and head.serial >= post.serial else {**heads, spool: post}


def _latest(posts: Iterable[LedgerPost]) -> LedgerPost:
    return max(posts, key=lambda post: (post.captured_at, post.terminal, post.spool))


def _state(outcome: Outcome | None) -> SeriesState:
    match outcome:
        case None:
            return SeriesState.OPEN
        case Outcome.FINISHED | Outcome.CIRCLED | Outcome.NG:
            return SeriesState.FINISHED
        case Outcome.ABANDONED:
            return SeriesState.ABANDONED
        case _:
            assert_never(outcome)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a series' history.

    The post, the total before it, the frames it added (deleted where negative) and what a correction made of them.
    """

    post: LedgerPost
    before_frames: int
    change_frames: int
    corrected_frames: int = 0


def history(posts: Iterable[LedgerPost]) -> tuple[Step, ...]:
    """The posts of one series in order, each with the change it made; the last step holds the standing total.

    Within a spool the serial orders. Across spools the capture time does, but a post never counts as later than one
    that its own spool posted after it, so that a clock set back cannot put two posts of one spool in the wrong order.
    """
    ordered = sorted(_timed(posts), key=lambda timed: (timed[0], timed[1].terminal, timed[1].spool, timed[1].serial))
    steps: list[Step] = []
    total = 0
    for _, post in ordered:
        steps.append(Step(post, total, post.total_frames - total, post.stands_frames - post.total_frames))
        total = post.stands_frames
    return tuple(steps)


def _timed(posts: Iterable[LedgerPost]) -> Iterable[tuple[datetime, LedgerPost]]:
    def spool(post: LedgerPost) -> tuple[str, str]:
        return post.terminal, post.spool

    for _, group in groupby(sorted(posts, key=spool), key=spool):
        latest: datetime | None = None
        for post in sorted(group, key=lambda each: each.serial, reverse=True):
            latest = post.captured_at if latest is None else min(latest, post.captured_at)
            yield latest, post


@dataclass(frozen=True, slots=True, kw_only=True)
class DayFrames:
    """Frames a series gained and lost on one production day at one stage under one animator.

    `corrected_frames` are what corrections make of them, which neither captured nor deleted anything.
    """

    day_on: date
    stage_id: int
    animator: str | None
    gross_frames: int
    deleted_frames: int
    corrected_frames: int = 0

    @property
    def net_frames(self) -> int:
        """Gross − deleted + corrected; negative where more was deleted than shot."""
        return self.gross_frames - self.deleted_frames + self.corrected_frames


def by_day(steps: Sequence[Step]) -> tuple[DayFrames, ...]:
    """A series' history added up by production day, stage and animator of the capture.

    Days without a change are left out.
    """
    sums: dict[tuple[date, int, str | None], DayFrames] = {}
    for step in steps:
        if step.change_frames or step.corrected_frames:
            key = (step.post.day_on, step.post.stage_id, step.post.animator)
            so_far = sums.get(key) or DayFrames(
                day_on=key[0], stage_id=key[1], animator=key[2], gross_frames=0, deleted_frames=0
            )
            sums[key] = replace(
                so_far,
                gross_frames=so_far.gross_frames + max(step.change_frames, 0),
                deleted_frames=so_far.deleted_frames + max(-step.change_frames, 0),
                corrected_frames=so_far.corrected_frames + step.corrected_frames,
            )
    return tuple(sums.values())
