"""The world the documentation's examples speak of, and every operation as the application itself describes it.

Nothing here lists operations: whoever adds one gives its parameters and its body examples, and `World` what they name.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI
from fastapi.routing import APIRoute, iter_route_contexts
from httpx import Response
from jsonschema import Draft202012Validator
from sqlmodel import col, select

from service.actions import keys, notices
from service.actions.deliveries import claim, settle
from service.actions.keys import Wanted
from service.api.doors import Knock
from service.app import openapi
from service.domain.channels import Receipt
from service.domain.keys import Scope
from service.domain.notices import Notice, NoticeKind
from service.store import catalogue, cursors, editions, kept
from service.store.catalogue import Entry
from service.store.cursors import CursorKey
from service.store.engine import Database
from service.store.kept import Shelf
from service.store.tables import DeliveryRow
from tests.api.conftest import Caller, Clock, TestClient
from tests.api.remembered import Remembered
from tests.api.scenes import PRODUCTION, add_stage, begin, catch_up, correct, count, decide, report

DOCUMENT = openapi()
CUTS = f"/v1/productions/{PRODUCTION}/episodes/101/cuts"
STEP = re.compile(r"\{\w+\}")
JSON, PROBLEM = "application/json", "application/problem+json"


@dataclass(frozen=True)
class Operation:
    """One operation, as the document describes it."""

    method: str
    path: str
    described: Mapping[str, Any] = field(repr=False)

    @property
    def name(self) -> str:
        return str(self.described["operationId"])

    @property
    def guarded(self) -> bool:
        return "security" in self.described

    @property
    def writes(self) -> bool:
        return self.method != "GET"

    def parameters(self, place: str) -> dict[str, dict[str, Any]]:
        """The parameters in this place (`path`, `query`, `header`) by name."""
        return {each["name"]: each for each in self.described.get("parameters", ()) if each["in"] == place}

    @property
    def media(self) -> str | None:
        """The media type of the body, the first of several; None where the operation takes none."""
        taken = self.described.get("requestBody")
        return None if taken is None else next(iter(taken["content"]))

    @property
    def body(self) -> Any:  # noqa: ANN401 -- any JSON, or text
        """The example of the body, None where the operation takes none."""
        return None if self.media is None else self.described["requestBody"]["content"][self.media]["example"]

    @property
    def query(self) -> dict[str, str]:
        """The examples of the query parameters that must be given."""
        return {
            name: str((each["schema"].get("examples") or resolved(each["schema"])["enum"])[0])
            for name, each in self.parameters("query").items()
            if each.get("required")
        }

    @property
    def success(self) -> int:
        return min(int(status) for status in self.described["responses"] if status.startswith("2"))

    @property
    def subject(self) -> str | None:
        """The path of the one thing a write acts on; None where it adds to a list or to what has no path of its own."""
        if not self.writes:
            return None
        if self.method in {"PUT", "PATCH", "DELETE"}:
            return self.path
        steps = self.path.split("/")
        named = max((place for place, step in enumerate(steps) if step.startswith("{")), default=None)
        # What can be read at the same path is a list, and this adds to it; unless it changes what has the list.
        if named is None or ("get" in DOCUMENT["paths"][self.path] and "If-Match" not in self.parameters("header")):
            return None
        return "/".join(steps[: named + 1])

    @property
    def adds(self) -> str | None:
        """What names the thing a write adds, as it is called in the path to it; None where it adds none."""
        below = (path.removeprefix(f"{self.path}/") for path in DOCUMENT["paths"])
        return next((step.strip("{}") for step in below if self.method == "POST" and STEP.fullmatch(step)), None)

    @property
    def lists(self) -> bool:
        """Whether it reads a list: its answer holds `items`."""
        if self.writes or not self.guarded:
            return False
        content = self.described["responses"]["200"]["content"]
        schema = content[JSON]["schema"] if JSON in content else {}
        return "items" in resolved(schema).get("properties", {})

    def problems(self, status: int) -> set[str]:
        """The types of problem that are documented for a status."""
        answer = self.described["responses"].get(str(status), {})
        return {f"/problems/{slug}" for slug in answer.get("content", {}).get(PROBLEM, {}).get("examples", {})}

    def check(self, response: Response) -> None:
        """Assert that an answer is one the document describes: status, headers, type, shape, type of problem."""
        where = f"{self.method} {response.request.url}: {response.status_code} {response.text[:500]}"
        answer = self.described["responses"].get(str(response.status_code))
        assert answer is not None, where
        for name, header in answer.get("headers", {}).items():
            assert name in response.headers or not header["required"], f"{name} is missing: {where}"
        if response.status_code == 304:
            assert response.content == b"", where
            return
        kind = response.headers["Content-Type"].partition(";")[0]
        assert kind in answer["content"], where
        schema = {**answer["content"][kind]["schema"], "components": DOCUMENT["components"]}
        Draft202012Validator(schema).validate(response.json() if kind in {JSON, PROBLEM} else response.text)
        if kind == PROBLEM:
            assert response.json()["type"] in self.problems(response.status_code), where


def resolved(schema: Mapping[str, Any]) -> Mapping[str, Any]:
    """What a schema refers to, else the schema."""
    if "$ref" in schema:
        found: Mapping[str, Any] = DOCUMENT["components"]["schemas"][schema["$ref"].rpartition("/")[2]]
        return found
    return schema


OPERATIONS = [
    Operation(method.upper(), path, described)
    for path, methods in DOCUMENT["paths"].items()
    for method, described in methods.items()
]
EXAMPLES = {
    name: parameter["schema"]["examples"][0]
    for operation in OPERATIONS
    for name, parameter in operation.parameters("path").items()
}
BY_NAME = {each.name: each for each in OPERATIONS}


@dataclass(frozen=True)
class World:
    """What the examples name, on a database of its own, and a caller for each operation."""

    client: TestClient
    app: FastAPI
    callers: Mapping[Scope, Caller]
    waiting: int

    def caller(self, operation: Operation) -> Caller:
        """Who may do it: an administrator where possible, else the terminal."""
        return self.callers[Scope.ADMIN if self.scopes[operation.name] - {Scope.COUNT} else Scope.COUNT]

    @cached_property
    def scopes(self) -> dict[str, set[Scope]]:
        """The scopes each operation asks for, by the operation's name."""
        asked: dict[str, set[Scope]] = {}
        for context in iter_route_contexts(self.app.routes):
            route = context.original_route
            if isinstance(route, APIRoute) and route.operation_id:
                knocks = [each.call for each in route.dependant.dependencies if isinstance(each.call, Knock)]
                asked[route.operation_id] = {scope for knock in knocks for scope in knock.scopes}
        return asked

    def path(self, operation: Operation, template: str | None = None, **instead: str) -> str:
        """A path to what the examples name; `instead` names something else."""
        values = {name: str(example) for name, example in EXAMPLES.items()} | {"count": str(self.waiting)} | instead
        path = template or operation.path
        for name, value in values.items():
            path = path.replace(f"{{{name}}}", quote(value, safe=""))
        return path

    def etag(self, operation: Operation) -> str | None:
        """The ETag of what a write acts on, as a read of it gives it; None where that cannot be read."""
        if operation.subject is None or "get" not in DOCUMENT["paths"].get(operation.subject, {}):
            return None
        return str(self.caller(operation).get(self.path(operation, operation.subject)).headers["ETag"])

    def body(self, operation: Operation) -> Any:  # noqa: ANN401 -- any JSON
        """The example of the body, in which what it adds is called as nothing is yet."""
        body = json.loads(json.dumps(operation.body))
        if operation.adds is not None and isinstance(body, dict):
            named = str(EXAMPLES[operation.adds])
            body = {name: f"{value}-new" if value == named else value for name, value in body.items()}
        return body

    def send(self, operation: Operation, *, headers: Mapping[str, str] | None = None, **options: Any) -> Response:  # noqa: ANN401 -- passed through
        """The documented example of an operation, `options` (`body`, `path`, `params`, `caller`) replacing parts."""
        given = dict(headers or {})
        if "If-Match" in operation.parameters("header") and "If-Match" not in given:
            given["If-Match"] = self.etag(operation) or "*"
        body = options.pop("body", self.body(operation))
        caller: Caller = options.pop("caller", self.caller(operation) if operation.guarded else Caller(self.client, ""))
        path = options.pop("path", self.path(operation))
        sent: dict[str, Any] = {} if body is None else {"json": body}
        if isinstance(body, str):
            sent = {"content": body.encode()}
            given.setdefault("Content-Type", operation.media or "")
        # What a link says already holds its query.
        asked = {} if "?" in path else {"params": {**operation.query, **options.pop("params", {})}}
        headers = {name: value for name, value in given.items() if value}
        return caller.send(operation.method, path, headers=headers, **sent, **asked, **options)


def world(app: FastAPI, client: TestClient, database: Database, clock: Clock, *, remembered: Remembered) -> World:
    """The studio of the examples: `lantern-bay` with its shot `0120`, two takes counted at `mill`, two counts waiting.

    Its episode `101` has a locked cut and a draft. Of everything there are two, so that every list has a second page.
    """
    if remembered.rows:
        with database.writing() as session:
            remembered.put_back(session)
        callers = {scope: Caller(client, token) for scope, token in remembered.tokens.items()}
        return World(client, app, callers, remembered.waiting)
    made = _made(app, client, database, clock)
    remembered.tokens = {scope: caller.token for scope, caller in made.callers.items()}
    remembered.waiting = made.waiting
    with database.reading() as session:
        remembered.take(session)
    return made


def _made(app: FastAPI, client: TestClient, database: Database, clock: Clock) -> World:
    begin(database, clock)
    for stage in ("mill", "harbour"):
        add_stage(database, clock, stage)
    callers = dict(_callers(client, database, clock))
    office, terminal = callers[Scope.ADMIN], callers[Scope.COUNT]
    studio, key, shot = (BY_NAME[name].body for name in ("studio_set", "key_make", "shot_add"))
    counted = [count(1, 40, animator="Ilse"), count(2, 96, take=2)]
    finished = [count(4 + take, 20 + take, shot="0130", take=take, outcome="finished") for take in (1, 2)]
    lost = [count(3, 12, shot="0125"), count(4, 13, shot="0125")]
    for response in (
        office.send("PUT", "/v1/studio", json=studio),
        office.post("/v1/keys", key),
        office.post("/v1/productions", {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"}),
        office.post(f"/v1/productions/{PRODUCTION}/episodes", {"code": "102", "title": "Two"}),
        office.post(f"/v1/productions/{PRODUCTION}/shots", [shot, {**shot, "code": "0130", "episode": "102"}]),
        office.send("PUT", f"/v1/productions/{PRODUCTION}/shots/0120/needs", json={"set": "mill-kitchen"}),
        tabled(office),
        tabled(office),
        office.send("PUT", "/v1/studio/calendar", json={"hours": {}}),
        office.send("PUT", "/v1/stages/mill/calendar", json={}),
        office.post("/v1/bookings", {**BY_NAME["booking_make"].body, "firmness": "pencilled"}),
        *(
            office.post("/v1/bookings", {**BY_NAME["booking_make"].body, "stage": "harbour", "animator": None})
            for _ in range(3)
        ),
        office.post("/v1/stages/mill/log", {"kind": "call", "at": "2026-03-02T08:00:00Z"}),
        office.post("/v1/stages/mill/log", {"kind": "wrap", "at": "2026-03-02T09:00:00Z"}),
        terminal.post("/v1/counts", {"spool": "first", "counts": [*counted, *lost, *finished]}),
        decide(office, 1, "reject"),
        *(noted(office, text) for text in ("hold the look", "the left hand is lovely")),
        correct(office, 1, frames_total=39),
        correct(office, 1, frames_total=40),
        *_moved(office),
        drafted(office),
        office.send("POST", f"{CUTS}/1/lock", headers={"If-Match": "*"}),
        drafted(office),
        *(
            office.post(
                "/v1/watches",
                {
                    "name": name,
                    "hears": [{"kind": kind}],
                    "channel": "webhook",
                    "target": {"url": "https://hooks.studio.example/tiedown"},
                },
            )
            for name, kind in ((str(EXAMPLES["watch"]), "approved"), ("mill-reports", "report ready"))
        ),
    ):
        assert response.is_success, response.text
    catch_up(database, clock)
    report(database, clock, nights=3)
    _keep(database, clock)
    _deliver(database, clock)
    waiting, *_ = office.get("/v1/counts/unmatched").json()["items"]
    return World(client, app, callers, waiting["id"])


def _keep(database: Database, clock: Clock) -> None:
    """A stranger's worker with two rows in a table of its own."""
    lamps = Entry(
        worker="lamp-hours",
        version=1,
        distribution="lamp-hours",
        state="loaded",
        error=None,
        events=("stage.called",),
        tables={"stage-days": "The seconds that a stage's lamps were on."},
        settings_schema={"type": "object"},
    )
    rows = {f"mill/2026-03-0{day}": (None, {"lamps_on_s": 3600}) for day in (1, 2)}
    with database.writing() as session:
        catalogue.record(session, "mill-server", [lamps], now=clock(), forget_before=clock())
        for asked_by in (None, "office"):
            wanted = editions.planned(session, "lamp-hours", 1, kinds=(), rebuilds=False, asked_by=asked_by)
            editions.begin(session, wanted, now=clock())
        key = CursorKey("lamp-hours", 1, "all")
        cursors.add(session, key, batch_limit=500)
        for event_id in (1, 2):
            cursors.quarantine(session, key, event_id=event_id, attempts=5, error="KeyError: 'reel'", now=clock())
        kept.keep(session, Shelf("lamp-hours", 1, "stage-days"), position=1, rows=rows)


def _deliver(database: Database, clock: Clock) -> None:
    """Two messages to the example's watch, of which the example's failed once."""
    with database.writing() as session:
        for message_id in (str(EXAMPLES["delivery"]), "msg_other"):
            told = Notice(kind=NoticeKind.APPROVED, subject="shot/1", occasion=message_id, since=clock())
            notices.raise_all(session, [told], worker="notices", now=clock())
            row = session.exec(select(DeliveryRow).order_by(col(DeliveryRow.id).desc())).first()
            assert row is not None
            row.message_id = message_id
            session.flush()
        (claimed,) = claim(session, owner="engine", now=clock(), at_once=1, under_way={})
        settle(session, claimed, Receipt.FAILED, detail="away", status=503, retry_after_s=None, now=clock())


def noted(office: Caller, text: str) -> Response:
    """A note on the example's take."""
    return office.post(f"/v1/productions/{PRODUCTION}/shots/0120/takes/2/notes", {"text": text})


def _moved(office: Caller) -> Iterator[Response]:
    """The shot `0120` once on and once back, with two sign-offs."""
    shot, named = f"/v1/productions/{PRODUCTION}/shots/0120", {"If-Match": "*"}
    on = {"to": "set dressing", "override": True, "reason": "the kitchen stands"}
    for body in (on, {"to": "planning", "cause": "story"}):
        yield office.post(f"{shot}/moves", body, headers=named)
    for matter in ("set approved", "dialogue cut in"):
        yield office.post(f"{shot}/signoffs", {"matter": matter, "signer": "Ada Quill"}, headers=named)


def drafted(office: Caller) -> Response:
    """The example's cut list, as one more draft."""
    example = BY_NAME["cut_draft"]
    headers = {"Content-Type": example.media or ""}
    return office.send("POST", CUTS, content=example.body.encode(), params=example.query, headers=headers)


def tabled(office: Caller) -> Response:
    """The example's table of needs, as one more draft."""
    example = BY_NAME["needs_draft_add"]
    headers = {"Content-Type": example.media or ""}
    path = f"/v1/productions/{PRODUCTION}/needs/drafts"
    return office.send("POST", path, content=example.body.encode(), headers=headers)


def _callers(client: TestClient, database: Database, clock: Clock) -> Iterator[tuple[Scope, Caller]]:
    for scope in Scope:
        wanted = Wanted(name=f"own-{scope}", scope=scope, terminal="mill-capture" if scope is Scope.COUNT else None)
        with database.writing() as session:
            _, token = keys.make(session, wanted, by="command", now=clock())
        yield scope, Caller(client, token)
