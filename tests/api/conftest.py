"""A web application on a database of the test's own, and callers with keys of every scope."""

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi import FastAPI
from httpx import Response

from service.actions import keys, stages, terminals
from service.actions.keys import Wanted
from service.app import create_app
from service.domain.keys import Scope
from service.settings import Settings
from service.store.engine import Database
from tests.api.remembered import Remembered

with warnings.catch_warnings():
    # Starlette's client wants a successor of httpx that this project has no other use for.
    warnings.filterwarnings("ignore", message="Using `httpx` with `starlette.testclient`")
    from fastapi.testclient import TestClient

__all__ = ["Caller", "Clock", "TestClient"]


@dataclass
class Clock:
    """The server's clock, moved by hand."""

    now: datetime = field(default=datetime(2026, 3, 2, 10, 0, tzinfo=UTC))

    def __call__(self) -> datetime:
        return self.now

    def pass_time(self, **duration: float) -> None:
        self.now += timedelta(**duration)


@dataclass(frozen=True)
class Caller:
    """Sends requests with one key."""

    client: TestClient
    token: str

    def send(self, method: str, path: str, **options: object) -> Response:
        given: Any = {"headers": {}, **options}
        given["headers"] = {"Authorization": f"Bearer {self.token}", **given["headers"]}
        response: Response = self.client.request(method, path, **given)
        return response

    def get(self, path: str, **options: object) -> Response:
        return self.send("GET", path, **options)

    def post(self, path: str, body: object = None, **options: object) -> Response:
        return self.send("POST", path, json=body, **options)

    def change(self, path: str, body: object, **options: object) -> Response:
        """PATCH with the ETag the caller reads just before."""
        return self.send("PATCH", path, json=body, headers={"If-Match": self.get(path).headers["ETag"]}, **options)


@pytest.fixture(scope="session")
def remembered() -> Remembered:
    """The world of the documentation's examples, once a test of this run has made it."""
    return Remembered()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="session")
def apps() -> list[FastAPI]:
    """The first application that a test of this run asked for."""
    return []


@pytest.fixture
def app(database: Database, clock: Clock, apps: list[FastAPI]) -> FastAPI:
    made = create_app(Settings(body_limit_bytes=1_000_000), database, clock=clock)
    if not apps:
        apps.append(made)
    # An application works its routes out when they are first asked for, which takes longer than most tests; they hold
    # nothing of a test's own.
    made.router.routes[:] = apps[0].router.routes
    made.state.reference = apps[0].state.reference
    return made


@pytest.fixture
def client(app: FastAPI) -> Iterator[TestClient]:
    """A client without a key, which sees a failure of the service as other clients would."""
    with TestClient(app, raise_server_exceptions=False) as opened:
        yield opened


@pytest.fixture
def key(client: TestClient, database: Database, clock: Clock) -> Callable[..., Caller]:
    """Makes a caller whose key has a scope."""
    made = iter(range(1000))

    def make(scope: Scope, **binding: str | datetime) -> Caller:
        bound: Any = binding
        wanted = Wanted(name=f"{scope}-{next(made)}", scope=scope, **bound)
        with database.writing() as session:
            _, token = keys.make(session, wanted, by="command", now=clock())
        return Caller(client, token)

    return make


@pytest.fixture
def admin(key: Callable[..., Caller]) -> Caller:
    return key(Scope.ADMIN)


@pytest.fixture
def coordinator(key: Callable[..., Caller]) -> Caller:
    return key(Scope.COORDINATE)


@pytest.fixture
def reader(key: Callable[..., Caller]) -> Caller:
    return key(Scope.READ)


@pytest.fixture
def mill(database: Database, clock: Clock) -> str:
    """A stage with a terminal, `mill` and `mill-capture`."""
    with database.writing() as session:
        stage = stages.add(session, "mill", name="The Mill", by="command", now=clock())
        terminals.add(session, "mill-capture", stage=stage, by="command", now=clock())
    return "mill"


@pytest.fixture
def terminal(mill: str, key: Callable[..., Caller]) -> Caller:
    """The caller at the stage `mill`."""
    return key(Scope.COUNT, terminal=f"{mill}-capture")
