"""How webhooks are signed, held to what others published."""

import base64
from datetime import UTC, datetime

import pytest
from standardwebhooks import Webhook

from service.domain.signatures import BadSecret, digest, key_of, secret_of, signature

# The vector of the Standard Webhooks 1.0.0 specification, as its repository has it.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
ID, AT, BODY = "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, b'{"test": 2432232314}'


def test_a_signature_is_that_of_the_specification_of_its_package_and_of_the_standard_of_hmac() -> None:
    assert signature(SECRET, ID, timestamp=AT, body=BODY) == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    longest = secret_of(bytes(range(64)))
    packaged = Webhook(longest).sign(ID, datetime.fromtimestamp(AT, tz=UTC), BODY.decode())
    assert signature(longest, ID, timestamp=AT, body=BODY) == packaged
    # RFC 4231, test case 2.
    found = digest(b"Jefe", b"what do ya want for nothing?")
    assert found.hex() == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


@pytest.mark.parametrize("length", [0, 23, 65])
def test_a_secret_has_24_to_64_bytes(length: int) -> None:
    with pytest.raises(BadSecret):
        secret_of(bytes(length))
    with pytest.raises(BadSecret, match=r"`whsec_` and then the base64 of 24 to 64 bytes"):
        key_of("whsec_" + base64.b64encode(bytes(length)).decode())


@pytest.mark.parametrize(
    "secret", [SECRET.removeprefix("whsec_"), "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaS", "whsec_é" * 12]
)
def test_what_is_no_secret_is_refused_and_never_shown(secret: str) -> None:
    with pytest.raises(BadSecret) as refused:
        key_of(secret)
    assert secret not in str(refused.value)
