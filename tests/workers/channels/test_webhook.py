"""Webhooks to real sockets: what is sent, what is made of an answer, and what a hostile owner or receiver can do."""

import json
import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from itertools import count
from pathlib import Path

import httpcore
import pytest
from pydantic import ValidationError
from standardwebhooks import Webhook as Checked
from standardwebhooks import WebhookVerificationError

from tests.workers.channels.receivers import AT, SECRET, a_message, answering, listening, make_certificate, receiving
from workers.channels import connecting
from workers.channels.connecting import Barred, Gate
from workers.channels.contract import Receipt, Sent
from workers.channels.webhook import Webhook, WebhookSettings, WebhookTarget, retry_after_s

LOOPBACK = ("127.0.0.0/8",)
OTHER_SECRET = "whsec_" + "AQ" * 16
# With certificates a connection is an encrypted one, which may go to any public address.
CERTIFICATES = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
HOST = "hooks.studio.example"


def here(host: str, port: int) -> Sequence[str]:
    return ["127.0.0.1"]


def send(url: str, *, now: datetime = AT, secrets: Sequence[str] = (SECRET,), **settings: object) -> Sent:
    webhook = Webhook(WebhookSettings.model_validate({"private_networks": LOOPBACK, "limit_s": 10} | settings), here)
    return webhook.send(a_message(), WebhookTarget(url=url), secrets=secrets, now=now)


def headers_of(request: bytes) -> dict[str, str]:
    head = request.partition(b"\r\n\r\n")[0].decode()
    return {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in head.split("\r\n")[1:])}


def test_a_notice_is_posted_under_the_hosts_own_name_and_verified_by_the_convention_s_package(tmp_path: Path) -> None:
    certificate, now = make_certificate(tmp_path, f"DNS:{HOST}"), datetime.now(UTC)
    with receiving(answering("204 No Content"), certificate) as receiver:
        url = f"https://{HOST}:{receiver.port}/tiedown?key=1"
        sent = send(url, now=now, secrets=[OTHER_SECRET, SECRET], ca_file=certificate, private_networks=LOOPBACK)

    (request,) = receiver.requests
    headers, body = headers_of(request), request.partition(b"\r\n\r\n")[2]
    assert (sent.outcome, sent.status) == (Receipt.DELIVERED, 204)
    assert request.startswith(b"POST /tiedown?key=1 HTTP/1.1\r\n")
    assert receiver.names == [HOST]
    assert (headers["host"], headers["webhook-id"]) == (f"{HOST}:{receiver.port}", "msg_quay7")
    assert headers["webhook-timestamp"] == str(int(now.timestamp()))
    assert json.loads(body) == {
        "type": "take.circled",
        "timestamp": "2026-10-24T09:05:03Z",
        "data": {"shot": "e1-quay-1", "take": 2},
    }
    for secret in (SECRET, OTHER_SECRET):
        assert Checked(secret).verify(body, headers) == json.loads(body)
    with pytest.raises(WebhookVerificationError):
        Checked("whsec_" + "Ag" * 16).verify(body, headers)


def test_a_certificate_of_another_name_or_authority_is_not_believed(tmp_path: Path) -> None:
    certificate = make_certificate(tmp_path, "DNS:other.studio.example", "IP:127.0.0.1")
    with receiving(answering("200 OK"), certificate) as receiver:
        of_another = send(f"https://{HOST}:{receiver.port}/", ca_file=certificate)
        of_nobody = send(f"https://other.studio.example:{receiver.port}/")

    assert receiver.requests == []
    assert [each.outcome for each in (of_another, of_nobody)] == [Receipt.FAILED] * 2
    assert "Hostname mismatch" in of_another.detail
    assert "self-signed certificate" in of_nobody.detail
    assert "`ca_file` of [channels.webhook]" in of_nobody.detail


@pytest.mark.parametrize(
    ("status", "headers", "expected"),
    [
        ("200 OK", (), (Receipt.DELIVERED, 200, None)),
        ("299 Odd", (), (Receipt.DELIVERED, 299, None)),
        ("410 Gone", ("Retry-After: 5",), (Receipt.GONE, 410, None)),
        ("400 Bad Request", (), (Receipt.FAILED, 400, None)),
        ("429 Too Many Requests", ("retry-after: 120",), (Receipt.FAILED, 429, 120.0)),
        (
            "503 Service Unavailable",
            (f"Retry-After: {format_datetime(AT + timedelta(minutes=3), usegmt=True)}",),
            (Receipt.FAILED, 503, 180.0),
        ),
        ("302 Found", ("Location: /elsewhere",), (Receipt.FAILED, 302, None)),
        ("307 Temporary Redirect", ("Location: http://169.254.169.254/",), (Receipt.FAILED, 307, None)),
    ],
)
def test_the_status_says_what_comes_next(status: str, headers: Sequence[str], expected: object) -> None:
    with receiving(answering(status, *headers, body=b"what a receiver says is its own business")) as receiver:
        sent = send(f"http://{HOST}:{receiver.port}/")

    assert (sent.outcome, sent.status, sent.retry_after_s) == expected
    # Nothing was asked for a second time, and nothing of the reply is kept.
    assert len(receiver.requests) == 1
    assert "own business" not in sent.detail
    assert str(sent.status) in sent.detail or sent.outcome is Receipt.DELIVERED


@pytest.mark.parametrize(
    ("value", "asked"),
    [
        # RFC 9110, 10.2.3 and 5.6.7: seconds, and a date in the form to be used and the two obsolete ones.
        ("120", 120.0),
        ("Sat, 24 Oct 2026 09:06:03 GMT", 60.0),
        ("Saturday, 24-Oct-26 09:06:03 GMT", 60.0),
        ("Sat Oct 24 09:06:03 2026", 60.0),
        ("Fri, 31 Dec 1999 23:59:59 GMT", 0.0),
        ("Fri, 31 Dec 9999 23:59:59 GMT", 86_400.0),
        ("9" * 5000, 86_400.0),
        ("-1", None),
        ("1.5", None),
        ("٣", None),
        ("soon", None),
        ("Sat, 99 Oct 2026 09:06:03 GMT", None),
        ("", None),
    ],
)
def test_retry_after_is_read_and_bounded(value: str, asked: float | None) -> None:
    assert retry_after_s(value, now=AT) == asked


def dripping(pieces: Iterator[bytes]) -> Callable[[socket.socket], None]:
    """Send one piece after the other, until the other side hangs up."""

    def answer(connection: socket.socket) -> None:
        for piece in pieces:
            connection.sendall(piece)
            threading.Event().wait(0.01)

    return answer


def flooding(start: bytes, piece: bytes) -> Callable[[socket.socket], None]:
    def answer(connection: socket.socket) -> None:
        connection.sendall(start)
        while True:
            connection.sendall(piece)

    return answer


def silent(connection: socket.socket) -> None:
    connection.recv(1)


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        (silent, "did not answer within"),
        (dripping(b"H" if number else b"" for number in count()), "broke the connection off|did not answer within"),
        (dripping(b"HTTP/1.1 200 OK\r\n" if not number else b"x" for number in count()), "did not answer within"),
        (dripping(b"HTTP/1.1 103 Early Hints\r\n\r\n" for _ in count()), "did not answer within"),
        (flooding(b"", b"HTTP/1.1 102 Processing\r\n\r\n" * 1000), "more than an answer"),
        (flooding(b"HTTP/1.1 200 OK\r\n", b"x: y\r\n" * 1000), "broke the connection off"),
        (flooding(b"", b"\0" * 65536), "broke the connection off"),
        (lambda connection: connection.close(), "broke the connection off"),
        (lambda connection: connection.sendall(b"220 mail.studio.example\r\n"), "broke the connection off"),
    ],
)
def test_a_receiver_that_never_ends_or_talks_nonsense_is_left_in_time(
    answer: Callable[[socket.socket], None], told: str
) -> None:
    with receiving(answer) as receiver:
        sent = send(f"http://{HOST}:{receiver.port}/", limit_s=0.3)

    assert sent.outcome is Receipt.FAILED
    assert any(each in sent.detail for each in told.split("|")), sent.detail


def test_a_receiver_that_does_not_read_is_left_in_time() -> None:
    over = threading.Event()
    webhook = Webhook(WebhookSettings(private_networks=LOOPBACK, limit_s=0.3), here)
    with listening(lambda _: over.wait()) as port:
        target = WebhookTarget(url=f"http://{HOST}:{port}/")
        sent = webhook.send(a_message(data={"x": "x" * 20_000_000}), target, secrets=[SECRET], now=AT)
        over.set()

    assert (sent.outcome, "did not answer within" in sent.detail) == (Receipt.FAILED, True)


@pytest.mark.parametrize(
    "answer",
    [
        flooding(b"HTTP/1.1 200 OK\r\n\r\n", b"x" * 65536),
        dripping(b"HTTP/1.1 200 OK\r\n\r\n" if not number else b"x" for number in count()),
        dripping(b"HTTP/1.1 200 OK\r\ncontent-encoding: gzip\r\n\r\n" if not number else b"\x1f" for number in count()),
    ],
)
def test_what_follows_a_good_status_changes_nothing(answer: Callable[[socket.socket], None]) -> None:
    with receiving(answer) as receiver:
        assert send(f"http://{HOST}:{receiver.port}/", limit_s=0.3).outcome is Receipt.DELIVERED


class Net(httpcore.NetworkBackend):
    """A net in which every connection is refused, which says to where they were tried."""

    def __init__(self) -> None:
        self.tried: list[str] = []

    def connect_tcp(self, host: str, *_: object, **__: object) -> httpcore.NetworkStream:
        self.tried.append(host)
        raise httpcore.ConnectError("refused")


@pytest.mark.parametrize(
    ("found", "told"),
    [
        (["93.184.215.14", "10.0.0.1"], "leads to 10.0.0.1, which is no public address (private)"),
        (["93.184.215.14", "::1"], "(loopback)"),
        (["::ffff:169.254.169.254"], "(a cloud's metadata)"),
        (["64:ff9b::7f00:1"], "(loopback)"),
        (["2002:7f00:1::"], "(6to4, which is given up)"),
        (["fe80::1%lo"], "(link-local)"),
        (["0.0.0.0"], "(unspecified)"),  # noqa: S104 - never bound
    ],
)
def test_one_address_that_is_not_public_is_enough_to_connect_nowhere(found: Sequence[str], told: str) -> None:
    net = Net()
    gate = Gate((), certificates=CERTIFICATES, limit_s=5, resolve=lambda *_: found, network=net)

    with pytest.raises(Barred) as barred:
        gate.connect_tcp("rebound.example", 443)

    assert net.tried == []
    assert told in str(barred.value)
    assert "`private_networks` of [channels.webhook]" in str(barred.value)


def test_a_name_that_leads_elsewhere_when_asked_again_is_not_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = iter([["93.184.215.14", "2606:2800:21f:cb07::1"], ["127.0.0.1"]])
    asked: list[str] = []

    def rebinding(host: str, port: int) -> Sequence[str]:
        asked.append(host)
        return next(answers)

    net = Net()
    gate = Gate((), certificates=CERTIFICATES, limit_s=5, resolve=rebinding, network=net)
    with pytest.raises(httpcore.ConnectError):
        gate.connect_tcp("rebound.example", 443)

    # Each address that was judged, as a number, which nothing looks up.
    assert (asked, net.tried) == (["rebound.example"], ["93.184.215.14", "2606:2800:21f:cb07::1"])


@pytest.mark.parametrize(
    ("url", "told"),
    [
        ("http://127.0.0.1:8484/v1/keys", "127.0.0.1 is no public address (loopback)"),
        ("https://[::1]/", "::1 is no public address (loopback)"),
        ("http://93.184.215.14/", "is outside the operator's networks, and there only https:// is used"),
    ],
)
def test_a_target_that_is_not_allowed_is_refused_for_good(url: str, told: str) -> None:
    sent = send(url, private_networks=())

    assert (sent.outcome, sent.status) == (Receipt.REFUSED, None)
    assert told in sent.detail


def test_a_name_without_an_address_is_tried_again_and_one_that_is_slow_to_look_up_is_left(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    over = threading.Event()

    def slow(host: str, port: int) -> Sequence[str]:
        if host == "slow.example":
            over.wait()
        raise socket.gaierror

    webhook = Webhook(WebhookSettings(limit_s=0.2), slow)
    for host in ("slow.example", "unknown.example", "a" * 63 + ".example"):
        sent = webhook.send(a_message(), WebhookTarget(url=f"https://{host}/"), secrets=[SECRET], now=AT)
        assert sent.outcome is Receipt.FAILED
        assert f"No address was found for {host}:443" in sent.detail
    over.set()


def test_where_nothing_listens_and_where_nothing_is_said_to_a_greeting() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    refused = send(f"http://{HOST}:{port}/")
    with receiving(silent) as receiver:
        unanswered = send(f"https://{HOST}:{receiver.port}/", limit_s=0.2)
    assert (refused.outcome, unanswered.outcome) == (Receipt.FAILED, Receipt.FAILED)
    assert f"{HOST}:{port} takes no connection" in refused.detail
    assert "did not answer within 0.2 s" in unanswered.detail


@pytest.mark.parametrize("secrets", [[], [SECRET, "whsec_short"]])
def test_without_a_good_secret_nothing_is_sent(secrets: Sequence[str]) -> None:
    with receiving(answering("200 OK")) as receiver:
        sent = send(f"http://{HOST}:{receiver.port}/", secrets=secrets)

    assert (sent.outcome, receiver.requests) == (Receipt.REFUSED, [])
    assert "short" not in sent.detail


def test_the_environment_sends_nothing_by_another_way(monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY", "http_proxy", "https_proxy", "all_proxy"):
        monkeypatch.setenv(variable, "http://127.0.0.1:9/")
    with receiving(answering("200 OK")) as receiver:
        assert send(f"http://{HOST}:{receiver.port}/").outcome is Receipt.DELIVERED
    assert "cookie" not in headers_of(receiver.requests[0])
    assert "authorization" not in headers_of(receiver.requests[0])


def test_the_systems_resolver_gives_every_address_once() -> None:
    assert connecting.look_up("127.0.0.1", 443) == ["127.0.0.1"]


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"private_networks": ["0.0.0.0/0"]}, "every address there is"),
        ({"private_networks": ["10.20.0.1/16"]}, "host bits set"),
        ({"limit_s": 0}, "greater than 0"),
        ({"proxy": "http://x"}, "Extra inputs"),
    ],
)
def test_settings_that_are_no_use_are_refused(settings: dict[str, object], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        WebhookSettings(**settings)  # type: ignore[arg-type]
