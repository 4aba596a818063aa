"""Bodies are read strictly, and whoever sends one cannot keep the service busy with it."""

import json

import pytest

from service.api.refusals import BrokenJson
from service.api.strict import MOST_DIGITS, MOST_MEMBERS, read_json


def test_an_object_of_more_members_than_any_has_is_refused_at_once() -> None:
    members = {f"k{number}": number for number in range(MOST_MEMBERS)}
    assert read_json(json.dumps([members]).encode()) == [members]
    with pytest.raises(BrokenJson, match=f"101 members, and no object here has more than {MOST_MEMBERS}"):
        read_json(json.dumps([members | {"more": 0}]).encode())


def test_a_number_of_more_digits_than_any_has_is_refused_in_plain_words() -> None:
    digits = "9" * MOST_DIGITS
    assert read_json(digits.encode()) == int(digits)
    with pytest.raises(BrokenJson, match=f"1001 digits, and none here has more than {MOST_DIGITS}"):
        read_json(digits.encode() + b"9")
