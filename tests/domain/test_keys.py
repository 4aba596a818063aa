"""Scopes, tokens, and when a key opens the door."""

import hashlib
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.keys import KeyState, Scope, Sealed, Token, digest_of, key_state, token_text

NOW = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
COVERED = {
    Scope.ADMIN: {Scope.ADMIN, Scope.COORDINATE, Scope.READ},
    Scope.COORDINATE: {Scope.COORDINATE, Scope.READ},
    Scope.READ: {Scope.READ},
    Scope.COUNT: {Scope.COUNT},
}


def test_each_scope_covers_what_is_below_it_and_count_stands_alone() -> None:
    assert {scope: {needed for needed in Scope if scope.covers(needed)} for scope in Scope} == COVERED


def test_token_is_written_as_rfc_4648_says() -> None:
    # RFC 4648, section 10: "fooba" in base 32 is MZXW6YTB; section 5 writes 0xfb 0xff as "-_8".
    text = token_text(b"fooba", b"\xfb\xff" + bytes(30))
    assert text.startswith("td_mzxw6ytb_-_8")
    assert len(text) == 3 + 8 + 1 + 43


@given(st.binary(min_size=5, max_size=5), st.binary(min_size=32, max_size=32))
def test_token_is_read_as_it_was_written(prefix: bytes, secret: bytes) -> None:
    text = token_text(prefix, secret)
    token = Token.of(text)
    assert token is not None
    assert token.prefix == text[3:11]
    assert token.proves(hashlib.sha256(text.encode()).hexdigest())
    assert not token.proves(digest_of(text[:-1] + ("A" if text[-1] != "A" else "B")))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "td_",
        "td_aaaaaaaa",
        "td_AAAAAAAA_" + "x" * 43,
        "td_aaaaaaaa_" + "x" * 42,
        "td_aaaaaaaa_" + "x" * 44,
        "td_aaaaaaa1_" + "x" * 43,
        "td_aaaaaaaa_" + "x" * 42 + "\n",
        " td_aaaaaaaa_" + "x" * 43,
    ],
)
def test_what_is_no_token_is_none(text: str) -> None:
    assert Token.of(text) is None


def test_token_of_other_sizes_is_not_made() -> None:
    with pytest.raises(ValueError, match="5 and 32 bytes"):
        token_text(b"1234", bytes(32))


def test_key_is_expired_from_the_instant_on_and_revoked_for_good() -> None:
    second = timedelta(seconds=1)
    assert key_state(expires_at=None, revoked_at=None, now=NOW) is KeyState.LIVE
    assert key_state(expires_at=NOW + second, revoked_at=None, now=NOW) is KeyState.LIVE
    assert key_state(expires_at=NOW, revoked_at=None, now=NOW) is KeyState.EXPIRED
    assert key_state(expires_at=NOW - second, revoked_at=NOW - second, now=NOW) is KeyState.REVOKED


@given(st.binary(min_size=5, max_size=5), st.binary(min_size=32, max_size=32), st.integers(0, 10**10 - 1))
def test_a_sealed_token_opens_by_the_digest_of_its_own_and_until_its_own_instant(
    prefix: bytes, secret: bytes, until_s: int
) -> None:
    text = token_text(prefix, secret)
    sealed = Sealed.by(text, until=datetime.fromtimestamp(until_s, UTC))
    # What a cookie's value may hold: RFC 6265, section 4.1.1.
    assert re.fullmatch(r"[\x21\x23-\x2b\x2d-\x3a\x3c-\x5b\x5d-\x7e]+", sealed.text)
    assert Sealed.of(sealed.text) == sealed
    assert sealed.token(digest_of(text)) == Token.of(text)
    # The mask anew, by HMAC as RFC 2104, section 2, defines it: with a key of one block, padded with zeros.
    key = digest_of(text).encode()
    inner = hashlib.sha256(bytes(each ^ 0x36 for each in key) + f"sealed {text[3:11]} {until_s}".encode()).digest()
    mask = hashlib.sha256(bytes(each ^ 0x5C for each in key) + inner).digest()
    assert bytes(one ^ other for one, other in zip(sealed.hidden, mask, strict=True)) == secret

    assert sealed.token(digest_of(text + "x")) is None
    assert (
        replace(sealed, until=sealed.until + timedelta(seconds=1 if until_s < 10**10 - 1 else -1)).token(
            digest_of(text)
        )
        is None
    )
    assert replace(sealed, hidden=bytes([sealed.hidden[0] ^ 1, *sealed.hidden[1:]])).token(digest_of(text)) is None
