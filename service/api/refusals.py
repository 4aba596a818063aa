"""What the door itself refuses, before any action is asked."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.domain.keys import Scope
from service.domain.refusals import Fault, Forbidden, Refusal, Unfit
from service.domain.signoffs import Role


@dataclass(eq=False)
class Unproven(Refusal):
    """The request does not prove who sends it."""


@dataclass(eq=False)
class MissingKey(Unproven):
    """An API key is needed here: send it as `Authorization: Bearer td_…`."""


@dataclass(eq=False)
class UnknownKey(Unproven):
    """The API key sent is none of this service's, or is cut short."""


@dataclass(eq=False)
class ExpiredKey(Unproven):
    """The API key {key} expired at {expires_at}: ask for a new one, or have its expiry moved."""

    key: str
    expires_at: str


@dataclass(eq=False)
class RevokedKey(Unproven):
    """The API key {key} was revoked at {revoked_at}: ask for a new one."""

    key: str
    revoked_at: str


@dataclass(eq=False)
class UnfitCookie(Unproven):
    """The cookie opens nothing: it ran out, its key has a new secret, or a page of another origin sent it.

    Whoever has the key gets a new one from `POST /v1/stream/cookie`.
    """


@dataclass(eq=False)
class ScopeTooNarrow(Forbidden):
    """The API key {key} has the scope {scope}; this operation needs {needed}."""

    key: str
    scope: Scope
    needed: tuple[Scope, ...]


@dataclass(eq=False)
class RoleMissing(Forbidden):
    """The API key {key} has the scope {scope} and does not sign as {role}; this needs {needed} or that role."""

    key: str
    scope: Scope
    needed: tuple[Scope, ...]
    role: Role


@dataclass(eq=False)
class BoundToProduction(Forbidden):
    """The API key {key} is bound to one production; this operation concerns the whole studio."""

    key: str


@dataclass(eq=False)
class BrokenJson(Refusal):
    """The body cannot be read as JSON: {problem}."""

    problem: str


@dataclass(eq=False)
class BrokenRequest(Refusal):
    """The request cannot be read as HTTP: {problem}."""

    problem: str


@dataclass(eq=False)
class BodyTooLarge(Refusal):
    """The body is larger than {limit_bytes} bytes, the most this service reads: send less at once."""

    limit_bytes: int


@dataclass(eq=False)
class UnsupportedMedia(Refusal):
    """The body must be JSON in UTF-8, uncompressed, sent with one of these content types: {accepted}."""

    accepted: tuple[str, ...]


@dataclass(eq=False)
class NotAcceptable(Refusal):
    """The answer comes as one of {offered}: name one of them in `Accept`, or leave it out."""

    offered: tuple[str, ...]


@dataclass(eq=False)
class InvalidRequest(Unfit):
    """The request has fields that are missing, unknown or not as they should be; `errors` names each."""

    faults: tuple[Fault, ...]


@dataclass(eq=False)
class IdempotencyKeyReused(Unfit):
    """The Idempotency-Key was used before for another request: use a new one for each new write."""


@dataclass(eq=False)
class MissingPrecondition(Refusal):
    """Say which state you mean to change: send `If-Match` with the ETag you last read; the present one is {etag}."""

    etag: str


@dataclass(eq=False)
class Stale(Refusal):
    """It was changed since you read it: look at `current`, then send `If-Match: {etag}`."""

    etag: str
    current: Mapping[str, Any]


@dataclass(eq=False)
class NotHere(Refusal):
    """There is nothing at {path}; the paths of this service are listed at /docs."""

    path: str


@dataclass(eq=False)
class MethodNotAllowed(Refusal):
    """{method} means nothing at {path}; {allowed} would."""

    method: str
    path: str
    allowed: tuple[str, ...]


@dataclass(eq=False)
class TooBusy(Refusal):
    """The database cannot take this just now: nothing was written, try again in {retry_after_s} s."""

    retry_after_s: int


@dataclass(eq=False)
class OthersFirst(Refusal):
    """Many others are sending as much: nothing of this body was read. Send it again in {retry_after_s} s.

    Its place among them is kept until then.
    """

    retry_after_s: int


@dataclass(eq=False)
class TooManyReaders(Refusal):
    """{readers} readers follow the stream {where} already, the most it may be: try again in {retry_after_s} s."""

    readers: int
    where: str
    retry_after_s: int


@dataclass(eq=False)
class BodyStalled(Refusal):
    """Nothing more of the body came for {waited_s:g} s, and nothing of it was kept: send it again."""

    waited_s: float


@dataclass(eq=False)
class CountsCutShort(Refusal):
    """The database took the first {kept} of {posted} counts and cannot take the others just now.

    Send all of them again in {retry_after_s} s: what is kept is answered as `repeated`.
    """

    kept: int
    posted: int
    retry_after_s: int


@dataclass(eq=False)
class DatabaseUnreachable(Refusal):
    """The database does not answer; a write may or may not have been kept. Try again in {retry_after_s} s.

    A write may be repeated with the same Idempotency-Key, a count as it is.
    """

    retry_after_s: int


@dataclass(eq=False)
class InternalError(Refusal):
    """The service failed to answer, and the fault is its own; what happened is in its log."""
