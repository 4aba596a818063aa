"""Terminals: the capture computers beside the stages."""

from datetime import datetime
from http import HTTPStatus
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Path, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import terminals
from service.actions.terminals import TerminalTaken, TerminalUnknown
from service.api.doors import Reader, StudioCoordinate
from service.api.examples import answers, page_of
from service.api.fields import Body, Change, Code, Out, shown_as
from service.api.pages import Page, Paging
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.domain.refusals import Fault, UnfitFields
from service.store import stages
from service.store import terminals as store
from service.store.tables import StageRow, TerminalRow

router = APIRouter(prefix="/v1/terminals", tags=["terminals"], route_class=StrictRoute)

TERMINAL = {
    "terminal": "mill-capture",
    "stage": "mill",
    "last_seen_at": "2026-03-02T14:05:00Z",
    "rev": 1,
    "added_at": "2026-03-02T08:00:00Z",
}
NEW = {**TERMINAL, "last_seen_at": None}

TerminalInPath = Annotated[str, Path(description="The name of the terminal.", examples=["mill-capture"])]


class TerminalIn(Body):
    """A terminal to add."""

    model_config = shown_as({"terminal": "mill-capture", "stage": "mill"})

    terminal: Code = Field(description="What the terminal is called; it never changes, because its serials do not.")
    stage: Code = Field(description="The code of the stage it stands beside.")


class TerminalMove(Change):
    """Where a terminal is to stand."""

    model_config = shown_as({"stage": "harbour"})

    stage: Code = Field(description="The code of the stage it stands beside from now on.")


class TerminalOut(Out):
    """A terminal: the capture computer beside a stage."""

    terminal: str = Field(description="What it is called.")
    stage: str = Field(description="The code of the stage it stands beside.")
    last_seen_at: datetime | None = Field(description="When it last posted counts (UTC); null where it never did.")
    rev: int = Field(description="How often it was moved, from 1.")
    added_at: datetime = Field(description="When it was added (UTC).")

    @classmethod
    def of(cls, row: TerminalRow, stage: str) -> "TerminalOut":
        """The terminal of this row beside the stage of this code."""
        return cls(terminal=row.name, stage=stage, last_seen_at=row.last_seen_at, rev=row.rev, added_at=row.added_at)


def _stage(session: Session, code: str) -> StageRow:
    row = stages.by_code(session, code)
    if row is None:
        raise UnfitFields((Fault("There is no stage of this code; add it first.", pointer="#/stage"),))
    return row


def _out(session: Session, row: TerminalRow) -> TerminalOut:
    return TerminalOut.of(row, stages.codes(session, [row.stage_id])[row.stage_id])


def _seen(row: TerminalRow) -> int:
    # `last_seen_at` moves without a revision, so it belongs to the validator.
    return 0 if row.last_seen_at is None else int(row.last_seen_at.timestamp() * 1_000_000)


@router.post(
    "",
    operation_id="terminal_add",
    summary="Add a terminal",
    status_code=HTTPStatus.CREATED,
    response_model=TerminalOut,
    responses=answers(NEW, TerminalTaken, UnfitFields, status=HTTPStatus.CREATED),
)
def add_terminal(door: StudioCoordinate, body: TerminalIn) -> Response:
    """Add a terminal beside a stage. Needs a `coordinate` key that is not bound to a production.

    It needs a key of scope `count` before it can post (`POST /v1/keys`).
    """
    with door.writing() as session:
        stage = _stage(session, body.stage)
        row = terminals.add(session, body.terminal, stage=stage, by=door.by, now=door.now)
        out = TerminalOut.of(row, stage.code)
        location = f"{router.prefix}/{quote(row.name)}"
        return door.reply(session, out, status=HTTPStatus.CREATED, rev=row.rev, location=location)


@router.get(
    "",
    operation_id="terminal_list",
    summary="List terminals",
    response_model=Page[TerminalOut],
    responses=answers(page_of(TERMINAL)),
)
def list_terminals(door: Reader, window: Paging) -> Response:
    """List the terminals in the order they were added. Needs `read`."""
    with door.reading() as session:
        rows = store.page(session, after=window.after, limit=window.fetch)
        codes = stages.codes(session, {row.stage_id for row in rows})
        return window.reply(
            door, rows, id_of=lambda row: row.id, out_of=lambda row: TerminalOut.of(row, codes[row.stage_id])
        )


@router.get(
    "/{terminal}",
    operation_id="terminal_get",
    summary="Read a terminal",
    response_model=TerminalOut,
    responses=answers(TERMINAL, TerminalUnknown),
)
def get_terminal(door: Reader, terminal: TerminalInPath) -> Response:
    """Read a terminal: where it stands and when it was last heard of. Needs `read`."""
    with door.reading() as session:
        row = terminals.find(session, terminal)
        return door.reply(session, _out(session, row), rev=row.rev, head=_seen(row))


@router.patch(
    "/{terminal}",
    operation_id="terminal_move",
    summary="Move a terminal",
    response_model=TerminalOut,
    responses=answers(
        {**TERMINAL, "stage": "harbour", "rev": 2}, TerminalUnknown, UnfitFields, Stale, MissingPrecondition
    ),
)
def move_terminal(door: StudioCoordinate, terminal: TerminalInPath, body: TerminalMove) -> Response:
    """Put a terminal, and its keys with it, beside another stage; what it counted before stays where it was captured.

    Needs a `coordinate` key that is not bound to a production, and `If-Match`.
    """
    with door.writing() as session:
        row = terminals.find(session, terminal, lock=True)
        door.require_match(rev=row.rev, head=_seen(row), current=lambda: _out(session, row))
        terminals.move(session, row, _stage(session, body.stage), by=door.by, now=door.now)
        return door.reply(session, _out(session, row), rev=row.rev, head=_seen(row))
