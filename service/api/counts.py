"""Counts: the door stage terminals post to."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from http import HTTPStatus
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Response
from pydantic import Field, ValidationError, ValidatorFunctionWrapHandler, WrapValidator, model_validator
from pydantic_core import PydanticCustomError, to_json

from service.actions import counts as actions
from service.api.doors import Counter
from service.api.errors import MOST_FAULTS, RETRY_AFTER_S, Problem, answer, fault_of, problem_of
from service.api.examples import answers, example_of
from service.api.fields import MOST_FRAMES, Body, Code, Instant, Line, Out, shown_as
from service.api.refusals import BodyStalled, CountsCutShort, OthersFirst
from service.api.strict import StrictRoute, run_again
from service.domain.counts import CountConflict, DecisionNotAllowed, OtherProduction, Post, TimeBasis, Unmatched
from service.domain.refusals import Fault, Unfit
from service.domain.takes import Outcome, Purpose
from service.store import studio
from service.store.engine import Busy

MOST_COUNTS = 10_000
MOST_IN_A_COMMIT = 200
LARGEST_SERIAL = 2**53 - 1
LONGEST_AGE_S = 10 * 366 * 24 * 3600


class CountsRoute(StrictRoute):
    """The route of counts, each of which is judged by itself."""

    refuses_unstorable_text = False


router = APIRouter(prefix="/v1/counts", tags=["counts"], route_class=CountsRoute)


@dataclass(eq=False)
class CountMalformed(Unfit):
    """The count is not as it should be and was not kept; its serial is not spent. `errors` names each fault."""

    faults: tuple[Fault, ...]


@dataclass(eq=False)
class AllCountsRefused(Unfit):
    """None of the {posted} counts was kept, and no serial is spent; `answers` says why of each."""

    posted: int
    answers: tuple[dict[str, Any], ...]


POSTED = {
    "sent_at": "2026-03-02T14:05:04Z",
    "spool": "k7Qm2x",
    "counts": [
        {
            "serial": 118,
            "production": "lantern-bay",
            "shot": "0120",
            "take": 2,
            "captures_total": 24,
            "frames_per_capture": 2,
            "animator": "Ilse",
            "at": "2026-03-02T14:05:03Z",
        }
    ],
}


TakeNumber = Annotated[int, Field(ge=1, le=9999)]


class CountIn(Body):
    """One count: the total a take has reached, never an increment."""

    serial: Annotated[int, Field(ge=0, le=LARGEST_SERIAL)] = Field(
        description="Rises with each count of a spool, and is never used for another count."
    )
    production: Code = Field(description="The production's code.")
    shot: Code = Field(description="The shot's code.")
    take: TakeNumber = Field(description="The take's number, from 1 on.")
    captures_total: Annotated[int, Field(ge=0, le=MOST_FRAMES)] | None = Field(
        None, description="Captures kept in the take; times `frames_per_capture` this is its length in frames."
    )
    frames_total: Annotated[int, Field(ge=0, le=MOST_FRAMES)] | None = Field(
        None, description="The take's length in frames, where holds are mixed. Instead of `captures_total`."
    )
    frames_per_capture: Annotated[int, Field(ge=1, le=1000)] = Field(
        1, description="How many frames each capture is held: 1 on ones, 2 on twos. Only with `captures_total`."
    )
    camera: Code | None = Field(None, description="The camera; the shot's first required one where left out.")
    pass_: Code | None = Field(
        None, alias="pass", description="The pass; the shot's first required one where left out."
    )
    part: Code | None = Field(
        None, description="The part of a split shot; the first planned for the stage where left out."
    )
    purpose: Annotated[Purpose, Field(strict=False)] = Field(
        Purpose.SHOOT, description="What the take is shot for; only `shoot` counts as progress."
    )
    starts_at: Annotated[int, Field(ge=-100_000, le=MOST_FRAMES)] | None = Field(
        None, description="The frame identity the take begins at; the first planned frame where never said."
    )
    animator: Line | None = Field(None, description="Who animates.")
    at: Instant | None = Field(None, description="The terminal's clock at the capture.")
    age_s: Annotated[float, Field(ge=0, le=LONGEST_AGE_S, allow_inf_nan=False)] | None = Field(
        None,
        description="Seconds since the capture by the terminal's monotonic clock, at sending; believed before `at`.",
    )
    outcome: Annotated[Outcome, Field(strict=False)] | None = Field(
        None, description="What is said of the take. `circled` and `ng` only where the studio lets terminals decide."
    )

    @model_validator(mode="after")
    def _one_total(self) -> "CountIn":
        if (self.captures_total is None) == (self.frames_total is None):
            raise PydanticCustomError("total", "Post exactly one of captures_total and frames_total.")
        if self.frames_total is not None and "frames_per_capture" in self.model_fields_set:
            raise PydanticCustomError(
                "total", "frames_per_capture goes with captures_total; frames_total stands alone."
            )
        if (self.captures_total or 0) * self.frames_per_capture > MOST_FRAMES:
            raise PydanticCustomError("total", "A take holds at most {most} frames.", {"most": MOST_FRAMES})
        return self

    def post(self, spool: str) -> Post:
        """The count as the domain knows it."""
        said = {name: getattr(self, name) for name in type(self).model_fields}
        return Post(spool=spool, **said)


@dataclass(frozen=True, slots=True)
class Malformed:
    """A count that could not be read, and why."""

    faults: tuple[Fault, ...]


def _read_alone(value: object, read: ValidatorFunctionWrapHandler) -> object:
    # One count that cannot be read must not cost its neighbours theirs.
    try:
        return read(value)
    except ValidationError as error:
        found = error.errors(include_url=False, include_input=False)
        return Malformed(tuple(fault_of({**each, "loc": ("body", *each["loc"])}) for each in found[:MOST_FAULTS]))


class CountsIn(Body):
    """Counts of one spool of one terminal, in the order they are to be judged."""

    model_config = shown_as(POSTED)

    sent_at: Instant | None = Field(
        None, description="The terminal's clock as it sent this; its difference from the server's puts `at` right."
    )
    spool: Code | None = Field(
        None, description="The random id of the terminal's store of unsent counts; new when that is made anew."
    )
    queued: Annotated[int, Field(ge=0, le=2**31 - 1)] | None = Field(
        None, description="How many entries of the spool still wait behind this body."
    )
    counts: Annotated[
        list[Annotated[CountIn, WrapValidator(_read_alone)]], Field(min_length=1, max_length=MOST_COUNTS)
    ] = Field(description="At most 10 000 counts; each is judged by itself.")


class CountedForOut(Out):
    """Which take a count counts for."""

    shot: str = Field(description="The shot's code.")
    part: str = Field(description="The part; empty where the shot is not split.")
    take: int = Field(description="The take's number.")


class CountOut(Out):
    """What became of one count. Frame figures are those right after it."""

    outcome: Literal["counted", "repeated", "unmatched", "refused"] = Field(
        description="`counted` for a shot; `repeated`, with the first answer; `unmatched`, kept until a shot is found "
        "for it; `refused`, not kept."
    )
    first_outcome: Literal["counted", "unmatched"] | None = Field(None, description="Of a repeated count, what it was.")
    serial: int | None = Field(None, description="The serial that was posted, where it could be read.")
    spool: str | None = Field(None, description="The spool it was posted from.")
    production: str | None = Field(None, description="The code of the production that was posted.")
    shot: str | None = Field(None, description="The code of the shot that was posted.")
    take: int | None = Field(None, description="The number of the take that was posted.")
    counted_for: CountedForOut | None = Field(
        None,
        description="Where a correction leads it elsewhere than it says: what it counts for, and the figures are of.",
    )
    series_total_frames: int | None = Field(None, description="Frames that now live in the series.")
    planned_frames: int | None = Field(None, description="The shot's planned frames, T.")
    credited_frames: int | None = Field(None, description="The shot's credited frames, E.")
    remaining_frames: int | None = Field(None, description="The shot's remaining frames, T − E.")
    cut_revision: int | None = Field(None, description="The locked cut of its episode that the shot is in, if any.")
    plan_changed: bool | None = Field(
        None, description="Whether the shot's plan changed since this terminal's count before."
    )
    after_approval: bool | None = Field(
        None,
        description="Of a counted post: whether it is of purpose shoot and the shot was approved when it came. It is "
        "kept, and the approval does not stand for the frames as they are any more.",
    )
    reason: Unmatched | None = Field(None, description="Of an unmatched count, why no shot takes it.")
    captured_at: Instant | None = Field(None, description="When the frame was captured, by the server's reckoning.")
    time_basis: TimeBasis | None = Field(None, description="What `captured_at` rests on.")
    adjusted: bool | None = Field(None, description="Whether `captured_at` is not what the terminal's clock showed.")
    production_day: date | None = Field(None, description="The production day the frames belong to.")
    problem: Problem | None = Field(None, description="Of a refused count, why, and what would be right.")


class CountsOut(Out):
    """One answer for each count, in the order posted."""

    answers: list[CountOut] = Field(description="What became of each.")


COUNTED = {
    "outcome": "counted",
    "serial": 118,
    "spool": "k7Qm2x",
    "production": "lantern-bay",
    "shot": "0120",
    "take": 2,
    "series_total_frames": 48,
    "planned_frames": 96,
    "credited_frames": 48,
    "remaining_frames": 48,
    "cut_revision": 4,
    "plan_changed": False,
    "after_approval": False,
    "captured_at": "2026-03-02T14:05:03Z",
    "time_basis": "sent_at",
    "adjusted": False,
    "production_day": "2026-03-02",
}
REFUSED = {"outcome": "refused", "serial": 12, "problem": example_of(CountConflict)}


@router.post(
    "",
    operation_id="counts_post",
    summary="Post frame counts",
    response_model=CountsOut,
    responses={
        **answers(
            {"answers": [COUNTED]},
            CountConflict,
            DecisionNotAllowed,
            OtherProduction,
            CountMalformed,
            AllCountsRefused,
            BodyStalled,
            OthersFirst,
            CountsCutShort,
        ),
        207: {
            "description": "Some counts were refused; the others are kept.",
            "content": {"application/json": {"example": {"answers": [COUNTED, REFUSED]}}},
        },
    },
)
def post_counts(door: Counter, body: CountsIn) -> Response:
    """Post the totals that takes have reached, in captures or in frames. Needs `count`.

    Each count is known for ever by (terminal, spool, serial): sent again it is `repeated` and answered as the first
    time, with other content it is refused. `sent_at` and `age_s` tell of the sending and may differ. A refused count
    spends no serial. A count of a shot that is unknown, omitted or not planned for the stage is kept, `unmatched`.

    One count posted alone is answered with its own status. Of many, 207 says that some were refused, 422 that all were.
    A key bound to a production counts for that one alone. Of many counts some hundred are committed at a time; where
    the database fails in between, 503 says how many are kept, and the body is sent again as it is. A body of more than
    16 KiB waits for its turn, or is answered with 503 and a `Retry-After` after which its turn should have come; where
    it stops coming, with 408. Counts have an identity of their own, so `Idempotency-Key` is
    ignored.
    """
    caller = door.caller
    poster = actions.Poster(
        terminal_id=caller.terminal_id or 0,
        terminal=caller.terminal or "",
        stage_id=caller.stage_id or 0,
        production=caller.production,
    )
    counts: Sequence[CountIn | Malformed] = body.counts
    readable = [count.post(body.spool or "") for count in counts if isinstance(count, CountIn)]

    def record(posts: Sequence[Post]) -> list[actions.Answer]:
        with door.writing() as session:
            return actions.record_counts(
                session,
                posts,
                poster=poster,
                studio=studio.load(session),
                sent_at=body.sent_at,
                queued=body.queued,
                now=door.now,
            )

    return _answer(counts, iter(_in_commits(readable, record)))


def _in_commits(
    posts: Sequence[Post], record: Callable[[Sequence[Post]], list[actions.Answer]]
) -> list[actions.Answer]:
    """Record posts in commits of MOST_IN_A_COMMIT, so that whoever else writes gets in between.

    A body is no transaction. Where a later commit fails, the earlier ones stand: raises CountsCutShort.
    """
    kept = record(posts[:MOST_IN_A_COMMIT])
    while following := posts[len(kept) : len(kept) + MOST_IN_A_COMMIT]:
        try:
            # Not with the whole body, whose first counts would then be said to be repeated.
            kept += run_again(partial(record, following))
        except Busy as error:
            raise CountsCutShort(len(kept), len(posts), RETRY_AFTER_S) from error
    return kept


def _answer(counts: Sequence[CountIn | Malformed], kept: Iterator[actions.Answer]) -> Response:
    said = [
        actions.Answer(None, _malformed(count, index)) if isinstance(count, Malformed) else next(kept)
        for index, count in enumerate(counts)
    ]
    refusals = [each.refusal for each in said if each.refusal is not None]
    if refusals and len(counts) == 1:
        return answer(refusals[0])
    shown = [_shown(count, each) for count, each in zip(counts, said, strict=True)]
    if len(refusals) == len(counts):
        return answer(AllCountsRefused(len(counts), tuple(shown)))
    status = HTTPStatus.MULTI_STATUS if refusals else HTTPStatus.OK
    return Response(to_json({"answers": shown}), status_code=status, media_type="application/json")


def _malformed(count: Malformed, index: int) -> CountMalformed:
    return CountMalformed(
        tuple(replace(fault, pointer=f"#/counts/{index}{fault.pointer.removeprefix('#')}") for fault in count.faults)
    )


def _shown(count: CountIn | Malformed, said: actions.Answer) -> dict[str, Any]:
    if said.refusal is None:
        return dict(said.said or {})
    serial = {"serial": count.serial} if isinstance(count, CountIn) else {}
    return {"outcome": "refused", **serial, "problem": problem_of(said.refusal)}
