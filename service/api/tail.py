"""The end of the log, as all readers of the stream in one process share it.

One look at the database, a few times a second and only while somebody reads, serves them all. What is new is kept in a
ring of bounded size, from which each reader takes by its own position; a reader holds no thread, no connection and no
queue. One whom the ring has left behind reads pages of the database until it has caught up.
"""

import asyncio
import logging
import random
from bisect import bisect_right
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from itertools import islice
from typing import Protocol, TypeVar

import anyio.to_thread

from service.api.refusals import TooManyReaders
from service.domain.events import Event
from service.store.engine import Busy
from service.store.events import Sought

log = logging.getLogger("tiedown.stream")

LOOKING = "look at the end of the log"
LOOK_S = 0.25
# While the database does not answer.
PAUSE_S = 1.0
RING_EVENTS = 1000
RING_BYTES = 4 * 1024 * 1024
# What is on its way to a reader: with what the server and the system hold of it, all that a slow one costs.
CHUNK_BYTES = 64 * 1024
# Readers who catch up leave the other threads and connections to everybody else.
THREADS = 3
EVERYTHING = Sought()

Found = TypeVar("Found")


class EndReason(StrEnum):
    """Why the service ends a stream."""

    STOPPING = "stopping"
    PUT_BACK = "log put back"
    REVOKED = "key revoked"
    EXPIRED = "key expired"
    ROTATED = "key rotated"
    COOKIE = "cookie ran out"


@dataclass(frozen=True, slots=True)
class Told:
    """An event of the log, and how it is sent."""

    event: Event
    block: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What was sought in a part of the log after some position.

    It reaches to the position `reached`, and the log to `head`; `cleaned_to` is the last of them that was cleaned away.
    """

    told: tuple[Told, ...]
    reached: int
    cleaned_to: int
    head: int


class Read(Protocol):
    """Reads the log after a position; in a thread that may wait. Raises Busy."""

    def __call__(self, position: int, sought: Sought) -> Page:
        """The page after a position; its events are at most CHUNK_BYTES and one event more."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """What a reader is sent at once: blocks, the position of the last of them, and the position it has then."""

    body: bytes
    last: int
    reached: int

    @classmethod
    def of(cls, told: Iterable[Told], *, sought: Sought, reached: int) -> "Chunk":
        """What is sought of these events, which reach to a position; not more at once than a reader should hold."""
        blocks: list[bytes] = []
        size, last = 0, 0
        for each in told:
            if not sought.takes(each.event):
                continue
            if blocks and size + len(each.block) > CHUNK_BYTES:
                return cls(b"".join(blocks), last, last)
            blocks.append(each.block)
            size, last = size + len(each.block), each.event.id
        return cls(b"".join(blocks), last, reached)


@dataclass(eq=False, slots=True)
class Seat:
    """The place of one reader; `end` says why it has to go, as soon as it has to."""

    key_id: int
    end: EndReason | None = None
    ending: asyncio.Event = field(default_factory=asyncio.Event)


class Tail:
    """What this process knows of the log's end; for one event loop, which alone may call it.

    At most `most` readers, `most_of_key` with one key, are let in.
    """

    def __init__(
        self, read: Read, *, most: int, most_of_key: int, look_s: float = LOOK_S, ring_events: int = RING_EVENTS
    ) -> None:
        self.position = 0
        self._read, self._look_s, self._ring_events = read, look_s, ring_events
        self._most, self._most_of_key = most, most_of_key
        # All events after `_begins_after`, up to `position`.
        self._ring: deque[Told] = deque()
        self._ring_bytes = 0
        self._begins_after = 0
        self._moved = asyncio.Event()
        self._seats: set[Seat] = set()
        self._by_key: Counter[int] = Counter()
        self._stopping = False
        self._looking: asyncio.Task[None] | None = None
        self._threads = anyio.CapacityLimiter(THREADS)

    @property
    def readers(self) -> int:
        """How many follow."""
        return len(self._seats)

    @contextmanager
    def seat(self, key_id: int, *, key: str, head: int) -> Iterator[Seat]:
        """Follow until the block ends; `head` is where the log ended a moment ago. Raises TooManyReaders."""
        for readers, most, where in (
            (len(self._seats), self._most, "here"),
            (self._by_key[key_id], self._most_of_key, f"by the key {key}"),
        ):
            if readers >= most:
                # Not all at the same moment.
                raise TooManyReaders(readers, where, random.randint(2, 10))  # noqa: S311 -- spreads, hides nothing
        seat = Seat(key_id)
        self._seats.add(seat)
        self._by_key[key_id] += 1
        if self._stopping:
            self._end(seat, EndReason.STOPPING)
        if self._looking is None:
            self._begin_at(head)
            self._looking = asyncio.create_task(self._look(), name=LOOKING)
        try:
            yield seat
        finally:
            self._seats.remove(seat)
            self._by_key -= Counter([key_id])

    def after(self, position: int, sought: Sought) -> Chunk | None:
        """What is sought after a position, as far as it is known; None where only the database still has it."""
        if position < self._begins_after:
            return None
        start = bisect_right(self._ring, position, key=lambda told: told.event.id)
        return Chunk.of(islice(self._ring, start, None), sought=sought, reached=max(self.position, position))

    async def moved(self, position: int, seat: Seat, *, within_s: float) -> None:
        """Wait until there is something after a position, the seat is to be left, or the time is up."""
        if self.position > position or seat.end is not None:
            return
        try:
            async with asyncio.timeout(max(within_s, 0)):
                await self._moved.wait()
        except TimeoutError:
            pass

    async def page(self, position: int, sought: Sought) -> Page:
        """What the database has after a position. Raises Busy."""
        return await self.aside(partial(self._read, position, sought))

    async def aside(self, work: Callable[[], Found]) -> Found:
        """Do what may wait in one of the threads of the stream."""
        return await anyio.to_thread.run_sync(work, limiter=self._threads)

    def end(self) -> None:
        """Have every reader leave, and let none stay that comes now."""
        self._stopping = True
        self._end_all(EndReason.STOPPING)

    async def _look(self) -> None:
        # Not cancelled when the last reader goes: a thread would go on with a connection nobody waits for.
        answers = True
        while self._seats:
            pause_s = self._look_s
            try:
                page = await self.page(self.position, EVERYTHING)
            except Busy as busy:
                if answers:
                    log.warning("the end of the log cannot be read", extra={"error": str(busy)})
                answers, pause_s = False, PAUSE_S
            except Exception:
                # Readers would else wait for ever, and nobody would know why.
                log.exception("the end of the log cannot be read")
                pause_s = PAUSE_S
            else:
                answers = True
                self._take(page)
                if self.position < page.head:
                    continue
            await asyncio.sleep(pause_s)
        self._looking = None

    def _take(self, page: Page) -> None:
        if page.head < self.position:
            # Positions say nothing any more: what stood there is gone, and something else will stand there.
            self._begin_at(page.head)
            self._end_all(EndReason.PUT_BACK)
            return
        if page.reached == self.position:
            return
        if page.cleaned_to > self.position:
            self._begin_at(page.cleaned_to)
        self._ring.extend(page.told)
        self._ring_bytes += sum(len(told.block) for told in page.told)
        self.position = page.reached
        while len(self._ring) > self._ring_events or self._ring_bytes > RING_BYTES:
            gone = self._ring.popleft()
            self._ring_bytes -= len(gone.block)
            self._begins_after = gone.event.id
        self._wake()

    def _begin_at(self, position: int) -> None:
        self._ring.clear()
        self._ring_bytes = 0
        self.position = self._begins_after = position

    def _end_all(self, reason: EndReason) -> None:
        for seat in self._seats:
            self._end(seat, reason)
        self._wake()

    @staticmethod
    def _end(seat: Seat, reason: EndReason) -> None:
        seat.end = seat.end or reason
        seat.ending.set()

    def _wake(self) -> None:
        moved, self._moved = self._moved, asyncio.Event()
        moved.set()
