"""The strike list: which sets may be taken down, and what still hinders each."""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field

from service.actions.productions import ProductionUnknown
from service.actions.strikes import strike_list
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import Out
from service.api.pages import LARGEST_PAGE, USUAL_PAGE
from service.api.phases import LACK, LackOut
from service.api.productions import ProductionInPath
from service.api.strict import StrictRoute
from service.domain.bookings import Activity
from service.domain.strikes import SetBooking, Strike

router = APIRouter(prefix="/v1/productions", tags=["bookings"], route_class=StrictRoute)

CAUTION = "Weights and rigging are not checked here; a trained person decides."
STRIKES: Mapping[str, Any] = {
    "may_be_struck": 1,
    "hindered": 1,
    "sets": [
        {
            "set": "mill-kitchen",
            "shots": 2,
            "may_be_struck": True,
            "lacks": [],
            "wanted_by": [],
            "strikes": [
                {
                    "booking": 9,
                    "stage": "mill",
                    "activity": "strike",
                    "start": "2026-03-06T08:00:00Z",
                    "end": "2026-03-06T17:00:00Z",
                    "note": None,
                }
            ],
        },
        {
            "set": "quay",
            "shots": 1,
            "may_be_struck": False,
            "lacks": [
                {
                    **LACK,
                    "shot": "0120",
                    "fact": "planned frames accepted",
                    "detail": "36 frames of 96 (61–96): not shot yet.",
                    "who": "the animator, by the stage's terminal",
                    "path": "/v1/counts",
                }
            ],
            "wanted_by": [
                {
                    "booking": 4,
                    "stage": "mill",
                    "activity": "holding",
                    "start": "2026-03-02T09:00:00Z",
                    "end": "2026-03-04T18:00:00Z",
                    "note": "frames 61 to 96 may be shot again",
                }
            ],
            "strikes": [],
        },
    ],
    "cautions": [CAUTION],
}


class WantedByOut(Out):
    """A booking for a shot of a set."""

    booking: int = Field(description="Its number.")
    stage: str | None = Field(description="The stage that is booked.")
    activity: Activity = Field(description="What for; `holding`: a hot set.")
    start: datetime = Field(description="Its first instant (UTC).")
    end: datetime = Field(description="The instant it ends before (UTC).")
    note: str | None = Field(description="What was noted; of a hold its reason.")

    @classmethod
    def of(cls, found: SetBooking) -> "WantedByOut":
        """The booking."""
        return cls(
            booking=found.booking,
            stage=found.stage,
            activity=found.activity,
            start=found.span.start_at,
            end=found.span.end_at,
            note=found.note,
        )


class SetLackOut(LackOut):
    """What a shot of the set still lacks."""

    shot: str = Field(description="The code of the shot.")


class StrikeOut(Out):
    """A set, and what still hinders its strike."""

    code: str = Field(alias="set", description="The set, as the needs of shots call it.")
    shots: int = Field(description="How many shots need it, omitted ones left out.")
    may_be_struck: bool = Field(description="Whether nothing that is recorded hinders it. People decide.")
    lacks: list[SetLackOut] = Field(description="Frames not accepted and plates not in, shot by shot.")
    wanted_by: list[WantedByOut] = Field(description="Bookings, not over, that want the set as it is: holds, shooting.")
    strikes: list[WantedByOut] = Field(description="Bookings for its strike, whenever they are.")

    @classmethod
    def of(cls, found: Strike) -> "StrikeOut":
        """The set."""
        return cls.model_validate(
            {
                "set": found.set_code,
                "shots": found.shots,
                "may_be_struck": found.may_be_struck,
                "lacks": [{**LackOut.of(lack).model_dump(), "shot": shot} for shot, lack in found.lacks],
                "wanted_by": [WantedByOut.of(each) for each in found.wanted_by],
                "strikes": [WantedByOut.of(each) for each in found.strikes],
            }
        )


class StrikesOut(Out):
    """The sets of a production that were put in."""

    may_be_struck: int = Field(description="How many may be struck.")
    hindered: int = Field(description="How many may not.")
    sets: list[StrikeOut] = Field(description="Those that may be, then by how little hinders them; at most `limit`.")
    cautions: list[str] = Field(description="What whoever reads this must bear in mind.")


@router.get(
    "/{production}/strike-list",
    operation_id="strike_list_get",
    summary="Ask which sets may be struck",
    response_model=StrikesOut,
    responses=answers(STRIKES, ProductionUnknown),
)
def get_strike_list(
    door: Reader,
    production: ProductionInPath,
    *,
    limit: Annotated[
        int, Query(ge=0, le=LARGEST_PAGE, description="How many sets to name at most; counts are of all.")
    ] = USUAL_PAGE,
) -> Response:
    """Say which sets may be taken down: all frames of their shots accepted, plates in, no hold, nothing booked on them.

    Of the others it says what still hinders, shot by shot, and who can record it. A set none of whose shots has left
    planning was never put in, and is left out. Needs `read`.
    """
    with door.reading() as session:
        found = strike_list(session, door.production(session, production), now=door.now)
    free = sum(each.may_be_struck for each in found)
    out = StrikesOut(
        may_be_struck=free,
        hindered=len(found) - free,
        sets=[StrikeOut.of(each) for each in found[:limit]],
        cautions=[CAUTION],
    )
    return door.reply(None, out)
