"""The forms of an answer: which one `Accept` asks for (RFC 9110, 12.5.1), and a table as CSV (RFC 4180)."""

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum

from fastapi import Request

from service.api.refusals import NotAcceptable


class Media(StrEnum):
    """The media types an answer may come in, the usual one first."""

    JSON = "application/json"
    CSV = "text/csv"


# The content type as it is sent: the header line is always there.
CSV_TYPE = f"{Media.CSV}; charset=utf-8; header=present"

_RANGE = re.compile(r'(?:[^,"]|"(?:\\.|[^"\\])*")+')
_PARAMETER = re.compile(r';\s*([^=;\s]+)\s*=\s*("(?:\\.|[^"\\])*"|[^;\s]*)')
_WEIGHT = re.compile(r"0(\.\d{0,3})?|1(\.0{0,3})?", re.ASCII)
# What a spreadsheet takes for the beginning of a formula, also behind spaces that it drops.
_FORMULA = re.compile(r"\s*[=+\-@\t\r]")


def chosen(request: Request) -> Media:
    """The form the request likes best; JSON where it does not say. Raises NotAcceptable where it likes none.

    Of two forms it likes equally the one it names wins over one it takes as any, then JSON. Parameters other than `q`
    are not looked at, and a weight that is none leaves its range out.
    """
    header = ",".join(request.headers.getlist("accept"))
    if not header.strip():
        return Media.JSON
    ranges = list(_ranges(header))
    liked = [(*_liking(each, ranges), -place, each) for place, each in enumerate(Media)]
    weight, _, _, best = max(liked)
    if weight <= 0:
        raise NotAcceptable(tuple(each.value for each in Media))
    return best


def _ranges(header: str) -> Iterator[tuple[str, float]]:
    """The media ranges of an `Accept` with their weights, in small letters."""
    for text in _RANGE.findall(header):
        weights = [value for name, value in _PARAMETER.findall(text) if name.lower() == "q"]
        weight = weights[0] if weights else "1"
        if _WEIGHT.fullmatch(weight):
            yield text.partition(";")[0].strip().lower(), float(weight)


def _liking(media: Media, ranges: Sequence[tuple[str, float]]) -> tuple[float, int]:
    """The weight of the range that names a media type most exactly, and how exactly it does."""
    names = ("*/*", media.partition("/")[0] + "/*", media.value)
    return max(((names.index(name), weight) for name, weight in ranges if name in names), default=(0, 0.0))[::-1]


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str | int | bool | None]]) -> str:
    """A table as RFC 4180 has it: CRLF, a header line, quotation marks where a cell needs them, nothing for None.

    A text that a spreadsheet would take for a formula has an apostrophe set before it; numbers are left as they are.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows([_cell(each) for each in row] for row in rows)
    return out.getvalue()


def _cell(value: str | int | bool | None) -> str:  # noqa: FBT001 - a cell holds whatever a column does
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case int():
            return str(value)
        case _:
            return f"'{value}" if _FORMULA.match(value) else value
