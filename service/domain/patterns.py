"""Patterns that say where a name or a line of text carries the code of a shot.

No regular expression: those a service is sent can be made to run for hours. A pattern is literal text with `{shot}`
where the code stands and `*` for any text, and the time of a match is bounded by the lengths of both.
"""

import re
from bisect import bisect_right
from dataclasses import dataclass
from typing import Self

from service.domain.codes import composed, is_code, unprintable

PATTERN_RULE = (
    "text with {shot} once, where the code of the shot stands, and * for any text, as in bt_{shot}_v*; at most 200"
    " characters and 8 times *"
)
LONGEST_PATTERN = 200
MOST_STARS = 8

_SHOT = "{shot}"
_SPACES = re.compile(r"\s+")


# Not frozen: contextlib assigns __traceback__ to an exception that passes through it, which a frozen class forbids.
@dataclass(eq=False)
class PatternUnclear(ValueError):
    """A pattern that cannot say where the code of a shot stands; `reason` says why, and what would be right."""

    pattern: str
    reason: str

    def __str__(self) -> str:
        return f"{self.reason}. A pattern is {PATTERN_RULE}."


@dataclass(frozen=True, slots=True)
class NamePattern:
    """Where a text carries the code of a shot. Make one with `NamePattern.of`."""

    text: str
    before: tuple[str, ...]
    after: tuple[str, ...]

    @classmethod
    def of(cls, text: str) -> Self:
        """The pattern written as *text*: literals, `{shot}` once, `*` for any text, none included.

        Letters match in either case, and one space any run of white space. Raises PatternUnclear.
        """
        plain = _plain(text)
        if len(text) > LONGEST_PATTERN:
            raise PatternUnclear(text, f"The pattern has {len(text)} characters")
        if unprintable(plain) is not None:
            raise PatternUnclear(text, "The pattern has a control character")
        if plain.count(_SHOT) != 1:
            raise PatternUnclear(text, f"The pattern {text!r} has {{shot}} {plain.count(_SHOT)} times")
        if plain.count("*") > MOST_STARS:
            raise PatternUnclear(text, f"The pattern {text!r} has {plain.count('*')} times *")
        before, _, after = plain.partition(_SHOT)
        return cls(text, _pieces(before), _pieces(after))

    def shot_in(self, text: str) -> str | None:
        """The code of the shot in *text*, all of which the pattern must match; None where it does not.

        Where several codes would do it is the shortest, and of these the first.
        """
        plain = _plain(text)
        folded = _folded(plain)
        # The text behind the code is the same question asked from its end.
        turned = tuple(piece[::-1] for piece in reversed(self.after))
        stops = sorted(len(folded) - stop for stop in _ends(turned, folded[::-1]))
        # What a code begins with is a code, so of each start the nearest stop alone can matter.
        found = [(stops[at] - start, start) for start in _ends(self.before, folded) if (at := _next(stops, start)) >= 0]
        return next((plain[at : at + size] for size, at in sorted(found) if is_code(plain[at : at + size])), None)


def _next(stops: list[int], start: int) -> int:
    at = bisect_right(stops, start)
    return at if at < len(stops) else -1


def _plain(text: str) -> str:
    return _SPACES.sub(" ", composed(text).strip())


def _folded(text: str) -> str:
    """*text* in small letters, each character still in its place (small İ would be two)."""
    return "".join(small if len(small := char.lower()) == 1 else char for char in text)


def _pieces(text: str) -> tuple[str, ...]:
    return tuple(_folded(piece) for piece in text.split("*"))


def _ends(pieces: tuple[str, ...], text: str) -> list[int]:
    """Where the literal *pieces*, with any text between two of them, may end when they begin with *text*."""
    head, *rest = pieces
    if not text.startswith(head):
        return []
    earliest = len(head)
    if not rest:
        return [earliest]
    *middle, last = rest
    # Any text may stand before each of these, so the first place that fits leaves the most room for what follows.
    for piece in middle:
        at = text.find(piece, earliest)
        if at < 0:
            return []
        earliest = at + len(piece)
    return [at + len(last) for at in range(earliest, len(text) - len(last) + 1) if text.startswith(last, at)]
