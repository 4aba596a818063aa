"""What if: an absence, a closed stage, a shot that moves or goes; answered, and nothing stored."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from fractions import Fraction
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError
from sqlmodel import Session

from service.actions import shots, stages, whatifs
from service.actions.bookings import Author
from service.actions.productions import ProductionUnknown
from service.actions.rebookings import How
from service.actions.shots import ShotUnknown
from service.actions.stages import StageUnknown
from service.actions.whatifs import Imagined
from service.api.booked import span_of
from service.api.calendars import SpanOut
from service.api.doors import Door, Knock
from service.api.examples import answers
from service.api.fields import Body, Code, Instant, Line, Out, shown_as
from service.api.holds import StageDaysOut
from service.api.productions import ProductionInPath
from service.api.rebookings import MOST_DAYS, SIDE, MovedClashOut, SideOut, clashes_out, side_out
from service.api.strict import StrictRoute
from service.domain.bookings import Clash, Shared
from service.domain.calendars import stage_days_of
from service.domain.keys import Scope
from service.domain.rebookings import Shift
from service.domain.refusals import UnfitFields
from service.domain.spans import times
from service.domain.whatifs import Away, Lost
from service.store import calendars, studio
from service.store import stages as stage_store
from service.store.tables import ProductionRow

router = APIRouter(prefix="/v1/productions", tags=["bookings"], route_class=StrictRoute)

Asking = Annotated[Door, Depends(Knock((Scope.READ,), keeps_answers=False))]
"""The door of who asks and writes nothing: no answer is kept."""

ZERO = Fraction(0)
DAYS = {"exact": "1", "rounded": 1.0}
WHAT_IF: Mapping[str, Any] = {
    "lost": [
        {
            **SIDE,
            "stage": "mill",
            "animator": "Ilse",
            "why": "Ilse would be away.",
            "lost_from": "2026-03-04T08:00:00Z",
            "lost_to": "2026-03-04T18:00:00Z",
        }
    ],
    "new_clashes": [],
    "gone_clashes": [],
    "closed_stage_days": None,
    "free_stage_days": DAYS,
    "free": [
        {
            "stage": "mill",
            "stage_days": DAYS,
            "spans": [{"start": "2026-03-04T08:00:00Z", "end": "2026-03-04T18:00:00Z"}],
        }
    ],
    "shots": [{"shot": "0120", "loses": [1], "keeps": []}],
}


class WindowIn(Body):
    """A span of time."""

    start: Instant = Field(alias="from", description="Its first instant, to the whole second.")
    end: Instant = Field(alias="to", description="The instant it ends before, at most 400 days later.")


class AbsentIn(WindowIn):
    """An animator who would be away."""

    animator: Line = Field(description="Who.")


class ClosedIn(WindowIn):
    """A stage that would be closed."""

    stage: Code = Field(description="The code of the stage.")


class MovedIn(Body):
    """A shot all of whose bookings, not over, would move."""

    shot: Code = Field(description="The code of the shot.")
    shift_days: int = Field(
        0, ge=-MOST_DAYS, le=MOST_DAYS, description="By how many days, its hours kept on the clock."
    )
    shift_s: int = Field(
        0, ge=-MOST_DAYS * 86_400, le=MOST_DAYS * 86_400, description="By how many seconds that elapse; not with days."
    )
    stage: Code | None = Field(None, description="To which stage.")

    @model_validator(mode="after")
    def _clear(self) -> "MovedIn":
        if self.shift_days and self.shift_s:
            raise PydanticCustomError("both", "Shift by days or by seconds, not by both.")
        if not self.shift_days and not self.shift_s and self.stage is None:
            raise PydanticCustomError("how", "Say how they move: shift_days, shift_s or stage.")
        return self


class WhatIfIn(Body):
    """What is imagined: exactly one of these."""

    model_config = shown_as(
        {"absent": {"animator": "Ilse", "from": "2026-03-04T08:00:00Z", "to": "2026-03-04T18:00:00Z"}}
    )

    absent: AbsentIn | None = Field(None, description="An animator is away.")
    closed: ClosedIn | None = Field(None, description="A stage is closed.")
    moved: MovedIn | None = Field(None, description="A shot's bookings move.")
    omitted: Code | None = Field(None, description="The shot of this code is omitted.")

    @model_validator(mode="after")
    def _one(self) -> "WhatIfIn":
        if sum(each is not None for each in (self.absent, self.closed, self.moved, self.omitted)) != 1:
            raise PydanticCustomError("one", "Imagine exactly one thing: absent, closed, moved or omitted.")
        return self


class LostOut(SideOut):
    """A booking that could not be kept."""

    stage: str | None = Field(description="The stage that is booked.")
    animator: str | None = Field(description="The animator who is booked; null where the key may not see it.")
    why: str = Field(description="Why not.")
    lost_from: datetime = Field(description="From when on it could not be kept (UTC).")
    lost_to: datetime = Field(description="Until when (UTC).")


class FreeOut(Out):
    """A stage that would be free."""

    stage: str = Field(description="The code of the stage.")
    stage_days: StageDaysOut = Field(description="How much of its hours that is, in stage-days.")
    spans: list[SpanOut] = Field(description="When, outside its hours too.")


class PlaceLostOut(Out):
    """A shot that would lose its place."""

    shot: str | None = Field(description="The code of the shot; null where the key may not see it.")
    loses: list[int] = Field(description="The bookings it would lose, by number.")
    keeps: list[int] = Field(description="Those it would still have, not over.")


class WhatIfOut(Out):
    """What would come of it."""

    lost: list[LostOut] = Field(description="The bookings that could not be kept.")
    new_clashes: list[MovedClashOut] = Field(description="Of a shot that moves: the clashes that would come of it.")
    gone_clashes: list[MovedClashOut] = Field(description="And those that it would end.")
    closed_stage_days: StageDaysOut | None = Field(
        description="Of a stage that is closed: how many stage-days of its hours that takes; null of anything else."
    )
    free_stage_days: StageDaysOut = Field(description="How many stage-days would be free, all stages together.")
    free: list[FreeOut] = Field(description="Which stages would be free, and when.")
    shots: list[PlaceLostOut] = Field(description="Shots that would lose a place; of a moved one, those in its way.")


@router.post(
    "/{production}/what-if",
    operation_id="what_if",
    summary="Ask what would come of something",
    response_model=WhatIfOut,
    responses=answers(WHAT_IF, ProductionUnknown, ShotUnknown, StageUnknown, UnfitFields),
)
def ask_what_if(door: Asking, production: ProductionInPath, body: WhatIfIn) -> Response:
    """Imagine an absence, a closed stage, or a shot whose bookings move or that is omitted; nothing is stored.

    Answers which bookings could not be kept, which clashes would come and go, how many stage-days would be free, and
    which shots would lose their place. What is over already is not looked at. A key bound to a production is told of
    nobody's bookings for another, but of a closed stage's when they are. Needs `read`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        imagined, why = _imagined(door, session, of, body)
        out = _out(door, session, imagined, why=why, closed=body.closed)
    return door.reply(None, out)


def _imagined(door: Door, session: Session, of: ProductionRow, body: WhatIfIn) -> tuple[Imagined, str]:
    if body.absent is not None:
        span = span_of(body.absent.start, body.absent.end, root="#/absent", names=("from", "to"))
        away = Away(shared=Shared.ANIMATOR, what=body.absent.animator, span=span)
        only = door.caller.production_id
        return whatifs.away(session, away, only=only, now=door.now), f"{body.absent.animator} would be away."
    if body.closed is not None:
        stage = stages.find(session, body.closed.stage)
        span = span_of(body.closed.start, body.closed.end, root="#/closed", names=("from", "to"))
        away = Away(shared=Shared.STAGE, what=stage.id or 0, span=span)
        return whatifs.away(session, away, now=door.now), f"Stage {stage.code} would be closed."
    if body.moved is not None:
        shot = shots.find(session, of, body.moved.shot)
        return whatifs.moved(session, shot, _how(session, body.moved), now=door.now), ""
    shot = shots.find(session, of, body.omitted or "")
    return whatifs.omitted(session, shot, now=door.now.replace(microsecond=0)), f"Shot {shot.code} would be omitted."


def _how(session: Session, wanted: MovedIn) -> How:
    stage = None if wanted.stage is None else stages.find(session, wanted.stage)
    shift = Shift(days=wanted.shift_days, seconds=wanted.shift_s, stage_id=None if stage is None else stage.id)
    return How(shift=shift, stage=stage, own={}, time_zone=studio.load(session).time_zone, root="#/moved")


def _out(door: Door, session: Session, found: Imagined, *, why: str, closed: ClosedIn | None) -> WhatIfOut:
    author = Author(door.by, door.caller.production_id)
    free = _free(session, found)
    total = sum((number for _, number in free), start=ZERO)
    return WhatIfOut(
        lost=[_lost(found, each, why, author) for each in found.lost],
        new_clashes=_clashes(found, found.made, author, after=True),
        gone_clashes=_clashes(found, found.ended, author, after=False),
        closed_stage_days=None if closed is None else _closed(session, closed),
        free_stage_days=StageDaysOut.of(total),
        free=[each for each, _ in free],
        shots=[
            PlaceLostOut(
                shot=side_out(found.known[each.loses[0]], None, author).shot,
                loses=list(each.loses),
                keeps=list(each.keeps),
            )
            for each in found.displaced
        ],
    )


def _lost(found: Imagined, lost: Lost, why: str, author: Author) -> LostOut:
    booked = found.known[lost.booking.id]
    side = side_out(booked, None, author)
    return LostOut(
        **dict(side),
        stage=booked.stage,
        animator=None if side.production is None else booked.row.animator,
        why=why,
        lost_from=lost.span.start_at,
        lost_to=lost.span.end_at,
    )


def _clashes(found: Imagined, clashes: Sequence[Clash], author: Author, *, after: bool) -> list[MovedClashOut]:
    return [] if found.tried is None else clashes_out(found.tried, clashes, author, after=after)


def _free(session: Session, found: Imagined) -> list[tuple[FreeOut, Fraction]]:
    kept, time_zone = calendars.kept(session, found.free), studio.load(session).time_zone
    codes = stage_store.codes(session, found.free)
    numbers = {
        stage_id: stage_days_of(kept[stage_id], time, time_zone=time_zone) for stage_id, time in found.free.items()
    }
    return [
        (
            FreeOut(
                stage=codes[stage_id],
                stage_days=StageDaysOut.of(numbers[stage_id]),
                spans=SpanOut.several(time),
            ),
            numbers[stage_id],
        )
        for stage_id, time in sorted(found.free.items(), key=lambda each: codes[each[0]])
    ]


def _closed(session: Session, closed: ClosedIn) -> StageDaysOut:
    stage_id = stages.find(session, closed.stage).id or 0
    calendar = calendars.kept(session, [stage_id])[stage_id]
    window = times([span_of(closed.start, closed.end)])
    return StageDaysOut.of(stage_days_of(calendar, window, time_zone=studio.load(session).time_zone))
