"""API keys."""

from collections.abc import Mapping
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Path, Response
from pydantic import Field
from sqlmodel import Session

from service.actions import keys
from service.actions.keys import KeyIsRevoked, KeyTaken, KeyUnknown, Wanted
from service.api.doors import Admin, Door
from service.api.examples import answers, page_of
from service.api.fields import Body, Change, Code, Given, Instant, Out, shown_as
from service.api.pages import Page, Paging
from service.api.refusals import MissingPrecondition, Stale
from service.api.strict import StrictRoute
from service.domain.keys import KeyState, Scope, key_state
from service.domain.refusals import UnfitFields
from service.domain.signoffs import Role
from service.store import keys as store
from service.store.keys import BoundKey

router = APIRouter(prefix="/v1/keys", tags=["keys"], route_class=StrictRoute)

KEY: Mapping[str, Any] = {
    "name": "mill-2026",
    "scope": "count",
    "terminal": "mill-capture",
    "stage": "mill",
    "production": None,
    "roles": [],
    "prefix": "td_5r2kzq7m",
    "state": "live",
    "expires_at": "2026-12-31T23:00:00Z",
    "revoked_at": None,
    "rev": 1,
    "made_at": "2026-03-02T08:00:00Z",
}
MADE = {**KEY, "key": "td_5r2kzq7m_" + "x" * 43}
REVOKED = {**KEY, "state": "revoked", "revoked_at": "2026-04-01T09:00:00Z", "rev": 2}

Roles = Annotated[list[Annotated[Role, Field(strict=False)]], Field(max_length=len(Role))]
KeyInPath = Annotated[str, Path(description="The name of the key.", examples=["mill-2026"])]


class KeyIn(Body):
    """A key to make."""

    model_config = shown_as(
        {"name": "mill-2026", "scope": "count", "terminal": "mill-capture", "expires_at": "2026-12-31T23:00:00Z"}
    )

    name: Code = Field(description="What the key is called; events name it. It never changes and is never used again.")
    scope: Annotated[Scope, Field(strict=False)] = Field(
        description="What it may do: `read`; `coordinate`, which may also plan and decide; `admin`, which may also set "
        "the studio and make keys; `count`, which may post the counts of its terminal and read the shots of its stage."
    )
    terminal: Code | None = Field(None, description="The terminal a `count` key is for; other scopes have none.")
    stage: Code | None = Field(
        None, description="The stage a `count` key is for: the one its terminal stands beside, so it may be left out."
    )
    production: Code | None = Field(
        None, description="The one production the key may see; null for all. An `admin` key sees all."
    )
    roles: Roles = Field(
        default_factory=list, description="In which parts its holder signs shots off; a `read` key may."
    )
    expires_at: Instant | None = Field(None, description="The instant from which it opens nothing; null for never.")


class KeyChange(Change):
    """What to change of a key."""

    model_config = shown_as({"expires_at": "2027-06-30T22:00:00Z"})

    expires_at: Instant | None = Field(
        None, description="The instant from which it opens nothing, at once where that has gone by; null for never."
    )
    roles: Given[Roles] = Field(
        None, description="In which parts its holder signs shots off, in place of those before."
    )


class KeyOut(Out):
    """A key, without its secret."""

    name: str = Field(description="What it is called.")
    scope: Scope = Field(description="What it may do.")
    terminal: str | None = Field(description="The terminal a `count` key is for.")
    stage: str | None = Field(description="The stage a `count` key is for.")
    production: str | None = Field(description="The one production it may see; null for all.")
    roles: list[Role] = Field(description="In which parts its holder signs shots off.")
    prefix: str = Field(description="How its token begins: what tells one key from another without the secret.")
    state: KeyState = Field(description="Whether it opens the door: `live`, `expired` or `revoked`.")
    expires_at: datetime | None = Field(description="The instant from which it opens nothing (UTC); null for never.")
    revoked_at: datetime | None = Field(description="When it was revoked (UTC).")
    rev: int = Field(description="How often it was changed, from 1.")
    made_at: datetime = Field(description="When it was made (UTC).")

    @classmethod
    def of(cls, bound: BoundKey, now: datetime) -> "KeyOut":
        """The key of this row as it stands at *now*."""
        row = bound.row
        return cls(
            name=row.name,
            scope=Scope(row.scope),
            terminal=bound.terminal,
            stage=bound.stage,
            production=bound.production,
            roles=[Role(role) for role in row.roles],
            prefix=f"td_{row.prefix}",
            state=key_state(expires_at=row.expires_at, revoked_at=row.revoked_at, now=now),
            expires_at=row.expires_at,
            revoked_at=row.revoked_at,
            rev=row.rev,
            made_at=row.made_at,
        )


class KeyMadeOut(KeyOut):
    """A key with its secret, which is shown this once."""

    key: str | None = Field(
        description="The token to send as `Authorization: Bearer …`. It is kept nowhere: null where this answer is "
        "repeated for an Idempotency-Key."
    )


def _out(door: Door, session: Session, name: str) -> KeyOut:
    bound = store.bound(session, name)
    if bound is None:
        raise KeyUnknown(name)
    return KeyOut.of(bound, door.now)


def _reply_once(door: Door, session: Session, name: str, *, token: str, status: HTTPStatus) -> Response:
    """The answer that shows a token; what is kept of it for an Idempotency-Key is without."""
    members = _out(door, session, name).model_dump()
    shown, kept = KeyMadeOut(**members, key=token), KeyMadeOut(**members, key=None)
    location = f"{router.prefix}/{quote(name)}"
    return door.reply(session, shown, status=status, rev=shown.rev, head=shown.state, location=location, kept=kept)


@router.post(
    "",
    operation_id="key_make",
    summary="Make a key",
    status_code=HTTPStatus.CREATED,
    response_model=KeyMadeOut,
    responses=answers(MADE, KeyTaken, UnfitFields, status=HTTPStatus.CREATED),
)
def make_key(door: Admin, body: KeyIn) -> Response:
    """Make an API key. Its token is in this answer and nowhere else. Needs `admin`."""
    with door.writing() as session:
        wanted = Wanted(
            name=body.name,
            scope=body.scope,
            terminal=body.terminal,
            stage=body.stage,
            production=body.production,
            roles=tuple(body.roles),
            expires_at=body.expires_at,
        )
        row, token = keys.make(session, wanted, by=door.by, now=door.now)
        return _reply_once(door, session, row.name, token=token, status=HTTPStatus.CREATED)


@router.get(
    "",
    operation_id="key_list",
    summary="List keys",
    response_model=Page[KeyOut],
    responses=answers(page_of(KEY)),
)
def list_keys(door: Admin, window: Paging) -> Response:
    """List the keys, those expired and revoked included, in the order they were made. Needs `admin`."""
    with door.reading() as session:
        rows = store.page(session, after=window.after, limit=window.fetch)
        return window.reply(
            door, rows, id_of=lambda bound: bound.row.id, out_of=lambda bound: KeyOut.of(bound, door.now)
        )


@router.get(
    "/{key}",
    operation_id="key_get",
    summary="Read a key",
    response_model=KeyOut,
    responses=answers(KEY, KeyUnknown),
)
def get_key(door: Admin, key: KeyInPath) -> Response:
    """Read a key, without its secret. Needs `admin`."""
    with door.reading() as session:
        out = _out(door, session, keys.find(session, key).name)
        return door.reply(session, out, rev=out.rev, head=out.state)


@router.patch(
    "/{key}",
    operation_id="key_change",
    summary="Change a key",
    response_model=KeyOut,
    responses=answers(KEY, KeyUnknown, KeyIsRevoked, UnfitFields, Stale, MissingPrecondition),
)
def change_key(door: Admin, key: KeyInPath, body: KeyChange) -> Response:
    """Let a key expire at another instant, or never, or sign in other roles. Needs `admin` and `If-Match`."""
    with door.writing() as session:
        row = keys.find(session, key, lock=True)
        present = _out(door, session, row.name)
        door.require_match(rev=present.rev, head=present.state, current=lambda: present)
        if "expires_at" in body.model_fields_set:
            keys.move_expiry(session, row, body.expires_at, by=door.by, now=door.now)
        if body.roles is not None:
            keys.give_roles(session, row, body.roles, by=door.by, now=door.now)
        out = _out(door, session, row.name)
        return door.reply(session, out, rev=out.rev, head=out.state)


@router.post(
    "/{key}/rotate",
    operation_id="key_rotate",
    summary="Give a key a new secret",
    response_model=KeyMadeOut,
    responses=answers({**MADE, "rev": 2}, KeyUnknown, KeyIsRevoked, Stale, MissingPrecondition),
)
def rotate_key(door: Admin, key: KeyInPath) -> Response:
    """Give a key a new secret; the old token opens nothing from this answer on. Needs `admin` and `If-Match`.

    Of two who rotate it at once the second is told, and does not take from the first the secret they were just given.
    """
    with door.writing() as session:
        row = keys.find(session, key, lock=True)
        present = _out(door, session, row.name)
        door.require_match(rev=present.rev, head=present.state, current=lambda: present)
        token = keys.rotate(session, row, by=door.by, now=door.now)
        return _reply_once(door, session, row.name, token=token, status=HTTPStatus.OK)


@router.post(
    "/{key}/revoke",
    operation_id="key_revoke",
    summary="Revoke a key",
    response_model=KeyOut,
    responses=answers(REVOKED, KeyUnknown),
)
def revoke_key(door: Admin, key: KeyInPath) -> Response:
    """Let a key open nothing any more, for good; revoking it again changes nothing. Needs `admin`."""
    with door.writing() as session:
        row = keys.find(session, key, lock=True)
        keys.revoke(session, row, by=door.by, now=door.now)
        out = _out(door, session, row.name)
        return door.reply(session, out, rev=out.rev, head=out.state)
