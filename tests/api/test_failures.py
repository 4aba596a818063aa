"""What goes wrong answers as a problem, tells nothing of the inside, and leaves nothing half done."""

import re
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NoReturn
from urllib.parse import quote

import pytest
from fastapi import APIRouter, FastAPI
from fastapi.responses import PlainTextResponse
from httpx import Response
from psycopg.errors import DeadlockDetected
from sqlmodel import Session, func, select

from service.api.strict import MOST_TRIES, StrictRoute
from service.app import create_app
from service.domain.keys import Scope
from service.settings import Settings
from service.store import stages
from service.store.engine import Database
from service.store.tables import EpisodeRow, EventRow, IdempotencyRow, ProductionRow, ShotRow, StageRow
from tests.api.conftest import Caller, Clock, TestClient
from tests.api.scenes import add_shot, begin
from tests.api.test_doors import is_problem

ODD: list[str | bytes] = [
    "\x00",
    "a\x00b",
    "\ud800".encode("utf-8", "surrogatepass"),
    "..",
    "'; --",
    "\u202e",
    "9" * 400,
    "%",
    "x" * 3000,
]
BODIES: list[bytes] = [
    b"",
    b"null",
    b"[]",
    b"{}",
    b"[[]]",
    b'{"":""}',
    b'{"code":"\\u0000"}',
    b"[" * 5000,
    b"9" * 4999,
    b'"\\ud800"',
    b"\xff",
    b'{"code":{"code":{"code":1}}}',
    b"[null, true, 1e999]",
    b'{"__proto__": 1, "code": "x"}',
]


# What is there, so that a request gets past its path.
THERE = {"production": "lantern-bay", "episode": "101", "shot": "0120", "stage": "mill", "terminal": "mill-capture"}


def path_of(template: str, odd: str | bytes | None = None) -> str:
    """The path with *odd* in every place, or with what is there."""

    def filled(place: re.Match[str]) -> str:
        return THERE.get(place[1], "1") if odd is None else quote(odd, safe="")

    return re.sub(r"\{(\w+)\}", filled, template)


@pytest.fixture
def callers(key: Callable[..., Caller], terminal: Caller, database: Database, clock: Clock) -> list[Caller]:
    begin(database, clock)
    add_shot(database)
    return [key(Scope.ADMIN), terminal]


def test_no_operation_fails_on_hostile_requests(client: TestClient, callers: list[Caller]) -> None:
    sent = 0
    for template, methods in client.get("/openapi.json").json()["paths"].items():
        for method, operation in methods.items():
            names = [each["name"] for each in operation.get("parameters", ()) if each["in"] == "query"]
            # What is taken as valid would begin a stream, and HEAD is answered without.
            method_sent = "HEAD" if template == "/v1/stream" else method.upper()
            for caller in callers:
                for response in hostile(caller, method_sent, template, names=[*names, "other"]):
                    where = f"{method} {response.request.url}"
                    assert response.status_code < 500, f"{where}: {response.text}"
                    assert "Traceback" not in response.text, where
                    assert 'File "' not in response.text, where
                    sent += 1
                    if response.status_code == 403:
                        # Whoever may not do it is not let in, whatever is sent.
                        break
    assert sent > 500


def hostile(caller: Caller, method: str, template: str, *, names: Sequence[str]) -> Iterator[Response]:
    headers = {"Content-Type": "application/json", "If-Match": '"1.0"'}
    for odd in ODD if "{" in template else ODD[:1]:
        yield caller.send(method, path_of(template, odd), content=b"{}", headers=headers)
    path = path_of(template)
    if method in {"GET", "HEAD"}:
        yield caller.send(method, path)
        for name in names:
            yield caller.send(method, f"{path}?{name}=%00")
            yield caller.send(method, f"{path}?{name}=%ED%A0%80&{name}=9999999999999999999999")
        return
    for body in BODIES:
        yield caller.send(method, path, content=body, headers=headers)


def test_failure_of_the_service_says_nothing_of_its_inside(database: Database, reader: Caller) -> None:
    def stopped() -> NoReturn:
        raise ZeroDivisionError("the clock stopped")

    app = create_app(Settings(), database, clock=stopped)
    with TestClient(app, raise_server_exceptions=False) as client:
        response = Caller(client, reader.token).get("/v1/stages")
    is_problem(response, 500, "internal-error")
    assert "clock" not in response.text


@pytest.fixture
def impatient(database_url: str, clock: Clock) -> Iterator[TestClient]:
    """A service whose settings let it wait 0.2 s for another writer, and open one connection to read by."""
    settings = Settings(database_url=database_url, lock_timeout_s=0.2, pool_size=1)
    with TestClient(create_app(settings, clock=clock)) as client:
        yield client


def test_busy_database_is_503_with_a_time(
    database: Database, coordinator: Caller, impatient: TestClient, mill: str
) -> None:
    with database.writing() as session:
        stages.by_code(session, mill, lock=True)
        caller = Caller(impatient, coordinator.token)
        response = caller.send("PATCH", f"/v1/stages/{mill}", json={"name": "Old"}, headers={"If-Match": "*"})
        is_problem(response, 503, "too-busy")
        assert response.headers["Retry-After"] == "1"
        assert caller.get(f"/v1/stages/{mill}").status_code == 200
    assert coordinator.get(f"/v1/stages/{mill}").json()["name"] == "The Mill"


def test_no_more_connections_are_opened_than_the_settings_say(reader: Caller, impatient: TestClient) -> None:
    caller = Caller(impatient, reader.token)
    opened: Database = impatient.app.state.database  # type: ignore[attr-defined]  # the framework's app, as any ASGI app
    with opened.reading():
        is_problem(caller.get("/v1/stages"), 503, "too-busy")
    assert caller.get("/v1/stages").status_code == 200


def test_refused_write_leaves_nothing(database: Database, coordinator: Caller) -> None:
    def tables(session: Session) -> Counter[str]:
        rows = (ProductionRow, EpisodeRow, ShotRow, StageRow, EventRow, IdempotencyRow)
        return Counter({row.__name__: session.exec(select(func.count()).select_from(row)).one() for row in rows})

    coordinator.post("/v1/productions", {"code": "p", "title": "P", "frame_rate": "25/1"})
    with database.reading() as session:
        before = tables(session)
    refused = coordinator.post(
        "/v1/productions/p/shots",
        [{"code": "a", "episode": "1", "cut_frames": 1}, {"code": "b", "episode": "2", "cut_frames": 1}],
        headers={"Idempotency-Key": "k"},
    )
    assert refused.status_code == 422
    with database.reading() as session:
        assert tables(session) == before


def at_once(number: int, send: Callable[[], Response]) -> list[Response]:
    """The answers to *number* requests that start together."""
    gate = threading.Barrier(number)

    def wait_and_send(_: int) -> Response:
        gate.wait()
        return send()

    with ThreadPoolExecutor(number) as pool:
        return list(pool.map(wait_and_send, range(number)))


def test_one_of_many_writers_gets_the_name(coordinator: Caller) -> None:
    answers = at_once(6, lambda: coordinator.post("/v1/stages", {"code": "mill", "name": "The Mill"}))
    assert sorted(answer.status_code for answer in answers) == [201, 409, 409, 409, 409, 409]
    assert len(coordinator.get("/v1/stages").json()["items"]) == 1


def test_same_write_at_the_same_moment_is_done_once(coordinator: Caller) -> None:
    key = {"Idempotency-Key": "k"}
    answers = at_once(6, lambda: coordinator.post("/v1/stages", {"code": "mill", "name": "The Mill"}, headers=key))
    assert {(answer.status_code, answer.content) for answer in answers} == {(201, answers[0].content)}
    assert sum("Idempotency-Replayed" in answer.headers for answer in answers) == 5


def test_one_of_many_changes_of_a_state_is_made(coordinator: Caller, mill: str) -> None:
    tag = {"If-Match": '"1.0"'}
    answers = at_once(6, lambda: coordinator.send("PATCH", f"/v1/stages/{mill}", json={"name": "Old"}, headers=tag))
    assert sorted(answer.status_code for answer in answers) == [200, 412, 412, 412, 412, 412]


def test_one_of_many_first_settings_of_the_studio_is_made(admin: Caller) -> None:
    body = {"name": "Tin Pier", "time_zone": "UTC", "day_starts_at": "05:00"}
    answers = at_once(6, lambda: admin.send("PUT", "/v1/studio", json=body))
    assert Counter(answer.status_code for answer in answers)[200] == 1
    assert {answer.status_code for answer in answers} <= {200, 409, 428}
    assert admin.get("/v1/studio").json()["rev"] == 1


@pytest.mark.parametrize(("failures", "status"), [(0, 200), (MOST_TRIES - 1, 200), (MOST_TRIES, 500)])
def test_unit_of_work_runs_again_after_a_deadlock(failures: int, status: int) -> None:
    tried = []
    router = APIRouter(route_class=StrictRoute)

    @router.post("/work")
    def work(body: dict[str, int]) -> PlainTextResponse:
        tried.append(body)
        if len(tried) <= failures:
            raise DeadlockDetected
        return PlainTextResponse("done")

    app = FastAPI()
    app.include_router(router)
    with TestClient(app, raise_server_exceptions=False) as client:
        assert client.post("/work", json={"a": 1}).status_code == status
    assert tried == [{"a": 1}] * min(failures + 1, MOST_TRIES)
