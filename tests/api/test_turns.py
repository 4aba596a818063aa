"""Turns of large bodies: who goes first, what is read when, who is asked to come again, and who waits for nobody."""

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import pytest
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api import turns as module
from service.api.refusals import OthersFirst
from service.api.turns import ARRIVED_AT, LARGE_BYTES, LONGEST_WAIT_S, LargeBodiesInTurn, Turns
from service.api.wire import BodyLimit

LIMIT_BYTES = 4 * LARGE_BYTES
ARRIVAL = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)


@dataclass
class Seconds:
    """A clock moved by hand."""

    now_s: float = 100.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Request:
    """One request: what was read of its body, and what was answered."""

    size: int
    key: str = "a"
    announced: bool = True
    stalls: bool = False
    read: int = 0
    status: int | None = None
    headers: dict[bytes, bytes] = field(default_factory=dict)

    @property
    def scope(self) -> dict[str, Any]:
        length = [(b"content-length", str(self.size).encode())] if self.announced else [(b"transfer-encoding", b"x")]
        headers = [*length, (b"authorization", self.key.encode())]
        return {"type": "http", "method": "POST", "path": "/v1/counts", "headers": headers}

    async def receive(self) -> Message:
        if self.stalls:
            await asyncio.Future()
        self.read += self.size
        return {"type": "http.request", "body": b"x" * self.size, "more_body": False}

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status, self.headers = message["status"], dict(message["headers"])


class House:
    """An application that answers when it is let, behind turns; it knows how many bodies it had at most."""

    def __init__(self, at_once: int, *, clock: Callable[[], float] | None = None) -> None:
        self.turns = Turns(at_once, clock=clock or Seconds())
        self.let = asyncio.Event()
        self.inside = self.most_inside = 0
        self.order: list[str] = []
        self.arrived: list[object] = []
        app: ASGIApp = BodyLimit(self._answer, LIMIT_BYTES)
        self.door = LargeBodiesInTurn(
            app, turns=self.turns, path="/v1/counts", limit_bytes=LIMIT_BYTES, now=lambda: ARRIVAL
        )

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        await receive()
        self.order.append(dict(scope["headers"])[b"authorization"].decode())
        self.arrived.append(scope.get(ARRIVED_AT))
        self.inside += 1
        self.most_inside = max(self.inside, self.most_inside)
        await self.let.wait()
        self.inside -= 1
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    def begin(self, request: Request) -> asyncio.Task[None]:
        return asyncio.create_task(self.door(request.scope, request.receive, request.send))


def run(story: Callable[[], Awaitable[None]]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(30):
            await story()

    asyncio.run(bounded())


async def settle() -> None:
    """Let every task go as far as it can."""
    for _ in range(50):
        await asyncio.sleep(0)


def test_turns_are_granted_first_come_first_served_and_no_more_bodies_are_read() -> None:
    async def story() -> None:
        house = House(2)
        requests = [Request(LARGE_BYTES + 1, key=str(number)) for number in range(12)]
        tasks = []
        for request in requests:
            tasks.append(house.begin(request))
            await settle()
        assert [request.read > 0 for request in requests] == [True] * 2 + [False] * 10
        assert house.turns.waiting == 10

        house.let.set()
        await asyncio.gather(*tasks)
        assert house.order == [request.key for request in requests]
        assert house.most_inside == 2
        assert {request.status for request in requests} == {200}
        assert set(house.arrived) == {ARRIVAL}

    run(story)


def test_a_small_body_passes_while_every_turn_is_taken() -> None:
    async def story() -> None:
        house = House(1)
        large = [house.begin(Request(LARGE_BYTES + 1, key=str(number))) for number in range(4)]
        await settle()
        small = Request(LARGE_BYTES, key="small")
        task = house.begin(small)
        await settle()
        assert house.order == ["0", "small"]
        house.let.set()
        await asyncio.gather(task, *large)
        assert small.status == 200

    run(story)


def test_a_body_of_no_announced_length_waits_like_a_large_one() -> None:
    async def story() -> None:
        house = House(1)
        first, second = Request(LARGE_BYTES + 1, key="first"), Request(10, key="second", announced=False)
        tasks = [house.begin(first), house.begin(second)]
        await settle()
        assert (first.read, second.read) == (first.size, 0)
        house.let.set()
        await asyncio.gather(*tasks)

    run(story)


def test_a_body_that_is_too_large_is_refused_without_a_turn() -> None:
    async def story() -> None:
        house = House(1)
        task = house.begin(Request(LARGE_BYTES + 1))
        await settle()
        endless = Request(LIMIT_BYTES + 1)
        await house.begin(endless)
        assert (endless.status, endless.read) == (413, 0)
        house.let.set()
        await task

    run(story)


def test_who_would_wait_too_long_is_asked_to_come_when_its_turn_comes_each_at_another_time() -> None:
    async def story() -> None:
        house = House(1)
        # By the first guess, a turn takes half a second.
        waiting = [house.begin(Request(LARGE_BYTES + 1, key=f"w{number}")) for number in range(11)]
        await settle()
        late = [Request(LARGE_BYTES + 1, key=str(number)) for number in range(40)]
        for request in late:
            await house.begin(request)
        asked_s = [int(request.headers[b"retry-after"]) for request in late]
        assert {(request.status, request.read) for request in late} == {(503, 0)}
        assert asked_s == sorted(asked_s)
        assert max(asked_s.count(each) for each in asked_s) <= 2
        assert asked_s[0] >= 1
        house.let.set()
        await asyncio.gather(*waiting)

    run(story)


def test_who_was_asked_to_come_again_goes_before_whoever_came_after() -> None:
    async def story() -> None:
        clock = Seconds()
        house = House(1, clock=clock)
        began = [house.begin(Request(LARGE_BYTES + 1, key=f"w{number}")) for number in range(11)]
        await settle()
        early = Request(LARGE_BYTES + 1, key="early")
        await house.begin(early)
        assert early.status == 503
        # Half of those before it are done by then, and new ones have come.
        for task in began[1:]:
            task.cancel()
        await settle()
        later = [house.begin(Request(LARGE_BYTES + 1, key=f"l{number}")) for number in range(3)]
        await settle()
        clock.now_s += int(early.headers[b"retry-after"])
        again = house.begin(Request(LARGE_BYTES + 1, key="early"))
        await settle()
        house.let.set()
        await asyncio.gather(began[0], again, *later)
        assert house.order == ["w0", "early", "l0", "l1", "l2"]

    run(story)


def test_a_place_is_not_kept_for_ever() -> None:
    async def story() -> None:
        clock = Seconds()
        turns = Turns(1, clock=clock)
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(turns.turn("holder"))
            turns._taken_s = 100 * LONGEST_WAIT_S
            for sender in ("gone", "other"):
                with pytest.raises(OthersFirst) as refused:
                    await stack.enter_async_context(turns.turn(sender))
            assert refused.value.retry_after_s == module.LONGEST_ASKED_S
            clock.now_s += module.LONGEST_ASKED_S + module.GRACE_S + 1
            turns._wait_s(10)
            assert turns._places == {}

    run(story)


def test_who_waits_and_goes_away_costs_nobody_a_turn() -> None:
    async def story() -> None:
        house = House(1)
        first = house.begin(Request(LARGE_BYTES + 1, key="first"))
        await settle()
        gone, stays = (house.begin(Request(LARGE_BYTES + 1, key=key)) for key in ("gone", "stays"))
        await settle()
        # The turn is granted and given up at one moment.
        house.let.set()
        gone.cancel()
        await asyncio.gather(first, stays)
        assert house.order == ["first", "stays"]
        await house.begin(Request(LARGE_BYTES + 1, key="next"))
        assert house.order[-1] == "next"

    run(story)


def test_whose_wait_took_too_long_after_all_is_asked_to_come_again_more_than_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same place may be given up and taken again; the turn then goes to whoever still waits."""

    async def story() -> None:
        house = House(1)
        first = house.begin(Request(LARGE_BYTES + 1, key="first"))
        await settle()
        monkeypatch.setattr(module, "LONGEST_WAIT_S", 0.0)
        house.turns._taken_s = 0.0
        for _ in range(3):
            hasty = Request(LARGE_BYTES + 1, key="hasty")
            await house.begin(hasty)
            assert (hasty.status, hasty.read) == (503, 0)
        monkeypatch.undo()
        again = house.begin(Request(LARGE_BYTES + 1, key="hasty"))
        await settle()
        house.let.set()
        await asyncio.gather(first, again)
        assert house.order == ["first", "hasty"]

    run(story)


def test_a_body_that_stops_coming_gives_its_turn_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "STALLED_S", 0.0)

    async def story() -> None:
        house = House(1)
        house.let.set()
        stalled = Request(LARGE_BYTES + 1, stalls=True)
        await house.begin(stalled)
        assert (stalled.status, stalled.headers[b"connection"]) == (408, b"close")
        monkeypatch.undo()
        following = Request(LARGE_BYTES + 1)
        await house.begin(following)
        assert following.status == 200

    run(story)
