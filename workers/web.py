"""The web side of a process: listen, say where, serve until told to end."""

import logging
import signal
import socket
from collections.abc import Awaitable, Callable, Iterator, MutableMapping
from contextlib import contextmanager
from datetime import datetime
from types import FrameType
from typing import Any, Self

import uvicorn

from service.api.listeners import LET_GO
from service.app import create_app, utc_now
from service.settings import Settings

log = logging.getLogger("tiedown.web")

# Open requests get this long once the end was asked for.
GRACE_S = 1
BACKLOG = 1024
# What was sent and nobody received for so long has no receiver any more; a machine that lost its power never says so.
UNRECEIVED_MS = 60_000
# What the system takes of an answer and cannot send yet. Without a bound it takes megabytes for a reader that is stuck.
UNSENT_BYTES = 128 * 1024


class CannotListen(Exception):
    """The address cannot be listened on."""

    def __init__(self, host: str, port: int, reason: str) -> None:
        super().__init__(
            f"{host}:{port} cannot be listened on ({reason}). "
            "Name another with --host and --port, or end what listens there."
        )


class CannotStart(Exception):
    """The web side did not come up; the log says why."""


@contextmanager
def listening(host: str, port: int) -> Iterator[socket.socket]:
    """A listening socket; port 0 takes any that is free. Raises CannotListen."""
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
        listener = socket.create_server(address[:2], family=family, backlog=BACKLOG)
    except OSError as error:
        raise CannotListen(host, port, error.strerror or str(error)) from error
    # asyncio does this for sockets it makes itself; without it an answer's body waits 40 ms for the headers' receipt.
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    # A terminal whose network dies in the middle of a request never says so; asked now and then, its place is freed.
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    # Not every system has these; without, a dead machine is noticed after the usual quarter of an hour.
    for option, value in (("TCP_USER_TIMEOUT", UNRECEIVED_MS), ("TCP_NOTSENT_LOWAT", UNSENT_BYTES)):
        if hasattr(socket, option):
            listener.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
    with listener:
        yield listener


def address(listener: socket.socket) -> str:
    """Where the socket listens, as a URL."""
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


class Server(uvicorn.Server):
    """The server, which tells the readers of the stream that it ends, since it waits for every open answer."""

    def __init__(self, config: uvicorn.Config, *, farewell: Callable[[], None]) -> None:
        super().__init__(config)
        self._farewell = farewell

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End: say farewell, finish what is open, close."""
        self._farewell()
        await super().shutdown(sockets)


class Droppable:
    """Tells the application how to drop the connection of a request.

    The server has no way of its own, and one whose peer takes nothing stays open until it does.
    """

    def __init__(self, app: Callable[..., Awaitable[None]]) -> None:
        self.app = app

    async def __call__(
        self,
        scope: MutableMapping[str, Any],
        receive: Callable[[], Awaitable[Any]],
        send: Callable[[Any], Awaitable[None]],
    ) -> None:
        """Answer."""
        transport = getattr(getattr(send, "__self__", None), "transport", None)
        if transport is not None:
            scope[LET_GO] = transport.abort
        await self.app(scope, receive, send)


class Ending:
    """SIGTERM and Ctrl-C while the block lasts: the end of the server, whenever they come, and nothing else.

    uvicorn listens for them only once it runs, and when it is done raises the signal again for whoever listened before.
    By default either would end the process at once, with the engine's child still in it.
    """

    def __init__(self) -> None:
        self._asked = False
        self._server: uvicorn.Server | None = None

    def __enter__(self) -> Self:
        self._before = {each: signal.signal(each, self._heard) for each in (signal.SIGTERM, signal.SIGINT)}
        return self

    def __exit__(self, *_error: object) -> None:
        for each, handler in self._before.items():
            signal.signal(each, handler)

    def of(self, server: uvicorn.Server) -> None:
        """End this server when the end is asked for, at once where it was asked for already."""
        self._server = server
        server.should_exit = self._asked

    def _heard(self, _signal: int, _frame: FrameType | None) -> None:
        self._asked = True
        if self._server is not None:
            self._server.should_exit = True


def run(
    settings: Settings,
    listener: socket.socket,
    *,
    ending: Ending,
    wake: Callable[[], None],
    clock: Callable[[], datetime] = utc_now,
) -> None:
    """Serve the API until the end is asked for; open requests are finished first. Raises CannotStart."""
    app = create_app(settings, wake=wake, clock=clock)
    config = uvicorn.Config(
        Droppable(app),
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
    )
    server = Server(config, farewell=app.state.tail.end)
    ending.of(server)
    log.info("serving", extra={"address": address(listener)})
    server.run(sockets=[listener])
    if not server.started:
        raise CannotStart("the web side did not start; the lines above say why")
