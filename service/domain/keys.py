"""API keys: scopes and the shape of a token."""

import hashlib
import hmac
import re
from base64 import b32encode, urlsafe_b64encode
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import assert_never

PREFIX_BYTES = 5
SECRET_BYTES = 32

_TOKEN = re.compile(r"td_([a-z2-7]{8})_([A-Za-z0-9_\-]{43})")


class Scope(StrEnum):
    """What a key may do. `admin` may all that `coordinate` may, which may all that `read` may; `count` stands alone."""

    COUNT = "count"
    READ = "read"
    COORDINATE = "coordinate"
    ADMIN = "admin"

    def covers(self, needed: "Scope") -> bool:
        """Whether a key of this scope may do what needs *needed*."""
        match self:
            case Scope.COUNT:
                return needed is Scope.COUNT
            case Scope.READ:
                return needed is Scope.READ
            case Scope.COORDINATE:
                return needed in {Scope.READ, Scope.COORDINATE}
            case Scope.ADMIN:
                return needed in {Scope.READ, Scope.COORDINATE, Scope.ADMIN}
            case _:
                assert_never(self)


@dataclass(frozen=True, slots=True)
class Token:
    """What a caller presents: the prefix finds the key, the digest proves the secret."""

    prefix: str
    digest: str

    @classmethod
    def of(cls, text: str) -> "Token | None":
        """The token written in *text*, None where it is none."""
        found = _TOKEN.fullmatch(text)
        return None if found is None else cls(prefix=found[1], digest=digest_of(text))

    def proves(self, digest: str) -> bool:
        """Whether this token is the one *digest* was kept of; takes the same time whichever character differs."""
        return hmac.compare_digest(self.digest, digest)


def token_text(prefix: bytes, secret: bytes) -> str:
    """The token of 5 and 32 random bytes: `td_`, 8 characters of base 32, `_`, 43 of base64url (RFC 4648)."""
    if (len(prefix), len(secret)) != (PREFIX_BYTES, SECRET_BYTES):
        raise ValueError(f"a token takes {PREFIX_BYTES} and {SECRET_BYTES} bytes")
    return f"td_{b32encode(prefix).decode().lower()}_{urlsafe_b64encode(secret).decode().rstrip('=')}"


def digest_of(text: str) -> str:
    """SHA-256 of a token, in hexadecimal: all of a token that is kept."""
    return hashlib.sha256(text.encode()).hexdigest()


class KeyState(StrEnum):
    """Whether a key opens the door."""

    LIVE = "live"
    EXPIRED = "expired"
    REVOKED = "revoked"


def key_state(*, expires_at: datetime | None, revoked_at: datetime | None, now: datetime) -> KeyState:
    """How a key stands at *now*; a key is expired from the instant `expires_at` on."""
    if revoked_at is not None:
        return KeyState.REVOKED
    if expires_at is not None and expires_at <= now:
        return KeyState.EXPIRED
    return KeyState.LIVE
