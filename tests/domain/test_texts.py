"""Bytes become text that can be relied on."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.codes import unprintable
from service.domain.cutlists import FindingKind, ListUnreadable
from service.domain.findings import Findings
from service.domain.texts import MOST_LINES, decoded, fault_of, tidy


def test_a_byte_order_mark_is_no_text() -> None:
    findings = Findings()
    assert decoded(b"\xef\xbb\xbfTITLE: caf\xc3\xa9", findings) == "TITLE: caf\u00e9"
    assert findings.settle() == ()


@pytest.mark.parametrize(("body", "line"), [(b"caf\xe9", 1), (b"a\nb\ncaf\xe9\n", 3), (b"a\r\nb\r\xe9", 3)])
def test_what_is_no_utf_8_is_read_as_latin_1_and_said_with_its_line(body: bytes, line: int) -> None:
    findings = Findings()
    assert decoded(body, findings).count("\u00e9") == 1
    assert [(finding.kind, finding.line) for finding in findings.settle()] == [(FindingKind.NOT_UTF8, line)]


@given(st.binary())
def test_any_bytes_become_lines_that_end_alike(body: bytes) -> None:
    assert "\r" not in decoded(body, Findings())


def test_too_many_lines_are_refused() -> None:
    with pytest.raises(ListUnreadable) as refused:
        decoded(b"\n" * (MOST_LINES + 1), Findings())
    assert [finding.kind for finding in refused.value.findings] == [FindingKind.TOO_MUCH]


@given(st.characters())
def test_control_characters_are_those_that_are_unprintable_elsewhere(char: str) -> None:
    """And white space of a line, which a list may have."""
    assert (fault_of(char) is not None) == (unprintable(char) is not None and char not in "\t\n")


def test_text_is_composed_and_tabs_are_spaces() -> None:
    assert tidy("\tcafe\u0301\tq1 ") == "caf\u00e9 q1"


def test_long_text_is_refused_with_its_length() -> None:
    assert fault_of("x" * 201) == "has 201 characters; at most 200 are read"
    assert fault_of("x" * 200) is None
