"""Receivers on this machine's loopback, as odd as a test wants them, and certificates of the test's own."""

import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from tests.conftest import unavailable
from workers.channels.contract import Message

AT = datetime(2026, 10, 24, 9, 5, 3, tzinfo=UTC)
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"


def a_message(**changed: object) -> Message:
    said: dict[str, object] = {
        "id": "msg_quay7",
        "watch": "quay",
        "kind": "take.circled",
        "made_at": AT,
        "subject": "Take 2 of e1-quay-1 was circled",
        "text": "Take 2 of e1-quay-1 on stage north was circled at 10:05.",
        "html": "<p>Take 2 of <b>e1-quay-1</b> on stage north was circled at 10:05.</p>",
        "data": {"shot": "e1-quay-1", "take": 2},
    }
    return Message(**(said | changed))  # type: ignore[arg-type]


@dataclass
class Receiver:
    """What was received: each request, whole; and at which port."""

    port: int = 0
    requests: list[bytes] = field(default_factory=list)
    # What the client asked for by name in its TLS greeting.
    names: list[str | None] = field(default_factory=list)


def answering(status: str, *headers: str, body: bytes = b"") -> Callable[[socket.socket], None]:
    """Answer so, and close."""
    lines = [f"HTTP/1.1 {status}", f"Content-Length: {len(body)}", *headers, "", ""]
    return lambda connection: connection.sendall("\r\n".join(lines).encode() + body)


@contextmanager
def listening(talk: Callable[[socket.socket], object]) -> Iterator[int]:
    """A server that does this with each connection, one after the other; gives its port."""
    with socket.create_server(("127.0.0.1", 0)) as waiting:

        def serve() -> None:
            while True:
                try:
                    connection, _ = waiting.accept()
                except OSError:
                    return
                with suppress(OSError), connection:
                    talk(connection)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield waiting.getsockname()[1]
        finally:
            waiting.shutdown(socket.SHUT_RDWR)
            thread.join()


@contextmanager
def receiving(answer: Callable[[socket.socket], None], certificate: Path | None = None) -> Iterator[Receiver]:
    """A server that reads a request and then does with the connection what `answer` does."""
    receiver = Receiver()
    context = None
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate)
        context.sni_callback = lambda _, name, __: receiver.names.append(name)

    def talk(connection: socket.socket) -> None:
        with connection if context is None else context.wrap_socket(connection, server_side=True) as each:
            receiver.requests.append(_request(each))
            answer(each)

    with listening(talk) as receiver.port:
        yield receiver


def _request(connection: socket.socket) -> bytes:
    whole = b""
    while b"\r\n\r\n" not in whole:
        if not (piece := connection.recv(65536)):
            return whole
        whole += piece
    head, _, body = whole.partition(b"\r\n\r\n")
    length = int(
        next(line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:")).split(b":")[1]
    )
    while len(body) < length:
        body += connection.recv(65536)
    return head + b"\r\n\r\n" + body


def make_certificate(folder: Path, *names: str) -> Path:
    """A certificate of these names with its key, in one file, which signs itself."""
    both, key = folder / "certificate.pem", folder / "key.pem"
    alternatives = ",".join(names)
    asked = ["-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    named = ["-subj", "/CN=receiver", "-addext", f"subjectAltName={alternatives}"]
    try:
        subprocess.run(
            ["openssl", "req", *asked, *named, "-keyout", str(key), "-out", str(both)], capture_output=True, check=True
        )
    except FileNotFoundError:
        unavailable("openssl is not installed")
    both.write_text(key.read_text() + both.read_text())
    return both
