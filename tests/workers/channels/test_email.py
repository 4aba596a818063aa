"""Notices by e-mail, to mail servers of the test's own: what is sent, what comes of an answer, and what may not be."""

import socket
import ssl
from asyncio import Transport
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.workers.channels.receivers import AT, a_message, listening, make_certificate
from workers.channels.contract import Receipt, Sent
from workers.channels.email import Email, EmailSettings, EmailTarget, mail_of

HEADERS = {"From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "MIME-Version", "Content-Type"}


@dataclass
class Post:
    """A mail server's doings: `answers` to recipients and to data, and what it took."""

    answers: Mapping[str, str] = field(default_factory=dict)
    taken: list[tuple[list[str], bytes]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    encrypted: bool = False

    async def handle_MAIL(self, _: SMTP, __: Session, envelope: Envelope, address: str, ___: Sequence[str]) -> str:  # noqa: N802 - the library finds it by this name
        envelope.mail_from = address
        return self.answers.get("MAIL", "250 OK")

    async def handle_RCPT(self, _: SMTP, __: Session, envelope: Envelope, address: str, ___: Sequence[str]) -> str:  # noqa: N802 - the library finds it by this name
        answer = self.answers.get(address, "250 OK")
        if answer.startswith("2"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_RSET(self, *_: object) -> str:  # noqa: N802 - the library finds it by this name
        self.said.append("RSET")
        return "250 OK"

    async def handle_QUIT(self, *_: object) -> str:  # noqa: N802 - the library finds it by this name
        return self.answers.get("QUIT", "221 Bye")

    async def handle_DATA(self, server: SMTP, _: Session, envelope: Envelope) -> str:  # noqa: N802 - the library finds it by this name
        assert isinstance(server.transport, Transport)
        self.encrypted = server.transport.get_extra_info("sslcontext") is not None
        answer = self.answers.get("DATA", "250 OK")
        if answer == "drop":
            server.transport.abort()
        if answer.startswith("2") or answer == "drop":
            assert isinstance(envelope.content, bytes)
            self.taken.append((list(envelope.rcpt_tos), envelope.content))
        return answer


@contextmanager
def serving(post: Post, **server: Any) -> Iterator[int]:  # noqa: ANN401 - as the library has it
    with socket.create_server(("127.0.0.1", 0)) as free:
        port: int = free.getsockname()[1]
    controller = Controller(post, hostname="127.0.0.1", port=port, **server)
    controller.start()
    try:
        yield port
    finally:
        controller.stop()


def send(port: int, *to: str, **settings: object) -> Sent:
    given = {"host": "127.0.0.1", "port": port, "security": "none", "sender": "Tiedown <notices@studio.example>"}
    channel = Email(EmailSettings.model_validate(given | settings))
    recipients = to or ("Kim Ødegård <kim@studio.example>", "pat@studio.example")
    # Another clock than the message's: a try has no date of its own.
    return channel.send(a_message(), EmailTarget(to=recipients), secrets=(), now=datetime(2027, 1, 1, tzinfo=UTC))


def read(mail: bytes) -> EmailMessage:
    found = message_from_bytes(mail, policy=policy.default)
    assert isinstance(found, EmailMessage)
    return found


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_certificate(tmp_path_factory.mktemp("mail"), "IP:127.0.0.1")


@pytest.fixture(scope="module")
def server_context(certificate: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    return context


def authenticate(_: object, __: object, ___: object, mechanism: str, data: LoginPassword) -> AuthResult:
    return AuthResult(success=(data.login, data.password) == (b"tiedown", b"s3cret"), handled=False)


def test_a_notice_goes_once_to_all_encrypted_and_under_one_id(
    certificate: Path, server_context: ssl.SSLContext
) -> None:
    post = Post()
    signing_in = {"username": "tiedown", "password": "s3cret", "security": "starttls", "ca_file": certificate}
    with serving(post, tls_context=server_context, require_starttls=True, authenticator=authenticate) as port:
        sent = [send(port, **signing_in), send(port, **signing_in)]
        wrong = send(port, **(signing_in | {"password": "another s3cret"}))

    assert [each.outcome for each in sent] == [Receipt.DELIVERED] * 2
    assert post.encrypted
    (recipients, mail), again = post.taken
    assert recipients == ["kim@studio.example", "pat@studio.example"]
    # A try again is the same mail, but for the boundary between its parts.
    found, repeated = read(mail), read(again[1])
    assert set(found.keys()) == HEADERS
    assert [repeated[each] for each in HEADERS - {"Content-Type"}] == [
        found[each] for each in HEADERS - {"Content-Type"}
    ]
    assert found["Message-ID"] == "<msg_quay7@studio.example>"
    assert found["Date"].datetime == AT
    assert found["Auto-Submitted"] == "auto-generated"
    assert found["To"].addresses[0].display_name == "Kim Ødegård"
    assert found["Subject"] == "Take 2 of e1-quay-1 was circled"
    text, page = found.iter_parts()
    assert (text.get_content_type(), text.get_content()) == ("text/plain", a_message().text + "\r\n")
    assert (page.get_content_type(), page.get_content()) == ("text/html", a_message().html + "\r\n")
    assert mail.isascii()
    assert (wrong.outcome, wrong.status) == (Receipt.FAILED, 535)
    assert "s3cret" not in wrong.detail
    assert "username and password of [channels.email]" in wrong.detail


def test_encryption_that_was_asked_for_is_had_or_nothing_is_sent(
    certificate: Path, server_context: ssl.SSLContext
) -> None:
    post = Post()
    with serving(post) as port:
        without = send(port, security="starttls")
        none_at_all = send(port, security="tls", ca_file=certificate, limit_s=2)
    with serving(post, tls_context=server_context) as port:
        unknown = send(port, security="starttls")
    with serving(post, ssl_context=server_context) as port:
        misnamed = send(port, security="tls", host="localhost", ca_file=certificate)
        good = send(port, security="tls", ca_file=certificate)

    assert [each.outcome for each in (without, none_at_all, unknown, misnamed)] == [Receipt.FAILED] * 4
    assert "offers no STARTTLS, and without it nothing is sent" in without.detail
    assert "cannot be worked with" in none_at_all.detail
    assert "self-signed certificate" in unknown.detail
    assert "Hostname mismatch" in misnamed.detail
    assert (good.outcome, len(post.taken), post.encrypted) == (Receipt.DELIVERED, 1, True)


@pytest.mark.parametrize(
    ("answers", "expected", "told", "recipients"),
    [
        ({"MAIL": "451 later"}, (Receipt.FAILED, 451), "does not take us: 451 later", []),
        ({"MAIL": "550 no such sender"}, (Receipt.FAILED, 550), "Ask whoever looks after it", []),
        ({"MAIL": "552 too large"}, (Receipt.REFUSED, 552), "too large", []),
        (
            {"a@s.example": "450 grey"},
            (Receipt.FAILED, 450),
            "a@s.example (450 grey) at the moment, so nobody got it yet",
            [],
        ),
        ({"a@s.example": "450 x", "b@s.example": "550 y"}, (Receipt.FAILED, 450), "nobody got it yet", []),
        (
            {"a@s.example": "550 no mailbox"},
            (Receipt.DELIVERED, 250),
            "Not for a@s.example (550 no mailbox)",
            ["b@s.example"],
        ),
        ({"a@s.example": "550 x", "b@s.example": "553 y"}, (Receipt.REFUSED, 550), "b@s.example (553 y)", []),
        ({"DATA": "451 busy"}, (Receipt.FAILED, 451), "at the moment: 451 busy", []),
        ({"DATA": "554 no\tspam\x1b[31m"}, (Receipt.REFUSED, 554), "does not take this message: 554 no spam [31m", []),
        (
            {"DATA": "drop"},
            (Receipt.FAILED, None),
            "sent again under the same Message-ID",
            ["a@s.example", "b@s.example"],
        ),
        ({"QUIT": "500 what"}, (Receipt.DELIVERED, 250), "took it", ["a@s.example", "b@s.example"]),
    ],
)
def test_what_the_server_says_is_what_comes_next(
    answers: Mapping[str, str], expected: object, told: str, recipients: Sequence[str]
) -> None:
    post = Post(answers)
    with serving(post) as port:
        sent = send(port, "a@s.example", "b@s.example")

    assert (sent.outcome, sent.status) == expected
    assert told in sent.detail
    assert [each for each, _ in post.taken] == ([recipients] if recipients else [])


@pytest.mark.parametrize(
    "talk",
    [
        lambda connection: connection.recv(1),
        lambda connection: [connection.sendall(b"2") for _ in iter(int, 1)],
        lambda connection: connection.sendall(b"554 go away\r\n"),
        lambda connection: connection.close(),
    ],
)
def test_a_server_that_never_ends_or_talks_nonsense_is_left_in_time(talk: Callable[[socket.socket], object]) -> None:
    with listening(talk) as port:
        sent = send(port, limit_s=0.3)
    assert sent.outcome is Receipt.FAILED


def test_where_nothing_listens() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    sent = send(port)
    assert (sent.outcome, f"127.0.0.1:{port} cannot be worked with" in sent.detail) == (Receipt.FAILED, True)


def test_domains_that_may_not_be_written_to_are_refused() -> None:
    sent = send(25, "kim@studio.example", "kim@elsewhere.example", recipient_domains=["Studio.example"])
    assert sent.outcome is Receipt.REFUSED
    assert sent.detail.startswith("kim@elsewhere.example: ")


ODD = st.text(st.one_of(st.characters(), st.sampled_from('\r\n\t\v\f\x1c\x85\u2028=?<>@,;:"\\()é\ud800')), max_size=400)


@given(subject=ODD, text=ODD, name=ODD)
def test_nothing_that_is_told_becomes_a_header_a_recipient_or_another_mail(subject: str, text: str, name: str) -> None:
    try:
        target = EmailTarget(to=(f"{name} <kim@studio.example>",))
    except ValidationError:
        target = EmailTarget(to=("kim@studio.example",))
    said = a_message(subject=subject, text=text, html=text)
    mail = mail_of(said, sender="Bühne <notices@studio.example>", to=target.to)

    head = mail.partition(b"\r\n\r\n")[0]
    names = {line.partition(b":")[0].decode() for line in head.split(b"\r\n") if line[:1] not in b" \t"}
    assert names == HEADERS
    assert mail.isascii()
    assert b"\n" not in mail.replace(b"\r\n", b"")
    assert b"\r" not in mail.replace(b"\r\n", b"")
    assert max(map(len, mail.split(b"\r\n"))) <= 998  # RFC 5322, 2.1.1
    found = read(mail)
    assert [each.addr_spec for each in found["To"].addresses] == ["kim@studio.example"]
    assert [each.addr_spec for each in found["From"].addresses] == ["notices@studio.example"]
    assert len(list(found.iter_parts())) == 2


@pytest.mark.parametrize(
    "subject", ["=?utf-8?q?a=0D=0ABcc:_x@y.example?=", "Aufnahme 2 im Kasten: Bühne Nord – jetzt", "x" * 900]
)
def test_a_subject_is_one_line_of_bounded_length(subject: str) -> None:
    found = read(mail_of(a_message(subject=subject), sender="a@s.example", to=("b@s.example",)))
    assert found["Bcc"] is None
    assert found["Subject"] == subject.replace("=?", "= ?") or found["Subject"] == "x" * 249 + "…"


@pytest.mark.parametrize(
    "address",
    [
        "kim",
        "kim@",
        "kim@studio.example, pat@studio.example",
        "kim@studio.example\r\nBcc: pat@studio.example",
        "Kim\r\n <kim@studio.example>",
        "<kim@studio.example> <pat@studio.example>",
        '"Kim" <kim@studio.example>',
        "kim@studio.example>",
        "kïm@studio.example",
        "kim@bühne.example",
        "kim@[127.0.0.1]",
        "kim smith@studio.example",
        f"{'k' * 250}@s.example",
    ],
)
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(ValidationError, match=r"kim@studio\.example or Kim <kim@studio\.example>"):
        EmailTarget(to=(address,))


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"username": "tiedown"}, "username and password, or neither"),
        ({"username": "tiedown", "password": "s3cret", "security": "none"}, "sent encrypted alone"),
        ({"sender": "nobody"}, "an address is"),
        ({"security": "ssl"}, "'starttls', 'tls' or 'none'"),
    ],
)
def test_settings_that_are_no_use_are_refused(settings: dict[str, object], told: str) -> None:
    with pytest.raises(ValidationError, match=told) as refused:
        EmailSettings.model_validate({"host": "mail.studio.example", "sender": "notices@studio.example"} | settings)
    assert [told for each in refused.value.errors() if "s3cret" in each["msg"]] == []
