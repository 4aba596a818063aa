"""Cut lists of an invented series, for the tests of their readers and writers."""

from collections.abc import Iterable, Sequence
from fractions import Fraction

import pytest

from service.domain.cutlists import CutList, Finding, FindingKind, ListFormat, ListUnreadable, NameFrom, Reading, read
from service.domain.patterns import NamePattern
from service.domain.timecodes import Numbering

FILM, EUROPE, NTSC = Fraction(24), Fraction(25), Fraction(30_000, 1001)


def reading(
    rate: Fraction = EUROPE,
    name_from: NameFrom = NameFrom.REEL,
    *,
    pattern: str | None = None,
    form: ListFormat = ListFormat.EDL,
) -> Reading:
    asked = None if pattern is None else NamePattern.of(pattern)
    return Reading(format=form, frame_rate=rate, name_from=name_from, name_pattern=asked)


def taken(lines: Sequence[str] | str | bytes, how: Reading | None = None) -> CutList:
    """What is read of a list that can be taken."""
    return read(_body(lines), how or reading())


def refused(lines: Sequence[str] | str | bytes, how: Reading | None = None) -> list[tuple[FindingKind, int]]:
    """Kind and line of everything found in a list that cannot be taken."""
    return [(finding.kind, finding.line) for finding in refusal(lines, how)]


def refusal(lines: Sequence[str] | str | bytes, how: Reading | None = None) -> tuple[Finding, ...]:
    with pytest.raises(ListUnreadable) as unreadable:
        read(_body(lines), how or reading())
    found = unreadable.value.findings
    assert any(finding.fault for finding in found)
    assert list(found) == sorted(found, key=lambda finding: finding.line)
    return found


def remarked(cut: CutList) -> list[tuple[FindingKind, int]]:
    assert not any(finding.fault for finding in cut.findings)
    return [(finding.kind, finding.line) for finding in cut.findings]


def lengths(cut: CutList) -> list[tuple[str, int]]:
    return [(use.shot, use.frames) for use in cut.uses]


def event(
    number: int,
    reel: str,
    record: tuple[int, int],
    source: tuple[int, int] | None = None,
    *,
    kind: str = "V     C",
    numbering: Numbering | None = None,
) -> str:
    """An event line from frame numbers; without a source side that begins at frame 250 and is as long."""
    label = (numbering or Numbering(EUROPE)).label
    sides = (*(source or (250, 250 + record[1] - record[0])), *record)
    return f"{number:03}  {reel:8} {kind}        {' '.join(label(frame) for frame in sides)}"


def _body(lines: Iterable[str] | str | bytes) -> bytes:
    if isinstance(lines, bytes):
        return lines
    return (lines if isinstance(lines, str) else "\n".join(lines)).encode()
