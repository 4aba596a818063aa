"""Frame rates: exact rationals, never floats."""

import re
from fractions import Fraction

RATE_RULE = "numerator/denominator in frames per second, as 25/1 or 30000/1001, between 1/1 and 1000/1"

_RATE = re.compile(r"([0-9]{1,6})/([0-9]{1,6})")
_SLOWEST, _FASTEST = Fraction(1), Fraction(1000)


def rate_of(text: str) -> Fraction | None:
    """The frame rate written as `num/den`, reduced.

    None where *text* is none or lies outside 1 to 1000 frames a second.
    """
    found = _RATE.fullmatch(text)
    if found is None or int(found[2]) == 0:
        return None
    rate = Fraction(int(found[1]), int(found[2]))
    return rate if _SLOWEST <= rate <= _FASTEST else None


def rate_text(rate: Fraction) -> str:
    """A frame rate as `num/den`, the denominator always written."""
    return f"{rate.numerator}/{rate.denominator}"
