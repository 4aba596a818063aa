"""Clashes: bookings that overlap on a stage or with an animator."""

from collections.abc import Mapping
from datetime import UTC, datetime
from itertools import groupby
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field

from service.actions import stages
from service.actions.stages import StageUnknown
from service.api.booked import BookedOut
from service.api.doors import Reader
from service.api.examples import answers, page_of
from service.api.fields import Instant, Line, Out
from service.api.pages import Page, Ranking
from service.api.present import BOOKED_NOW, LOOKS_AHEAD
from service.api.strict import StrictRoute
from service.domain.bookings import Clash, Shared, clashes
from service.domain.refusals import Fault, UnfitFields
from service.domain.spans import Span
from service.store import bookings, occupied
from service.store.bookings import Booked, Filter

router = APIRouter(prefix="/v1/clashes", tags=["bookings"], route_class=StrictRoute)

LONGEST_S = 400 * 24 * 3600
LATEST = datetime(9999, 1, 1, tzinfo=UTC)


class ClashOut(Out):
    """Two bookings that overlap, and what both take."""

    shared: list[Shared] = Field(description="What both take.")
    stage: str | None = Field(description="The stage, where both take it.")
    animator: str | None = Field(description="The animator, where both take them.")
    start: datetime = Field(description="When they begin to overlap (UTC).")
    end: datetime = Field(description="When they cease to (UTC).")
    firm: bool = Field(description="Whether both are confirmed; such are refused where they are made.")
    bookings: list[BookedOut] = Field(description="The two, what was booked first before the other.")

    @classmethod
    def of(cls, several: list[Clash], pair: tuple[Booked, Booked], *, only: int | None) -> "ClashOut":
        """The clashes of two bookings, as a key may see them that is bound to the production with the id *only*."""
        one, other = pair
        shared = [each.shared for each in several]
        return cls(
            shared=shared,
            stage=one.stage if Shared.STAGE in shared else None,
            animator=one.row.animator if Shared.ANIMATOR in shared else None,
            start=max(one.row.start_at, other.row.start_at),
            end=min(one.row.end_at, other.row.end_at),
            firm=several[0].firm,
            bookings=[BookedOut.of(each, only=only) for each in pair],
        )


CLASH: Mapping[str, Any] = {
    "shared": ["stage"],
    "stage": "mill",
    "animator": None,
    "start": "2026-03-04T08:00:00Z",
    "end": "2026-03-05T17:00:00Z",
    "firm": False,
    "bookings": [
        dict(BOOKED_NOW),
        {
            **BOOKED_NOW,
            "booking": 9,
            "start": "2026-03-04T08:00:00Z",
            "end": "2026-03-06T17:00:00Z",
            "firmness": "pencilled",
            "production": None,
            "shot": None,
        },
    ],
}


@router.get(
    "",
    operation_id="clash_list",
    summary="List bookings that overlap",
    response_model=Page[ClashOut],
    responses=answers(page_of(CLASH), StageUnknown, UnfitFields),
)
def list_clashes(
    door: Reader,
    window: Ranking,
    *,
    start: Annotated[
        Instant | None, Query(alias="from", description="Only bookings that last past this; now where it is left out.")
    ] = None,
    end: Annotated[
        Instant | None,
        Query(
            alias="to",
            description="Only bookings that begin before this, at most 400 days later; 60 where it is left out.",
        ),
    ] = None,
    stage: Annotated[str | None, Query(description="Only those of this stage.")] = None,
    animator: Annotated[Line | None, Query(description="Only those of this animator.")] = None,
) -> Response:
    """List each two bookings that overlap on a stage or with an animator, what was booked first before.

    One of the two is pencilled, since confirmed ones never overlap. A key bound to a production sees the clashes of
    that production's bookings, and of another's what it takes and when. Needs `read`.
    """
    span = _window(start or door.now, end)
    only = door.caller.production_id
    with door.reading() as session:
        stage_id = None if stage is None else stages.find(session, stage).id
        found = occupied.standing(session, Filter(span=span, stage_id=stage_id, animator=animator))
    by_id = {each.row.id or 0: each for each in found}
    pairs = [
        (list(several), (by_id[one], by_id[other]))
        for (one, other), several in groupby(
            clashes(bookings.read(each.row) for each in found), key=lambda clash: (clash.one, clash.other)
        )
        if only is None or only in {by_id[one].row.production_id, by_id[other].row.production_id}
    ]
    shown, following = window.page(pairs, rank_of=lambda each: (each[0][0].one, each[0][0].other))
    page = Page[Any](items=[ClashOut.of(*each, only=only) for each in shown], next=following)
    return door.reply(None, page, link=window.link(following))


def _window(start: datetime, end: datetime | None) -> Span:
    if end is not None and not 0 < (end - start).total_seconds() <= LONGEST_S:
        raise UnfitFields((Fault("Let `to` be later than `from`, by 400 days at most.", place="query to"),))
    if end is None and start > LATEST:
        raise UnfitFields((Fault("Let `from` be earlier: the calendar ends.", place="query from"),))
    return Span(start, end or start + LOOKS_AHEAD)
