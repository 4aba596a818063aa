"""Moves: where a shot may go, what it lacks for that, and taking it there."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Response
from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError
from sqlmodel import Session

from service.actions import moves as actions
from service.actions import shots, signoffs
from service.actions.misfits import Touched, plain
from service.actions.moves import (
    CauseMissing,
    CauseUnfit,
    NotAllAsRead,
    NotAllReady,
    NotReady,
    NoWay,
    ReasonMissing,
    ThereAlready,
    Wanted,
)
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.api.doors import Coordinate, Door, Reader
from service.api.errors import problem_of
from service.api.examples import answers, page_of
from service.api.fields import Body, Code, Line, Out, shown_as
from service.api.misfits import TOUCHED, TouchedOut, touched_of
from service.api.pages import Page, Paging
from service.api.phases import plate_minimum, standing_of
from service.api.productions import ProductionInPath
from service.api.refusals import MissingPrecondition, ScopeTooNarrow, Stale
from service.api.shots import ShotInPath, one
from service.api.strict import StrictRoute
from service.domain.causes import ReturnCause
from service.domain.keys import Scope
from service.domain.moves import (
    steps,
)
from service.domain.phases import Fact, Phase
from service.domain.signoffs import Matter, Role
from service.store import moves as store
from service.store.tables import MoveRow, ProductionRow, ShotRow

router = APIRouter(prefix="/v1/productions", tags=["phases"], route_class=StrictRoute)

MOST_SHOTS = 500
MOVED = {
    "origin": "set dressing",
    "to": "shooting",
    "cause": None,
    "reason": "the light goes at four",
    "lacked": ["framing approved by the camera operator"],
    "by": "office",
    "moved_at": "2026-03-02T09:00:00Z",
}
TRIED: Mapping[str, Any] = {
    "shot": "0120",
    "origin": "set dressing",
    "to": "shooting",
    "set_aside": [],
    "refused": None,
    "bookings": [{**TOUCHED, "misfits": []}],
}


class MoveOut(Out):
    """A move that was made."""

    origin: Phase = Field(description="Where the shot was.")
    to: Phase = Field(description="Where it went.")
    cause: ReturnCause | None = Field(description="Why it went back; null of a move on.")
    reason: str | None = Field(description="What was said with it.")
    lacked: list[Fact] | None = Field(description="The facts an override set aside; null where none was needed.")
    by: str = Field(description="The key it came from.")
    moved_at: datetime = Field(description="When (UTC).")

    @classmethod
    def of(cls, row: MoveRow) -> "MoveOut":
        """The move of this row."""
        return cls(
            origin=Phase(row.origin),
            to=Phase(row.to_phase),
            cause=None if row.cause is None else ReturnCause(row.cause),
            reason=row.reason,
            lacked=None if row.lacked is None else [Fact(fact) for fact in row.lacked],
            by=row.by,
            moved_at=row.moved_at,
        )


class MovedOut(MoveOut):
    """A move that was just made, with the bookings it touches."""

    bookings: list[TouchedOut] = Field(
        description="The shot's bookings that are not over, with what about each does not fit the shot any more."
    )


class MoveIn(Body):
    """A move to make."""

    model_config = shown_as({"to": "set dressing"})

    to: Annotated[Phase, Field(strict=False)] = Field(description="The phase to go to.")
    cause: Annotated[ReturnCause, Field(strict=False)] | None = Field(
        None, description="Why work goes back; asked for of a move back, and of no other."
    )
    reason: Line | None = Field(None, description="What is to be said with it; an override needs it.")
    override: bool = Field(
        default=False, description="Go without what is lacking; needs `coordinate` and shows for ever."
    )

    def wanted(self) -> Wanted:
        """The move as the action takes it."""
        return Wanted(to=self.to, cause=self.cause, reason=self.reason, override=self.override)


class NamedIn(Body):
    """A shot by its code, and the revision of it that was read."""

    shot: Code = Field(description="The code of the shot.")
    rev: Annotated[int, Field(ge=1)] | None = Field(
        None, description="Its `rev` as it was read; where it has changed since, nothing is moved."
    )


class ManyIn(MoveIn):
    """A move of several shots."""

    model_config = shown_as({"shots": [{"shot": "0120"}], "to": "set dressing", "preview": True})

    shots: Annotated[list[NamedIn], Field(min_length=1, max_length=MOST_SHOTS)] = Field(
        description="The shots to move, each once."
    )
    preview: bool = Field(default=False, description="Only say what would happen.")

    @model_validator(mode="after")
    def _each_once(self) -> "ManyIn":
        if len({each.shot for each in self.shots}) != len(self.shots):
            raise PydanticCustomError("twice", "Name each shot once.")
        return self


class TriedOut(Out):
    """What a move did to one of several shots, or would do."""

    shot: str = Field(description="The code of the shot.")
    origin: Phase = Field(description="Where it was.")
    to: Phase = Field(description="Where it goes.")
    set_aside: list[Fact] = Field(description="The facts an override passes over.")
    refused: dict[str, object] | None = Field(description="Why it cannot go there (RFC 9457); null where it can.")
    bookings: list[TouchedOut] = Field(
        description="The shot's bookings that are not over, with what about each does not fit the shot there."
    )


class ManyOut(Out):
    """What a move did to several shots, or would do."""

    moved: bool = Field(description="Whether the shots were moved; false of a preview.")
    items: list[TriedOut] = Field(description="Each shot, in the order they were named.")


@router.post(
    "/{production}/shots/{shot}/moves",
    operation_id="shot_move",
    summary="Move a shot",
    status_code=HTTPStatus.CREATED,
    response_model=MovedOut,
    responses=answers(
        {**MOVED, "bookings": [{**TOUCHED, "misfits": []}]},
        ProductionUnknown,
        ShotUnknown,
        NoWay,
        ThereAlready,
        NotReady,
        CauseMissing,
        CauseUnfit,
        ReasonMissing,
        Stale,
        MissingPrecondition,
        status=HTTPStatus.CREATED,
    ),
)
def move_shot(door: Reader, production: ProductionInPath, shot: ShotInPath, body: MoveIn) -> Response:
    """Take a shot to another phase: on, where it lacks nothing; back, with a cause.

    Needs `coordinate` and `If-Match`. A key with the role `director` may also take a shot in approval to `approved`,
    and its approval is signed with the move. An override passes over what is lacking, except that a shot omitted or
    suspended goes nowhere and an approval is somebody's own word.
    """
    with door.writing() as session:
        of = door.production(session, production)
        row = shots.find(session, of, shot, lock=True)
        out, head = one(session, of, row)
        coordinates = door.caller.scope.covers(Scope.COORDINATE)
        approves = body.to is Phase.APPROVED and Role.DIRECTOR in door.caller.roles
        if not coordinates and not (approves and not body.override):
            raise ScopeTooNarrow(door.caller.name, door.caller.scope, (Scope.COORDINATE,))
        door.require_match(rev=row.rev, head=head, current=lambda: out)
        if approves:
            _approve(door, session, of, row)
        tried = actions.move_all(
            session, of, [row], body.wanted(), plate_minimum_frames=plate_minimum(session), by=door.by, now=door.now
        )
        if tried[0].refused is not None:
            raise tried[0].refused
        out, head = one(session, of, row)
        moved = MoveOut.of(store.last(session, row.id or 0))
        bookings = touched_of(door, session, of, row)
        made = MovedOut(**dict(moved), bookings=bookings)
        return door.reply(session, made, status=HTTPStatus.CREATED, rev=row.rev, head=head)


def _approve(door: Door, session: Session, of: ProductionRow, row: ShotRow) -> None:
    """Sign the approval with the move, where it lacks nothing else: a refused move must not leave one behind."""
    standing = standing_of(session, row)
    ahead = next((each for each in steps(standing) if each.to is Phase.APPROVED), None)
    if ahead is None or {lack.fact for lack in ahead.lacks} != {Fact.APPROVAL_SIGNED}:
        return
    signing = signoffs.Signing(
        matter=Matter.APPROVAL,
        role=Role.DIRECTOR,
        signer=None,
        note=None,
        by=door.by,
        roles=door.caller.roles,
        coordinates=False,
    )
    signoffs.sign(session, of, row, signing, plate_minimum_frames=plate_minimum(session), now=door.now)


@router.get(
    "/{production}/shots/{shot}/moves",
    operation_id="shot_moves",
    summary="List a shot's moves",
    response_model=Page[MoveOut],
    responses=answers(page_of(MOVED), ProductionUnknown, ShotUnknown),
)
def list_moves(door: Reader, production: ProductionInPath, shot: ShotInPath, window: Paging) -> Response:
    """List the moves of a shot in order, with what each override set aside. Needs `read`."""
    with door.reading() as session:
        row = shots.find(session, door.production(session, production), shot)
        rows = store.page(session, row.id or 0, after=window.after, limit=window.fetch)
    return window.reply(door, rows, id_of=lambda each: each.id, out_of=MoveOut.of)


@router.post(
    "/{production}/moves",
    operation_id="shots_move",
    summary="Move several shots",
    response_model=ManyOut,
    responses=answers(
        {"moved": False, "items": [TRIED]},
        ProductionUnknown,
        ShotUnknown,
        NotAllReady,
        NotAllAsRead,
        CauseMissing,
        CauseUnfit,
        ReasonMissing,
    ),
)
def move_shots(door: Coordinate, production: ProductionInPath, body: ManyIn) -> Response:
    """Take several shots to another phase, all or none; `preview` says what would happen and moves nothing.

    Needs `coordinate`. A shot named with its `rev` is not moved where it has changed since.
    """
    with door.writing() as session:
        of = door.production(session, production)
        rows = actions.named(session, of, {each.shot: each.rev for each in body.shots})
        wanted, minimum = body.wanted(), plate_minimum(session)
        if body.preview:
            tried = actions.try_all(session, of, rows, wanted, plate_minimum_frames=minimum)
        else:
            tried = actions.move_all(session, of, rows, wanted, plate_minimum_frames=minimum, by=door.by, now=door.now)
        items = _tried(door, tried, wanted, actions.touched_by(session, of, tried, wanted, now=door.now))
        if not body.preview and (refused := [each for each in items if each.refused is not None]):
            raise NotAllReady(body.to, tuple(each.model_dump(mode="json") for each in refused))
        return door.reply(session, ManyOut(moved=not body.preview, items=items))


def _tried(
    door: Door, tried: Sequence[actions.Tried], wanted: Wanted, touched: Mapping[int, Sequence[Touched]]
) -> list[TriedOut]:
    return [
        TriedOut(
            shot=each.shot.code,
            origin=each.origin,
            to=wanted.to,
            set_aside=[lack.fact for lack in each.set_aside],
            refused=None if each.refused is None else problem_of(each.refused),
            bookings=TouchedOut.several(door, [plain(one) for one in touched.get(each.shot.id or 0, ())]),
        )
        for each in tried
    ]
