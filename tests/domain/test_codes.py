"""Codes, lines of text, and refusals that speak."""

import unicodedata
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.codes import composed, is_code, unprintable
from service.domain.refusals import Clash


@pytest.mark.parametrize("text", ["1", "0120", "12B", "lantern-bay", "a.b_c-d", "Möwe", "灯台", "x" * 64])
def test_code_is_letters_digits_and_three_marks(text: str) -> None:
    assert is_code(text)


@pytest.mark.parametrize(
    "text", ["", "-a", ".a", "a b", "a/b", "a\n", "\n", "a\0", "a%", "x" * 65, "\N{FISH}", "\u202ea", "a\ud800"]
)
def test_other_text_is_no_code(text: str) -> None:
    assert not is_code(text)


@given(st.text(max_size=80))
def test_code_holds_nothing_that_a_path_or_a_line_cannot(text: str) -> None:
    if is_code(text):
        assert not set("/?#%\0 \n") & set(text)
        assert unprintable(text) is None
        assert is_code(composed(text)) or len(composed(text)) > 64


def test_letters_are_composed() -> None:
    # Unicode Standard Annex 15: e and a combining acute accent compose to U+00E9.
    assert composed("e\u0301") == "\u00e9"
    assert unicodedata.is_normalized("NFC", composed("e\u0301"))


@pytest.mark.parametrize(("text", "char"), [("a\tb", "\t"), ("a\0", "\0"), ("\x7f", "\x7f"), ("\u2028", "\u2028")])
def test_first_unprintable_character_is_found(text: str, char: str) -> None:
    assert unprintable(text) == char


@dataclass(eq=False)
class BootTooSmall(Clash):
    """The boot of {puppet} is too small for {toes}.

    Make another.
    """

    puppet: str
    toes: tuple[str, ...]


def test_refusal_speaks_with_its_facts_and_is_named_by_its_type() -> None:
    refusal = BootTooSmall("Ida", ("one", "two"))
    assert str(refusal) == "The boot of Ida is too small for one, two. Make another."
    assert refusal.facts() == {"puppet": "Ida", "toes": ("one", "two")}
    assert BootTooSmall.slug() == "boot-too-small"


def test_braces_in_a_fact_stay_braces() -> None:
    assert str(BootTooSmall("{toes}", ())) == "The boot of {toes} is too small for . Make another."
