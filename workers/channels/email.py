"""Notices by e-mail, through the studio's own mail server (SMTP, RFC 5321).

One message is one envelope to all its recipients, and nobody is sent it twice over tries: where the server says of one
of them "not now", it is sent to none and tried again for all. Whom the server will never take is told of in the detail,
and the others get it. A message has the same `Message-ID` at every try, so that where a connection breaks after it was
handed over (RFC 1047) a mail reader knows it again. A server's "never" (5xx) about a message or its recipients refuses
it; one about ourselves (greeting, encryption, password, sender) is the operator's to put right, and tried again.
"""

import contextlib
import re
import smtplib
import socket
import threading
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self, assert_never

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr, model_validator

from service.domain.channels import Receipt
from workers.channels.certificates import doubt, trusting
from workers.channels.contract import Channel, Message, Sent, Target

MOST_RECIPIENTS = 20
# RFC 5321, 4.5.3.1.3: a path of 256 octets with its brackets.
LONGEST_ADDRESS = 254
LONGEST_SUBJECT = 250
LONGEST_QUOTE = 200
TOO_LARGE = 552
_LOCAL = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(?:\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*"
_DOMAIN = r"[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?(?:\.[A-Za-z0-9](?:[A-Za-z0-9-]*[A-Za-z0-9])?)*"
_WRITTEN = re.compile(
    rf"(?:(?P<name>[^<>\"@,;:\\()\[\]]*)<(?P<inner>{_LOCAL}@{_DOMAIN})>|(?P<plain>{_LOCAL}@{_DOMAIN}))"
)


class Security(StrEnum):
    """How the way to the mail server is encrypted: from the greeting on, from the start, or not at all."""

    STARTTLS = "starttls"
    TLS = "tls"
    NONE = "none"


USUAL_PORTS: Mapping[Security, int] = {Security.STARTTLS: 587, Security.TLS: 465, Security.NONE: 25}


def _address(written: str) -> str:
    read = _WRITTEN.fullmatch(written.strip())
    if read is None or not written.isprintable() or len(read["inner"] or read["plain"]) > LONGEST_ADDRESS:
        raise ValueError("an address is kim@studio.example or Kim <kim@studio.example>, its second part in ASCII")
    return written


class EmailSettings(BaseModel):
    """The operator's part."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str = Field(min_length=1, max_length=253, description="The mail server's name.")
    port: int | None = Field(
        default=None, ge=1, le=65_535, description="Its port; 587 with starttls, 465 with tls, 25 with none."
    )
    security: Security = Field(
        default=Security.STARTTLS,
        description="`starttls`, `tls` from the start, or `none`. What is asked for is had, or nothing is sent.",
    )
    username: str | None = Field(default=None, min_length=1, description="Who we are to the server, where it asks.")
    password: SecretStr | None = Field(default=None, description="The password that goes with it.")
    sender: Annotated[str, AfterValidator(_address)] = Field(
        description="Whom notices are from: notices@studio.example or Tiedown <notices@studio.example>."
    )
    ca_file: Path | None = Field(
        default=None, description="A file of certificate authorities, in PEM, that are believed beside the public ones."
    )
    recipient_domains: tuple[Annotated[str, Field(pattern=f"^{_DOMAIN}$")], ...] = Field(
        default=(), description="The domains that may be written to; none named, and all may."
    )
    limit_s: float = Field(default=30.0, gt=0, le=50, description="Seconds that a try may take.")

    @model_validator(mode="after")
    def _password_goes_encrypted(self) -> Self:
        if (self.username is None) != (self.password is None):
            raise ValueError("give username and password, or neither")
        if self.username is not None and self.security is Security.NONE:
            raise ValueError("a password is sent encrypted alone: set security to starttls or tls")
        return self


class EmailTarget(Target):
    """What a watch says."""

    to: tuple[Annotated[str, AfterValidator(_address)], ...] = Field(
        min_length=1,
        max_length=MOST_RECIPIENTS,
        description=(
            "Who it goes to: kim@studio.example or Kim <kim@studio.example>. All of them see each other, and while the "
            "server cannot take it for one, none gets it."
        ),
        examples=[["Kim <kim@studio.example>"]],
    )


class _Ending(smtplib.SMTP):
    """A connection that is hung up on when its time is over: the library's limit begins anew with every few bytes."""

    _timer: threading.Timer | None = None

    def connect(self, *where: Any, **named: Any) -> tuple[int, bytes]:  # noqa: ANN401 - as the library has it
        self._timer = threading.Timer(self.timeout, self._hang_up)
        self._timer.daemon = True
        self._timer.start()
        return super().connect(*where, **named)

    def close(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        super().close()

    def _hang_up(self) -> None:
        if self.sock is not None:
            with contextlib.suppress(OSError):
                # The encrypted socket's own would take the encryption from under who is reading.
                socket.socket.shutdown(self.sock, socket.SHUT_RDWR)


class _EndingEncrypted(_Ending, smtplib.SMTP_SSL):
    """The same, encrypted from the start."""


class _Unfit(Exception):
    """The mail server does not do what is asked of it; the message says what would be right."""


class Email(Channel):
    """Sends messages by SMTP."""

    name: ClassVar[str] = "email"
    Settings: ClassVar[type[BaseModel]] = EmailSettings
    Target: ClassVar[type[BaseModel]] = EmailTarget

    def __init__(self, settings: EmailSettings) -> None:
        self._settings = settings
        self._port = USUAL_PORTS[settings.security] if settings.port is None else settings.port
        self._certificates = trusting(settings.ca_file)
        self._named = f"{settings.host}:{self._port}"

    def send(self, message: Message, target: EmailTarget, *, secrets: Sequence[str], now: datetime) -> Sent:  # type: ignore[override]  # noqa: ARG002 - the host makes targets of this channel's own Target; it signs nothing, and a message's date is its own
        """Hand it to the mail server, for all recipients or for none that may still be had."""
        recipients = list(dict.fromkeys(_read(each).addr_spec for each in target.to))
        if foreign := [each for each in recipients if not self._may_write_to(each)]:
            return Sent(
                Receipt.REFUSED,
                f"{', '.join(foreign)}: not one of the domains that may be written to. The operator enters them as "
                "`recipient_domains` of [channels.email] in tiedown.toml.",
            )
        written = mail_of(message, sender=self._settings.sender, to=target.to)
        try:
            with self._connected() as server:
                return self._hand_over(server, recipients, written)
        except smtplib.SMTPAuthenticationError as error:
            detail = (
                f"The mail server {self._named} does not take our password ({error.smtp_code}). Put username and "
                "password of [channels.email] right."
            )
            return Sent(Receipt.FAILED, detail, error.smtp_code)
        except smtplib.SMTPResponseException as error:
            said = _quoted(error.smtp_code, error.smtp_error)
            detail = f"The mail server {self._named} does not take us: {said}. Ask whoever looks after it."
            return Sent(Receipt.FAILED, detail, error.smtp_code)
        except _Unfit as error:
            return Sent(Receipt.FAILED, str(error))
        except (smtplib.SMTPException, OSError) as error:
            return Sent(Receipt.FAILED, self._broken_off(error))

    def _may_write_to(self, address: str) -> bool:
        allowed = {each.lower() for each in self._settings.recipient_domains}
        return not allowed or address.rpartition("@")[2].lower() in allowed

    @contextlib.contextmanager
    def _connected(self) -> Iterator[smtplib.SMTP]:
        """A server that was greeted, encrypted and signed in to as the settings say."""
        server = self._server()
        try:
            self._begin(server)
            yield server
        finally:
            # What it said of the message holds, however it says good-bye.
            with contextlib.suppress(smtplib.SMTPException, OSError):
                server.quit()
            server.close()

    def _server(self) -> smtplib.SMTP:
        host, port, within_s = self._settings.host, self._port, self._settings.limit_s
        match self._settings.security:
            case Security.TLS:
                return _EndingEncrypted(
                    host, port, local_hostname=_own_name(), timeout=within_s, context=self._certificates
                )
            case Security.STARTTLS | Security.NONE:
                return _Ending(host, port, local_hostname=_own_name(), timeout=within_s)
            case never:
                assert_never(never)

    def _begin(self, server: smtplib.SMTP) -> None:
        server.ehlo_or_helo_if_needed()
        if self._settings.security is Security.STARTTLS:
            if not server.has_extn("starttls"):
                raise _Unfit(
                    f"The mail server {self._named} offers no STARTTLS, and without it nothing is sent. Have it "
                    "switched on, or use its port for TLS with security = 'tls'."
                )
            server.starttls(context=self._certificates)
            server.ehlo_or_helo_if_needed()
        if self._settings.username is not None and self._settings.password is not None:
            if not server.has_extn("auth"):
                raise _Unfit(f"The mail server {self._named} asks for no password; leave out username and password.")
            server.login(self._settings.username, self._settings.password.get_secret_value())

    def _hand_over(self, server: smtplib.SMTP, recipients: Sequence[str], written: bytes) -> Sent:
        code, said = server.mail(
            _read(self._settings.sender).addr_spec, [f"size={len(written)}"] * server.has_extn("size")
        )
        if code == TOO_LARGE:
            return _refused(f"The message is too large for {self._named}", code, said)
        if code != 250:  # noqa: PLR2004 - RFC 5321, 4.2.2: done
            raise smtplib.SMTPResponseException(code, said)
        answers = {each: server.rcpt(each) for each in recipients}
        taken = [each for each, (code, _) in answers.items() if 200 <= code < 300]  # noqa: PLR2004 - RFC 5321, 4.2.1: 2 is done
        later = {each: answer for each, answer in answers.items() if each not in taken and answer[0] < 500}  # noqa: PLR2004 - RFC 5321, 4.2.1: 5 is for good
        never = {each: answer for each, answer in answers.items() if each not in taken and each not in later}
        if later:
            # Nothing was said yet that it could deliver, whether or not it hears this.
            with contextlib.suppress(smtplib.SMTPException, OSError):
                server.rset()
            return Sent(
                Receipt.FAILED,
                f"{self._named} cannot take it for {_named(later)} at the moment, so nobody got it yet; all are tried "
                "again. Where one address lasts, give it a watch of its own.",
                next(iter(later.values()))[0],
            )
        if not taken:
            return Sent(
                Receipt.REFUSED,
                f"{self._named} takes it for none of {_named(never)}. Put these right, then send it again.",
                next(iter(never.values()))[0],
            )
        return self._deliver(server, written, never)

    def _deliver(self, server: smtplib.SMTP, written: bytes, never: Mapping[str, tuple[int, bytes]]) -> Sent:
        said: bytes | str
        try:
            code, said = server.data(written)
        except smtplib.SMTPDataError as error:
            code, said = error.smtp_code, error.smtp_error
        if code == 250:  # noqa: PLR2004 - RFC 5321, 4.2.2: done
            missed = f" Not for {_named(never)}: put these addresses of the watch right." if never else ""
            return Sent(Receipt.DELIVERED, f"{self._named} took it.{missed}", code)
        if code >= 500:  # noqa: PLR2004 - RFC 5321, 4.2.1: 5 is for good
            return _refused(f"{self._named} does not take this message", code, said)
        return Sent(Receipt.FAILED, f"{self._named} cannot take it at the moment: {_quoted(code, said)}.", code)

    def _broken_off(self, error: Exception) -> str:
        if (wrong := doubt(error)) is not None:
            return (
                f"The certificate of the mail server {self._named} is not good: {wrong}. It has to be put right, or "
                "`host` of [channels.email] be the name in it; `ca_file` there believes an authority of your own."
            )
        if isinstance(error, smtplib.SMTPServerDisconnected | TimeoutError | ConnectionResetError | BrokenPipeError):
            return (
                f"The mail server {self._named} broke the connection off, or did not answer within "
                f"{self._settings.limit_s:g} s. Whether it took the message is not known; it is sent again under the "
                "same Message-ID."
            )
        if isinstance(error, socket.gaierror):
            return (
                f"There is no address for the mail server {self._settings.host!r}: is `host` of [channels.email] right?"
            )
        return f"The mail server {self._named} cannot be worked with ({error}). Does it run, and is that its port?"


def mail_of(message: Message, *, sender: str, to: Sequence[str]) -> bytes:
    """The mail, in ASCII: headers, the text, and the page as its alternative."""
    mail = EmailMessage(policy=SMTP)
    origin = _read(sender)
    mail["From"] = origin
    mail["To"] = [_read(each) for each in to]
    mail["Subject"] = _one_line(message.subject)
    mail["Date"] = format_datetime(message.made_at)
    mail["Message-ID"] = f"<{message.id}@{origin.domain}>"
    # RFC 3834: so that nobody's absence answers.
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(_whole(message.text), cte="quoted-printable")
    mail.add_alternative(_whole(message.html), subtype="html", cte="quoted-printable")
    return mail.as_bytes()


def _read(written: str) -> Address:
    read = _WRITTEN.fullmatch(written.strip())
    if read is None:
        raise ValueError("it is no address of mail")
    return Address(display_name=_one_line(read["name"] or ""), addr_spec=read["inner"] or read["plain"])


def _one_line(text: str) -> str:
    """Text for a header: one line, and without `=?`, which would be taken for an encoded word, line ends and all."""
    plain = "".join(letter if letter.isprintable() else " " for letter in _whole(text)).replace("=?", "= ?")
    line = " ".join(plain.split())
    return line if len(line) <= LONGEST_SUBJECT else f"{line[: LONGEST_SUBJECT - 1]}…"


def _whole(text: str) -> str:
    """Without half characters, which JSON may carry and no mail."""
    return text.encode(errors="replace").decode()


def _own_name() -> str:
    # Not getfqdn, which asks name servers for as long as they like.
    name = socket.gethostname()
    return name if "." in name else "[127.0.0.1]"


def _refused(what: str, code: int, said: bytes | str) -> Sent:
    return Sent(Receipt.REFUSED, f"{what}: {_quoted(code, said)}. Once that is put right, send this again.", code)


def _named(answers: Mapping[str, tuple[int, bytes]]) -> str:
    return ", ".join(f"{address} ({_quoted(*answer)})" for address, answer in answers.items())


def _quoted(code: int, said: bytes | str) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return f"{code} {_one_line(text)}"[:LONGEST_QUOTE].strip()
