"""Speed and freeze lines of an edit decision list: kept as they stand, since the record side alone says the length."""

import re

from service.domain.timecodes import LABEL

# The form is from memory: M2, a reel, frames per second of source (below zero backwards, 0 holds a frame), a label.
SPEED = re.compile(rf"M2(?:\s+(\S+))??\s+[+-]?[0-9]{{1,4}}(?:\.[0-9]{{1,4}})?\s+{LABEL}", re.IGNORECASE)
FREEZE = re.compile(r"\*\s*FREEZE FRAME\b.*", re.IGNORECASE)


def explains_length(remark: str) -> bool:
    """Whether a line says why the source side of a use has another length than the record side."""
    return SPEED.fullmatch(remark) is not None or FREEZE.fullmatch(remark) is not None


def speed_reel(line: str) -> str | None:
    """The reel a speed line is about; empty where it names none, None where *line* is no speed line."""
    found = SPEED.fullmatch(line)
    return None if found is None else found[1] or ""
