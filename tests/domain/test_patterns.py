"""Patterns find the code of a shot, and nothing makes them slow."""

import re
from fnmatch import fnmatchcase

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.codes import is_code
from service.domain.patterns import MOST_STARS, NamePattern, PatternUnclear


@pytest.mark.parametrize(
    ("pattern", "text", "shot"),
    [
        ("{shot}", "q12", "q12"),
        ("{shot}", "  q12\t", "q12"),
        ("bt_{shot}_v*", "BT_q12_V003.mov", "q12"),
        ("bt_{shot}_v*", "bt_Q12b_v", "Q12b"),
        ("* FROM CLIP NAME: {shot}", "* FROM CLIP NAME:  q12", "q12"),
        ("* from clip name: {shot}.*", "* FROM CLIP NAME: q12.mov", "q12"),
        ("*/{shot}/*.tif", "mill/day 3/q12/frame 0001.tif", "q12"),
        # Of several codes that would do, the shortest: here neither b_c nor a_b_c.
        ("*_{shot}_v*", "a_b_c_v1", "c"),
        ("*{shot}-take*", "--q12-take-4", "2"),
        # Of the shortest ones, the first.
        ("*-{shot}-*", "x-a-b-y", "a"),
        # An é typed as two characters is the é typed as one.
        ("{shot}_*", "cafe\u0301_1", "caf\u00e9"),
        ("caf\u00e9_{shot}", "CAFE\u0301_7", "7"),
    ],
)
def test_the_code_is_found(pattern: str, text: str, shot: str) -> None:
    assert NamePattern.of(pattern).shot_in(text) == shot


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        ("bt_{shot}", "xx_q12"),
        ("bt_{shot}_v*", "bt_q12"),
        ("bt_{shot}_v*", "bt__v1"),
        ("{shot}", "q 12"),
        ("{shot}", ""),
        ("{shot}", "a" * 65),
        ("a{shot}a", "aa"),
        ("*ab*{shot}", "ba1"),
        ("q{shot}.mov", "q12xmov"),
    ],
)
def test_a_text_the_pattern_does_not_fit_has_none(pattern: str, text: str) -> None:
    assert NamePattern.of(pattern).shot_in(text) is None


@pytest.mark.parametrize(
    ("pattern", "reason"),
    [
        ("", "{shot} 0 times"),
        ("*", "{shot} 0 times"),
        ("{SHOT}", "{shot} 0 times"),
        ("{shot}-{shot}", "{shot} 2 times"),
        ("*" * (MOST_STARS + 1) + "{shot}", f"{MOST_STARS + 1} times *"),
        ("{shot}" + "x" * 200, "206 characters"),
        ("{shot}\0", "control character"),
    ],
)
def test_a_pattern_that_says_nothing_is_refused_with_the_rule(pattern: str, reason: str) -> None:
    with pytest.raises(PatternUnclear) as refused:
        NamePattern.of(pattern)
    assert reason in str(refused.value)
    assert "as in bt_{shot}_v*" in str(refused.value)


_WORDS = st.lists(st.text(alphabet="abB_-. ", max_size=3), min_size=1, max_size=3).map("*".join)


@given(_WORDS, _WORDS, st.text("aAb_-. ", max_size=9))
def test_it_fits_where_the_shell_s_patterns_fit(before: str, after: str, text: str) -> None:
    """The standard library's fnmatch tries every place the code may stand."""
    pattern = NamePattern.of(before + "{shot}" + after)
    plain, asked = (re.sub(r"\s+", " ", each.strip()) for each in (text, before + "{shot}" + after))
    head, tail = asked.lower().split("{shot}")
    codes = [
        plain[start:stop]
        for start in range(len(plain))
        for stop in range(start + 1, len(plain) + 1)
        if is_code(plain[start:stop])
        and fnmatchcase(plain[:start].lower(), head)
        and fnmatchcase(plain[stop:].lower(), tail)
    ]
    assert pattern.shot_in(text) == min(codes, key=len, default=None)


def test_a_hostile_pattern_and_line_end_at_once() -> None:
    """A backtracking matcher would try 400 places for each of eight stars; this test would not end."""
    pattern = NamePattern.of("*a" * (MOST_STARS - 1) + "*{shot}!")
    assert pattern.shot_in("a" * 400) is None
    assert NamePattern.of("*a*a*a*a{shot}a*a*a*a*!").shot_in("a" * 400) is None
