"""The lines of an edit decision list (SMPTE ST 258:2004 by name; its text was not at hand, the form is from memory).

An event is a number, a reel, channels, a transition and four labels: source in and out, record in and out.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from service.domain.speeds import SPEED
from service.domain.texts import LONGEST_LINE, fault_of, tidy
from service.domain.timecodes import LABEL

BLACK = frozenset({"BL", "BLK", "BLACK"})


@dataclass(frozen=True, slots=True)
class Event:
    """An event line. `dissolve_frames` is None of a cut, else how long the way from the outgoing picture to this is."""

    number: str
    reel: str
    picture: bool
    dissolve_frames: int | None
    labels: tuple[str, str, str, str]

    @property
    def black(self) -> bool:
        """Whether the reel is black, which is no shot."""
        return self.reel.upper() in BLACK


@dataclass(frozen=True, slots=True)
class Title:
    """The name of the list."""

    text: str


@dataclass(frozen=True, slots=True)
class CountingMode:
    """The numbering of the labels that follow."""

    drop_frame: bool


@dataclass(frozen=True, slots=True)
class Comment:
    """A line that begins with an asterisk, which it still has."""

    text: str


@dataclass(frozen=True, slots=True)
class Speed:
    """A speed line as it stands."""

    text: str


class Note(Enum):
    """Lines that say nothing of shots: those meant for people, and statements that are not used."""

    PEOPLE = "people"
    STATEMENT = "statement"


@dataclass(frozen=True, slots=True)
class Key:
    """An event that lays one picture over another, for which a list of uses has no place."""


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A line that is none of the others; `detail` says what would be right."""

    detail: str


Line = Event | Title | CountingMode | Comment | Speed | Note | Key | Unreadable

_EVENT_RULE = "an event is a number, reel, channels, C or D nnn or Wnnn nnn, and four labels as 01:00:00:00"
_EVENT = re.compile(
    r"([0-9]{1,6})\s+(\S+)\s+(B|NONE|(?=[VA/0-9]*[VA])[VA/0-9]{1,16})\s+"
    rf"(?:C|(?:D|W[0-9]{{3}})\s+([0-9]{{1,4}}))\s+({LABEL})\s+({LABEL})\s+({LABEL})\s+({LABEL})",
    re.IGNORECASE,
)
_KEY = re.compile(r"[0-9]{1,6}\s+\S+\s+[VAB/0-9]{1,16}\s+K[BO]?(?:\s.*)?", re.IGNORECASE)
_TITLE = re.compile(r"TITLE:(.*)", re.IGNORECASE)
_MODE = re.compile(r"FCM:\s*(NON[- ]?)?DROP[- ]FRAME", re.IGNORECASE)
# Statements that may hold a label and are still none of a shot.
_STATEMENT = re.compile(r"(?:AUD|SPLIT|GPI|EFFECTS NAME IS)\b.*", re.IGNORECASE)
_LIKE_LABEL = re.compile(r"[0-9]{1,2}[:;.,][0-9]{2}[:;.,][0-9]{2}[:;.,][0-9]{2}")


def edl_lines(text: str) -> Iterator[tuple[int, Line]]:
    """The lines of *text* with their numbers, empty ones left out."""
    for number, raw in enumerate(text.split("\n"), start=1):
        fault = fault_of(raw, LONGEST_LINE)
        if fault is not None:
            yield number, Unreadable(f"the line {fault}")
        elif line := tidy(raw):
            yield number, _line(line)


def _line(line: str) -> Line:
    match line[0]:
        case "*":
            return Comment(line)
        case ">":
            return Note.PEOPLE
        case digit if digit.isdecimal():
            return _event(line)
        case _:
            return _statement(line)


def _statement(line: str) -> Line:
    upper = line.upper()
    said: Line = Note.STATEMENT
    if found := _TITLE.fullmatch(line):
        said = Title(found[1].strip())
    elif upper.startswith("FCM"):
        mode = _MODE.fullmatch(line)
        wrong = Unreadable("the numbering is FCM: DROP FRAME or FCM: NON-DROP FRAME")
        said = wrong if mode is None else CountingMode(drop_frame=mode[1] is None)
    elif upper.startswith("M2"):
        wrong = Unreadable("a speed line is M2, a reel, frames a second as 025.0 or -012.5, and a label")
        said = wrong if SPEED.fullmatch(line) is None else Speed(line)
    elif _STATEMENT.fullmatch(line) is None and _LIKE_LABEL.search(line):
        said = Unreadable(f"a line with a label that is no event and no known statement; {_EVENT_RULE}")
    return said


def _event(line: str) -> Event | Key | Unreadable:
    found = _EVENT.fullmatch(line)
    if found is None:
        return Key() if _KEY.fullmatch(line) else Unreadable(f"no event; {_EVENT_RULE}")
    number, reel, channels, frames, *labels = found.groups()
    source_in, source_out, record_in, record_out = labels
    return Event(
        number=number,
        reel=reel,
        picture="V" in channels.upper() or channels.upper() == "B",
        dissolve_frames=None if frames is None else int(frames),
        labels=(source_in, source_out, record_in, record_out),
    )
