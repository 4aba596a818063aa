"""The web side of a process: listen, say where, serve until told to end."""

import logging
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

import uvicorn

from service.app import create_app
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
    with listener:
        yield listener


def address(listener: socket.socket) -> str:
    """Where the socket listens, as a URL."""
    host, port = listener.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def run(settings: Settings, listener: socket.socket, *, wake: Callable[[], None]) -> None:
    """Serve the API until SIGTERM or Ctrl-C; open requests are finished first. Raises CannotStart."""
    config = uvicorn.Config(
        create_app(settings, wake=wake),
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
    )
    server = uvicorn.Server(config)
    with _signals_kept(server):
        log.info("serving", extra={"address": address(listener)})
        server.run(sockets=[listener])
    if not server.started:
        raise CannotStart("the web side did not start; the lines above say why")


@contextmanager
def _signals_kept(server: uvicorn.Server) -> Iterator[None]:
    """Let uvicorn's shutdown return to its caller.

    When it is done it raises the signal again for whoever listened before, and by default that would end the process
    with the engine's child still in it.
    """

    def heard(_signal: int, _frame: FrameType | None) -> None:
        # Until uvicorn listens for signals itself, nobody else would remember that the end was asked for.
        server.should_exit = True

    before = {each: signal.signal(each, heard) for each in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
