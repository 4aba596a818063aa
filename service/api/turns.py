"""Turns of large bodies of counts.

With them two hundred terminals that come back at once neither fill the memory nor keep a single count waiting. A body
that has its turn is read and answered; one that waits is not read, and lies where its sender has it. Who would wait too
long is asked to come again when its turn should have come, and keeps its place: whoever was asked to come again goes
before whoever came after, so that nobody starves.
"""

import asyncio
import hashlib
import math
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.errors import answer
from service.api.refusals import BodyStalled, OthersFirst
from service.domain.refusals import Refusal

# A body of some fifty counts. What a stage posts while it works is far below, and never waits here.
LARGE_BYTES = 16 * 1024
# Terminals give up on an answer after 15 s, and a body they sent in vain would have been read in vain.
LONGEST_WAIT_S = 5.0
LONGEST_ASKED_S = 300
# How long the place of a sender is kept that does not come when it was asked to.
GRACE_S = 30.0
MOST_PLACES = 2000
FIRST_GUESS_S = 0.5
# How much the turn just over says of those to come.
WEIGHT = 0.1
# A network that died in the middle of a body must not hold a turn for hours.
STALLED_S = 10.0

ARRIVED_AT = "tiedown.arrived_at"


class Turns:
    """`at_once` turns, given in the order of arrival; for one event loop. `clock` counts seconds."""

    def __init__(self, at_once: int, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._at_once = at_once
        self._free = at_once
        self._clock = clock
        self._arrivals = 0
        self._waiting: dict[int, asyncio.Future[None]] = {}
        # By sender: its place in the order of arrival, and until when that is kept.
        self._places: dict[str, tuple[int, float]] = {}
        self._taken_s = FIRST_GUESS_S

    @property
    def waiting(self) -> int:
        """How many wait for a turn."""
        return len(self._waiting)

    @asynccontextmanager
    async def turn(self, sender: str) -> AsyncIterator[None]:
        """Have a turn until the block ends. Raises OthersFirst where it would not come soon; the place is then kept."""
        await self._take(sender)
        began_s = self._clock()
        try:
            yield
        finally:
            self._taken_s += WEIGHT * (self._clock() - began_s - self._taken_s)
            self._give_back()

    async def _take(self, sender: str) -> None:
        place = self._place(sender)
        if self._free:
            self._free -= 1
            return
        if self._wait_s(place) > LONGEST_WAIT_S:
            raise self._later(sender, place)
        granted = self._waiting[place] = asyncio.get_running_loop().create_future()
        try:
            # An estimate may be wrong, so the wait itself is bounded too.
            async with asyncio.timeout(2 * LONGEST_WAIT_S):
                await granted
        except BaseException as error:
            if self._waiting.pop(place, None) is None:
                # It was granted at the very moment this one gave up.
                self._give_back()
            if isinstance(error, TimeoutError):
                raise self._later(sender, place) from None
            raise

    def _give_back(self) -> None:
        if not self._waiting:
            self._free += 1
            return
        granted = self._waiting.pop(min(self._waiting))
        if not granted.done():
            granted.set_result(None)

    def _place(self, sender: str) -> int:
        place, until_s = self._places.pop(sender, (0, 0.0))
        if until_s >= self._clock():
            return place
        self._arrivals += 1
        return self._arrivals

    def _wait_s(self, place: int) -> float:
        """Seconds until the turn of this place, by how long turns took and how many are before it."""
        now_s = self._clock()
        self._places = {sender: kept for sender, kept in self._places.items() if kept[1] >= now_s}
        before = sum(each < place for each, _ in self._places.values())
        before += sum(each < place for each in self._waiting)
        return (before + 1) * self._taken_s / self._at_once

    def _later(self, sender: str, place: int) -> OthersFirst:
        wait_s = self._wait_s(place)
        # A little early, so that no turn stays free for want of whom to give it to.
        asked_s = min(max(math.ceil(wait_s - LONGEST_WAIT_S / 2), 1), LONGEST_ASKED_S)
        if len(self._places) < MOST_PLACES:
            self._places[sender] = (place, self._clock() + asked_s + GRACE_S)
        return OthersFirst(asked_s)


class LargeBodiesInTurn:
    """Lets requests to `path` with a body of more than LARGE_BYTES in by turns, and others as they come.

    The body is not read before its turn. `now` is the server's clock: a body counts as received when it arrived, since
    what it says of ages was reckoned then. More than `limit_bytes` are refused without a turn.
    """

    def __init__(self, app: ASGIApp, *, turns: Turns, path: str, limit_bytes: int, now: Callable[[], datetime]) -> None:
        self.app = app
        self.turns = turns
        self.path = path
        self.limit_bytes = limit_bytes
        self.now = now

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Wait for the turn where one is needed, then answer."""
        if scope["type"] != "http" or scope["method"] != "POST" or scope["path"] != self.path:
            await self.app(scope, receive, send)
            return
        announced = announced_bytes(scope)
        if announced is not None and not LARGE_BYTES < announced <= self.limit_bytes:
            await self.app(scope, receive, send)
            return
        scope[ARRIVED_AT] = self.now()
        try:
            async with self.turns.turn(_sender(scope)):
                await self.app(scope, _unstalled(receive), send)
        except OthersFirst as refusal:
            # Of an announced length what comes is passed over by the server; without one it might have no end.
            await _refuse(refusal, (scope, receive, send), close=announced is None)
        except BodyStalled as refusal:
            await _refuse(refusal, (scope, receive, send), close=True)


async def _refuse(refusal: Refusal, wire: tuple[Scope, Receive, Send], *, close: bool) -> None:
    response = answer(refusal)
    if close:
        response.headers["Connection"] = "close"
    await response(*wire)


def _unstalled(receive: Receive) -> Receive:
    """`receive` that raises BodyStalled where nothing of the body comes for STALLED_S."""
    whole = False

    async def received() -> Message:
        nonlocal whole
        if whole:
            return await receive()
        try:
            async with asyncio.timeout(STALLED_S):
                message = await receive()
        except TimeoutError:
            raise BodyStalled(STALLED_S) from None
        whole = not message.get("more_body", False)
        return message

    return received


def announced_bytes(scope: Scope) -> int | None:
    """The length a request announces for its body; None where it announces none."""
    headers = dict.fromkeys(name for name, _ in scope["headers"])
    if b"transfer-encoding" in headers:
        return None
    lengths = [value for name, value in scope["headers"] if name == b"content-length"]
    # Cut, because Python refuses to read thousands of digits.
    return max((int(value[:19]) for value in lengths if value.isdigit()), default=0)


def _sender(scope: Scope) -> str:
    """What tells a sender from others without keeping its key."""
    key = next((value for name, value in scope["headers"] if name == b"authorization"), b"")
    return hashlib.sha256(key).hexdigest()
