"""Requests made from the description of the API, valid ones and invalid ones, by schemathesis.

TIEDOWN_TEST_CASES is about how many are sent in all. They are the same in every run, and each operation meets a studio
of its own, whose things most requests are turned to: made-up codes name nothing, and go no deeper than a 404.
"""

import json
import os
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import unquote

import pytest
import schemathesis
from fastapi import FastAPI
from httpx import Response
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import Case, GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.transport import Response as Answer
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.store.engine import Database
from tests.api import rejections
from tests.api.conftest import Clock, TestClient
from tests.api.documented import DOCUMENT, EXAMPLES, OPERATIONS, Operation, World, world
from tests.api.remembered import Remembered

CASES = int(os.environ.get("TIEDOWN_TEST_CASES", "300"))
# Those without a key take no data, so few different requests to them can be made.
EACH = max(2, -(-CASES // sum(each.guarded for each in OPERATIONS)))
# Of so many requests some must succeed.
ENOUGH = 40
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
# What is taken as valid begins a stream, which ends with the reader alone.
ENDING = [each for each in OPERATIONS if each.name != "stream_follow"]
SCHEMA = schemathesis.openapi.from_dict(DOCUMENT)
SCHEMA.config.generation.update(with_security_parameters=False)


@dataclass
class Tally:
    """What became of the requests to one operation."""

    operation: str
    valid: Counter[str] = field(default_factory=Counter)
    invalid: Counter[str] = field(default_factory=Counter)
    listed: set[str] = field(default_factory=set)

    def told(self) -> str:
        return json.dumps(vars(self) | {"listed": sorted(self.listed)})


@dataclass(frozen=True)
class Real:
    """Which parts of a request are turned to what is there; by chance mostly all."""

    path: bool
    state: bool
    names: bool


MOSTLY = st.integers(0, 7).map(bool)
REAL = st.builds(Real, path=MOSTLY, state=MOSTLY, names=MOSTLY)


@pytest.mark.parametrize("operation", ENDING, ids=lambda each: each.name)
def test_what_is_described_is_what_happens(
    *,
    operation: Operation,
    app: FastAPI,
    client: TestClient,
    database: Database,
    clock: Clock,
    record_property: Callable[[str, object], None],
    remembered: Remembered,
) -> None:
    studio = world(app, client, database, clock, remembered=remembered)
    tally = Tally(operation.name)
    invalid = EACH // 3
    try:
        _fuzz(studio, operation, tally, mode=GenerationMode.NEGATIVE, times=invalid)
    except Unsatisfiable:
        # Nothing of it can be wrong: it takes no data but codes.
        invalid = 0
    _fuzz(studio, operation, tally, mode=GenerationMode.POSITIVE, times=EACH - invalid)
    record_property("schemathesis", tally.told())
    if EACH >= ENOUGH:
        assert any(status.startswith("2") for status in tally.valid), "nothing got past the door"


def _fuzz(studio: World, operation: Operation, tally: Tally, *, mode: GenerationMode, times: int) -> None:
    strategy = SCHEMA[operation.path][operation.method].as_strategy(generation_mode=mode)

    # What was sent changed the studio, so a request that failed cannot be made smaller by sending others.
    @settings(
        max_examples=times,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=[*HealthCheck],
    )
    @given(strategy, REAL)
    def send(case: Case[Any], real: Real) -> None:
        # A query has no objects, and a list of one value is sent as the value itself, of none not at all.
        assume(mode is GenerationMode.POSITIVE or not any(_alone(each) for each in (case.query or {}).values()))
        request = Request.of(case, real, studio, operation)
        response = request.send(studio)
        operation.check(response)
        case.validate_response(Answer.from_any(response), checks=CHECKS)
        if mode is GenerationMode.POSITIVE:
            tally.valid[str(int(response.status_code))] += 1
            _judge_valid(response, tally)
        else:
            tally.invalid[str(int(response.status_code))] += 1
            _judge_invalid(case, response, tally)

    send()


def _alone(value: object) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and len(value) <= 1)


def _judge_valid(response: Response, tally: Tally) -> None:
    if response.status_code < 400:
        return
    found, unlisted = rejections.refusals_of(response.json())
    tally.listed.update(found)
    assert not unlisted, f"{unlisted}: valid data was refused for no reason listed in {rejections.__file__}"


def _judge_invalid(case: Case[Any], response: Response, tally: Tally) -> None:
    if response.status_code >= 400:
        return
    made = str(getattr(case.meta.phase.data, "description", "")) if case.meta else ""
    asked = response.request
    ascii_alone = f"{unquote(str(asked.url))}{asked.content.decode()}".isascii()
    found = rejections.taken(tally.operation, made, ascii_alone=ascii_alone)
    tally.listed.update(found)
    assert found, f"{made}: invalid data was taken for no reason listed in {rejections.__file__}"


@dataclass(frozen=True)
class Request:
    """A generated request, turned to the studio."""

    method: str
    path: str
    headers: Mapping[str, str]
    rest: Mapping[str, Any]

    @classmethod
    def of(cls, case: Case[Any], real: Real, studio: World, operation: Operation) -> "Request":
        """The request of *case*; what was made wrong in it stays as it is."""
        wrong = {
            place.value
            for place, part in (case.meta.components if case.meta else {}).items()
            if part.mode is GenerationMode.NEGATIVE
        }
        sent = case.as_transport_kwargs(base_url=str(studio.client.base_url))
        headers = {name: str(value) for name, value in sent["headers"].items()}
        if operation.guarded:
            headers["Authorization"] = f"Bearer {studio.caller(operation).token}"
        path = sent["url"]
        if real.path and "path" not in wrong:
            path = studio.path(operation)
        if real.state and "header" not in wrong and "If-Match" in headers:
            headers["If-Match"] = studio.etag(operation) or "*"
        rest: dict[str, Any] = {}
        for place, name in (("query", "params"), ("body", "json")):
            if name in sent:
                known = {each: example for each, example in EXAMPLES.items() if each != operation.adds}
                if place == "query":
                    known |= _usual(operation) | operation.query
                rest[name] = _with_names(sent[name], known) if real.names and place not in wrong else sent[name]
        if "data" in sent:
            # No chance makes a text that means something.
            known_text = operation.body if real.names and "body" not in wrong else None
            rest["content"] = known_text if isinstance(known_text, str) else sent["data"]
        return cls(operation.method, path, headers, rest)

    def send(self, studio: World) -> Response:
        headers = {name: value.encode("utf-8") for name, value in self.headers.items()}
        response: Response = studio.client.request(self.method, self.path, headers=headers, **self.rest)
        return response


def _usual(operation: Operation) -> dict[str, Any]:
    """What free text in the query is where it is left out."""
    schemas = {name: parameter["schema"] for name, parameter in operation.parameters("query").items()}
    return {
        name: each["default"] for name, each in schemas.items() if "default" in each and each.get("type") == "string"
    }


def _with_names(value: Any, known: Mapping[str, Any]) -> Any:  # noqa: ANN401 -- any JSON
    """The value with what the studio has wherever a field is called as a thing it has, and whole numbers written so."""
    match value:
        case dict():
            return {
                name: known[name] if name in known and type(each) is type(known[name]) else _with_names(each, known)
                for name, each in value.items()
            }
        case list():
            return [_with_names(each, known) for each in value]
        case float() if value.is_integer():
            return int(value)
        case _:
            return value
