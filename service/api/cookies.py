"""The cookie by which a page follows the stream: a browser's EventSource sends no `Authorization`.

It holds the key's token sealed for some hours (`domain/keys.Sealed`), so that nothing is stored, every web process
knows it, and it ends with the key. It opens `GET /v1/stream` and nothing else, to pages of the service's own origin.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import Depends, Request, Response, Security
from fastapi.security import APIKeyCookie, HTTPAuthorizationCredentials
from sqlmodel import Session

from service.api import refusals
from service.api.doors import Caller, Door, Knock, bearer, proven, time_of
from service.domain.keys import Scope, Sealed, Token
from service.store import keys
from service.store.engine import Database

COOKIE = "tiedown_stream"
PATH = "/v1/stream"
LIFE = timedelta(hours=12)

jar = APIKeyCookie(
    name=COOKIE,
    auto_error=False,
    scheme_name="streamCookie",
    description="For pages of the service's own origin: a cookie as `POST /v1/stream/cookie` sets it.",
)


@dataclass(frozen=True, slots=True)
class Proof:
    """What a reader proves itself by: a token, and until when the cookie opens that it came in."""

    token: Token
    until: datetime | None = None

    def caller(self, database: Database, *, now: datetime) -> Caller:
        """Whose key it is. Raises UnfitCookie, UnknownKey, ExpiredKey, RevokedKey."""
        if self.until is not None and self.until <= now:
            raise refusals.UnfitCookie
        return proven(database, self.token, now=now)


@dataclass(frozen=True, slots=True)
class Admitted:
    """Who may follow, and by what it is looked at again whether they still may."""

    door: Door
    proof: Proof


@dataclass(frozen=True, slots=True)
class StreamKnock(Knock):
    """Opens the stream to callers with a key, or with a cookie from a page of the same origin."""

    def __call__(  # type: ignore[override]  # what it opens is a door and more
        self,
        request: Request,
        credentials: Annotated[HTTPAuthorizationCredentials | None, Security(bearer)],
        cookie: Annotated[str | None, Security(jar)],
    ) -> Admitted:
        """The door and the proof; raises what the key lacks. A key wins over a cookie."""
        now, database = time_of(request), request.app.state.database
        if credentials is not None:
            token = Token.of(credentials.credentials)
            if token is None:
                raise refusals.UnknownKey
            proof = Proof(token)
        elif cookie is not None:
            with database.reading() as session:
                proof = _proof(session, request, cookie)
        else:
            raise refusals.MissingKey
        return Admitted(self.open(request, proof.caller(database, now=now), now=now), proof)


def _proof(session: Session, request: Request, cookie: str) -> Proof:
    sealed = Sealed.of(cookie) if of_the_same_origin(request) else None
    found = None if sealed is None else keys.by_prefix(session, sealed.prefix)
    token = None if sealed is None or found is None else sealed.token(found.row.digest)
    if sealed is None or token is None:
        raise refusals.UnfitCookie
    return Proof(token, sealed.until)


def of_the_same_origin(request: Request) -> bool:
    """Whether a browser says that a page of this origin asks, or says nothing to the contrary.

    Sec-Fetch-Site (W3C Fetch Metadata) decides where it is sent: over TLS and to the machine itself. Elsewhere `Origin`
    does; with a GET to its own origin no browser sends one (WHATWG Fetch), and one from elsewhere does.
    """
    site = request.headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    origin = request.headers.get("origin")
    return origin is None or origin.partition("://")[2] == request.headers.get("host")


def until(now: datetime) -> datetime:
    """Until when a cookie opens that is given now."""
    return (now + LIFE).replace(microsecond=0)


def give(request: Request, response: Response, *, token: str, until: datetime, now: datetime) -> None:
    """Give the holder of a token a cookie with an answer."""
    _set(request, response, Sealed.by(token, until=until).text, life=until - now)


def take_back(request: Request, response: Response) -> None:
    """Have the browser forget its cookie."""
    _set(request, response, "", life=timedelta())


def _set(request: Request, response: Response, value: str, *, life: timedelta) -> None:
    response.set_cookie(
        COOKIE,
        value,
        max_age=int(life.total_seconds()),
        path=PATH,
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="strict",
    )


StreamDoor = Annotated[Admitted, Depends(StreamKnock((Scope.READ,), keeps_answers=False))]
"""The door of whoever may follow the stream."""

KeyHolder = Annotated[Door, Depends(Knock((Scope.READ,), keeps_answers=False))]
"""The door of whoever may have a cookie: the key alone opens it, or cookies would beget cookies for ever."""
