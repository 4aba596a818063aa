"""What happens to every request before it reaches a route: its size is bounded, HEAD is answered, a line is logged."""

import hashlib
import logging
import time
from http import HTTPStatus

from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.errors import answer
from service.api.refusals import BodyTooLarge
from service.api.turns import announced_bytes

BODY_DIGEST = "tiedown.body_sha256"
# Whoever answers without an end must know that nobody takes a body.
HEAD_ASKED = "tiedown.head_asked"
CONTENT_TYPE, ENDLESS = b"content-type", b"text/event-stream"

access_log = logging.getLogger("tiedown.access")


class AccessLog:
    """Logs each request: what was asked, what was answered, how long it took. Keys are in none of it.

    A client that went away before all of its body came has no answer, and no status. A stream is logged when it begins,
    and again when it ends: how long somebody listened is not how long the answer took.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer and log."""
        if scope["type"] != "http" or not access_log.isEnabledFor(logging.INFO):
            await self.app(scope, receive, send)
            return
        began_s = time.perf_counter()
        status: int | None = None
        streams = False

        async def noted(message: Message) -> None:
            nonlocal status, streams
            if message["type"] == "http.response.start":
                status = message["status"]
                streams = any(value.startswith(ENDLESS) for name, value in message["headers"] if name == CONTENT_TYPE)
                if streams:
                    _log("answered", scope, status, took_ms=_ms_since(began_s))
            await send(message)

        try:
            await self.app(scope, receive, noted)
        except Exception:
            status = status or HTTPStatus.INTERNAL_SERVER_ERROR
            raise
        finally:
            if streams:
                _log("the stream ended", scope, status, lasted_s=round(time.perf_counter() - began_s, 1))
            else:
                what = "answered" if status else "gone before it was answered"
                _log(what, scope, status, took_ms=_ms_since(began_s))


def _ms_since(began_s: float) -> float:
    return round((time.perf_counter() - began_s) * 1000, 1)


def _log(what: str, scope: Scope, status: int | None, **measured: float) -> None:
    access_log.info(what, extra={"method": scope["method"], "path": scope["path"], "status": status, **measured})


class HeadAsGet:
    """Answers HEAD as GET would be answered, without the body (RFC 9110, 9.3.2)."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, the body of HEAD left out."""
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self.app(scope, receive, send)
            return

        async def bodiless(message: Message) -> None:
            await send({**message, "body": b""} if message["type"] == "http.response.body" else message)

        await self.app({**scope, "method": "GET", HEAD_ASKED: True}, receive, bodiless)


class BodyLimit:
    """Refuses a body of more than `limit_bytes`, announced or not, and leaves the SHA-256 of others in the scope."""

    def __init__(self, app: ASGIApp, limit_bytes: int) -> None:
        self.app = app
        self.limit_bytes = limit_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Read the body up to the limit, then answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        try:
            body = None if (announced_bytes(scope) or 0) > self.limit_bytes else await self._read(receive)
        except ClientDisconnect:
            # Nobody waits for the answer; half a body must not look like a whole one.
            return
        if body is None:
            refusal = answer(BodyTooLarge(self.limit_bytes))
            # What was not read is still on its way, so the connection cannot serve another request.
            refusal.headers["Connection"] = "close"
            await refusal(scope, receive, send)
            return
        scope[BODY_DIGEST] = hashlib.sha256(body).hexdigest()
        messages: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

        async def replayed() -> Message:
            return messages.pop() if messages else await receive()

        await self.app(scope, replayed, send)

    async def _read(self, receive: Receive) -> bytes | None:
        chunks: list[bytes] = []
        read_bytes = 0
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                raise ClientDisconnect
            chunks.append(message.get("body", b""))
            read_bytes += len(chunks[-1])
            if read_bytes > self.limit_bytes:
                return None
            if not message.get("more_body", False):
                return b"".join(chunks)
