"""What shots need as a table (CSV, RFC 4180): a header that names the columns, in any order, and a row for each shot.

`shot` is needed. A column that is not there leaves its field as it is, an empty cell clears it (`cameras` and `passes`
to the one `main`). `rig`, `plate`, `comp`, `dialogue` and `moving_camera` are `true` or `false`, or `yes` or `no`.
Lists are parted by semicolons: `cameras`, `passes`, `props`, and `characters` as `miller x2; gull`, where no number is
one copy. `notes` may have several lines. An apostrophe before `=`, `+`, `-` or `@` only keeps a spreadsheet from taking
the cell for a formula, and is no part of it.
"""

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.domain.codes import CODE_RULE, is_code
from service.domain.findings import FindingKind, Findings
from service.domain.needs import HARDEST, MOST_COPIES, MOST_LISTED, MOST_NAMES, twice
from service.domain.texts import LONGEST_LINE, LONGEST_TEXT, decoded, fault_of, table_columns, table_rows, tidy

MOST_ROWS = 1_000

_TRUTHS = {"true": True, "yes": True, "false": False, "no": False}
_CAST = re.compile(r"(\S+)(?:\s+[xX×](\d{1,4}))?")
_FORMULA = re.compile(r"'*\s*[=+\-@]")


class _Unfit(Exception):
    """Why a cell cannot stand, in words that follow the name of its column."""


@dataclass(frozen=True, slots=True)
class NeedsLine:
    """A row of a table that begins in line `line`: what it says of a shot, by the names and in the types of JSON."""

    line: int
    shot: str
    wanted: Mapping[str, Any]


def read_needs(body: bytes, findings: Findings) -> list[NeedsLine]:
    """The rows of a table in which nothing is wrong; what is wrong in others is among the findings.

    Raises ListUnreadable where the columns are wrong, or more than anybody would read.
    """
    rows = table_rows(decoded(body, findings), findings)
    line, header = next(rows, (1, []))
    columns = table_columns(header, line, findings, there=COLUMNS)
    # Without its columns every row would be a fault of its own.
    if findings.faults:
        findings.settle()
    found: dict[str, NeedsLine] = {}
    for number, (at, row) in enumerate(rows, start=1):
        if number > MOST_ROWS:
            detail = f"more than {MOST_ROWS} rows; send the table in parts"
            findings.add(FindingKind.TOO_MUCH, at, detail)
            break
        if (read := _line(at, row, columns, findings=findings)) is None:
            continue
        if (first := found.setdefault(read.shot, read)) is not read:
            detail = f"the shot {read.shot} stands in line {first.line} already; say all of it in one row"
            findings.add(FindingKind.REPEATED_SHOT, at, detail, shot=read.shot, column="shot")
    return list(found.values())


def write_needs(rows: Iterable[tuple[str, Mapping[str, Any]]]) -> str:
    """What shots need, (code, values) of each, as a table that reads back as the same."""
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for shot, values in rows:
        said = {"shot": shot, **values}
        table.writerow([_written(name, said[name]) for name in COLUMNS])
    return text.getvalue()


def _written(name: str, value: Any) -> str:  # noqa: ANN401 -- of each column's own type
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case list() if name == "characters":
            text = "; ".join(f"{each['character']} x{each['copies']}" for each in value)
        case list():
            text = "; ".join(value)
        case _:
            text = str(value)
    return f"'{text}" if _FORMULA.match(text) else text


def _line(at: int, row: Sequence[str], columns: Sequence[str], *, findings: Findings) -> NeedsLine | None:
    """What a row says, or None where a fault was noted."""
    before = findings.faults
    if len(row) != len(columns):
        findings.add(FindingKind.UNREADABLE_LINE, at, f"{len(row)} cells under {len(columns)} columns")
        return None
    wanted: dict[str, Any] = {}
    for name, cell in zip(columns, row, strict=True):
        try:
            wanted[name] = _READERS[name](_bare(cell))
        except _Unfit as unfit:
            findings.add(FindingKind.FIELD_OUT_OF_RANGE, at, f"the cell {name} {unfit}", column=name)
    if findings.faults > before:
        return None
    if (shot := wanted.pop("shot")) is None:
        findings.add(FindingKind.NO_NAME, at, "the row names no shot", column="shot")
        return None
    return NeedsLine(at, shot, wanted)


def _bare(cell: str) -> str:
    cell = cell.strip()
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def _props(cell: str) -> list[str]:
    return _most([_bounded(each, LONGEST_TEXT) for each in _items(cell)], MOST_LISTED)


def _notes(cell: str) -> str | None:
    return _bounded("\n".join(map(_plain, cell.split("\n"))).strip(), LONGEST_LINE) or None


def _plain(text: str) -> str:
    if (fault := fault_of(text, LONGEST_LINE)) is not None:
        raise _Unfit(fault)
    if "\n" in text:
        raise _Unfit("has a line break")
    return tidy(text)


def _bounded(text: str, longest: int) -> str:
    if len(text) > longest:
        raise _Unfit(f"has {len(text)} characters; at most {longest} are read")
    return text


def _line_of(cell: str) -> str | None:
    return _bounded(_plain(cell), LONGEST_TEXT) or None


def _named(cell: str) -> str | None:
    return _code(_plain(cell)) if cell else None


def _difficulty(cell: str) -> int | None:
    return _whole(cell, HARDEST) if cell else None


def _required(cell: str) -> list[str]:
    return _codes(cell) or ["main"]


def _code(text: str) -> str:
    if not is_code(text):
        raise _Unfit(f"has {text[:64]!r}; a code is {CODE_RULE}")
    return text


def _truth(cell: str) -> bool:
    if cell and cell.lower() not in _TRUTHS:
        raise _Unfit(f"is {cell[:64]!r}; it is true or false, or yes or no")
    return bool(cell) and _TRUTHS[cell.lower()]


def _whole(digits: str, most: int) -> int:
    if not (digits.isascii() and digits.isdigit() and 1 <= int(digits[:9]) <= most and len(digits) < len("10000")):
        raise _Unfit(f"has {digits[:64]!r}; it is a whole number from 1 to {most}")
    return int(digits)


def _items(cell: str) -> Iterator[str]:
    for part in re.split(r"[;\n]", cell):
        if item := _plain(part):
            yield item


def _most(listed: list[str], most: int) -> list[str]:
    if len(listed) > most:
        raise _Unfit(f"lists {len(listed)}; at most {most} are read")
    return listed


def _codes(cell: str) -> list[str]:
    codes = _most([_code(each) for each in _items(cell)], MOST_NAMES)
    if (again := twice(codes)) is not None:
        raise _Unfit(f"names {again} twice")
    return codes


def _characters(cell: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for item in _most(list(_items(cell)), MOST_LISTED):
        cast = _CAST.fullmatch(item)
        if cast is None:
            raise _Unfit(f"has {item[:64]!r}; a character is written as gull, or with its copies as gull x2")
        found.append({"character": _code(cast[1]), "copies": _whole(cast[2] or "1", MOST_COPIES)})
    if (again := twice([each["character"] for each in found])) is not None:
        raise _Unfit(f"names {again} twice; say all its copies at once")
    return found


_READERS: Mapping[str, Callable[[str], Any]] = {
    "shot": _named,
    "set": _named,
    "set_up": _named,
    "moving_camera": _truth,
    "rig": _truth,
    "plate": _truth,
    "comp": _truth,
    "dialogue": _truth,
    "insert_of": _named,
    "difficulty": _difficulty,
    "cameras": _required,
    "passes": _required,
    "characters": _characters,
    "props": _props,
    "notes": _notes,
    "animator": _line_of,
}
COLUMNS = tuple(_READERS)
