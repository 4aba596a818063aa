"""The stages' logs: call and wrap."""

from dataclasses import dataclass
from datetime import datetime
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Response
from pydantic import Field

from service.actions import shifts, stages
from service.actions.stages import StageUnknown
from service.api.doors import Door, Knock, Reader
from service.api.examples import answers, page_of
from service.api.fields import Body, Instant, Out, shown_as
from service.api.pages import Page, Paging
from service.api.strict import StrictRoute
from service.domain.counts import clock_corrected
from service.domain.keys import Scope
from service.domain.refusals import Forbidden
from service.domain.shifts import Signal
from service.store import shifts as store
from service.store import studio
from service.store.tables import StageLogRow

router = APIRouter(prefix="/v1/stages", tags=["stages"], route_class=StrictRoute)

Logger = Annotated[Door, Depends(Knock((Scope.COUNT, Scope.COORDINATE), studio_wide=True))]
StageInPath = Annotated[str, Path(description="The code of the stage.", examples=["mill"])]


@dataclass(eq=False)
class BoundToStage(Forbidden):
    """The API key {key} is bound to the stage {stage} and speaks for no other."""

    key: str
    stage: str


CALLED = {
    "kind": "call",
    "at": "2026-03-02T08:00:00Z",
    "by": "mill-capture",
    "noted_at": "2026-03-02T08:00:01Z",
    "redated_counts": 0,
}


class SignalIn(Body):
    """A stage's call or wrap."""

    model_config = shown_as({"kind": "call", "at": "2026-03-02T08:00:00Z"})

    kind: Annotated[Signal, Field(strict=False)] = Field(description="`call`: work begins. `wrap`: work ends.")
    at: Instant | None = Field(None, description="When, by the sender's clock; now by the server's where left out.")
    sent_at: Instant | None = Field(
        None, description="The sender's clock at sending; its difference from the server's puts `at` right."
    )


class SignalOut(Out):
    """An entry of a stage's log."""

    kind: Signal = Field(description="What was called.")
    at: datetime = Field(description="When, by the server's reckoning (UTC); never later than it was noted.")
    by: str = Field(description="The key it came from.")
    noted_at: datetime = Field(description="When it was entered (UTC).")
    redated_counts: int | None = Field(
        None, description="How many counts it moved to another production day; only in the answer that entered it."
    )

    @classmethod
    def of(cls, row: StageLogRow, *, redated: int | None = None) -> "SignalOut":
        """The entry of this row."""
        return cls(kind=Signal(row.kind), at=row.at, by=row.by, noted_at=row.noted_at, redated_counts=redated)


@router.post(
    "/{stage}/log",
    operation_id="stage_log_enter",
    summary="Enter a call or a wrap",
    status_code=HTTPStatus.CREATED,
    response_model=SignalOut,
    responses={
        **answers(CALLED, StageUnknown, BoundToStage, status=HTTPStatus.CREATED),
        200: {
            "model": SignalOut,
            "description": "The same entry was there already.",
            "content": {"application/json": {"example": CALLED | {"redated_counts": None}}},
        },
    },
)
def enter_signal(door: Logger, stage: StageInPath, body: SignalIn) -> Response:
    """Say that work on a stage begins or ends. Needs `coordinate`, or the `count` key of the stage.

    What is captured between call and wrap belongs to the production day of the call, also after midnight and past the
    hour at which the studio's day begins; counts captured before the entry came are dated again. A call holds for 24
    hours at most. The same entry again answers 200 and changes nothing.
    """
    if door.caller.stage is not None and door.caller.stage != stage:
        raise BoundToStage(door.caller.name, door.caller.stage)
    with door.writing() as session:
        entered = shifts.enter(
            session,
            stages.find(session, stage),
            body.kind,
            at=_reckoned(body, door.now),
            studio=studio.load(session),
            by=door.by,
            now=door.now,
        )
        out = SignalOut.of(entered.row, redated=entered.redated if entered.fresh else None)
        return door.reply(session, out, status=HTTPStatus.CREATED if entered.fresh else HTTPStatus.OK)


def _reckoned(body: SignalIn, now: datetime) -> datetime:
    if body.at is None:
        return now
    return clock_corrected(body.at, sent_at=body.sent_at, received_at=now)


@router.get(
    "/{stage}/log",
    operation_id="stage_log_list",
    summary="List a stage's calls and wraps",
    response_model=Page[SignalOut],
    responses=answers(page_of(CALLED), StageUnknown),
)
def list_signals(door: Reader, stage: StageInPath, window: Paging) -> Response:
    """List the calls and wraps of a stage in the order they were entered. Needs `read`."""
    with door.reading() as session:
        row = stages.find(session, stage)
        rows = store.page(session, row.id or 0, after=window.after, limit=window.fetch)
    return window.reply(door, rows, id_of=lambda each: each.id, out_of=SignalOut.of)
