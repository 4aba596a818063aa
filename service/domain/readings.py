"""How a cut list is to be read: what the person who sends it says of it."""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from service.domain.patterns import NamePattern


class ListFormat(StrEnum):
    """The formats a cut list may have."""

    EDL = "edl"
    CSV = "csv"
    JSON = "json"


class NameFrom(StrEnum):
    """Where an edit decision list names the shot: in the reel of an event, or in a comment after it."""

    REEL = "reel"
    COMMENT = "comment"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How to read a list: its format, its frame rate in frames per second (no list is asked for it), its shot names.

    Names are for edit decision lists alone. Without a pattern a name is the whole reel, or what follows
    `* FROM CLIP NAME:` in a comment.
    """

    format: ListFormat
    frame_rate: Fraction
    name_from: NameFrom = NameFrom.REEL
    name_pattern: NamePattern | None = None
