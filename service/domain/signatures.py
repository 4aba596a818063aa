"""Signatures of webhooks, in the convention Standard Webhooks 1.0.0: HMAC-SHA-256 over `id.timestamp.body`."""

import base64
import binascii
import hashlib
import hmac

SECRET_PREFIX = "whsec_"  # noqa: S105 - what every secret begins with, and none itself
LEAST_BYTES, MOST_BYTES = 24, 64


class BadSecret(Exception):
    """A secret is `whsec_` and then the base64 of 24 to 64 bytes."""

    def __init__(self) -> None:
        # What was given is not shown: it may be a real secret with a slip of the pen.
        super().__init__(f"a secret is `{SECRET_PREFIX}` and then the base64 of {LEAST_BYTES} to {MOST_BYTES} bytes")


def secret_of(key: bytes) -> str:
    """The secret, as a receiver enters it, of 24 to 64 random bytes. Raises BadSecret of any other number."""
    if not LEAST_BYTES <= len(key) <= MOST_BYTES:
        raise BadSecret
    return SECRET_PREFIX + base64.b64encode(key).decode()


def key_of(secret: str) -> bytes:
    """The bytes of a secret. Raises BadSecret."""
    try:
        key = base64.b64decode(secret.removeprefix(SECRET_PREFIX), validate=True)
    except (binascii.Error, ValueError):
        raise BadSecret from None
    if not (secret.startswith(SECRET_PREFIX) and LEAST_BYTES <= len(key) <= MOST_BYTES):
        raise BadSecret
    return key


def signature(secret: str, message_id: str, *, timestamp: int, body: bytes) -> str:
    """`v1,BASE64` of a body sent under an id at a time in whole seconds since 1970. Raises BadSecret."""
    signed = f"{message_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(digest(key_of(secret), signed)).decode()


def digest(key: bytes, signed: bytes) -> bytes:
    """HMAC-SHA-256 (RFC 2104)."""
    return hmac.new(key, signed, hashlib.sha256).digest()
