"""Sign-offs: set, framing, dialogue, plate, comp and approval, by those who answer for them."""

from datetime import datetime
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import shots
from service.actions import signoffs as actions
from service.actions.productions import ProductionUnknown
from service.actions.shots import ShotUnknown
from service.actions.signoffs import (
    NotAnew,
    NothingAccepted,
    NotInApproval,
    NotTheirs,
    RoleUnclear,
    RoleUnfit,
    SignedAlready,
    SignerMissing,
    SignOffUnknown,
    WithdrawnAlready,
)
from service.api.doors import Door, Reader
from service.api.examples import answers, page_of
from service.api.fields import Body, Line, Out, shown_as
from service.api.pages import Page, Paging
from service.api.productions import ProductionInPath
from service.api.refusals import MissingPrecondition, RoleMissing, Stale
from service.api.shots import ShotInPath, one
from service.api.strict import StrictRoute
from service.domain.keys import Scope
from service.domain.signoffs import Matter, Role
from service.store import signoffs as store
from service.store import studio
from service.store.tables import SignOffRow

router = APIRouter(prefix="/v1/productions", tags=["sign-offs"], route_class=StrictRoute)

SIGNED = {
    "id": 31,
    "matter": "framing approved",
    "role": "director",
    "by": "office",
    "signer": "Ada Quill",
    "note": None,
    "digest": None,
    "signed_at": "2026-03-02T08:40:00Z",
    "withdrawn_at": None,
    "withdrawn_by": None,
    "withdrawn_reason": None,
}
WITHDRAWN = {
    **SIGNED,
    "withdrawn_at": "2026-03-02T10:00:00Z",
    "withdrawn_by": "office",
    "withdrawn_reason": "the horizon was wrong",
}

SignOffInPath = Annotated[int, Path(ge=1, le=2**53, description="The id of the sign-off.", examples=[1])]


class SignOffIn(Body):
    """A sign-off to give."""

    model_config = shown_as({"matter": "framing approved", "role": "director", "signer": "Ada Quill"})

    matter: Annotated[Matter, Field(strict=False)] = Field(description="What to sign off.")
    role: Annotated[Role, Field(strict=False)] | None = Field(
        None, description="In which role; may be left out where one alone signs it, or where the key has one of them."
    )
    signer: Line | None = Field(
        None, description="Who said it, where a coordinator enters it for somebody whose role the key has not."
    )
    note: Line | None = Field(None, description="What is to be said with it.")


class WithdrawalIn(Body):
    """Why a sign-off is withdrawn."""

    model_config = shown_as({"reason": "the horizon was wrong"})

    reason: Line = Field(description="Why.")


class SignOffOut(Out):
    """A sign-off that was given."""

    id: int = Field(description="Its id.")
    matter: Matter = Field(description="What was signed off.")
    role: Role = Field(description="In which role.")
    by: str = Field(description="The key that entered it.")
    signer: str | None = Field(description="Who said it, where another than the holder of the key.")
    note: str | None = Field(description="What was said with it.")
    digest: str | None = Field(
        description="Of a comp and an approval: SHA-256 of the frames it speaks of, and how often each was captured."
    )
    signed_at: datetime = Field(description="When (UTC).")
    withdrawn_at: datetime | None = Field(description="When it was withdrawn (UTC); null where it was not.")
    withdrawn_by: str | None = Field(description="The key that withdrew it.")
    withdrawn_reason: str | None = Field(description="Why it was withdrawn.")

    @classmethod
    def of(cls, row: SignOffRow) -> "SignOffOut":
        """The sign-off of this row."""
        return cls.model_validate(row.model_dump(include=set(cls.model_fields)))


def signing(door: Door, body: SignOffIn) -> actions.Signing:
    """A sign-off as this caller asks for it."""
    return actions.Signing(
        matter=body.matter,
        role=body.role,
        signer=body.signer,
        note=body.note,
        by=door.by,
        roles=door.caller.roles,
        coordinates=door.caller.scope.covers(Scope.COORDINATE),
    )


@router.post(
    "/{production}/shots/{shot}/signoffs",
    operation_id="signoff_give",
    summary="Sign something of a shot off",
    status_code=HTTPStatus.CREATED,
    response_model=SignOffOut,
    responses=answers(
        SIGNED,
        ProductionUnknown,
        ShotUnknown,
        NotTheirs,
        RoleUnclear,
        RoleUnfit,
        SignerMissing,
        SignedAlready,
        NotInApproval,
        NothingAccepted,
        NotAnew,
        Stale,
        MissingPrecondition,
        status=HTTPStatus.CREATED,
    ),
)
def give_signoff(door: Reader, production: ProductionInPath, shot: ShotInPath, body: SignOffIn) -> Response:
    """Say that something of a shot is as it should be: set, framing, dialogue, plate, comp, or all of it.

    A key with the role signs for its holder; a key of scope `coordinate` enters what another said, and names them in
    `signer`. An approval is signed in person alone. Needs `read` and the role, or `coordinate`; and `If-Match` with the
    shot's ETag, so that of two who sign at once the second sees what the first said. A comp and an approval speak of
    the frames accepted now, and go out of date when these change. The answer's ETag is the shot's, as it then is.
    """
    with door.writing() as session:
        of = door.production(session, production)
        row = shots.find(session, of, shot, lock=True)
        out, head = one(session, of, row)
        door.require_match(rev=row.rev, head=head, current=lambda: out)
        signed = actions.sign(
            session,
            of,
            row,
            signing(door, body),
            plate_minimum_frames=studio.load(session).plate_minimum_frames,
            now=door.now,
        )
        _, head = one(session, of, row)
        return door.reply(session, SignOffOut.of(signed), status=HTTPStatus.CREATED, rev=row.rev, head=head)


@router.get(
    "/{production}/shots/{shot}/signoffs",
    operation_id="signoff_list",
    summary="List a shot's sign-offs",
    response_model=Page[SignOffOut],
    responses=answers(page_of(SIGNED), ProductionUnknown, ShotUnknown),
)
def list_signoffs(door: Reader, production: ProductionInPath, shot: ShotInPath, window: Paging) -> Response:
    """List the sign-offs of a shot, those withdrawn included, in the order they were given. Needs `read`."""
    with door.reading() as session:
        row = shots.find(session, door.production(session, production), shot)
        rows = store.page(session, row.id or 0, after=window.after, limit=window.fetch)
    return window.reply(door, rows, id_of=lambda each: each.id, out_of=SignOffOut.of)


@router.get(
    "/{production}/shots/{shot}/signoffs/{signoff}",
    operation_id="signoff_get",
    summary="Read a sign-off",
    response_model=SignOffOut,
    responses=answers(SIGNED, ProductionUnknown, ShotUnknown, SignOffUnknown),
)
def get_signoff(door: Reader, production: ProductionInPath, shot: ShotInPath, signoff: SignOffInPath) -> Response:
    """Read a sign-off. Needs `read`."""
    with door.reading() as session:
        row = _find(door, session, production, shot, signoff)
        return door.reply(session, SignOffOut.of(row), rev=_rev(row))


@router.post(
    "/{production}/shots/{shot}/signoffs/{signoff}/withdraw",
    operation_id="signoff_withdraw",
    summary="Withdraw a sign-off",
    response_model=SignOffOut,
    responses=answers(
        WITHDRAWN,
        ProductionUnknown,
        ShotUnknown,
        SignOffUnknown,
        WithdrawnAlready,
        RoleMissing,
        Stale,
        MissingPrecondition,
    ),
)
def withdraw_signoff(
    door: Reader, production: ProductionInPath, shot: ShotInPath, signoff: SignOffInPath, body: WithdrawalIn
) -> Response:
    """Withdraw a sign-off with a reason; it stays in the record. The shot's phase stays, and `next` says what it lacks.

    Needs the role it was signed in, or `coordinate`; and `If-Match`.
    """
    with door.writing() as session:
        of = door.production(session, production)
        row = shots.find(session, of, shot, lock=True)
        signed = actions.find(session, row, signoff)
        if Role(signed.role) not in door.caller.roles and not door.caller.scope.covers(Scope.COORDINATE):
            raise RoleMissing(door.caller.name, door.caller.scope, (Scope.COORDINATE,), Role(signed.role))
        door.require_match(rev=_rev(signed), current=lambda: SignOffOut.of(signed))
        actions.withdraw(session, of, row, signed, reason=body.reason, by=door.by, now=door.now)
        return door.reply(session, SignOffOut.of(signed), rev=_rev(signed))


def _find(door: Door, session: Session, production: str, shot: str, signoff: int) -> SignOffRow:
    row = shots.find(session, door.production(session, production), shot)
    return actions.find(session, row, signoff)


def _rev(row: SignOffRow) -> int:
    # Given, then perhaps withdrawn: nothing else happens to a sign-off.
    return 1 if row.withdrawn_at is None else 2
