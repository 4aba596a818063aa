"""Hold orders: hot sets that must not be touched, until when, and what that costs."""

from collections import Counter
from collections.abc import Mapping
from datetime import datetime
from fractions import Fraction
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import Field

from service.actions import stages
from service.actions.productions import ProductionUnknown
from service.actions.stages import StageUnknown
from service.api.booked import BOOKED, BookingOut
from service.api.doors import Reader
from service.api.examples import answers
from service.api.fields import Out
from service.api.productions import ProductionInPath
from service.api.strict import StrictRoute
from service.domain.calendars import Calendar
from service.domain.holds import Cost, HoldState, cost, state_of
from service.domain.spans import Span
from service.store import calendars, studio
from service.store import holds as store
from service.store.bookings import Booked

router = APIRouter(prefix="/v1/productions", tags=["bookings"], route_class=StrictRoute)

UNIT = "stage-days: days of the stage's calendar with hours; of a day held in part, the share of its open time"
HELD: Mapping[str, Any] = {
    **{name: value for name, value in BOOKED.items() if name != "clashes"},
    "activity": "holding",
    "animator": None,
    "note": "frames 61 to 96 may be shot again",
    "asked_by": "Ada Quill",
    "state": "standing",
    "cost_stage_days": {"exact": "5/2", "rounded": 2.5},
    "so_far_stage_days": {"exact": "1", "rounded": 1.0},
    "since_its_end_stage_days": {"exact": "0", "rounded": 0.0},
}
HOLDS: Mapping[str, Any] = {
    "unit": UNIT,
    "cost_stage_days": {"exact": "5/2", "rounded": 2.5},
    "states": {"to come": 0, "standing": 1, "past its end": 0},
    "holds": [HELD],
}


class StageDaysOut(Out):
    """A number of stage-days."""

    exact: str = Field(description="Exactly, as a whole number or a fraction `n/d`.")
    rounded: float = Field(description="The same, rounded to thousandths.")

    @classmethod
    def of(cls, number: Fraction) -> "StageDaysOut":
        """The number, both ways."""
        return cls(exact=str(number), rounded=round(float(number), 3))


class HoldOut(BookingOut):
    """A hold order: a booking of a stage whose set must not be touched; `note` says why."""

    state: HoldState = Field(description="Where it is in time.")
    cost_stage_days: StageDaysOut = Field(description="What all of it costs, in stage-days.")
    so_far_stage_days: StageDaysOut = Field(description="What of that has gone by.")
    since_its_end_stage_days: StageDaysOut = Field(
        description="What went by since its end, while nothing else was begun on the stage."
    )

    @classmethod
    def held(cls, booked: Booked, spent: Cost, *, now: datetime) -> "HoldOut":
        """The hold of this booking at an instant."""
        return cls.of(
            booked,
            state=state_of(Span(booked.row.start_at, booked.row.end_at), now),
            cost_stage_days=StageDaysOut.of(spent.whole),
            so_far_stage_days=StageDaysOut.of(spent.so_far),
            since_its_end_stage_days=StageDaysOut.of(spent.since_its_end),
        )


class HoldsOut(Out):
    """The hold orders of a production."""

    unit: str = Field(description="What costs are counted in.")
    cost_stage_days: StageDaysOut = Field(description="What those standing and to come cost, added up, in stage-days.")
    states: dict[HoldState, int] = Field(description="How many there are of each.")
    holds: list[HoldOut] = Field(description="Each, by when it ends.")


@router.get(
    "/{production}/hold-orders",
    operation_id="hold_orders_get",
    summary="Read hold orders and what they cost",
    response_model=HoldsOut,
    responses=answers(HOLDS, ProductionUnknown, StageUnknown),
)
def get_hold_orders(
    door: Reader,
    production: ProductionInPath,
    *,
    stage: Annotated[str | None, Query(description="Only those of the stage with this code.")] = None,
) -> Response:
    """Read the hot sets of a production: bookings for `holding`, with their ends, reasons and costs in stage-days.

    One that is past its end stays here until it is cancelled, its end is moved, or something else that outlasts it has
    begun on the stage: somebody has to decide. Needs `read`.
    """
    with door.reading() as session:
        of = door.production(session, production)
        stage_id = None if stage is None else stages.find(session, stage).id
        found = store.in_force(session, of.id or 0, stage_id=stage_id, now=door.now)
        kept = calendars.kept(session, {each.row.stage_id or 0 for each in found})
        time_zone = studio.load(session).time_zone
    return door.reply(None, _held(found, kept, time_zone=time_zone, now=door.now))


def _held(found: list[Booked], kept: Mapping[int, Calendar], *, time_zone: str, now: datetime) -> HoldsOut:
    spans = [Span(each.row.start_at, each.row.end_at) for each in found]
    spent = [
        cost(span, kept[each.row.stage_id or 0], time_zone=time_zone, now=now)
        for span, each in zip(spans, found, strict=True)
    ]
    states = Counter(state_of(span, now) for span in spans)
    standing = (each.whole for span, each in zip(spans, spent, strict=True) if span.end_at > now)
    return HoldsOut(
        unit=UNIT,
        cost_stage_days=StageDaysOut.of(sum(standing, Fraction(0))),
        states={state: states[state] for state in HoldState},
        holds=[HoldOut.held(each, of, now=now) for each, of in zip(found, spent, strict=True)],
    )
