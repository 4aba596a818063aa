"""The documentation: openapi.json, a page to read it, a page of every problem. No network, no inline script."""

import html
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from http import HTTPStatus
from importlib import resources
from typing import Any

from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute
from starlette.responses import HTMLResponse

from service.api import refusals
from service.api.doors import Knock, etag_of, holds
from service.api.errors import PROBLEM_JSON, Problem, all_refusals, status_of, title_of, type_of
from service.api.examples import example_of, problems
from service.api.pages import InvalidCursor
from service.domain.events import MEANINGS
from service.domain.refusals import Refusal

router = APIRouter(include_in_schema=False)

# Swagger UI's own files, from a package that carries them.
ASSETS = {"swagger-ui.css": "text/css", "swagger-ui-bundle.js": "text/javascript"}
# Swagger UI styles elements as it draws them, and its icons are data.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; connect-src 'self'"
)
PAGE_POLICY = "default-src 'none'; style-src 'self'"
EVENT_STREAM = "text/event-stream"
METHODS_WITH_BODY = frozenset({"POST", "PUT", "PATCH"})

DESCRIPTION = """Shot status for a stop-motion studio: stage terminals post absolute frame counts, workers make figures
of them, coordinators plan and decide, anyone with a key reads.

Lengths and counts are in **frames** unless a field's name says otherwise (`_s`: seconds). Instants are written with
their offset (RFC 3339) and answered in UTC; a production day is a local date of the studio.

- **Keys**: `Authorization: Bearer td_…`. `admin` covers `coordinate`, which covers `read`; `count` stands alone.
- **Refusals** are problem documents (RFC 9457); every type is described at [/problems](/problems).
- **ETags** are `"rev.head.whose"`. A change names the state it changes with `If-Match`, which compares `rev`, and
  whose it is where the tag says so: whoever has `rev` from a list may write `"3.0"`. `If-None-Match` compares all.
- **Lists** come in pages: follow `next`, or the `Link` header (RFC 8288), until there is none.
- **The stream**, `GET /v1/stream`, tells what happens as it happens, as server-sent events (WHATWG HTML).
- **Idempotency-Key** on a write lets it be repeated for a week: it is done once, and its answer is given again.
  Counts need none, because terminal, spool and serial name each for ever.
"""

TAGS = [
    {
        "name": "studio",
        "description": "The studio: its zone and the hour its production days begin.",
    },
    {"name": "productions", "description": "Productions and their episodes."},
    {"name": "stages", "description": "Stages: spaces with set and camera that work independently."},
    {"name": "bookings", "description": "Bookings: what stages and animators are promised to, and what clashes."},
    {"name": "calendars", "description": "Calendars: the hours in which stages are worked on."},
    {"name": "terminals", "description": "Terminals: the capture computers beside the stages."},
    {"name": "keys", "description": "API keys: who may do what."},
    {"name": "shots", "description": "Shots: what is to be shot, and where."},
    {"name": "needs", "description": "Needs: what each shot needs before it can be dressed and shot."},
    {"name": "phases", "description": "Phases: where a shot is, what it waits for, and taking it on or back."},
    {"name": "sign-offs", "description": "Sign-offs: who said that something of a shot is as it should be."},
    {"name": "counts", "description": "Counts: what a stage terminal posts, and what waits for a shot."},
    {"name": "cuts", "description": "Cuts: an episode's cut lists, what each changes, and the lock."},
    {"name": "takes", "description": "Takes: what was shot, and what was decided of it."},
    {"name": "reports", "description": "Nightly reports: what a production day brought, kept by revisions."},
    {"name": "progress", "description": "Frames shot against frames planned, added up."},
    {
        "name": "occupancy",
        "description": "Occupancy: what stages are planned and used for, what is on them now, and when they are free.",
    },
    {"name": "deliveries", "description": "Deliveries: what became of each message to a watch."},
    {"name": "events", "description": "The log of everything that happened, by pages and as a stream."},
    {"name": "watches", "description": "Watches and notices: who hears of what."},
    {"name": "workers", "description": "Workers: what reads the log and makes figures of it."},
    {"name": "health", "description": "Whether the service lives and can do its work."},
]

# RFC 9110, section 8.8.3, without the letters beyond ASCII that it lets a tag have.
TAGS_SENT = r'^(\*|(W/)?"[!#-~]*"( *, *(W/)?"[!#-~]*")*)$'
IF_MATCH = {
    "name": "If-Match",
    "in": "header",
    "required": True,
    "description": "The ETag of the state you mean to change, or `*`. Its `rev` is compared, before the first dot, and "
    "whose it is, after the second.",
    "schema": {"type": "string", "pattern": TAGS_SENT},
    "example": '"3.0.5f1d2c3b"',
}
IF_NONE_MATCH = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "description": "The ETag of the state you hold; where nothing of it has changed the answer is 304.",
    "schema": {"type": "string"},
    "example": '"3.0.5f1d2c3b"',
}
IDEMPOTENCY_KEY = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": False,
    "description": "1 to 255 visible ASCII characters, new for each write; the same again gets the first answer.",
    "schema": {"type": "string", "pattern": "^[!-~]{1,255}$"},
    "example": "5f0c7b1e-7c1d-4c43-9a68-0f6f4c1f3a52",
}
NOT_MODIFIED = {"description": "Nothing has changed since the state named by `If-None-Match`."}


def _header(description: str, *, always: bool) -> dict[str, Any]:
    return {"description": description, "required": always, "schema": {"type": "string"}}


ETAG = {"ETag": _header("The validator of the state shown: `If-Match` and `If-None-Match` take it.", always=True)}
LOCATION = {"Location": _header("The path of what was added, where it has one.", always=False)}
LINK = {"Link": _header('The page that follows, `rel="next"` (RFC 8288); left out where none does.', always=False)}
REPLAYED = {
    "Idempotency-Replayed": _header("`true` where this is the answer kept for the Idempotency-Key.", always=False)
}
CHALLENGE = {"WWW-Authenticate": _header("How to prove who sends it (RFC 6750).", always=True)}
RETRY_AFTER = {"Retry-After": _header("Seconds to wait before trying again.", always=True)}


@dataclass(frozen=True)
class Reference:
    """The description of the API of *app*, whose operations are those of *routers*."""

    app: FastAPI
    routers: tuple[APIRouter, ...]

    @cached_property
    def document(self) -> dict[str, Any]:
        """The OpenAPI document."""
        document = get_openapi(
            title=self.app.title,
            version=self.app.version,
            summary="Shot status for a stop-motion studio",
            description=DESCRIPTION,
            routes=self.app.routes,
            tags=TAGS,
        )
        schemas = document["components"]["schemas"]
        schema = Problem.model_json_schema(ref_template="#/components/schemas/{model}", mode="serialization")
        schemas |= {**schema.pop("$defs"), "Problem": schema}
        schemas["EventKind"]["description"] = "\n".join(f"- `{kind}`: {told}" for kind, told in MEANINGS.items())
        for unused in ("HTTPValidationError", "ValidationError"):
            schemas.pop(unused, None)
        for router_ in self.routers:
            for route in router_.routes:
                if isinstance(route, APIRoute) and route.include_in_schema:
                    for method in route.methods or ():
                        _complete(document["paths"][route.path_format][method.lower()], route, method, schemas)
        document["components"]["examples"] = dict(sorted(_shared_examples(document["paths"])))
        return document

    @cached_property
    def content(self) -> bytes:
        """The OpenAPI document as JSON."""
        return json.dumps(self.document, ensure_ascii=False).encode()


def _complete(operation: dict[str, Any], route: APIRoute, method: str, schemas: dict[str, Any]) -> None:
    """Add to an operation what holds for all of its sort: headers, common refusals, the example of its body."""
    knock = next((each.call for each in route.dependant.dependencies if isinstance(each.call, Knock)), None)
    responses = operation["responses"]
    # The framework's own description of a refused request; ours is another.
    if "HTTPValidationError" in json.dumps(responses.get("422", {})):
        del responses["422"]
    _restore_examples(responses, route)
    # What has no end has no state either that somebody could hold.
    held = method == "GET" and EVENT_STREAM not in responses.get("200", {}).get("content", {})
    headers = list(_headers(knock, held=held, stales="412" in responses))
    if headers:
        operation.setdefault("parameters", []).extend(headers)
    _refuse(responses, _common(operation, knock, method, reads_json=route.body_field is not None))
    if knock is not None and held:
        responses["304"] = dict(NOT_MODIFIED)
    if knock is not None:
        names = {each["name"] for each in operation.get("parameters", ())}
        for status, answer in responses.items():
            if shown := _shown_headers(status, names, keeps_answers=knock.keeps_answers):
                answer["headers"] = shown
    for media in operation.get("requestBody", {}).get("content", {}).values():
        media.setdefault("example", _example(media["schema"], schemas))


def _shared_examples(paths: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Move the examples of problems, of which most operations show the same, to where each stands once."""
    for operations in paths.values():
        for operation in operations.values():
            for answer in operation["responses"].values():
                if shown := answer.get("content", {}).get(PROBLEM_JSON):
                    yield from shown["examples"].items()
                    shown["examples"] = {slug: {"$ref": f"#/components/examples/{slug}"} for slug in shown["examples"]}


def _restore_examples(responses: dict[str, Any], route: APIRoute) -> None:
    """Put the examples of answers back as they were given: the framework drops every null in them."""
    for status, given in route.responses.items():
        for kind, media in given.get("content", {}).items():
            shown = responses[str(status)]["content"][kind]
            shown |= {name: media[name] for name in ("example", "examples") if name in media}
            # Another status of success has the same form.
            if "schema" not in shown:
                shown["schema"] = responses[str(route.status_code or 200)]["content"][kind]["schema"]


def _headers(knock: Knock | None, *, held: bool, stales: bool) -> Iterator[dict[str, Any]]:
    if knock is None:
        return
    if held:
        yield IF_NONE_MATCH
    elif knock.keeps_answers:
        yield IDEMPOTENCY_KEY
    if stales:
        yield IF_MATCH


def _shown_headers(status: str, parameters: set[str], *, keeps_answers: bool) -> dict[str, Any]:
    """The headers of an answer of this status, to an operation with these parameters."""
    match status:
        case "200" | "201" if keeps_answers:
            added = LOCATION if status == "201" else {}
            paged = LINK if parameters & {"cursor", "after"} else {}
            return ETAG | added | paged | (REPLAYED if "Idempotency-Key" in parameters else {})
        case "304" | "412" | "428":
            return dict(ETAG)
        case "401":
            return dict(CHALLENGE)
        case "503":
            return dict(RETRY_AFTER)
        case _:
            return {}


def _common(
    operation: dict[str, Any], knock: Knock | None, method: str, *, reads_json: bool
) -> Iterator[type[Refusal]]:
    if knock is None:
        return
    yield from (refusals.MissingKey, refusals.UnknownKey, refusals.ExpiredKey, refusals.RevokedKey)
    yield refusals.ScopeTooNarrow if knock.role is None else refusals.RoleMissing
    if knock.studio_wide:
        yield refusals.BoundToProduction
    names = {each["name"] for each in operation.get("parameters", ())}
    if "requestBody" in operation:
        yield refusals.BodyTooLarge
    if reads_json:
        yield from (refusals.BrokenJson, refusals.UnsupportedMedia)
    if "requestBody" in operation or any(each["in"] != "path" for each in operation.get("parameters", ())):
        yield refusals.InvalidRequest
    if "cursor" in names:
        yield InvalidCursor
    if knock.keeps_answers and method in METHODS_WITH_BODY:
        yield refusals.IdempotencyKeyReused
    yield from (refusals.InternalError, refusals.TooBusy, refusals.DatabaseUnreachable)


def _refuse(responses: dict[str, Any], kinds: Iterable[type[Refusal]]) -> None:
    """Add refusals to the documented answers of an operation, beside those of the same status."""
    for status, answer in problems(*kinds).items():
        present = responses.setdefault(str(status), {"description": "", "content": {}})
        shown = present["content"].setdefault(PROBLEM_JSON, {**answer["content"][PROBLEM_JSON], "examples": {}})
        shown["examples"] = {**shown["examples"], **answer["content"][PROBLEM_JSON]["examples"]}
        present["description"] = "; ".join(each["summary"] for each in shown["examples"].values())


def _example(schema: dict[str, Any], schemas: dict[str, Any]) -> object:
    """The first example of a body's schema, found through references and, of several forms, in the first."""
    if "$ref" in schema:
        schema = schemas[schema["$ref"].rpartition("/")[2]]
    if "examples" in schema:
        return schema["examples"][0]
    for form in (*schema.get("oneOf", ()), *schema.get("anyOf", ())):
        return _example(form, schemas)
    return None


@router.get("/openapi.json")
def get_description(request: Request) -> Response:
    """The OpenAPI document."""
    reference: Reference = request.app.state.reference
    headers = {"ETag": etag_of(reference.content), "Cache-Control": "no-cache"}
    if holds(request, headers["ETag"]):
        return Response(status_code=HTTPStatus.NOT_MODIFIED, headers=headers)
    return Response(reference.content, headers=headers, media_type="application/json")


@router.get("/docs")
def get_page() -> Response:
    """The page that shows the OpenAPI document."""
    return HTMLResponse(DOCS_PAGE, headers={"Content-Security-Policy": POLICY})


@router.get("/docs/{name}")
def get_asset(name: str, request: Request) -> Response:
    """A file of the documentation page."""
    if name == "start.js":
        return Response(START, media_type="text/javascript")
    if name == "page.css":
        return Response(STYLE, media_type="text/css")
    if name not in ASSETS:
        raise refusals.NotHere(request.scope["path"])
    content = resources.files("fastapi_offline").joinpath("static", name).read_bytes()
    return Response(content, media_type=ASSETS[name], headers={"Cache-Control": "public, max-age=3600"})


@router.get("/problems")
def list_problems() -> Response:
    """The page of every type of problem."""
    kinds = sorted(set(all_refusals()), key=lambda kind: (status_of(kind), kind.slug()))
    entries = "".join(_described(kind) for kind in kinds)
    lead = "<p>What this service refuses it refuses with a problem document (RFC 9457) of one of these types.</p>"
    return _page("Problems", lead + entries)


@router.get("/problems/{name}")
def get_problem(name: str, request: Request) -> Response:
    """The page of one type of problem, to which its `type` points."""
    kind = next((each for each in all_refusals() if each.slug() == name), None)
    if kind is None:
        raise refusals.NotHere(request.scope["path"])
    return _page(title_of(kind), _described(kind) + '<p><a href="../problems">All problems</a></p>')


def _described(kind: type[Refusal]) -> str:
    example = html.escape(json.dumps(example_of(kind), indent=2, ensure_ascii=False, default=str))
    return (
        f'<section id="{kind.slug()}"><h2>{html.escape(title_of(kind))}</h2>'
        f"<p><code>{type_of(kind)}</code>, status {status_of(kind)}</p>"
        f"<p>{html.escape(kind.message())}</p><pre>{example}</pre></section>"
    )


def _page(title: str, content: str) -> Response:
    page = (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)} – Tiedown</title>'
        '<link rel="stylesheet" href="/docs/page.css"></head>'
        f"<body><h1>{html.escape(title)}</h1>{content}</body></html>"
    )
    return HTMLResponse(page, headers={"Content-Security-Policy": PAGE_POLICY})


DOCS_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Tiedown</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="docs/swagger-ui.css">
</head>
<body>
<div id="reference">
<noscript>This page needs JavaScript; what it shows is <a href="openapi.json">openapi.json</a>.</noscript>
</div>
<script src="docs/swagger-ui-bundle.js"></script>
<script src="docs/start.js"></script>
</body>
</html>
"""
START = """SwaggerUIBundle({
  url: "openapi.json",
  dom_id: "#reference",
  deepLinking: true,
  validatorUrl: null,
  tryItOutEnabled: false,
});
"""
STYLE = """body { font: 16px/1.5 sans-serif; max-width: 50rem; margin: 2rem auto; padding: 0 1rem; }
pre { background: #f3f3f3; padding: 0.75rem; overflow-x: auto; }
section { border-top: 1px solid #ccc; }
"""
