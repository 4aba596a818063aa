"""The log as it grows: server-sent events (WHATWG HTML, section 9.2)."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Request, Response, Security
from fastapi.security import HTTPAuthorizationCredentials
from pydantic import Field

from service.actions.productions import ProductionUnknown
from service.api import cookies, refusals
from service.api.cookies import KeyHolder, Proof, StreamDoor
from service.api.doors import JSON, bearer
from service.api.events import EVENT, AheadOfLog, EventOut, outs, sought
from service.api.examples import Responses, answers, problems
from service.api.fields import Out
from service.api.listeners import EndOut, Listener, PositionOut, Stream, Wish, block
from service.api.pages import LARGEST_ID
from service.api.strict import StrictRoute
from service.api.tail import CHUNK_BYTES, EndReason, Page, Tail, Told
from service.domain.events import EventKind
from service.domain.refusals import Refusal
from service.settings import Settings
from service.store import events as store
from service.store import retention
from service.store.engine import Database
from service.store.events import Sought

router = APIRouter(prefix=cookies.PATH, tags=["events"], route_class=StrictRoute)

# A statement looks at so many ids at most, however rare what is sought.
PAGE_EVENTS, PAGE_IDS = 200, 20_000
_POSITION = re.compile(r"0*[0-9]{1,10}", re.ASCII)


class CookieOut(Out):
    """Whether the browser has a cookie for the stream."""

    expires_at: datetime | None = Field(description="Until when the cookie opens the stream (UTC); null where none.")


@dataclass(frozen=True, slots=True)
class Log:
    """The log as the tail reads it."""

    database: Database

    def __call__(self, position: int, sought: Sought) -> Page:
        """The page after a position. Raises Busy."""
        with self.database.reading() as session:
            head = store.head(session)
            if head <= position:
                return Page(told=(), reached=position, cleaned_to=position, head=head)
            which: Mapping[str, Any] = {"production_id": sought.production_id, "kinds": sought.kinds}
            cleaned_to = retention.cleaned_to(session, **which)
            start = max(position, cleaned_to)
            end = min(head, start + PAGE_IDS)
            found = store.read_after(session, start, limit=PAGE_EVENTS, holds=store.up_to(end), **which)
            told: list[Told] = []
            size = 0
            for event, out in zip(found, outs(session, found), strict=True):
                if size >= CHUNK_BYTES:
                    break
                told.append(Told(event, block(event.kind, out, position=event.id)))
                size += len(told[-1].block)
        whole = len(found) < PAGE_EVENTS and len(told) == len(found)
        return Page(
            told=tuple(told),
            reached=end if whole else told[-1].event.id,
            cleaned_to=cleaned_to,
            head=head,
        )


def may(proof: Proof, name: str, *, database: Database, clock: Callable[[], datetime]) -> EndOut | None:
    """Why the key of this name does not open the stream any more, None where it does. Raises Busy."""
    try:
        proof.caller(database, now=clock())
    except refusals.RevokedKey as refusal:
        return EndOut(reason=EndReason.REVOKED, detail=str(refusal))
    except refusals.ExpiredKey as refusal:
        return EndOut(reason=EndReason.EXPIRED, detail=str(refusal))
    except refusals.UnfitCookie as refusal:
        return EndOut(reason=EndReason.COOKIE, detail=str(refusal))
    except refusals.UnknownKey:
        return EndOut(reason=EndReason.ROTATED, detail=f"The API key {name} was given a new secret: use that one.")
    return None


def started_at(last_event_id: str | None, after: int | None, *, head: int) -> int:
    """After which position a reader begins: what it saw last, else what it asks for, else the end of the log.

    What it saw last and no log can have told it is passed over. Raises AheadOfLog of what it asks for.
    """
    if last_event_id is not None and _POSITION.fullmatch(last_event_id) and int(last_event_id) <= head:
        return int(last_event_id)
    if after is None:
        return head
    if after > head:
        raise AheadOfLog(after, head)
    return after


def _cookie_answers(expires_at: str | None, *own: type[Refusal]) -> Responses:
    shown = answers({"expires_at": expires_at}, refusals.InvalidRequest, *own)
    header = {"description": "The cookie (RFC 6265).", "required": True, "schema": {"type": "string"}}
    shown[200]["headers"] = {"Set-Cookie": header}
    return shown


SHOWN = EventOut.model_validate(EVENT)
EXAMPLE = (
    block("position", PositionOut(position=4800, heartbeat_s=15.0), position=4800, retry_ms=1730)
    + block(SHOWN.kind, SHOWN, position=SHOWN.id)
).decode()


@router.get(
    "",
    operation_id="stream_follow",
    summary="Follow the log",
    response_class=Response,
    responses={
        200: {
            "description": "Server-sent events, without an end.",
            "content": {"text/event-stream": {"schema": {"type": "string"}, "example": EXAMPLE}},
        },
        **problems(ProductionUnknown, AheadOfLog, refusals.TooManyReaders, refusals.UnfitCookie),
    },
)
def follow_stream(
    admitted: StreamDoor,
    *,
    last_event_id: Annotated[
        str | None,
        Header(
            alias="Last-Event-ID",
            description="The last id that was seen: the stream goes on after it. What is no position in the log is "
            "passed over.",
        ),
    ] = None,
    after: Annotated[
        int | None,
        Query(
            ge=0, le=LARGEST_ID, description="Begin after the event with this id, where there is no `Last-Event-ID`."
        ),
    ] = None,
    production: Annotated[str | None, Query(description="Only events of the production with this code.")] = None,
    kind: Annotated[list[EventKind] | None, Query(description="Only events of these kinds.")] = None,
) -> Response:
    """Hear what happens as it happens (WHATWG HTML, server-sent events), from now on or after a position.

    `event` is the kind, `id` the position, `data` the object that `GET /v1/events` gives. Whoever comes back with the
    last id, to any web process, misses nothing and hears nothing twice. Beside the log's events come `position` at the
    beginning and where nothing of what was asked for was sent for long, `reset` where events are gone that were not
    seen yet, and `end` with the reason where the service ends the stream. Once each heartbeat the key is looked at
    again. Needs `read`; a key bound to a production hears the events of that production.
    """
    door = admitted.door
    state = door.request.app.state
    with door.reading() as session:
        head = store.head(session)
        asked = sought(door, session, production=production, kinds=kind)
    wish = Wish(asked, started_at(last_event_id, after, head=head), head)
    listener = Listener(
        state.tail,
        wish,
        may=lambda: may(admitted.proof, door.by, database=door.database, clock=state.clock),
        heartbeat_s=door.settings.stream_heartbeat_s,
    )
    return Stream(state.tail, listener, door.caller)


@router.post(
    "/cookie",
    operation_id="stream_cookie_give",
    summary="Get a cookie for the stream",
    response_model=CookieOut,
    responses=_cookie_answers("2026-03-03T02:05:04Z"),
)
def give_cookie(
    door: KeyHolder, request: Request, credentials: Annotated[HTTPAuthorizationCredentials, Security(bearer)]
) -> Response:
    """Let a page of this origin follow the stream by `EventSource`, which sends no key, for up to twelve hours.

    The cookie opens the stream alone, ends with its key, and is neither shown to scripts nor sent from other sites.
    Needs `read`, and the key itself.
    """
    until = cookies.until(door.now)
    response = _answer(until)
    cookies.give(request, response, token=credentials.credentials, until=until, now=door.now)
    return response


@router.delete(
    "/cookie",
    operation_id="stream_cookie_take_back",
    summary="Give the cookie back",
    response_model=CookieOut,
    responses=_cookie_answers(None, refusals.UnfitCookie),
)
def take_cookie_back(_admitted: StreamDoor, request: Request) -> Response:
    """Have the browser forget its cookie. A copy of it opens the stream until it runs out or its key gets a new secret.

    Needs the key or the cookie.
    """
    response = _answer(None)
    cookies.take_back(request, response)
    return response


def _answer(expires_at: datetime | None) -> Response:
    content = CookieOut(expires_at=expires_at).model_dump_json()
    return Response(content, headers={"Cache-Control": "no-store"}, media_type=JSON)


def tail_of(database: Database, settings: Settings) -> Tail:
    """The end of the log, for the readers of one process."""
    return Tail(Log(database), most=settings.stream_readers, most_of_key=settings.stream_readers_of_key)
