"""Cut lists as documents of our own (JSON).

    {"frame_rate": "25/1", "drop_frame": false, "title": "The Teapot Leaks", "uses": [
      {"shot": "q1", "record_in": 90000, "frames": 62, "source": "A001", "source_in": 250, "source_frames": 62,
       "extra_frames": 12, "scene": "quay", "remarks": ["M2   A001  050.0  00:00:10:00"]}]}

All are frame numbers and frames, never labels; `drop_frame` says how labels are written where they are. Needed are
`frame_rate` and `uses`, and of a use `shot`, `record_in` and `frames`; what is null is as if it were not there.
`source_in` and `source_frames` come together and with `source`. Whole numbers alone, no other members, none twice.
"""

import json
import re
from collections.abc import Iterator, Mapping
from itertools import count
from typing import Any

from service.domain.findings import FindingKind, Findings
from service.domain.rates import RATE_RULE, rate_of, rate_text
from service.domain.readings import Reading
from service.domain.texts import MOST_LINES, fault_of, tidy
from service.domain.timecodes import DROP_FRAME_RATES, Numbering
from service.domain.uses import CutList, Use, cut_list

_TOP = ("frame_rate", "drop_frame", "title", "uses")
_OF_A_USE = (
    "shot",
    "record_in",
    "frames",
    "source",
    "source_in",
    "source_frames",
    "extra_frames",
    "scene",
    "remarks",
)
_LONGEST_TEXT = 400
_MOST = 999_999_999
_MOST_DIGITS = 12
_SPACE = re.compile(r"[ \t\n\r]*")


def read_json(text: str, reading: Reading, findings: Findings) -> CutList:
    """The uses in the document *text*.

    Raises ListUnreadable where there is any fault.
    """
    try:
        members = _Document(text).members()
    except _Broken as broken:
        findings.add(broken.kind, broken.line, broken.detail)
        findings.settle()
        raise
    top = _Members({name: value for name, (_, value) in members.items()}, 1, findings)
    top.know(_TOP, needed=("frame_rate", "uses"))
    drop_frame = top.yes_or_no("drop_frame")
    _compare_rate(top.text("frame_rate"), members.get("frame_rate", (1, None))[0], reading, findings)
    if drop_frame and reading.frame_rate not in DROP_FRAME_RATES:
        detail = f"drop-frame is not defined at {rate_text(reading.frame_rate)}; drop_frame is false"
        findings.add(FindingKind.DROP_FRAME, members["drop_frame"][0], detail)
        drop_frame = False
    numbering = Numbering(reading.frame_rate, drop_frame)
    uses = [use for line, said in top.lines("uses") if (use := _use(said, line, findings)) is not None]
    return cut_list(uses, findings, numbering=numbering, title=top.text("title"))


def write_json(cut: CutList) -> str:
    """The uses of *cut* as a document that reads back as the same, a use in each line."""
    top = {"frame_rate": rate_text(cut.frame_rate), "drop_frame": cut.drop_frame, "title": cut.title}
    head = json.dumps(top, ensure_ascii=False)[:-1]
    uses = ",\n".join(json.dumps(_members_of(use), ensure_ascii=False) for use in cut.uses)
    return f'{head}, "uses": [\n{uses}\n]}}\n'


def _members_of(use: Use) -> Mapping[str, Any]:
    members = {name: getattr(use, name) for name in _OF_A_USE}
    return {name: value for name, value in members.items() if value not in {None, ()}}


def _compare_rate(said: str | None, line: int, reading: Reading, findings: Findings) -> None:
    if said is None:
        return
    rate = rate_of(said)
    if rate is None:
        findings.add(FindingKind.FIELD_OUT_OF_RANGE, line, f"frame_rate is {RATE_RULE}")
    elif rate != reading.frame_rate:
        detail = f"the list is at {said}, the reading at {rate_text(reading.frame_rate)}; give the rate of the list"
        findings.add(FindingKind.OTHER_RATE, line, detail)


def _use(said: object, line: int, findings: Findings) -> Use | None:
    """The use that a member of `uses` says, or None where a fault was noted."""
    before = findings.faults
    if not isinstance(said, dict):
        findings.add(FindingKind.OTHER_TYPE, line, f"a use is an object with {', '.join(_OF_A_USE)}")
        return None
    members = _Members(said, line, findings)
    members.know(_OF_A_USE, needed=("shot", "record_in", "frames"))
    use = Use(
        shot=members.text("shot") or "",
        record_in=members.number("record_in") or 0,
        frames=members.number("frames") or 0,
        source=members.text("source"),
        source_in=members.number("source_in"),
        source_frames=members.number("source_frames"),
        extra_frames=members.number("extra_frames") or 0,
        scene=members.text("scene"),
        remarks=members.texts("remarks"),
        line=line,
    )
    if (use.source_in is None) != (use.source_frames is None) or (use.source_in is not None and use.source is None):
        detail = "source_in and source_frames come together, and with source"
        findings.add(FindingKind.MISSING_MEMBER, line, detail)
    return None if findings.faults > before else use


class _Members:
    """The members of one object, of which each is looked at strictly and noted where it is wrong."""

    def __init__(self, said: Mapping[str, Any], line: int, findings: Findings) -> None:
        self._said = {name: value for name, value in said.items() if value is not None}
        self._names = said.keys()
        self._line = line
        self._findings = findings

    def know(self, names: tuple[str, ...], *, needed: tuple[str, ...]) -> None:
        for name in self._names:
            if name not in names:
                detail = f"no member is called {name[:64]!r}; there are {', '.join(names)}"
                self._findings.add(FindingKind.UNKNOWN_MEMBER, self._line, detail)
        for name in needed:
            if name not in self._said:
                detail = f"{name} is missing; {', '.join(needed)} are needed"
                self._findings.add(FindingKind.MISSING_MEMBER, self._line, detail)

    def text(self, name: str) -> str | None:
        value = self._said.get(name)
        return None if value is None else self._plain(name, value) or None

    def texts(self, name: str) -> tuple[str, ...]:
        value = self._said.get(name, [])
        if not isinstance(value, list):
            self._other(name, "a list of texts")
            return ()
        return tuple(text for each in value if (text := self._plain(name, each)))

    def number(self, name: str) -> int | None:
        value = self._said.get(name)
        if value is None:
            return None
        if type(value) is not int:
            self._other(name, "a whole number")
            return None
        if not 0 <= value <= _MOST:
            detail = f"{name} is {value}; it is a whole number from 0 to {_MOST}"
            self._findings.add(FindingKind.FIELD_OUT_OF_RANGE, self._line, detail)
            return None
        return value

    def yes_or_no(self, name: str) -> bool:
        value = self._said.get(name, False)
        if not isinstance(value, bool):
            self._other(name, "true or false")
        return value is True

    def lines(self, name: str) -> list[tuple[int, Any]]:
        value = self._said.get(name, [])
        if not isinstance(value, list):
            self._other(name, "a list of objects")
            return []
        return value

    def _plain(self, name: str, value: object) -> str:
        if not isinstance(value, str):
            self._other(name, "a text")
            return ""
        fault = "has a line break" if "\n" in value else fault_of(value, _LONGEST_TEXT)
        if fault is not None:
            self._findings.add(FindingKind.FIELD_OUT_OF_RANGE, self._line, f"the text {name} {fault}")
            return ""
        return tidy(value)

    def _other(self, name: str, right: str) -> None:
        self._findings.add(FindingKind.OTHER_TYPE, self._line, f"{name} is {right}")


class _Broken(Exception):
    def __init__(self, kind: FindingKind, line: int, detail: str) -> None:
        super().__init__(detail)
        self.kind, self.line, self.detail = kind, line, detail


class _Wrong(Exception):
    """A value that JSON allows and a list does not, noticed where no line is known."""

    def __init__(self, kind: FindingKind, detail: str) -> None:
        super().__init__(detail)
        self.kind, self.detail = kind, detail


class _Document:
    """Takes the outer object and the list of uses apart, because only so is the line of each use known."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._decoder = json.JSONDecoder(
            object_pairs_hook=_once, parse_float=_no_fraction, parse_constant=_no_fraction, parse_int=_whole
        )

    def members(self) -> dict[str, tuple[int, Any]]:
        """The members of the document with the lines they begin in; `uses` as a list of lines and values."""
        members: dict[str, tuple[int, Any]] = {}
        for line in self._items("{", "}"):
            name = self._value()
            if not isinstance(name, str):
                raise self._broken("the document is an object, and its members have names in quotes")
            self._need(":")
            if name in members:
                raise _Broken(FindingKind.REPEATED_MEMBER, line, f"the member {name[:64]!r} is there twice")
            if name == "uses" and self._next() == "[":
                members[name] = line, [(at, self._value()) for at in self._items("[", "]")]
            else:
                members[name] = line, self._value()
        if self._next():
            raise self._broken("the document ends with its object; nothing follows it")
        return members

    def _items(self, opening: str, closing: str) -> Iterator[int]:
        """The line of each item between the brackets, which the caller then takes."""
        self._need(opening)
        if self._next() == closing:
            self._need(closing)
            return
        for taken in count():
            self._next()
            if taken == MOST_LINES:
                detail = f"more than {MOST_LINES} items in one object or list"
                raise _Broken(FindingKind.TOO_MUCH, self._line, detail)
            yield self._line
            if self._next() == closing:
                self._need(closing)
                return
            self._need(",")

    def _next(self) -> str:
        """The next character that is no white space; empty at the end."""
        space = _SPACE.match(self._text, self._at)
        self._move(space.end() if space else self._at)
        return self._text[self._at : self._at + 1]

    def _need(self, char: str) -> None:
        if self._next() != char:
            raise self._broken(f"{char} is missing here; the list is a JSON object (RFC 8259)")
        self._move(self._at + 1)

    def _value(self) -> Any:  # noqa: ANN401 -- JSON may be anything
        self._next()
        try:
            value, end = self._decoder.raw_decode(self._text, self._at)
        except json.JSONDecodeError as broken:
            self._line = broken.lineno
            raise self._broken(f"no JSON (RFC 8259): {broken.msg}") from None
        except RecursionError:
            raise self._broken("values in values, deeper than any list is") from None
        except _Wrong as wrong:
            raise _Broken(wrong.kind, self._line, wrong.detail) from None
        self._move(end)
        return value

    def _move(self, at: int) -> None:
        self._line += self._text.count("\n", self._at, at)
        self._at = at

    def _broken(self, detail: str) -> _Broken:
        return _Broken(FindingKind.UNREADABLE_LINE, self._line, detail)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members: dict[str, Any] = {}
    for name, value in pairs:
        if name in members:
            raise _Wrong(FindingKind.REPEATED_MEMBER, f"the member {name[:64]!r} is there twice")
        members[name] = value
    return members


def _no_fraction(text: str) -> Any:  # noqa: ANN401 -- never returns, which the parser's type cannot say
    raise _Wrong(FindingKind.OTHER_TYPE, f"{text[:32]} is no whole number; every number of a list is one")


def _whole(text: str) -> int:
    if len(text) > _MOST_DIGITS:
        raise _Wrong(FindingKind.FIELD_OUT_OF_RANGE, f"a number of {len(text)} digits; the largest is {_MOST}")
    return int(text)
