"""Two who change one thing, each on what they last read, over a network that makes them send again."""

from dataclasses import dataclass
from uuid import uuid4

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.strategies import DataObject

from tests.api.conftest import Caller
from tests.api.test_doors import is_problem

EXAMPLES = 25
MOVES = 12


@dataclass
class Rival:
    """Somebody who holds a state of the stage and the last write they sent."""

    caller: Caller
    held: str
    sent: tuple[dict[str, str], dict[str, str]] | None = None
    answered: tuple[int, str] | None = None


@dataclass
class Stage:
    """What the stage must be: the name that stands and how often it was changed."""

    name: str
    rev: int = 1


@pytest.fixture
def pair(coordinator: Caller, admin: Caller) -> tuple[Caller, Caller]:
    return coordinator, admin


@settings(max_examples=EXAMPLES, derandomize=True)
@given(data=st.data())
def _play(pair: tuple[Caller, Caller], data: DataObject) -> None:
    code = f"s-{uuid4().hex}"
    path = f"/v1/stages/{code}"
    added = pair[0].post("/v1/stages", {"code": code, "name": "first"})
    stage = Stage("first")
    rivals = [Rival(caller, added.headers["ETag"]) for caller in pair]
    for move in data.draw(st.lists(st.tuples(st.sampled_from(rivals), st.integers(0, 2)), max_size=MOVES)):
        rival, kind = move
        if kind == 0:
            read = rival.caller.get(path, headers={"If-None-Match": rival.held})
            assert (read.status_code == 304) == (rival.held.split(".")[0] == f'"{stage.rev}')
            rival.held = read.headers["ETag"]
        elif kind == 1:
            _change(rival, stage, path, f"name {uuid4().hex}")
        elif rival.sent is not None:
            _again(rival, path)
    now = pair[1].get(path).json()
    assert (now["name"], now["rev"]) == (stage.name, stage.rev)


def _change(rival: Rival, stage: Stage, path: str, name: str) -> None:
    headers = {"If-Match": rival.held, "Idempotency-Key": uuid4().hex}
    response = rival.caller.send("PATCH", path, json={"name": name}, headers=headers)
    rival.sent, rival.answered = (headers, {"name": name}), None
    if rival.held.split(".")[0] != f'"{stage.rev}':
        current = is_problem(response, 412, "stale")["current"]
        assert (current["name"], current["rev"]) == (stage.name, stage.rev)
        return
    assert response.status_code == 200, response.text
    stage.name, stage.rev = name, stage.rev + 1
    rival.held = response.headers["ETag"]
    rival.answered = (response.status_code, response.text)


def _again(rival: Rival, path: str) -> None:
    """What was done is answered as the first time, whoever changed it since; what was refused is refused again."""
    assert rival.sent is not None
    headers, body = rival.sent
    response = rival.caller.send("PATCH", path, json=body, headers=headers)
    if rival.answered is None:
        is_problem(response, 412, "stale")
    else:
        assert (response.status_code, response.text) == rival.answered


def test_nobody_overwrites_what_they_have_not_seen_and_nothing_is_done_twice(pair: tuple[Caller, Caller]) -> None:
    _play(pair)
