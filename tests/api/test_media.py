"""Which form of an answer `Accept` asks for, by RFC 9110, section 12.5.1, and tables as RFC 4180 has them."""

import csv
import io

import pytest
from fastapi import Request
from hypothesis import given
from hypothesis import strategies as st

from service.api.media import Media, chosen, csv_text
from service.api.refusals import NotAcceptable


def asking(*accept: str) -> Request:
    return Request({"type": "http", "headers": [(b"accept", each.encode()) for each in accept]})


@pytest.mark.parametrize(
    ("accept", "media"),
    [
        ((), Media.JSON),
        (("",), Media.JSON),
        (("*/*",), Media.JSON),
        (("application/json",), Media.JSON),
        (("application/*",), Media.JSON),
        (("text/csv",), Media.CSV),
        (("text/*",), Media.CSV),
        (("Text/CSV; charset=utf-8; header=present",), Media.CSV),
        (("text/csv, application/json",), Media.JSON),
        (("text/csv;q=0.9, application/json;q=0.8",), Media.CSV),
        (("text/csv;q=0.8, application/json;q=0.800",), Media.JSON),
        (("text/csv, */*",), Media.CSV),
        (("text/csv, */*;q=0.1",), Media.CSV),
        (("application/json;q=0, */*",), Media.CSV),
        (("text/*;q=0, */*;q=0.001",), Media.JSON),
        (("text/html", "text/csv;q=0.5"), Media.CSV),
        (('application/json;note="a,b;q=0";q=0.2, text/csv;q=0.1',), Media.JSON),
        # A weight that is none leaves its range out.
        (("application/json;q=2, text/csv;q=0.1",), Media.CSV),
        # The example of the section: text/plain;format=flowed and level=1 left aside, the exact range rules.
        (("text/*;q=0.3, text/csv;q=0.7, */*;q=0.5",), Media.CSV),
        (("text/*;q=0.3, text/csv;q=0.4, */*;q=0.5",), Media.JSON),
    ],
)
def test_the_form_that_is_liked_best_is_chosen(accept: tuple[str, ...], media: Media) -> None:
    assert chosen(asking(*accept)) is media


@pytest.mark.parametrize(
    "accept", ["text/html", "image/*", "application/json;q=0, text/csv;q=0.0", "*/*;q=0", "nonsense"]
)
def test_what_is_in_no_form_asked_for_is_refused(accept: str) -> None:
    with pytest.raises(NotAcceptable, match=r"application/json, text/csv"):
        chosen(asking(accept))


TEXTS = st.text(st.characters(codec="utf-8", exclude_characters="\0")) | st.sampled_from(
    ["a,b", 'a"b', "a\r\nb", "=1+1"]
)


@given(st.lists(st.tuples(TEXTS, st.integers() | st.none(), st.booleans()), max_size=4))
def test_a_table_is_read_back_as_it_was_written(rows: list[tuple[str, int | None, bool]]) -> None:
    text = csv_text(("name", "frames", "closed"), rows)

    read = list(csv.reader(io.StringIO(text, newline=""), strict=True))

    assert read[0] == ["name", "frames", "closed"]
    assert [
        (row[0].removeprefix("'") if row[0] != name else name, *row[1:])
        for row, (name, *_) in zip(read[1:], rows, strict=True)
    ] == [(name, "" if frames is None else str(frames), "true" if closed else "false") for name, frames, closed in rows]
    assert text.endswith("\r\n")


@pytest.mark.parametrize("name", ["=HYPERLINK(1)", "+1", "-2+3", "@SUM(A1)", " =1", "\t=1"])
def test_a_name_becomes_no_formula_of_a_spreadsheet(name: str) -> None:
    """The four beginnings are those of the OWASP page on CSV injection (from memory)."""
    (_, row) = csv.reader(io.StringIO(csv_text(("name", "frames"), [(name, -5)]), newline=""))
    # A number is a number, whatever its sign.
    assert row == [f"'{name}", "-5"]
