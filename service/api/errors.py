"""Refusals as HTTP: the one place that knows which status a refusal has (RFC 9457 problem documents)."""

import logging
from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import ConfigDict, Field
from pydantic_core import to_json
from starlette.exceptions import HTTPException
from starlette.routing import Match

from service.api import refusals
from service.api.fields import Out
from service.domain.refusals import Clash, Fault, Forbidden, Gone, Refusal, Unfit, Unknown
from service.store.engine import Busy, Unreachable

log = logging.getLogger("tiedown.api")

PROBLEM_JSON = "application/problem+json"
MOST_FAULTS = 100
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
RETRY_AFTER_S = 1

# The first that fits counts, so what is special stands before what is general.
STATUSES: tuple[tuple[type[Refusal], HTTPStatus], ...] = (
    (refusals.BrokenJson, HTTPStatus.BAD_REQUEST),
    (refusals.BrokenRequest, HTTPStatus.BAD_REQUEST),
    (refusals.Unproven, HTTPStatus.UNAUTHORIZED),
    (Forbidden, HTTPStatus.FORBIDDEN),
    (refusals.NotHere, HTTPStatus.NOT_FOUND),
    (Unknown, HTTPStatus.NOT_FOUND),
    (refusals.MethodNotAllowed, HTTPStatus.METHOD_NOT_ALLOWED),
    (refusals.NotAcceptable, HTTPStatus.NOT_ACCEPTABLE),
    (refusals.BodyStalled, HTTPStatus.REQUEST_TIMEOUT),
    (Clash, HTTPStatus.CONFLICT),
    (Gone, HTTPStatus.GONE),
    (refusals.Stale, HTTPStatus.PRECONDITION_FAILED),
    (refusals.BodyTooLarge, HTTPStatus.REQUEST_ENTITY_TOO_LARGE),
    (refusals.UnsupportedMedia, HTTPStatus.UNSUPPORTED_MEDIA_TYPE),
    (Unfit, HTTPStatus.UNPROCESSABLE_ENTITY),
    (refusals.MissingPrecondition, HTTPStatus.PRECONDITION_REQUIRED),
    (refusals.InternalError, HTTPStatus.INTERNAL_SERVER_ERROR),
    (refusals.TooBusy, HTTPStatus.SERVICE_UNAVAILABLE),
    (refusals.DatabaseUnreachable, HTTPStatus.SERVICE_UNAVAILABLE),
    (refusals.OthersFirst, HTTPStatus.SERVICE_UNAVAILABLE),
    (refusals.CountsCutShort, HTTPStatus.SERVICE_UNAVAILABLE),
    (refusals.TooManyReaders, HTTPStatus.SERVICE_UNAVAILABLE),
)


class FaultOut(Out):
    """One thing wrong with a request."""

    detail: str = Field(description="What is wrong and what would be right.")
    pointer: str | None = Field(None, description="Where in the body: a JSON pointer as a URI fragment (RFC 6901).")
    place: str | None = Field(None, description="Where outside the body: `query limit`, `header If-Match`.")


class Problem(Out):
    """A refusal (RFC 9457). The facts of each type stand beside these members."""

    model_config = ConfigDict(extra="allow", frozen=True)

    type: str = Field(description="The stable name of the problem, a link to its description.")
    title: str = Field(description="The problem in short, the same each time.")
    status: int = Field(description="The HTTP status.")
    detail: str = Field(description="What happened this time, and what would be right.")
    errors: list[FaultOut] | None = Field(None, description="Each thing wrong with the request, 100 at most.")


def status_of(kind: type[Refusal]) -> HTTPStatus:
    """The HTTP status of a type of refusal."""
    return next(status for general, status in STATUSES if issubclass(kind, general))


def all_refusals(kind: type[Refusal] = Refusal) -> Iterator[type[Refusal]]:
    """Every type of refusal that is raised: the leaves of the family."""
    children = kind.__subclasses__()
    if not children:
        yield kind
    for child in children:
        yield from all_refusals(child)


def type_of(kind: type[Refusal]) -> str:
    """The `type` of a refusal's problem document."""
    return f"/problems/{kind.slug()}"


def title_of(kind: type[Refusal]) -> str:
    """The `title` of a refusal's problem document."""
    return kind.slug().replace("-", " ").capitalize()


def problem_of(refusal: Refusal) -> dict[str, Any]:
    """The members of a refusal's problem document."""
    kind = type(refusal)
    facts = dict(refusal.facts())
    faults: tuple[Fault, ...] = facts.pop("faults", ())
    if kind.POINTER is not None:
        faults = (Fault(str(refusal), pointer=f"#{kind.POINTER}"),)
    members: dict[str, Any] = {
        "type": type_of(kind),
        "title": title_of(kind),
        "status": int(status_of(kind)),
        "detail": str(refusal),
        **facts,
    }
    if faults:
        members["errors"] = [_fault(fault) for fault in faults[:MOST_FAULTS]]
    return members


def answer(refusal: Refusal) -> Response:
    """The HTTP response a refusal becomes."""
    status = status_of(type(refusal))
    # A refusal may quote what was sent, and halves of surrogate pairs have no UTF-8.
    content = to_json(problem_of(refusal), fallback=str, inf_nan_mode="strings")
    return Response(content, status_code=status, headers=dict(_headers(refusal)), media_type=PROBLEM_JSON)


def install(app: FastAPI) -> None:
    """Make every failure of *app* answer as a problem document."""
    app.add_exception_handler(Refusal, _refused)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Busy, _busy)
    app.add_exception_handler(Exception, _failed)


def _fault(fault: Fault) -> dict[str, str]:
    where = {"pointer": fault.pointer} if fault.pointer else {"place": fault.place}
    return {"detail": fault.detail, **where}


def _headers(refusal: Refusal) -> Iterator[tuple[str, str]]:
    match refusal:
        case refusals.MissingKey():
            yield "WWW-Authenticate", 'Bearer realm="tiedown"'
        case refusals.Unproven():
            yield "WWW-Authenticate", 'Bearer realm="tiedown", error="invalid_token"'
        case refusals.MethodNotAllowed(allowed=allowed):
            yield "Allow", ", ".join(allowed)
        case refusals.Stale(etag=etag) | refusals.MissingPrecondition(etag=etag):
            yield "ETag", etag
        case (
            refusals.TooBusy(retry_after_s=seconds)
            | refusals.DatabaseUnreachable(retry_after_s=seconds)
            | refusals.OthersFirst(retry_after_s=seconds)
            | refusals.CountsCutShort(retry_after_s=seconds)
            | refusals.TooManyReaders(retry_after_s=seconds)
        ):
            yield "Retry-After", str(seconds)
        case _:
            pass
    yield "Cache-Control", "no-store"


async def _refused(_request: Request, error: Exception) -> Response:
    if not isinstance(error, Refusal):
        raise error
    return answer(error)


async def _invalid(_request: Request, error: Exception) -> Response:
    if not isinstance(error, RequestValidationError):
        raise error
    return answer(refusals.InvalidRequest(tuple(fault_of(each) for each in error.errors()[:MOST_FAULTS])))


def fault_of(error: Mapping[str, Any]) -> Fault:
    """The fault that one of pydantic's errors describes; its `loc` begins with the place: body, query, path, header."""
    place, *path = error["loc"]
    match error["type"]:
        case "extra_forbidden":
            detail = "There is no field of this name here; /docs lists those there are."
        case "missing" if place == "body" and not path:
            detail = "A JSON body is needed."
        case "missing":
            detail = "This field is needed."
        case _:
            detail = str(error["msg"])
    if place == "body":
        return Fault(detail, pointer=pointer(*(each for each in path if each not in UNION_TAGS)))
    return Fault(detail, place=" ".join([str(place), *map(str, path)]))


# How pydantic names the branch of a body that may be one object or a list of them.
UNION_TAGS = ("<one>", "<list>")


def pointer(*path: str | int) -> str:
    """A JSON pointer as a URI fragment (RFC 6901, section 6)."""
    return "#" + "".join("/" + _token(step) for step in path)


def _token(step: str | int) -> str:
    return quote(str(step)[:200].replace("~", "~0").replace("/", "~1"), safe="~!$&'()*+,;=:@", errors="replace")


async def _http(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    path = request.scope["path"]
    match error.status_code:
        case HTTPStatus.NOT_FOUND:
            return answer(refusals.NotHere(path))
        case HTTPStatus.METHOD_NOT_ALLOWED:
            allowed = (*_allowed(request), "OPTIONS")
            if request.method == "OPTIONS":
                return Response(status_code=HTTPStatus.NO_CONTENT, headers={"Allow": ", ".join(allowed)})
            return answer(refusals.MethodNotAllowed(request.method, path, allowed))
        case _:
            return answer(refusals.BrokenRequest(error.detail))


def _allowed(request: Request) -> Iterator[str]:
    for method in METHODS:
        scope = {**request.scope, "method": "GET" if method == "HEAD" else method}
        if any(route.matches(scope)[0] is Match.FULL for route in request.app.router.routes):
            yield method


async def _busy(request: Request, error: Exception) -> Response:
    # Whoever asked can only wait; whoever keeps the service must learn what for.
    log.warning("the database took nothing", extra={"path": request.scope["path"], "error": str(error)})
    if isinstance(error, Unreachable):
        return answer(refusals.DatabaseUnreachable(RETRY_AFTER_S))
    return answer(refusals.TooBusy(RETRY_AFTER_S))


async def _failed(_request: Request, _error: Exception) -> Response:
    return answer(refusals.InternalError())
