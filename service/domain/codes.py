"""Codes and lines: what people name things with."""

import re
import unicodedata

LONGEST_CODE = 64
CODE_RULE = "1 to 64 characters: a letter, a digit or '_' first, then also '.' and '-'"

_CODE = re.compile(rf"\w[\w.\-]{{0,{LONGEST_CODE - 1}}}")


def is_code(text: str) -> bool:
    """Whether *text* may name a thing: 1 to 64 letters or digits of any script, then also `_`, `.`, `-`.

    No spaces, slashes or control characters.
    """
    return _CODE.fullmatch(text) is not None


def composed(text: str) -> str:
    """*text* in Unicode normal form C, so that é typed on two keyboards names one thing."""
    return unicodedata.normalize("NFC", text)


def unprintable(text: str) -> str | None:
    """The first character of *text* that cannot stand in a line of text, or None.

    Such are control characters (NUL among them), line and paragraph separators, and halves of surrogate pairs.
    """
    return next((char for char in text if unicodedata.category(char) in {"Cc", "Cs", "Zl", "Zp"}), None)
