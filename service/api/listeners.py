"""One reader of the stream: what it is sent and when (WHATWG HTML, section 9.2), and how it is let go."""

import asyncio
import random
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass

import anyio
from pydantic import BaseModel, Field
from sse_starlette import EventSourceResponse, ServerSentEvent
from sse_starlette.sse import AppStatus, SendTimeoutError
from starlette.types import Receive, Scope, Send

from service.api.doors import Caller
from service.api.errors import answer
from service.api.fields import Out
from service.api.refusals import TooManyReaders
from service.api.tail import LOOK_S, PAUSE_S, Chunk, EndReason, Seat, Tail
from service.api.wire import HEAD_ASKED
from service.store.engine import Busy
from service.store.events import Sought

# Of a reader that takes nothing for so long the connection is given up, and at the end of the process after FAREWELL_S.
SEND_S = 30.0
FAREWELL_S = 0.3
# When a reader should come back, in milliseconds: each at another moment.
RETRY_MS = (500, 3000)
SEP = "\n"
COMMENT = b":\n\n"
FAREWELLS: Mapping[EndReason, str] = {
    EndReason.STOPPING: "This process ends: come back, here or to another, with the last id.",
    EndReason.PUT_BACK: "The log was put back to an earlier copy and ends before what was told: read what stands anew.",
}
# Where the server puts how to let go of a connection whose peer takes nothing.
LET_GO = "tiedown.let_go"


class PositionOut(Out):
    """How far the stream has come: where nothing is sent for what was asked, a reader goes on from here."""

    position: int = Field(description="The position in the log.")
    heartbeat_s: float = Field(description="Seconds after which something is heard, at the latest.")


class ResetOut(Out):
    """Some of what this reader asks for, and has not seen, was cleaned away."""

    cleaned_to: int = Field(description="The id of the last of these; the stream goes on after it.")
    head: int = Field(description="Where the log ends.")


class EndOut(Out):
    """The service ends the stream."""

    reason: EndReason = Field(description="Why.")
    detail: str = Field(description="What happened, and what to do.")


def block(event: str, out: BaseModel, *, position: int | None = None, retry_ms: int | None = None) -> bytes:
    """An event as it is sent."""
    id_ = None if position is None else str(position)
    sent = ServerSentEvent(out.model_dump_json(by_alias=True), event=event, id=id_, retry=retry_ms, sep=SEP)
    return sent.encode()


@dataclass(frozen=True, slots=True)
class Wish:
    """What a reader asks for: which events, and after which position; the log ended at `head` then."""

    sought: Sought
    position: int
    head: int


class Listener:
    """One reader of the stream: how far it has come, and whether it still may.

    `may` says why its key does not open the stream any more, None where it does; it is asked at every heartbeat.
    """

    def __init__(self, tail: Tail, wish: Wish, *, may: Callable[[], EndOut | None], heartbeat_s: float) -> None:
        self.seat: Seat
        self.wish = wish
        self._tail, self._may, self._heartbeat_s = tail, may, heartbeat_s
        # How far it has read, and which position the other side knows of.
        self._position = self._told = wish.position

    async def blocks(self) -> AsyncIterator[bytes]:
        """What is sent, for ever or until the service ends it."""
        yield self._said(retry_ms=random.randint(*RETRY_MS))  # noqa: S311 -- spreads, hides nothing
        beat_at = time.monotonic() + self._heartbeat_s
        while self.seat.end is None:
            if time.monotonic() < beat_at:
                if body := await self._more(beat_at):
                    yield body
                continue
            try:
                ended = await self._tail.aside(self._may)
            except Busy:
                # Nothing is told as long as it is not known whether it may be.
                yield COMMENT
                await self._pause(PAUSE_S)
                continue
            if ended is not None:
                yield block("end", ended)
                return
            # An event with data, since not every browser remembers the id of one without.
            yield self._said() if self._position > self._told else COMMENT
            beat_at = time.monotonic() + self._heartbeat_s
        yield block("end", EndOut(reason=self.seat.end, detail=FAREWELLS[self.seat.end]))

    async def _more(self, beat_at: float) -> bytes:
        """What comes next, nothing where nothing came in time."""
        chunk = self._tail.after(self._position, self.wish.sought)
        if chunk is None:
            return await self._caught_up()
        if chunk.reached == self._position:
            await self._tail.moved(self._position, self.seat, within_s=beat_at - time.monotonic())
            return b""
        return self._taken(chunk)

    async def _caught_up(self) -> bytes:
        """What the database has next."""
        try:
            page = await self._tail.page(self._position, self.wish.sought)
        except Busy:
            await self._pause(PAUSE_S)
            return b""
        before = b""
        if page.cleaned_to > self._position:
            self._position = self._told = page.cleaned_to
            missed = ResetOut(cleaned_to=page.cleaned_to, head=page.head)
            before = block("reset", missed, position=page.cleaned_to)
        chunk = Chunk.of(page.told, sought=self.wish.sought, reached=page.reached)
        if not before and chunk.reached == self._position:
            await self._pause(LOOK_S)
        return before + self._taken(chunk)

    def _taken(self, chunk: Chunk) -> bytes:
        self._position = chunk.reached
        self._told = chunk.last or self._told
        return chunk.body

    def _said(self, *, retry_ms: int | None = None) -> bytes:
        """How far it has come."""
        self._told = self._position
        out = PositionOut(position=self._position, heartbeat_s=self._heartbeat_s)
        return block("position", out, position=self._position, retry_ms=retry_ms)

    async def _pause(self, pause_s: float) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(pause_s):
                await self.seat.ending.wait()


class Stream(EventSourceResponse):
    """The answer that does not end, to a listener that has a seat; without one, a refusal."""

    def __init__(self, tail: Tail, listener: Listener, caller: Caller) -> None:
        # The library would watch for signals by itself; the server tells the tail.
        AppStatus.enable_automatic_graceful_drain = False
        headers = {"Cross-Origin-Resource-Policy": "same-origin", "X-Content-Type-Options": "nosniff"}
        super().__init__(listener.blocks(), headers=headers, ping=0, sep=SEP, send_timeout=SEND_S)
        self._tail, self._listener, self._caller = tail, listener, caller

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until the reader goes, takes nothing for long, or is to go."""
        if scope.get(HEAD_ASKED):
            await super().__call__({**scope, "method": "HEAD"}, receive, send)
            return
        try:
            with self._tail.seat(
                self._caller.key_id, key=self._caller.name, head=self._listener.wish.head
            ) as self._listener.seat:
                await self._sent(scope, receive, send)
        except TooManyReaders as refusal:
            await answer(refusal)(scope, receive, send)

    async def _sent(self, scope: Scope, receive: Receive, send: Send) -> None:
        with anyio.CancelScope() as sending:
            watch = asyncio.create_task(self._cut_off(scope, sending))
            try:
                await super().__call__(scope, receive, send)
            except SendTimeoutError:
                await let_go(scope)
            finally:
                # The end of the process waits for what was sent to be taken, too.
                if self._listener.seat.end is not EndReason.STOPPING:
                    watch.cancel()

    async def _cut_off(self, scope: Scope, sending: anyio.CancelScope) -> None:
        """Let go of a reader that takes not even the farewell, which would keep the process."""
        await self._listener.seat.ending.wait()
        await asyncio.sleep(FAREWELL_S)
        await let_go(scope)
        sending.cancel()


async def let_go(scope: Scope) -> None:
    """Drop the connection with all that is still on its way; its peer would take it for ever, or never."""
    if (drop := scope.get(LET_GO)) is not None:
        drop()
        await asyncio.sleep(0)
