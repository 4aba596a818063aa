"""Terminals: the capture computers beside the stages."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta
from http import HTTPStatus
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Response
from pydantic import Field, WithJsonSchema
from sqlmodel import Session

from service.actions import terminals
from service.actions.terminals import TerminalTaken, TerminalUnknown
from service.api.counts import CountedForOut, CountOut
from service.api.doors import Door, Reader, StudioCoordinate
from service.api.examples import answers, page_of
from service.api.fields import Body, Change, Code, Day, Out, shown_as
from service.api.pages import Page, Paging
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.domain.counts import TimeBasis, Unmatched
from service.domain.keys import Scope
from service.domain.refusals import Fault, UnfitFields
from service.domain.shifts import silent_since
from service.domain.studio import day_opens
from service.domain.takes import Purpose
from service.store import counts, shifts, spools, stages, studio
from service.store import terminals as store
from service.store.counts import PostedCount
from service.store.tables import StageRow, TerminalRow

router = APIRouter(prefix="/v1/terminals", tags=["terminals"], route_class=StrictRoute)

TERMINAL: Mapping[str, Any] = {
    "terminal": "mill-capture",
    "stage": "mill",
    "last_seen_at": "2026-03-02T14:05:00Z",
    "silent_since": None,
    "spool": "k7Qm2x",
    "queued": 0,
    "clock_ahead_s": -1.25,
    "rev": 1,
    "added_at": "2026-03-02T08:00:00Z",
}
NEW = {**TERMINAL, "last_seen_at": None, "spool": None, "queued": None, "clock_ahead_s": None}
SPOOL = {"spool": "k7Qm2x", "counts": 118, "last_serial": 118, "last_received_at": "2026-03-02T14:05:00Z"}
POSTED: Mapping[str, Any] = {
    "id": 4710,
    "outcome": "counted",
    "first_outcome": "unmatched",
    "reason": None,
    "counted_for": {"shot": "0120", "part": "", "take": 2},
    "stage": "mill",
    "spool": "k7Qm2x",
    "serial": 118,
    "production": "lantern-bay",
    "shot": "0125",
    "take": 2,
    "part": None,
    "camera": None,
    "pass": None,
    "purpose": "shoot",
    "total_frames": 48,
    "restated_frames": None,
    "animator": "Ilse",
    "captured_at": "2026-03-02T14:05:03Z",
    "time_basis": "sent_at",
    "adjusted": False,
    "received_at": "2026-03-02T14:05:04Z",
    "late": False,
    "production_day": "2026-03-02",
    "answer": {
        "outcome": "unmatched",
        "spool": "k7Qm2x",
        "serial": 118,
        "production": "lantern-bay",
        "shot": "0125",
        "take": 2,
        "reason": "unknown shot",
        "captured_at": "2026-03-02T14:05:03Z",
        "time_basis": "sent_at",
        "adjusted": False,
        "production_day": "2026-03-02",
    },
}

Posting = Annotated[Day, WithJsonSchema({"type": "string", "format": "date", "examples": ["2026-03-02"]})]
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
    last_seen_at: datetime | None = Field(description="When it was last heard of (UTC); null where it never was.")
    silent_since: datetime | None = Field(
        description="Since when it is silent though its stage is at work (UTC); null where it is not."
    )
    spool: str | None = Field(description="The spool its last counts came from.")
    queued: int | None = Field(description="How many entries it last said still waited to be sent.")
    clock_ahead_s: float | None = Field(
        description="Seconds its clock was ahead of the server's when it last said so; behind where negative."
    )
    rev: int = Field(description="How often it was moved, from 1.")
    added_at: datetime = Field(description="When it was added (UTC).")

    @classmethod
    def of(cls, row: TerminalRow, stage: str, *, silent: datetime | None = None) -> "TerminalOut":
        """The terminal of this row beside the stage of this code, silent since then."""
        return cls(
            terminal=row.name,
            stage=stage,
            last_seen_at=row.last_seen_at,
            silent_since=silent,
            spool=row.spool,
            queued=row.queued,
            clock_ahead_s=None if row.clock_ahead_ms is None else row.clock_ahead_ms / 1000,
            rev=row.rev,
            added_at=row.added_at,
        )


class SpoolCountsOut(Out):
    """What is kept of the counts of one of a terminal's spools."""

    spool: str = Field(description="The id of the spool; empty where counts named none.")
    counts: int = Field(description="How many counts of it are kept.")
    last_serial: int = Field(description="The highest serial among them.")
    last_received_at: datetime = Field(description="When the last of them came (UTC).")


class TerminalWithSpoolsOut(TerminalOut):
    """A terminal with its spools."""

    spools: list[SpoolCountsOut] = Field(description="The spools its counts came from, the one that came last first.")


class PostedOut(Out):
    """A count as a terminal posted it, and what it counts for now."""

    id: int = Field(description="Names the count.")
    outcome: Literal["counted", "unmatched"] = Field(description="Whether it counts for a shot now.")
    first_outcome: Literal["counted", "unmatched"] = Field(description="What it was answered when it was posted.")
    reason: Unmatched | None = Field(description="Of an unmatched count, why no shot takes it.")
    counted_for: CountedForOut | None = Field(description="What it counts for now, after matching and corrections.")
    stage: str = Field(description="The code of the stage it was captured on.")
    spool: str = Field(description="The spool it was posted from.")
    serial: int = Field(description="Its serial in the spool.")
    production: str = Field(description="The production's code as posted.")
    shot: str = Field(description="The shot's code as posted.")
    take: int = Field(description="The take's number as posted.")
    part: str | None = Field(description="The part, where one was posted.")
    camera: str | None = Field(description="The camera, where one was posted.")
    pass_: str | None = Field(alias="pass", description="The pass, where one was posted.")
    purpose: Purpose = Field(description="What the take was shot for.")
    total_frames: int = Field(description="The total it posted, in frames.")
    restated_frames: int | None = Field(
        description="The total in frames that a correction put in its place; null where none did."
    )
    animator: str | None = Field(description="Who animated; null where not said, and to keys without `coordinate`.")
    captured_at: datetime = Field(description="When the frame was captured, by the server's reckoning (UTC).")
    time_basis: TimeBasis = Field(description="What `captured_at` rests on.")
    adjusted: bool = Field(description="Whether `captured_at` is not what the terminal's clock showed.")
    received_at: datetime = Field(description="When it came (UTC).")
    late: bool = Field(description="Whether it came after its production day had closed.")
    production_day: date = Field(description="The production day the frames belong to.")
    answer: CountOut = Field(description="What it was answered when it was posted; the frames in it are those of then.")

    @classmethod
    def of(cls, posted: PostedCount, *, closes_at: datetime, names: bool) -> "PostedOut":
        """The count of this entry, whose day closed then, with the animator's name where it may be shown."""
        row = posted.row
        said = row.model_dump(include=set(cls.model_fields) - {"outcome", "animator"})
        counts = posted.shot is not None and posted.take is not None
        return cls.model_validate(
            {
                **said,
                "outcome": "counted" if counts else "unmatched",
                "first_outcome": row.answer["outcome"],
                "reason": row.unmatched_reason,
                "counted_for": {"shot": posted.shot, "part": posted.part, "take": posted.take} if counts else None,
                "stage": posted.stage,
                "production": row.production_code,
                "shot": row.shot_code,
                "pass": row.pass_,
                "animator": row.animator if names else None,
                "late": row.received_at >= closes_at,
                "production_day": row.day_on,
            }
        )


def _stage(session: Session, code: str) -> StageRow:
    row = stages.by_code(session, code)
    if row is None:
        raise UnfitFields((Fault("There is no stage of this code; add it first.", pointer="#/stage"),))
    return row


def _outs(door: Door, session: Session, rows: Sequence[TerminalRow]) -> dict[int, TerminalOut]:
    """These terminals by id, as they stand by the door's clock."""
    beside = {row.stage_id for row in rows}
    codes, logs = stages.codes(session, beside), shifts.lately(session, beside, door.now)
    limit_s = door.settings.terminal_silent_s
    return {
        row.id or 0: TerminalOut.of(
            row,
            codes[row.stage_id],
            silent=silent_since(logs[row.stage_id], heard_at=row.last_seen_at, now=door.now, limit_s=limit_s),
        )
        for row in rows
    }


def _out(door: Door, session: Session, row: TerminalRow) -> TerminalOut:
    return _outs(door, session, [row])[row.id or 0]


def _seen(row: TerminalRow, out: TerminalOut) -> str:
    # What moves without a revision, by a body of counts or by the clock, belongs to the validator.
    seen = 0 if row.last_seen_at is None else int(row.last_seen_at.timestamp() * 1_000_000)
    return f"{seen}-{0 if out.silent_since is None else int(out.silent_since.timestamp())}"


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
        return door.reply(session, out, status=HTTPStatus.CREATED, rev=row.rev, head=_seen(row, out), location=location)


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
        outs = _outs(door, session, rows)
        return window.reply(door, rows, id_of=lambda row: row.id, out_of=lambda row: outs[row.id or 0])


@router.get(
    "/{terminal}",
    operation_id="terminal_get",
    summary="Read a terminal",
    response_model=TerminalWithSpoolsOut,
    responses=answers({**TERMINAL, "spools": [SPOOL]}, TerminalUnknown),
)
def get_terminal(door: Reader, terminal: TerminalInPath) -> Response:
    """Read a terminal: where it stands, when it was last heard of, what waits there, and its spools. Needs `read`."""
    with door.reading() as session:
        row = terminals.find(session, terminal)
        kept = [SpoolCountsOut.model_validate(asdict(each)) for each in spools.of_terminal(session, row.id or 0)]
        out = TerminalWithSpoolsOut(**_out(door, session, row).model_dump(), spools=kept)
        return door.reply(session, out, rev=row.rev, head=_seen(row, out))


@router.get(
    "/{terminal}/counts",
    operation_id="terminal_counts",
    summary="List what a terminal posted for a day",
    response_model=Page[PostedOut],
    responses=answers(page_of(POSTED), TerminalUnknown),
)
def list_counts(
    door: Reader,
    terminal: TerminalInPath,
    window: Paging,
    day: Annotated[Posting, Query(description="The production day.")],
    outcome: Annotated[
        Literal["counted", "unmatched"] | None, Query(description="Those alone that count for a shot now, or do not.")
    ] = None,
) -> Response:
    """List every count that a terminal posted of captures of a production day, in the order they came.

    Each with what it was answered and what it counts for now. Counts that were refused are not kept, so they are not
    here. Needs `read`; a key bound to a production sees its counts alone, and animators are named to keys that cover
    `coordinate`.
    """
    with door.reading() as session:
        row = terminals.find(session, terminal)
        asked = counts.Asked(terminal_id=row.id or 0, day_on=day, production=door.caller.production, outcome=outcome)
        rows = counts.of_terminal(session, asked, after=window.after, limit=window.fetch)
        closes_at = day_opens(day + timedelta(days=1), studio.load(session))
        names = door.caller.scope.covers(Scope.COORDINATE)

    def shown(each: PostedCount) -> PostedOut:
        return PostedOut.of(each, closes_at=closes_at, names=names)

    return window.reply(door, rows, id_of=lambda each: each.row.id, out_of=shown)


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
        present = _out(door, session, row)
        door.require_match(rev=row.rev, head=_seen(row, present), current=lambda: _out(door, session, row))
        terminals.move(session, row, _stage(session, body.stage), by=door.by, now=door.now)
        out = _out(door, session, row)
        return door.reply(session, out, rev=row.rev, head=_seen(row, out))
