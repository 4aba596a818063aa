"""Patterns that say of a file below the followed folder which frame of which take it is.

A pattern is a path with `/` between folders. In it stand `{shot}`, `{camera}` and `{pass}` for codes, `{take}` and
`{frame}` for whole numbers, and `*` for any text within one name; all else is literal, in either case. What stands
twice must be the same twice. None is built in: one is made from an example file (`marked`) or written by hand.
"""

import os
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from pathlib import PurePosixPath, PureWindowsPath
from typing import Self

from service.terminal.troubles import MarkUnclear, PatternUnclear

CODES = frozenset({"shot", "camera", "pass"})
NUMBERS = frozenset({"take", "frame"})
ANY = "any"
LONGEST_PATTERN = 400
MOST_STARS = 8
MOST_TAKES = 9999

_TOKEN = re.compile(r"(\{[^{}]*\}|\*)")


@dataclass(frozen=True, slots=True)
class Series:
    """What a frame belongs to: a take of a shot on a camera, in a pass; None where the pattern does not say."""

    shot: str
    take: int = 1
    camera: str | None = None
    pass_: str | None = None


@dataclass(frozen=True, slots=True)
class FramePattern:
    """Where the path of a file says whose frame it is. Make one with `FramePattern.of`."""

    text: str
    levels: tuple[tuple[str, ...], ...] = field(repr=False)

    @classmethod
    def of(cls, text: str) -> Self:
        r"""The pattern written as *text*; `\` is taken for `/`. Raises PatternUnclear."""
        plain = unicodedata.normalize("NFC", text.strip()).replace("\\", "/").removeprefix("./")
        if len(plain) > LONGEST_PATTERN:
            raise PatternUnclear(f"The pattern has {len(plain)} characters, more than {LONGEST_PATTERN}")
        names = plain.split("/")
        if any(name in {"", ".", ".."} for name in names):
            raise PatternUnclear(f"The pattern {plain!r} has an empty name, or one that leads out of the folder")
        levels = tuple(tuple(part for part in _TOKEN.split(name) if part) for name in names)
        for level in levels:
            _require_clear(level)
        holes = [part[1:-1] for level in levels for part in level if part.startswith("{")]
        if missing := [name for name in ("shot", "frame") if name not in holes]:
            raise PatternUnclear(f"The pattern {plain!r} has no {{{missing[0]}}}")
        if "frame" not in [part[1:-1] for part in levels[-1]]:
            raise PatternUnclear(f"The pattern {plain!r} has no {{frame}} in the name of the file")
        return cls(plain, levels)

    @property
    def depth(self) -> int:
        """How many names a path has, the file's own included."""
        return len(self.levels)

    def read(self, depth: int, name: str, said: Mapping[str, str]) -> Mapping[str, str] | None:
        """What a name at this depth (0 the first) says beside what the names before *said*; None if it does not fit."""
        level = self.levels[depth]
        known = tuple((each, said[each]) for each in sorted(said) if f"{{{each}}}" in level)
        found = _expression(level, known).fullmatch(unicodedata.normalize("NFC", name))
        if found is None:
            return None
        return {**said, **{each: _spelt(each, value) for each, value in found.groupdict().items()}}

    def frame_of(self, path: str) -> tuple[Series, int] | None:
        """The frame a file is, by its path below the folder with `/` between names; None where it is none."""
        names = path.split("/")
        if len(names) != self.depth:
            return None
        said: Mapping[str, str] = {}
        for depth, name in enumerate(names):
            if (deeper := self.read(depth, name, said)) is None:
                return None
            said = deeper
        return frame_said(said)


def frame_said(said: Mapping[str, str]) -> tuple[Series, int] | None:
    """The frame that the names of a path say together; None where no take has such a number."""
    take = int(said.get("take", "1"))
    if not 1 <= take <= MOST_TAKES:
        return None
    return Series(said["shot"], take, said.get("camera"), said.get("pass")), int(said["frame"])


def _spelt(name: str, value: str) -> str:
    return str(int(value)) if name in NUMBERS else value


def _require_clear(level: Sequence[str]) -> None:
    for part in level:
        if part.startswith("{") and part.endswith("}") and part[1:-1] not in CODES | NUMBERS:
            known = ", ".join(f"{{{name}}}" for name in ("shot", "take", "camera", "pass", "frame"))
            raise PatternUnclear(f"A pattern knows no {part}, only {known} and *")
        if not (part.startswith("{") and part.endswith("}")) and ("{" in part or "}" in part):
            raise PatternUnclear(f"{part!r} has a brace without its other half")
    if level.count("*") > MOST_STARS:
        raise PatternUnclear(f"{''.join(level)!r} has * more than {MOST_STARS} times")
    for left, right in pairwise(level):
        kinds = {_kind(left), _kind(right)}
        if "literal" not in kinds and kinds != {"any", "number"}:
            raise PatternUnclear(f"Between {left} and {right} something must stand, or nobody can tell where one ends")


def _kind(part: str) -> str:
    if part == "*":
        return "any"
    if not part.startswith("{"):
        return "literal"
    return "number" if part[1:-1] in NUMBERS else "code"


# Of a pattern in which a shot stands in folder and file there is one for each folder.
@lru_cache(maxsize=100_000)
def _expression(level: tuple[str, ...], known: tuple[tuple[str, str], ...]) -> re.Pattern[str]:
    """What a name of this level looks like where the names before it said what is *known*."""
    said, seen, written = dict(known), set[str](), ""
    for at, part in enumerate(level):
        name = part[1:-1] if part.startswith("{") else ""
        if part == "*":
            written += ".*?"
        elif not name:
            written += re.escape(part)
        elif name in CODES:
            written += re.escape(said[name]) if name in said else _code(name, again=name in seen)
        else:
            value = re.escape(said[name]) if name in said else _number(name, again=name in seen)
            # A run of digits is one number, never parts of two, unless the pattern itself says digits beside it.
            before = "" if at and level[at - 1][-1].isdigit() else "(?<![0-9])"
            after = "" if level[at + 1 : at + 2] and level[at + 1][0].isdigit() else "(?![0-9])"
            written += f"{before}0*{value}{after}"
        seen.add(name)
    return re.compile(written, re.IGNORECASE | re.DOTALL)


def _code(name: str, *, again: bool) -> str:
    return f"(?P={name})" if again else rf"(?P<{name}>\w[\w.\-]{{0,63}}?)"


def _number(name: str, *, again: bool) -> str:
    return f"(?P={name})" if again else f"(?P<{name}>[0-9]{{1,9}})"


def below(folder: str, path: str, *, windows: bool = os.name == "nt") -> str:
    """The path of a file below a folder, with `/` between names; an absolute one must lie in it. Raises MarkUnclear."""
    flavour = PureWindowsPath if windows else PurePosixPath
    example = flavour(path)
    if not example.is_absolute():
        return example.as_posix()
    try:
        return example.relative_to(flavour(folder)).as_posix()
    except ValueError:
        raise MarkUnclear(f"The example {path} does not lie in the folder {folder}") from None


def marked(example: str, marks: Sequence[str]) -> str:
    """The pattern of an *example* (a path with `/`) in which the pieces are marked, as `shot=e1-quay-1`, `frame=0001`.

    A marked text is a hole wherever it stands by itself, or with `@2` at its second place alone; `any=TEXT` is `*`. The
    ending of the file's name is any, since one frame may land in several forms. Raises MarkUnclear.
    """
    parts = [unicodedata.normalize("NFC", example)]
    asked = [_mark(mark) for mark in marks]
    # The longest first, so that a take's number is not looked for within the name of the shot.
    for name, text, place in sorted(asked, key=lambda mark: -len(mark[1])):
        parts = _hollowed(parts, name, text, place=place)
    stem, dot, ending = parts[-1].rpartition(".")
    if dot and "/" not in ending and ending not in {"*", ""}:
        parts[-1] = f"{stem}.*"
    return "".join(parts)


def _mark(mark: str) -> tuple[str, str, int | None]:
    name, _, rest = mark.partition("=")
    text, at, place = rest.rpartition("@")
    if not (at and place.isdecimal() and text):
        text, place = rest, ""
    if name not in CODES | NUMBERS | {ANY} or not text:
        raise MarkUnclear(f"{mark!r} marks nothing: the names are shot, take, camera, pass, frame and any")
    if name in NUMBERS and not (text.isascii() and text.isdecimal()):
        digits = re.search(r"[0-9]+", text)
        hint = f": mark {name}={digits[0]}" if digits else ""
        raise MarkUnclear(f"{text!r} is no whole number{hint}")
    return name, unicodedata.normalize("NFC", text), int(place) if place else None


def _hollowed(parts: Sequence[str], name: str, text: str, *, place: int | None) -> list[str]:
    """The parts with *text* taken out of the literal ones; literal parts are the even ones, holes the odd."""
    stands_alone = r"[0-9]" if name in NUMBERS else r"[^\W_]"
    wanted = re.compile(f"(?<!{stands_alone}){re.escape(text)}(?!{stands_alone})", re.IGNORECASE)
    hole = "*" if name == ANY else f"{{{name}}}"
    out: list[str] = []
    found = 0
    for at, part in enumerate(parts):
        if at % 2:
            out.append(part)
            continue
        rest, start = part, 0
        for match in wanted.finditer(part):
            found += 1
            if place in {None, found}:
                out += [part[start : match.start()], hole]
                start = match.end()
                rest = part[start:]
        out.append(rest)
    if not found or (place is not None and place > found):
        raise MarkUnclear(f"{text!r} does not stand by itself in what is left of the example{_times(found, place)}")
    return out


def _times(found: int, place: int | None) -> str:
    return "" if place is None else f" {place} times, but {found}"
