"""Notices by webhook: a signed POST in the convention Standard Webhooks 1.0.0.

Headers `webhook-id` (the message's, the same at every try), `webhook-timestamp` (of the try, in seconds) and
`webhook-signature` (one for each secret of the watch); the body is `{"type", "timestamp", "data"}`. 2xx is taken, 410
says that nothing is wanted there any more, everything else is tried again, redirects among it: whoever moved says where
to in the watch. Sent by httpcore, which httpx is made of, because that alone lets a connection be judged before it is
made; it knows no redirects, cookies, proxies or passwords.
"""

import json
import ssl
from collections.abc import Sequence
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated, ClassVar

import httpcore
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from service.domain.channels import Receipt
from service.domain.signatures import BadSecret, signature
from workers.channels.certificates import doubt, trusting
from workers.channels.connecting import Barred, Gate, NotFound, Resolve, TooMuch, look_up
from workers.channels.contract import Channel, Message, Sent, Target
from workers.channels.targets import LONGEST_URL, place_of

# Longer than this nobody is left alone, whatever they ask.
LONGEST_RETRY_AFTER_S = 86_400.0
# So much of a reply is waited for, that a receiver which is still writing is not cut short.
POLITE_BYTES = 4096
GONE = 410


def _network(text: str) -> str:
    if ip_network(text).prefixlen == 0:
        raise ValueError("name the networks themselves; this is every address there is")
    return text


class WebhookSettings(BaseModel):
    """The operator's part."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    private_networks: tuple[Annotated[str, AfterValidator(_network)], ...] = Field(
        default=(),
        max_length=100,
        description=(
            'Networks that are not public and may yet be sent to, such as "10.20.0.0/16". Inside them http:// is '
            "allowed, too. Whoever may enter a watch may then send a POST to any machine there."
        ),
    )
    ca_file: Path | None = Field(
        default=None, description="A file of certificate authorities, in PEM, that are believed beside the public ones."
    )
    limit_s: float = Field(
        default=15.0, gt=0, le=50, description="Seconds that a try may take, from looking up the name to the answer."
    )


def _web_address(url: str) -> str:
    place_of(url)
    return url


class WebhookTarget(Target):
    """What a watch says."""

    url: Annotated[str, AfterValidator(_web_address)] = Field(
        max_length=LONGEST_URL,
        pattern="^[Hh][Tt][Tt][Pp][Ss]?://",
        description=(
            "Where to send to: https://HOST/PATH, without user and password. Inside networks that the operator has "
            "opened it may be http://. Redirects are not followed."
        ),
        examples=["https://hooks.studio.example/tiedown"],
    )


class Webhook(Channel):
    """Sends messages by HTTP. One for a whole process."""

    name: ClassVar[str] = "webhook"
    Settings: ClassVar[type[BaseModel]] = WebhookSettings
    Target: ClassVar[type[BaseModel]] = WebhookTarget

    def __init__(self, settings: WebhookSettings, resolve: Resolve = look_up) -> None:
        self._settings, self._resolve = settings, resolve
        self._certificates = trusting(settings.ca_file)
        self._networks = [ip_network(each) for each in settings.private_networks]

    def send(self, message: Message, target: WebhookTarget, *, secrets: Sequence[str], now: datetime) -> Sent:  # type: ignore[override]  # the host makes targets of this channel's own Target
        """Post it. Refused is what has no good secret or may not be connected to."""
        place = place_of(target.url)
        body = body_of(message)
        timestamp = int(now.timestamp())
        if not secrets:
            return Sent(Receipt.REFUSED, "The watch has no secret to sign with. Give it one, then send this again.")
        try:
            signed = " ".join(signature(each, message.id, timestamp=timestamp, body=body) for each in secrets)
        except BadSecret as error:
            return Sent(Receipt.REFUSED, f"A secret of the watch cannot sign: {error}. Give it a new one.")
        headers = {
            "host": place.authority,
            "content-length": str(len(body)),
            "content-type": "application/json",
            "accept-encoding": "identity",
            "user-agent": "tiedown",
            "webhook-id": message.id,
            "webhook-timestamp": str(timestamp),
            "webhook-signature": signed,
        }
        gate = Gate(
            self._networks,
            certificates=self._certificates if place.scheme == "https" else None,
            limit_s=self._settings.limit_s,
            resolve=self._resolve,
        )
        request = httpcore.Request(
            "POST",
            httpcore.URL(scheme=place.scheme, host=place.host, port=place.port, target=place.path),
            headers=list(headers.items()),
            content=body,
        )
        return self._post(request, gate, place.named, now=now)

    def _post(self, request: httpcore.Request, gate: Gate, where: str, *, now: datetime) -> Sent:
        try:
            with httpcore.ConnectionPool(
                ssl_context=ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT), network_backend=gate
            ) as pool:
                answer = pool.handle_request(request)
                try:
                    return _told(answer, where, now=now)
                finally:
                    _read_a_little(answer)
        except Barred as error:
            return Sent(Receipt.REFUSED, str(error))
        except NotFound:
            detail = f"No address was found for {where}. Is the name right, and does this machine's name server answer?"
        except TooMuch:
            detail = f"{where} answered with far more than an answer; a receiver says 2xx and closes."
        except httpcore.TimeoutException:
            detail = (
                f"{where} did not answer within {self._settings.limit_s:g} s. A receiver should say 2xx at once and "
                "do its work afterwards."
            )
        except httpcore.ConnectError as error:
            if (wrong := doubt(error)) is not None:
                detail = (
                    f"The certificate of {where} is not good: {wrong}. The receiver's has to be put right; one of an "
                    "authority of your own is believed with `ca_file` of [channels.webhook]."
                )
            else:
                detail = (
                    f"{where} takes no connection ({error}). Does the receiver run, and does a firewall let us out?"
                )
        except (httpcore.NetworkError, httpcore.ProtocolError) as error:
            detail = f"{where} broke the connection off, or does not speak HTTP ({error})."
        return Sent(Receipt.FAILED, detail)


def body_of(message: Message) -> bytes:
    """The body, as the convention recommends it: `type`, `timestamp` (of the message) and `data`."""
    said = {
        "type": message.kind,
        "timestamp": message.made_at.isoformat().replace("+00:00", "Z"),
        "data": dict(message.data),
    }
    return json.dumps(said, ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode()


def retry_after_s(value: str, *, now: datetime) -> float | None:
    """Seconds a `Retry-After` (RFC 9110, 10.2.3: seconds or a date) asks for, a day at most; None of anything else."""
    written = value.strip()
    if written.isascii() and written.isdigit():
        return min(float(written), LONGEST_RETRY_AFTER_S)
    try:
        until = parsedate_to_datetime(written)
        until = until.replace(tzinfo=UTC) if until.tzinfo is None else until
        asked = (until - now).total_seconds()
    except (ValueError, TypeError, OverflowError):
        return None
    return min(max(asked, 0.0), LONGEST_RETRY_AFTER_S)


def _told(answer: httpcore.Response, where: str, *, now: datetime) -> Sent:
    """By the status alone. What else a reply says is not kept: a watch must not become a way to read other machines."""
    status = answer.status
    if 200 <= status < 300:  # noqa: PLR2004 - the class of statuses that says yes
        return Sent(Receipt.DELIVERED, f"{where} took it.", status)
    if status == GONE:
        return Sent(Receipt.GONE, f"{where} says that nothing is wanted there any more (410).", status)
    asked = next((value for name, value in answer.headers if name.lower() == b"retry-after"), b"")
    pause = retry_after_s(asked.decode("latin-1"), now=now)
    if 300 <= status < 400:  # noqa: PLR2004 - the class of statuses that redirects
        detail = f"{where} wants to redirect ({status}), which is never followed. Enter the new address in the watch."
    else:
        detail = f"{where} answered {status}, and should say 2xx. What it lacked is in the receiver's own log."
    return Sent(Receipt.FAILED, detail, status, pause)


def _read_a_little(answer: httpcore.Response) -> None:
    read = 0
    try:
        for piece in answer.iter_stream():
            read += len(piece)
            if read >= POLITE_BYTES:
                break
    except (httpcore.TimeoutException, httpcore.NetworkError, httpcore.ProtocolError, TooMuch):
        return  # What it said with its status holds, however it goes on.
    finally:
        answer.close()
