"""The listening socket of the web side."""

import signal
import socket

import pytest
import uvicorn

from workers import web


def test_answers_leave_without_waiting_for_a_receipt() -> None:
    """With Nagle's algorithm (RFC 896) on, a small body waits for the peer's delayed acknowledgement (RFC 1122)."""
    with (
        web.listening("127.0.0.1", 0) as listener,
        socket.create_connection(listener.getsockname()),
        listener.accept()[0] as accepted,
    ):
        assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_a_peer_that_fell_silent_is_asked_whether_it_still_lives() -> None:
    """Without keep-alives (RFC 9293, 3.8.4) half a request from a dead network holds its connection for ever."""
    with (
        web.listening("127.0.0.1", 0) as listener,
        socket.create_connection(listener.getsockname()),
        listener.accept()[0] as accepted,
    ):
        assert accepted.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_an_end_asked_for_before_the_server_listens_for_it_is_remembered(how: signal.Signals) -> None:
    server = uvicorn.Server(uvicorn.Config(lambda: None))
    before = signal.getsignal(how)
    with web.Ending() as ending:
        signal.raise_signal(how)
        ending.of(server)
    assert server.should_exit
    assert signal.getsignal(how) == before
