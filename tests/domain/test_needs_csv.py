"""What shots need as a table: what a coordinator types is read; what is wrong says where, and what would be right."""

import csv
import io
from typing import Any

import pytest

from service.domain.findings import Finding, FindingKind, Findings, ListUnreadable
from service.domain.needs_csv import COLUMNS, MOST_ROWS, NeedsLine, read_needs, write_needs


def taken(text: str | bytes) -> list[NeedsLine]:
    findings = Findings()
    lines = read_needs(text if isinstance(text, bytes) else text.encode(), findings)
    assert [each.kind for each in findings.settle()] in ([], [FindingKind.NOT_UTF8])
    return lines


def refused(text: str) -> list[Finding]:
    """Everything found in a table that cannot be taken."""
    findings = Findings()
    try:
        read_needs(text.encode(), findings)
        findings.settle()
    except ListUnreadable as unreadable:
        return list(unreadable.findings)
    raise AssertionError("nothing was found")


def test_only_the_columns_that_are_there_are_said() -> None:
    assert taken("rig,shot\nyes,0120\n\n,0130\n") == [
        NeedsLine(2, "0120", {"rig": True}),
        NeedsLine(4, "0130", {"rig": False}),
    ]


def test_a_table_with_semicolons_as_spreadsheets_of_other_countries_write_it() -> None:
    text = (
        "\ufeffSHOT;Characters; props ;notes;difficulty;moving_camera;cameras\r\n"
        '0120;"miller x2; gull";"lid;flour sack;";"soft\r\nat the end";3;TRUE;"wide; close"\r\n'
        ";;;;;;\r\n"
        "0130;;;;;;\r\n"
    )
    full, empty = taken(text)
    assert full.wanted == {
        "characters": [{"character": "miller", "copies": 2}, {"character": "gull", "copies": 1}],
        "props": ["lid", "flour sack"],
        "notes": "soft\nat the end",
        "difficulty": 3,
        "moving_camera": True,
        "cameras": ["wide", "close"],
    }
    assert (empty.line, empty.wanted) == (
        5,
        {"characters": [], "props": [], "notes": None, "difficulty": None, "moving_camera": False, "cameras": ["main"]},
    )


def test_letters_are_composed_and_latin_1_is_read() -> None:
    assert taken("shot,animator\ne\u0301,Zoe\u0308\n") == [NeedsLine(2, "\u00e9", {"animator": "Zo\u00eb"})]
    assert taken("shot,animator\n1,Zo\u00eb\n".encode("latin-1"))[0].wanted == {"animator": "Zo\u00eb"}


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("shot", "two words", "a code is"),
        ("set", "a/b", "a code is"),
        ("rig", "maybe", "true or false"),
        ("rig", "1", "true or false"),
        ("difficulty", "6", "from 1 to 5"),
        ("difficulty", "0", "from 1 to 5"),
        ("difficulty", "\u0663", "from 1 to 5"),
        ("difficulty", "9" * 30, "from 1 to 5"),
        ("cameras", "wide; wide", "twice"),
        ("cameras", "; ".join(f"c{number}" for number in range(17)), "at most 16"),
        ("characters", "gull x0", "from 1 to 1000"),
        ("characters", "gull two", "gull x2"),
        ("characters", "gull; gull x2", "twice"),
        ("props", "x" * 201, "at most 200"),
        ("props", ";".join(["lid"] * 101), "at most 100"),
        ("notes", "\n".join(["x" * 500] * 3), "at most 1000"),
        ("notes", "bell\u0007", "U+0007"),
        ("animator", "one\ntwo", "line break"),
    ],
)
def test_a_wrong_cell_is_named_by_line_and_column(column: str, cell: str, says: str) -> None:
    text = io.StringIO()
    columns = ["shot", column] if column != "shot" else ["shot", "rig"]
    table = csv.writer(text)
    table.writerows([columns, ["0110"], ["0120" if column != "shot" else cell, cell if column != "shot" else ""]])
    short, wrong = refused(text.getvalue())
    assert (short.kind, short.line, short.column) == (FindingKind.UNREADABLE_LINE, 2, None)
    assert (wrong.kind, wrong.line, wrong.column) == (FindingKind.FIELD_OUT_OF_RANGE, 3, column)
    assert says in wrong.detail


def test_columns_are_known_and_there_once_with_the_shot_among_them() -> None:
    found = refused("sets,rig,rig\n0120,yes,no\n")
    assert [(each.kind, each.column) for each in found] == [
        (FindingKind.UNKNOWN_COLUMN, "sets"),
        (FindingKind.REPEATED_COLUMN, "rig"),
        (FindingKind.MISSING_COLUMN, None),
    ]
    assert [each.kind for each in refused("")] == [FindingKind.MISSING_COLUMN]


def test_every_fault_is_found_in_one_reading() -> None:
    found = refused('shot,rig,set\n0120,perhaps,a b\n0120,yes,\n0120,no,mill\n,yes,\n0130,"yes"no,\n')
    assert [(each.kind, each.line, each.column) for each in found] == [
        (FindingKind.FIELD_OUT_OF_RANGE, 2, "rig"),
        (FindingKind.FIELD_OUT_OF_RANGE, 2, "set"),
        (FindingKind.REPEATED_SHOT, 4, "shot"),
        (FindingKind.NO_NAME, 5, "shot"),
        (FindingKind.UNREADABLE_LINE, 6, None),
    ]


def test_a_table_is_bounded() -> None:
    rows = [f"s{number},yes" for number in range(MOST_ROWS + 1)]
    (found,) = refused("\n".join(["shot,rig", *rows]))
    assert (found.kind, found.line) == (FindingKind.TOO_MUCH, MOST_ROWS + 2)
    assert len(taken("\n".join(["shot,rig", *rows[:-1]]))) == MOST_ROWS


@pytest.mark.parametrize("text", ["=1+1", "'=1", "''- soft", "-", "@lamp", "'tis", "+ more\n= less"])
def test_no_spreadsheet_takes_a_text_for_a_formula_and_the_text_comes_back(text: str) -> None:
    values: dict[str, Any] = dict.fromkeys(COLUMNS[1:]) | {
        "rig": False,
        "plate": False,
        "comp": False,
        "dialogue": False,
        "moving_camera": False,
        "cameras": ["main"],
        "passes": ["main"],
        "characters": [],
        "props": [text] if "\n" not in text else [],
        "notes": text,
    }
    written = write_needs([("0120", values)])
    header, row = csv.reader(io.StringIO(written, newline=""))
    assert [cell for cell in row if cell.startswith(("=", "+", "-", "@"))] == []
    (line,) = taken(written)
    assert dict(line.wanted) == values
    assert header == list(COLUMNS)
