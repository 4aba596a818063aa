"""What readers of the stream share: each hears everything once and in order, however slow it is, at a bounded cost."""

import asyncio
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.api import tail as module
from service.api.fields import Out
from service.api.listeners import Listener, Wish, block
from service.api.tail import EndReason, Page, Seat, Tail, Told
from service.client import EventSource
from service.domain.events import Event, EventKind
from service.store.engine import Busy
from service.store.events import Sought
from tests.api.listening import nobody_looks, run

AT = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
KINDS = (EventKind.STAGE_ADDED, EventKind.SHOT_ADDED, EventKind.KEY_MADE)
RING, PAGE, CHUNK = 5, 3, 90


class Empty(Out):
    """An event without anything to tell."""


@dataclass
class Log:
    """A log in memory, whose ids have gaps; part of it may be gone."""

    events: list[Event] = field(default_factory=list)
    cleaned_to: int = 0
    away: bool = False

    @property
    def head(self) -> int:
        return self.events[-1].id if self.events else 0

    def grow(self, kind: EventKind, production_id: int) -> None:
        self.events.append(Event(self.head + 1 + self.head % 2, AT, kind, "test", production_id, None, {}))

    def sought(self, sought: Sought, *, after: int) -> Iterator[int]:
        """The positions of what a reader must hear, told without the code that is tried."""
        for each in self.events:
            kinds, production = sought.kinds, sought.production_id
            if each.id > after and (kinds is None or each.kind in kinds) and production in {None, each.production_id}:
                yield each.id

    def __call__(self, position: int, sought: Sought) -> Page:
        if self.away:
            raise Busy("away")
        head, cleaned_to = self.head, self.cleaned_to
        if head <= position:
            return Page(told=(), reached=position, cleaned_to=0, head=head)
        start = max(position, cleaned_to)
        wanted = set(self.sought(sought, after=start))
        found = [each for each in self.events if each.id in wanted][:PAGE]
        told = tuple(Told(each, block(each.kind, Empty(), position=each.id)) for each in found)
        reached = found[-1].id if len(found) == PAGE else head
        return Page(told=told, reached=reached, cleaned_to=cleaned_to, head=head)


class Slow:
    """A reader that takes one piece whenever it is let."""

    def __init__(self, tail: Tail, seat: Seat, wish: Wish) -> None:
        self.wish, self.sent = wish, EventSource()
        self._let, self._took = asyncio.Semaphore(0), asyncio.Event()
        self.cursor = wish.position
        self.heard: list[int] = []
        self.resets: list[tuple[int, int]] = []
        self.largest = 0
        listener = Listener(tail, wish, may=lambda: None, heartbeat_s=0.002)
        listener.seat = seat
        self.task = asyncio.create_task(self._read(listener))

    async def _read(self, listener: Listener) -> None:
        async for body in listener.blocks():
            await self._let.acquire()
            self.largest = max(self.largest, len(body))
            for message in self.sent.feed(body):
                position = int(message.id)
                if message.kind == "reset":
                    self.resets.append((self.cursor, position))
                elif "." in message.kind:
                    self.heard.append(position)
                self.cursor = position
            self._took.set()

    async def take(self) -> None:
        """Take the next piece; at a heartbeat at the latest there is one."""
        self._took.clear()
        self._let.release()
        await self._took.wait()

    async def finish(self, head: int) -> None:
        """Take everything there is."""
        while self.cursor < head:
            await self.take()
        self.task.cancel()


SOUGHT = st.builds(
    Sought,
    kinds=st.none() | st.frozensets(st.sampled_from(KINDS), min_size=1, max_size=2),
    production_id=st.none() | st.integers(1, 2),
)
STEPS = st.lists(
    st.tuples(st.just("grow"), st.integers(1, 9), st.sampled_from(KINDS), st.integers(1, 2))
    | st.tuples(st.just("join"), SOUGHT, st.integers(0, 100))
    | st.tuples(st.just("let"), st.integers(0, 5), st.integers(1, 4))
    | st.tuples(st.just("clean"), st.integers(0, 100)),
    min_size=5,
    max_size=30,
)


@given(STEPS)
def test_every_reader_hears_everything_once_and_in_order_however_slow_it_is(steps: list[tuple[object, ...]]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "CHUNK_BYTES", CHUNK)
        run(lambda: _story(steps))


async def _story(steps: list[tuple[object, ...]]) -> None:
    log = Log()
    tail = Tail(log, most=100, most_of_key=100, look_s=0.0005, ring_events=RING)
    slow: list[Slow] = []
    with ExitStack() as seats:
        for step in steps:
            match step:
                case "grow", int(number), EventKind() as kind, int(production):
                    for _ in range(number):
                        log.grow(kind, production)
                case "join", Sought() as sought, int(share):
                    seat = seats.enter_context(tail.seat(1, key="k", head=log.head))
                    slow.append(Slow(tail, seat, Wish(sought, log.head * share // 100, log.head)))
                case "let", int(who), int(times) if who < len(slow):
                    for _ in range(times):
                        await slow[who].take()
                case "clean", int(share):
                    log.cleaned_to = max(log.cleaned_to, log.head * share // 100)
                case _:
                    pass
            assert len(tail._ring) <= RING
        await asyncio.gather(*(each.finish(log.head) for each in slow))
    assert tail.readers == 0
    for each in slow:
        assert each.largest <= CHUNK + 200
        missed = {
            position
            for since, until in each.resets
            for position in log.sought(each.wish.sought, after=since)
            if position <= until
        }
        expected = [at for at in log.sought(each.wish.sought, after=each.wish.position) if at not in missed]
        assert each.heard == expected


def test_nobody_looks_at_the_log_while_nobody_reads() -> None:
    async def story() -> None:
        log = Log()
        tail = Tail(log, most=1, most_of_key=1, look_s=0.0005)
        with tail.seat(1, key="k", head=0) as seat:
            log.grow(KINDS[0], 1)
            await tail.moved(0, seat, within_s=20)
            assert tail.position == log.head
        await nobody_looks()
        # What happened meanwhile is no business of whoever comes next and begins at the end.
        for _ in range(10):
            log.grow(KINDS[0], 1)
        with tail.seat(1, key="k", head=log.head):
            assert (tail.position, tail.after(log.head, Sought())) == (log.head, module.Chunk(b"", 0, log.head))
            assert tail.after(0, Sought()) is None

    run(story)


def test_a_database_that_is_away_ends_no_stream_and_one_that_was_put_back_all() -> None:
    async def story() -> None:
        log = Log()
        tail = Tail(log, most=1, most_of_key=1, look_s=0.0005)
        with pytest.MonkeyPatch.context() as patch, tail.seat(1, key="k", head=0) as seat:
            patch.setattr(module, "PAUSE_S", 0.0005)
            log.away = True
            log.grow(KINDS[0], 1)
            log.grow(KINDS[0], 1)
            await tail.moved(0, seat, within_s=0.05)
            assert (tail.position, seat.end) == (0, None)
            log.away = False
            await tail.moved(0, seat, within_s=20)
            assert (tail.position, seat.end) == (log.head, None)
            log.events.pop()
            await tail.moved(tail.position, seat, within_s=20)
            assert (tail.position, seat.end) == (log.head, EndReason.PUT_BACK)

    run(story)
