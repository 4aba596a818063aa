"""Cut lists: what the edit says of the shots, as an edit decision list, a table (CSV) or a document (JSON).

What is written is read back as an equal list: of an edit decision list with shot names from comments, of a table but
for the title, which it cannot carry.
"""

from typing import assert_never

from service.domain.cut_csv import read_csv, write_csv
from service.domain.cut_json import read_json, write_json
from service.domain.edl import read_edl
from service.domain.edl_text import write_edl
from service.domain.findings import Finding, FindingKind, Findings, ListUnreadable
from service.domain.readings import ListFormat, NameFrom, Reading
from service.domain.texts import decoded
from service.domain.uses import CutList, Use

__all__ = [
    "CutList",
    "Finding",
    "FindingKind",
    "ListFormat",
    "ListUnreadable",
    "NameFrom",
    "Reading",
    "Use",
    "read",
    "write",
]


def read(body: bytes, reading: Reading) -> CutList:
    """The list that *body* is.

    Raises ListUnreadable, and nothing else whatever the bytes, with all that was found where any of it is a fault.
    """
    findings = Findings()
    text = decoded(body, findings)
    match reading.format:
        case ListFormat.EDL:
            return read_edl(text, reading, findings)
        case ListFormat.CSV:
            return read_csv(text, reading, findings)
        case ListFormat.JSON:
            return read_json(text, reading, findings)
        case _:
            assert_never(reading.format)


def write(cut: CutList, format: ListFormat) -> str:  # noqa: A002 -- the word for it, as in Reading
    """The text of *cut* in a format."""
    match format:
        case ListFormat.EDL:
            return write_edl(cut)
        case ListFormat.CSV:
            return write_csv(cut)
        case ListFormat.JSON:
            return write_json(cut)
        case _:
            assert_never(format)
