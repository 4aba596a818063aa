"""The listening socket of the web side."""

import socket

from workers import web


def test_answers_leave_without_waiting_for_a_receipt() -> None:
    """With Nagle's algorithm (RFC 896) on, a small body waits for the peer's delayed acknowledgement (RFC 1122)."""
    with (
        web.listening("127.0.0.1", 0) as listener,
        socket.create_connection(listener.getsockname()),
        listener.accept()[0] as accepted,
    ):
        assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
