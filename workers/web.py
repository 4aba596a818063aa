"""The web side of a process: listen, say where, serve until told to end."""

import logging
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from types import FrameType
from typing import Self

import uvicorn

from service.app import create_app, utc_now
from service.settings import Settings

log = logging.getLogger("tiedown.web")

# Open requests get this long once the end was asked for; an event stream would otherwise hold the process for ever.
GRACE_S = 1
BACKLOG = 1024


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
    with listener:
        yield listener


def address(listener: socket.socket) -> str:
    """Where the socket listens, as a URL."""
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


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
    config = uvicorn.Config(
        create_app(settings, wake=wake, clock=clock),
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
    )
    server = uvicorn.Server(config)
    ending.of(server)
    log.info("serving", extra={"address": address(listener)})
    server.run(sockets=[listener])
    if not server.started:
        raise CannotStart("the web side did not start; the lines above say why")
