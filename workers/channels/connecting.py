"""A connection to a receiver that nobody need trust.

Every address its name leads to is judged, and one that was judged is connected to. The whole of it, the looking up and
a reply that drips in byte by byte included, ends in time.
"""

import queue
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import httpcore

from workers.channels.targets import Address, Network, literal, what_bars, within

Resolve = Callable[[str, int], Sequence[str]]
# All are judged, but a name that leads to hundreds is not tried at each.
MOST_TRIED = 4
# Of one reply with its headers, TLS included.
MOST_BYTES = 256 * 1024


class Barred(Exception):
    """A connection is not made, because of where it would lead; the message says what would be right."""


class NotFound(Exception):
    """A name leads nowhere at the moment."""


class TooMuch(Exception):
    """A receiver sends more than anybody asked for."""


def look_up(host: str, port: int) -> Sequence[str]:
    """Every address the system's resolver has for a name."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, proto=socket.IPPROTO_TCP)
    return list(dict.fromkeys(str(address[0]) for *_, address in found))


class Gate(httpcore.NetworkBackend):
    """Makes one connection, to an address it has judged, and ends it by itself when its time is over.

    `allowed` are the operator's networks that are not public and may be reached. Without `certificates` nothing is
    encrypted, and then a receiver must be in one of them. `limit_s` are the seconds from now that it may all take.
    """

    def __init__(
        self,
        allowed: Sequence[Network],
        *,
        certificates: ssl.SSLContext | None,
        limit_s: float,
        resolve: Resolve = look_up,
        network: httpcore.NetworkBackend | None = None,
    ) -> None:
        self._allowed, self._certificates, self._resolve = allowed, certificates, resolve
        self._ends = time.monotonic() + limit_s
        self._network = httpcore.SyncBackend() if network is None else network

    def left(self) -> float:
        """The seconds that are left. Raises httpcore.ReadTimeout where none are."""
        left = self._ends - time.monotonic()
        if left <= 0:
            raise httpcore.ReadTimeout("the time is over")
        return left

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,  # noqa: ARG002 - one limit holds for all of it
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        """Judge every address the host has, then connect to the first of them that answers.

        Raises Barred, NotFound, httpcore.ConnectError, httpcore.ConnectTimeout.
        """
        addresses = self._addresses(host, port)
        for address in addresses:
            self._check(host, address)
        tried = addresses[:MOST_TRIED]
        for number, address in enumerate(tried):
            try:
                # By its number: looked up once more, the name could lead elsewhere.
                stream = self._network.connect_tcp(
                    str(address), port, self.left() / (len(tried) - number), local_address, socket_options
                )
            except (httpcore.ConnectError, httpcore.ConnectTimeout):
                if address is tried[-1]:
                    raise
            else:
                return _Bounded(stream, self.left, self._certificates)
        raise NotFound(host)

    def _addresses(self, host: str, port: int) -> Sequence[Address]:
        if (written := literal(host)) is not None:
            return [written]
        return [each for text in self._looked_up(host, port) if (each := literal(text)) is not None]

    def _looked_up(self, host: str, port: int) -> Sequence[str]:
        """A resolver cannot be told to end, so it is left behind; it gives up by itself."""
        answer: queue.SimpleQueue[Sequence[str] | Exception] = queue.SimpleQueue()

        def ask() -> None:
            try:
                answer.put(self._resolve(host, port))
            except (OSError, UnicodeError) as error:
                answer.put(error)

        threading.Thread(target=ask, name=f"look up {host}", daemon=True).start()
        try:
            found = answer.get(timeout=self.left())
        except queue.Empty:
            raise NotFound(host) from None
        if isinstance(found, Exception):
            raise NotFound(host) from found
        return found

    def _check(self, host: str, address: Address) -> None:
        shown = host if host == str(address) else f"{host} leads to {address}, which"
        if (what := what_bars(address, self._allowed)) is not None:
            raise Barred(
                f"{shown} is no public address ({what}). If it is the receiver's, the operator enters its network as "
                "`private_networks` of [channels.webhook] in tiedown.toml; else give the watch another address."
            )
        if self._certificates is None and not within(address, self._allowed):
            raise Barred(
                f"{shown} is outside the operator's networks, and there only https:// is used. Give the watch an "
                "address that begins with https://."
            )


class _Bounded(httpcore.NetworkStream):
    """A stream of which every read and write ends when the time of the whole is over."""

    def __init__(
        self, stream: httpcore.NetworkStream, left: Callable[[], float], certificates: ssl.SSLContext | None
    ) -> None:
        self._stream, self._left, self._certificates = stream, left, certificates
        self._read = 0

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:  # noqa: ARG002 - one limit holds for all of it
        data = self._stream.read(max_bytes, self._left())
        self._read += len(data)
        if self._read > MOST_BYTES:
            raise TooMuch
        return data

    def write(self, buffer: bytes, timeout: float | None = None) -> None:  # noqa: ARG002 - one limit holds for all of it
        # Not by the stream's own write, which begins its limit anew with every few bytes that a slow receiver takes.
        connection = self._stream.get_extra_info("socket")
        rest = memoryview(buffer)
        try:
            while rest:
                connection.settimeout(self._left())
                rest = rest[connection.send(rest) :]
        except TimeoutError as error:
            raise httpcore.WriteTimeout(str(error)) from error
        except OSError as error:
            raise httpcore.WriteError(str(error)) from error

    def close(self) -> None:
        self._stream.close()

    def start_tls(
        self,
        ssl_context: ssl.SSLContext,
        server_hostname: str | None = None,
        timeout: float | None = None,  # noqa: ARG002 - one limit holds for all of it
    ) -> httpcore.NetworkStream:
        # The library changes the context it is given at every connection, and one is shared by all threads.
        context = ssl_context if self._certificates is None else self._certificates
        return _Bounded(self._stream.start_tls(context, server_hostname, self._left()), self._left, self._certificates)

    def get_extra_info(self, info: str) -> Any:  # noqa: ANN401 - the library's own signature
        return self._stream.get_extra_info(info)
