"""The door of every operation: who calls, with which scope, at what time, and how the answer leaves.

A route asks for a door by the scope it needs (`door: Reader`), opens a transaction in its own body with
`with door.writing() as session:` and returns `door.reply(session, out, …)` from inside: the commit comes before the
reply.
"""

import hashlib
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from http import HTTPStatus
from typing import Annotated
from urllib.parse import unquote

from fastapi import Depends, FastAPI, Request, Response, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from pydantic import BaseModel
from sqlmodel import Session

from service.actions import productions
from service.api import refusals
from service.api.turns import ARRIVED_AT
from service.api.wire import BODY_DIGEST
from service.domain.codes import composed
from service.domain.keys import KeyState, Scope, Token, key_state
from service.domain.refusals import Fault
from service.domain.signoffs import Role
from service.settings import Settings
from service.store import idempotency, keys
from service.store.engine import Database
from service.store.idempotency import Attempt, KeptAnswer
from service.store.tables import ProductionRow

JSON = "application/json"

_IDEMPOTENCY_KEY = re.compile(r"[\x21-\x7e]{1,255}")
_ETAGS = re.compile(r'(W/)?"([\x21\x23-\x7e\x80-\xff]*)"')

bearer = HTTPBearer(
    auto_error=False,
    scheme_name="key",
    bearerFormat="td_ + 8 characters + _ + 43 characters",
    description="An API key, as `tiedown key create` or `POST /v1/keys` gave it.",
)


class Replay(Exception):
    """The answer that was kept for an Idempotency-Key."""

    def __init__(self, answer: KeptAnswer) -> None:
        super().__init__()
        self.answer = answer

    def response(self) -> Response:
        """The kept answer as it is sent again."""
        headers = {**self.answer.headers, "Idempotency-Replayed": "true"}
        return Response(self.answer.body, status_code=self.answer.status, headers=headers)


@dataclass(frozen=True, slots=True)
class Caller:
    """Whose key opened the door, and what it is bound to; a `count` key has stage and terminal."""

    key_id: int
    name: str
    scope: Scope
    stage_id: int | None
    stage: str | None
    terminal_id: int | None
    terminal: str | None
    production_id: int | None
    production: str | None
    roles: frozenset[Role]


@dataclass(frozen=True, slots=True)
class Door:
    """What a route works with. `now` is the server's clock, read once a request."""

    database: Database
    settings: Settings
    caller: Caller
    now: datetime
    request: Request
    attempt: Attempt | None = field(default=None)

    @property
    def by(self) -> str:
        """Who acts, as events name it."""
        return self.caller.name

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A transaction that writes; commits at its end. A write that was done before answers from its kept answer."""
        with self.database.writing() as session:
            if (
                self.attempt is not None
                and (kept := idempotency.recall(session, self.attempt, now=self.now)) is not None
            ):
                if not kept.same:
                    raise refusals.IdempotencyKeyReused
                raise Replay(kept)
            yield session
        self.request.app.state.wake()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """One read-only snapshot; never takes a write lock."""
        with self.database.reading() as session:
            yield session

    def production(self, session: Session, code: str, *, lock: bool = False) -> ProductionRow:
        """The production of this code; raises ProductionUnknown, also where the key is bound to another one."""
        return productions.find(session, code, only=self.caller.production_id, lock=lock)

    def etag(self, *, rev: int, head: int | str = 0, about: str = "", at: str | None = None) -> str:
        """The validator of a state of what this request is about: `"rev.head.whose"`.

        `head` is that of the figures shown with the row. Whose it is follows from the path `at`, else from the path
        asked for, without the name of an action on it; `about` says what a query names beside the path.
        """
        path = self.request.scope["path"] if at is None else unquote(at)
        if at is None and self.request.method == "POST":
            steps = self.request.scope["route"].path_format.split("/")
            named = max((place for place, step in enumerate(steps) if step.startswith("{")), default=len(steps))
            path = "/".join(path.split("/")[: named + 1])
        whose = hashlib.sha256(f"{composed(path)}?{about}".encode()).hexdigest()[:8]
        return f'"{rev}.{head}.{whose}"'

    def require_match(
        self,
        *,
        rev: int,
        head: int | str = 0,
        about: str = "",
        at: str | None = None,
        current: Callable[[], BaseModel],
    ) -> None:
        """Let through a change that names the state it changes: an If-Match whose `rev` is the row's.

        The figures' head is not compared, because live figures must not fail a decision. A tag that says whose it is
        must be of this very thing. Raises MissingPrecondition, Stale with `current`, InvalidRequest.
        """
        sent = self.request.headers.get("if-match")
        present = self.etag(rev=rev, head=head, about=about, at=at)
        if sent is None:
            raise refusals.MissingPrecondition(present)
        if sent.strip() == "*":
            return
        tags = _tags(sent)
        if not tags:
            detail = f"Write the ETag you last read, with its quotation marks: If-Match: {present}"
            raise refusals.InvalidRequest((Fault(detail, place="header If-Match"),))
        # If-Match compares strongly (RFC 9110, 13.1.1): a weak tag never matches.
        if not any(not weak and _names(tag, present.strip('"')) for weak, tag in tags):
            raise refusals.Stale(present, current().model_dump(mode="json", by_alias=True))

    def reply(
        self,
        session: Session | None,
        out: BaseModel,
        *,
        status: int = HTTPStatus.OK,
        rev: int | None = None,
        head: int | str = 0,
        about: str = "",
        at: str | None = None,
        location: str | None = None,
        link: str | None = None,
        kept: BaseModel | None = None,
    ) -> Response:
        """The answer: `out` as JSON under its ETag (made of the content itself where there is no rev).

        A read that the caller already has is 304. The answer to a write with an Idempotency-Key is kept in the write's
        own transaction, as `kept` where `out` holds what must not be stored.
        """
        body = out.model_dump_json(by_alias=True)
        etag = etag_of(body.encode()) if rev is None else self.etag(rev=rev, head=head, about=about, at=at or location)
        headers = _headers(etag, "private, no-cache" if kept is None else "no-store")
        if location is not None:
            headers["Location"] = location
        if link is not None:
            headers["Link"] = link
        if self.request.method == "GET":
            if self.has(etag):
                return Response(status_code=HTTPStatus.NOT_MODIFIED, headers=headers)
        elif self.attempt is not None and session is not None:
            stored = body if kept is None else kept.model_dump_json(by_alias=True)
            idempotency.keep(
                session,
                self.attempt,
                status=status,
                headers={**headers, "Content-Type": JSON},
                body=stored,
                now=self.now,
            )
        return Response(body, status_code=status, headers=headers, media_type=JSON)

    def text(self, content: str, *, media_type: str) -> Response:
        """The answer to a read as text of another media type, under the ETag of its content."""
        etag = etag_of(content.encode())
        if self.has(etag):
            return Response(status_code=HTTPStatus.NOT_MODIFIED, headers=_headers(etag))
        return Response(content, headers=_headers(etag), media_type=media_type)

    def show(self, content: str, *, media: str, rev: int, about: str, link: str | None = None) -> Response:
        """The answer to a read that has several forms, in the one of this media type.

        Its ETag is of this form, of what `about` says, and of the content.
        """
        head = hashlib.sha256(content.encode()).hexdigest()[:16]
        etag = self.etag(rev=rev, head=head, about=f"{about}&{media}")
        headers = {**_headers(etag), "Vary": "Accept, Authorization"} | ({} if link is None else {"Link": link})
        if self.has(etag):
            return Response(status_code=HTTPStatus.NOT_MODIFIED, headers=headers)
        return Response(content, headers={**headers, "Content-Type": media})

    def unchanged(self, *, rev: int, head: int | str) -> Response | None:
        """The answer to a read whose state the caller already holds, found before the state is read; else None."""
        etag = self.etag(rev=rev, head=head)
        return Response(status_code=HTTPStatus.NOT_MODIFIED, headers=_headers(etag)) if self.has(etag) else None

    def has(self, etag: str) -> bool:
        """Whether the caller says it already holds this state."""
        return holds(self.request, etag)


def install(app: FastAPI) -> None:
    """Let *app* answer a repeated write with the answer that was kept."""

    async def replayed(_request: Request, replay: Exception) -> Response:
        if not isinstance(replay, Replay):
            raise replay
        return replay.response()

    app.add_exception_handler(Replay, replayed)


def _headers(etag: str, caching: str = "private, no-cache") -> dict[str, str]:
    # What is shown depends on what the key may see.
    return {"ETag": etag, "Cache-Control": caching, "Vary": "Authorization"}


def etag_of(content: bytes) -> str:
    """The validator of content that has no revision."""
    return f'"{hashlib.sha256(content).hexdigest()[:32]}"'


def holds(request: Request, etag: str) -> bool:
    """Whether a request says that its sender already holds this state: If-None-Match, compared weakly."""
    sent = request.headers.get("if-none-match", "")
    return sent.strip() == "*" or any(f'"{tag}"' == etag for _, tag in _tags(sent))


def _names(tag: str, present: str) -> bool:
    """Whether a tag that was sent names the present state: its `rev`, and whose it is where it says so."""
    rev, _, rest = tag.partition(".")
    whose = rest.partition(".")[2]
    return rev == present.partition(".")[0] and whose in {"", present.rpartition(".")[2]}


def _tags(header: str) -> list[tuple[bool, str]]:
    return [(bool(weak), tag) for weak, tag in _ETAGS.findall(header)]


def time_of(request: Request) -> datetime:
    """The time of a request: when it arrived, where it had to wait for its turn."""
    now: datetime = request.scope.get(ARRIVED_AT) or request.app.state.clock()
    return now


def proven(database: Database, token: Token, *, now: datetime) -> Caller:
    """Whose key a token is of; raises UnknownKey, ExpiredKey, RevokedKey."""
    with database.reading() as session:
        found = keys.by_prefix(session, token.prefix)
    if found is None or not token.proves(found.row.digest):
        raise refusals.UnknownKey
    row = found.row
    match key_state(expires_at=row.expires_at, revoked_at=row.revoked_at, now=now):
        case KeyState.EXPIRED if row.expires_at is not None:
            raise refusals.ExpiredKey(row.name, row.expires_at.isoformat())
        case KeyState.REVOKED if row.revoked_at is not None:
            raise refusals.RevokedKey(row.name, row.revoked_at.isoformat())
        case _:
            pass
    return Caller(
        key_id=row.id or 0,
        name=row.name,
        scope=Scope(row.scope),
        stage_id=row.stage_id,
        stage=found.stage,
        terminal_id=row.terminal_id,
        terminal=found.terminal,
        production_id=row.production_id,
        production=found.production,
        roles=frozenset(Role(role) for role in row.roles),
    )


@dataclass(frozen=True, slots=True)
class Knock:
    """Opens a door to callers whose key covers one of the scopes, or signs as `role`.

    `studio_wide` refuses keys bound to a production.
    """

    scopes: tuple[Scope, ...]
    role: Role | None = None
    studio_wide: bool = False
    keeps_answers: bool = True

    def __call__(
        self, request: Request, credentials: Annotated[HTTPAuthorizationCredentials | None, Security(bearer)]
    ) -> Door:
        """The door; raises what the key lacks."""
        if credentials is None:
            raise refusals.MissingKey
        now = time_of(request)
        token = Token.of(credentials.credentials)
        if token is None:
            raise refusals.UnknownKey
        return self.open(request, proven(request.app.state.database, token, now=now), now=now)

    def open(self, request: Request, caller: Caller, *, now: datetime) -> Door:
        """The door for a caller who proved its key; raises what the key lacks."""
        state = request.app.state
        if self.role not in caller.roles and not any(caller.scope.covers(scope) for scope in self.scopes):
            if self.role is not None:
                raise refusals.RoleMissing(caller.name, caller.scope, self.scopes, self.role)
            raise refusals.ScopeTooNarrow(caller.name, caller.scope, self.scopes)
        if self.studio_wide and caller.production_id is not None:
            raise refusals.BoundToProduction(caller.name)
        attempt = self._attempt(request, caller) if self.keeps_answers else None
        return Door(state.database, state.settings, caller, now, request, attempt)

    @staticmethod
    def _attempt(request: Request, caller: Caller) -> Attempt | None:
        key = request.headers.get("idempotency-key")
        if key is None or request.method == "GET":
            return None
        if _IDEMPOTENCY_KEY.fullmatch(key) is None:
            detail = "An Idempotency-Key is 1 to 255 visible ASCII characters, best a random UUID."
            raise refusals.InvalidRequest((Fault(detail, place="header Idempotency-Key"),))
        return Attempt(
            api_key_id=caller.key_id,
            idempotency_key=key,
            method=request.method,
            path=f"{request.scope['path']}?{request.scope['query_string'].decode('latin-1')}",
            body_digest=request.scope[BODY_DIGEST],
        )


Reader = Annotated[Door, Depends(Knock((Scope.READ,)))]
"""The door of whoever may read."""

Coordinate = Annotated[Door, Depends(Knock((Scope.COORDINATE,)))]
"""The door of coordinators, to a production."""

Direct = Annotated[Door, Depends(Knock((Scope.COORDINATE,), role=Role.DIRECTOR))]
"""The door of the director and of coordinators."""

StudioCoordinate = Annotated[Door, Depends(Knock((Scope.COORDINATE,), studio_wide=True))]
"""The door of coordinators, to what all productions share."""

Admin = Annotated[Door, Depends(Knock((Scope.ADMIN,), studio_wide=True))]
"""The door of administrators."""

Counter = Annotated[Door, Depends(Knock((Scope.COUNT,), keeps_answers=False))]
"""The door of stage terminals that post counts; these have an identity of their own and ignore Idempotency-Key."""

ShotReader = Annotated[Door, Depends(Knock((Scope.READ, Scope.COUNT)))]
"""The door of whoever may read shots; a stage's terminal sees those planned for its stage or for none."""
