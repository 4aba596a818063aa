"""Readers of the stream on the application itself, each of which takes what it is sent when it is let."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from types import TracebackType
from typing import Any, Self

from starlette.types import ASGIApp, Message, Scope

from service.api.listeners import LET_GO
from service.api.tail import LOOKING
from service.client import EventSource
from service.client import Message as Sent


def run(story: Callable[[], Awaitable[None]]) -> None:
    """Tell a story on a loop of its own; one that does not end fails."""

    async def bounded() -> None:
        async with asyncio.timeout(30):
            await story()
            # Else a thread would be left with a connection when the database is closed.
            await nobody_looks()

    asyncio.run(bounded())


async def nobody_looks() -> None:
    """Wait until the log's end is looked at no more, as soon as nobody reads."""
    for task in [each for each in asyncio.all_tasks() if each.get_name() == LOOKING]:
        await task


class Reader:
    """A client on the other end of one request; it reads while the block lasts, and then goes."""

    def __init__(self, app: ASGIApp, headers: Mapping[str, str], *, query: str = "", method: str = "GET") -> None:
        self.status = 0
        self.headers: dict[str, str] = {}
        self.body = b""
        self.sent: list[Sent] = []
        self.source = EventSource()
        self.ended = self.dropped = False
        self._app = app
        self._goes, self._takes, self._news = asyncio.Event(), asyncio.Event(), asyncio.Event()
        self._takes.set()
        self._asked = False
        self._scope: Scope = {
            "type": "http",
            "asgi": {"version": "3.0", "spec_version": "2.3"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": "/v1/stream",
            "raw_path": b"/v1/stream",
            "query_string": query.encode(),
            "headers": [(name.lower().encode(), value.encode("latin-1")) for name, value in headers.items()],
            "server": ("testserver", 80),
            "client": ("testclient", 50000),
            LET_GO: self._dropped,
        }

    async def __aenter__(self) -> Self:
        self.task = asyncio.create_task(self._answered())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._goes.set()
        await self.task

    @property
    def positions(self) -> list[int]:
        """The positions of the events of the log that came."""
        return [int(each.id) for each in self.sent if "." in each.kind]

    def of(self, kind: str) -> list[Sent]:
        """What came of one kind."""
        return [each for each in self.sent if each.kind == kind]

    def hold(self) -> None:
        """Take nothing from now on."""
        self._takes.clear()

    def let(self) -> None:
        """Take what comes again."""
        self._takes.set()

    async def until(self, condition: Callable[[], object]) -> None:
        """Wait until what came makes a condition hold."""
        while not condition():
            self._news.clear()
            await self._news.wait()

    async def _answered(self) -> None:
        await self._app(self._scope, self._receive, self._send)

    async def _receive(self) -> Message:
        if not self._asked:
            self._asked = True
            return {"type": "http.request", "body": b"", "more_body": False}
        await self._goes.wait()
        return {"type": "http.disconnect"}

    async def _send(self, message: Message) -> None:
        await self._takes.wait()
        if message["type"] == "http.response.start":
            self.status = message["status"]
            self.headers = {name.decode().lower(): value.decode() for name, value in message["headers"]}
        else:
            self.body += message["body"]
            self.sent += self.source.feed(message["body"])
            self.ended = not message.get("more_body", False)
        self._news.set()

    def _dropped(self) -> None:
        self.dropped = True


def readers(app: Any, tokens: Mapping[str, str]) -> Callable[..., Reader]:  # noqa: ANN401 -- an application
    """Makes readers of an application, with a token of these by name unless they bring a header of their own."""

    def reader(who: str = "reader", *, query: str = "", method: str = "GET", **headers: str) -> Reader:
        own = {name.replace("_", "-"): value for name, value in headers.items()}
        return Reader(app, {"Authorization": f"Bearer {tokens[who]}", **own}, query=query, method=method)

    return reader
