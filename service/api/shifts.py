"""The stages' logs: call and wrap, waiting and resumed, and what is said of the power."""

from dataclasses import dataclass, replace
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError
from sqlmodel import Session

from service.actions import shifts, stages
from service.actions.stages import StageUnknown
from service.api.counts import LARGEST_SERIAL, LONGEST_AGE_S
from service.api.doors import Door, Knock, Reader
from service.api.examples import answers, page_of
from service.api.fields import Body, Code, Instant, Line, Out, shown_as
from service.api.pages import Page, Paging
from service.api.strict import StrictRoute
from service.domain import shifts as domain
from service.domain.codes import composed
from service.domain.counts import TimeBasis, reckoned
from service.domain.keys import Scope
from service.domain.refusals import Forbidden, Unfit
from service.domain.shifts import Identity, LogConflict, Signal
from service.store import shifts as store
from service.store import studio, terminals
from service.store.tables import StageLogRow

router = APIRouter(prefix="/v1/stages", tags=["stages"], route_class=StrictRoute)

Logger = Annotated[Door, Depends(Knock((Scope.COUNT, Scope.COORDINATE), studio_wide=True))]
StageInPath = Annotated[str, Path(description="The code of the stage.", examples=["mill"])]


@dataclass(eq=False)
class BoundToStage(Forbidden):
    """The API key {key} is bound to the stage {stage} and speaks for no other."""

    key: str
    stage: str


@dataclass(eq=False)
class NoTerminal(Unfit):
    """The API key {key} belongs to no terminal: leave spool and serial out, which only a terminal's lines have."""

    POINTER = "/spool"

    key: str


CALLED: dict[str, Any] = {
    "kind": "call",
    "at": "2026-03-02T08:00:00Z",
    "reason": None,
    "time_basis": "sent_at",
    "adjusted": False,
    "by": "mill-capture",
    "terminal": "mill-capture",
    "spool": "k7Qm2x",
    "serial": 117,
    "noted_at": "2026-03-02T08:00:01Z",
    "redated_counts": 0,
    "cautions": [],
}


class SignalIn(Body):
    """A line of a stage's log."""

    model_config = shown_as({"kind": "call", "at": "2026-03-02T08:00:00Z"})

    kind: Annotated[Signal, Field(strict=False)] = Field(
        description="`call`: work begins. `wrap`: work ends. `waiting`: it waits, for the `reason`. `resumed`: it "
        "waits no more. `power_off`: the power is said to be off."
    )
    reason: Line | None = Field(None, description="Why, or any remark; `waiting` needs it.")
    at: Instant | None = Field(None, description="When, by the sender's clock; now by the server's where left out.")
    sent_at: Instant | None = Field(
        None, description="The sender's clock at sending; its difference from the server's puts `at` right."
    )
    age_s: Annotated[float, Field(ge=0, le=LONGEST_AGE_S, allow_inf_nan=False)] | None = Field(
        None, description="Seconds since it happened by the sender's monotonic clock, at sending; believed before `at`."
    )
    spool: Code | None = Field(
        None, description="The id of the terminal's spool, with `serial` the line's identity; for keys of terminals."
    )
    serial: Annotated[int, Field(ge=0, le=LARGEST_SERIAL)] | None = Field(
        None, description="The line's serial in the spool, never used there for another line or for a count."
    )

    @model_validator(mode="after")
    def _whole(self) -> "SignalIn":
        if (self.spool is None) != (self.serial is None):
            raise PydanticCustomError("identity", "Give spool and serial both, or neither.")
        if self.kind is Signal.WAITING and self.reason is None:
            raise PydanticCustomError("reason", "Say what the stage waits for: waiting needs a reason.")
        return self

    @property
    def identity(self) -> Identity | None:
        """What names the line where it is sent again."""
        return None if self.spool is None or self.serial is None else Identity(self.spool, self.serial)

    def line(self, stage: str) -> domain.Line:
        """The line of this stage as the domain knows it."""
        return domain.Line(stage=stage, signal=self.kind, at=self.at, reason=self.reason, identity=self.identity)


class SignalOut(Out):
    """A line of a stage's log."""

    kind: Signal = Field(description="What it says.")
    at: datetime = Field(description="When, by the server's reckoning (UTC); never later than it was noted.")
    reason: str | None = Field(description="Why, or any remark.")
    time_basis: TimeBasis | None = Field(description="What `at` rests on; null of lines from before this was kept.")
    adjusted: bool | None = Field(
        description="Whether `at` is not what the sender's clock showed; null of lines from before this was kept."
    )
    by: str = Field(description="The key it came from.")
    terminal: str | None = Field(description="The terminal that key belongs to, where it does.")
    spool: str | None = Field(description="The spool it came from, where it came with its identity.")
    serial: int | None = Field(description="Its serial in the spool.")
    noted_at: datetime = Field(description="When it was entered (UTC).")
    redated_counts: int | None = Field(
        None, description="How many counts it moved to another production day; in the answer that entered it."
    )
    cautions: list[str] = Field(description="What whoever reads this must bear in mind.")

    @classmethod
    def of(cls, row: StageLogRow, terminal: str | None, *, redated: int | None = None) -> "SignalOut":
        """The line of this row, which came from the terminal of this name."""
        said = row.model_dump(include=set(cls.model_fields))
        cautions = list(Signal(row.kind).cautions)
        return cls.model_validate({**said, "terminal": terminal, "redated_counts": redated, "cautions": cautions})


@router.post(
    "/{stage}/log",
    operation_id="stage_log_enter",
    summary="Enter a line in a stage's log",
    status_code=HTTPStatus.CREATED,
    response_model=SignalOut,
    responses={
        **answers(CALLED, StageUnknown, BoundToStage, LogConflict, NoTerminal, status=HTTPStatus.CREATED),
        200: {
            "model": SignalOut,
            "description": "The same line was there already.",
            "content": {"application/json": {"example": CALLED}},
        },
    },
)
def enter_signal(door: Logger, stage: StageInPath, body: SignalIn) -> Response:
    """Say what happens on a stage. Needs `coordinate`, or the `count` key of the stage.

    What is captured between call and wrap belongs to the production day of the call, also after midnight and past the
    hour at which the studio's day begins; counts captured before the entry came are dated again. A call holds for 24
    hours at most. The other kinds decide no day. Nothing is refused for what the log said before.

    A terminal gives its lines the identity its counts have: (terminal, spool, serial), of one numbering. The same line
    again is answered 200 as the first time, another under its serial is refused; `sent_at` and `age_s` tell of the
    sending and may differ, and `Idempotency-Key` is then ignored. Of a line without identity the same kind and reason
    at the same instant again answer 200. Either way nothing is changed.
    """
    caller = door.caller
    if caller.stage is not None and caller.stage != composed(stage):
        raise BoundToStage(caller.name, caller.stage)
    if body.identity is not None:
        if caller.terminal_id is None:
            raise NoTerminal(caller.name)
        door = replace(door, attempt=None)
    with door.writing() as session:
        row = stages.find(session, stage)
        entered = shifts.enter(
            session,
            row,
            body.line(row.code),
            time=reckoned(body.at, body.age_s, sent_at=body.sent_at, received_at=door.now),
            studio=studio.load(session),
            author=shifts.Author(door.by, caller.terminal_id),
            now=door.now,
        )
        first = entered.fresh or body.identity is not None
        out = _out(session, entered.row, redated=entered.row.redated_counts if first else None)
        return door.reply(session, out, status=HTTPStatus.CREATED if entered.fresh else HTTPStatus.OK)


def _out(session: Session, row: StageLogRow, *, redated: int | None) -> SignalOut:
    names = {} if row.terminal_id is None else terminals.names(session, [row.terminal_id])
    return SignalOut.of(row, names.get(row.terminal_id or 0), redated=redated)


@router.get(
    "/{stage}/log",
    operation_id="stage_log_list",
    summary="List what a stage's log says",
    response_model=Page[SignalOut],
    responses=answers(page_of({**CALLED, "redated_counts": None}), StageUnknown),
)
def list_signals(
    door: Reader,
    stage: StageInPath,
    window: Paging,
    kind: Annotated[Signal | None, Query(description="Lines of this kind alone.")] = None,
) -> Response:
    """List the lines of a stage's log in the order they were entered. Needs `read`."""
    with door.reading() as session:
        row = stages.find(session, stage)
        rows = store.page(session, row.id or 0, after=window.after, limit=window.fetch, signal=kind)
        names = terminals.names(session, {each.terminal_id for each in rows if each.terminal_id is not None})
    return window.reply(
        door, rows, id_of=lambda each: each.id, out_of=lambda each: SignalOut.of(each, names.get(each.terminal_id or 0))
    )
