"""API keys: scopes, the shape of a token, and how a cookie holds one for some hours."""

import hashlib
import hmac
import re
from base64 import b32encode, urlsafe_b64decode, urlsafe_b64encode
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import assert_never

PREFIX_BYTES = 5
SECRET_BYTES = 32

_TOKEN = re.compile(r"td_([a-z2-7]{8})_([A-Za-z0-9_\-]{43})")
_SEALED = re.compile(r"([a-z2-7]{8})\.([0-9]{1,10})\.([A-Za-z0-9_\-]{43})")


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


@dataclass(frozen=True, slots=True)
class Sealed:
    """A token as it may lie about for some hours: written down, it opens what the token opens, `until` an instant.

    Nothing is kept of it. The secret is hidden (exclusive or) by an HMAC-SHA256 (RFC 2104) of prefix and instant under
    the digest that is kept of the token. So whoever has this alone finds neither the secret nor another `until`, and
    whoever has the digest alone can make none, for want of the secret that the digest is checked with.
    """

    prefix: str
    until: datetime
    hidden: bytes

    @classmethod
    def by(cls, text: str, *, until: datetime) -> "Sealed":
        """The token written in *text*, sealed until an instant of whole seconds; raises ValueError where it is none."""
        found = _TOKEN.fullmatch(text)
        if found is None:
            raise ValueError("only a token can be sealed")
        return cls(found[1], until, _hide(_bytes(found[2]), found[1], until, digest=digest_of(text)))

    @classmethod
    def of(cls, text: str) -> "Sealed | None":
        """What is written in *text*, None where it is none."""
        found = _SEALED.fullmatch(text)
        return None if found is None else cls(found[1], datetime.fromtimestamp(int(found[2]), UTC), _bytes(found[3]))

    @property
    def text(self) -> str:
        """How it is written: prefix, seconds of Unix time, 43 characters of base64url, with dots between."""
        return f"{self.prefix}.{int(self.until.timestamp())}.{_written(self.hidden)}"

    def token(self, digest: str) -> Token | None:
        """The token inside, None where it is not the one *digest* was kept of."""
        secret = _hide(self.hidden, self.prefix, self.until, digest=digest)
        token = Token(self.prefix, digest_of(f"td_{self.prefix}_{_written(secret)}"))
        return token if token.proves(digest) else None


def _hide(secret: bytes, prefix: str, until: datetime, *, digest: str) -> bytes:
    """Hide a secret, or find a hidden one."""
    about = f"sealed {prefix} {int(until.timestamp())}"
    mask = hmac.digest(digest.encode(), about.encode(), hashlib.sha256)
    return bytes(one ^ other for one, other in zip(secret, mask, strict=True))


def _bytes(written: str) -> bytes:
    return urlsafe_b64decode(f"{written}=")


def _written(secret: bytes) -> str:
    return urlsafe_b64encode(secret).decode().rstrip("=")


def token_text(prefix: bytes, secret: bytes) -> str:
    """The token of 5 and 32 random bytes: `td_`, 8 characters of base 32, `_`, 43 of base64url (RFC 4648)."""
    if (len(prefix), len(secret)) != (PREFIX_BYTES, SECRET_BYTES):
        raise ValueError(f"a token takes {PREFIX_BYTES} and {SECRET_BYTES} bytes")
    return f"td_{b32encode(prefix).decode().lower()}_{_written(secret)}"


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
