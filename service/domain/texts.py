"""The text of a list that somebody sends: from bytes to lines and fields that can be relied on."""

import csv
import io
import re
from collections import Counter
from collections.abc import Collection, Iterator, Sequence

from service.domain.codes import composed
from service.domain.findings import FindingKind, Findings

# Composing a run of combining characters takes time that grows with its square, so nothing longer is ever composed.
LONGEST_LINE = 1_000
LONGEST_TEXT = 200
MOST_LINES = 200_000

_LINE_ENDS = re.compile(rb"\r\n?|\n")
# What service.domain.codes.unprintable finds, at the speed a list of 10 000 events needs; a tab is white space here.
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


def decoded(body: bytes, findings: Findings) -> str:
    """The text of *body*: UTF-8 with or without a byte order mark, else Latin-1; every line ends with a line feed.

    Raises ListUnreadable where there are more lines than a list may have.
    """
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as broken:
        line = len(_LINE_ENDS.findall(body, 0, broken.start)) + 1
        detail = "no UTF-8, so the list was read as Latin-1 (ISO 8859-1); save it as UTF-8 where letters come out wrong"
        findings.add(FindingKind.NOT_UTF8, line, detail)
        text = body.decode("latin-1")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = text.count("\n")
    if lines > MOST_LINES:
        findings.add(FindingKind.TOO_MUCH, MOST_LINES, f"{lines} lines; a list has at most {MOST_LINES}")
        findings.settle()
    return text


def fault_of(text: str, longest: int = LONGEST_TEXT) -> str | None:
    """Why *text* cannot stand in a line or a field, in words that follow its name, or None."""
    if len(text) > longest:
        return f"has {len(text)} characters; at most {longest} are read"
    control = _CONTROL.search(text)
    if control is not None:
        return f"has the control character U+{ord(control[0]):04X}; a list is plain text"
    return None


def tidy(text: str) -> str:
    """*text* in Unicode normal form C, without white space around it and with spaces for tabs."""
    return composed(text.replace("\t", " ")).strip()


def table_rows(text: str, findings: Findings) -> Iterator[tuple[int, list[str]]]:
    """The rows of a table (CSV, RFC 4180) with the lines they begin in, those without a word left out.

    Cells are parted by commas, or by semicolons where the header is.
    """
    head = next((line for line in text.split("\n") if line.strip()), "")
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=";" if ";" in head else ",", strict=True)
    line = 1
    try:
        for row in rows:
            if any(cell.strip() for cell in row):
                yield line, row
            line = rows.line_num + 1
    except csv.Error as broken:
        detail = f"no row of a table ({broken}); a cell with a quote is in quotes, and a quote in it is doubled"
        findings.add(FindingKind.UNREADABLE_LINE, line, detail)


def table_columns(header: Sequence[str], line: int, findings: Findings, *, there: Collection[str]) -> list[str]:
    """The names of a table's columns, which are among `there`, each once, with `shot` among them."""
    names = [cell.strip().lower() for cell in header]
    right = ", ".join(there)
    for name in names:
        if name not in there:
            detail = f"no column is called {name[:64]!r}; there are {right}"
            findings.add(FindingKind.UNKNOWN_COLUMN, line, detail, column=name[:64] or None)
    for name, times in Counter(names).items():
        if times > 1:
            detail = f"the column {name[:64]!r} is there {times} times"
            findings.add(FindingKind.REPEATED_COLUMN, line, detail, column=name[:64] or None)
    if "shot" not in names:
        detail = f"the first line names the columns, shot among them; there are {right}"
        findings.add(FindingKind.MISSING_COLUMN, line, detail)
    return names
