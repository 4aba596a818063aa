"""What the reading of a cut list finds: faults, for which the list is not taken, and remarks, with which it is."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

# Past these nobody reads on; a body of nothing but wrong lines must not become a reply of the same size.
MOST_FAULTS, MOST_FINDINGS = 1_000, 50_000


class FindingKind(StrEnum):
    """What is found, in whole words. `FAULTS` says which of them are faults."""

    UNREADABLE_LINE = "unreadable line"
    FIELD_OUT_OF_RANGE = "field out of range"
    DROP_FRAME = "drop-frame contradiction"
    OTHER_RATE = "other frame rate"
    BACKWARDS = "ends before it begins"
    NO_LENGTH = "no length"
    LENGTHS_DISAGREE = "lengths disagree"
    NO_NAME = "no shot name"
    TWO_NAMES = "two shot names"
    KEY = "key"
    OUTGOING_ELSEWHERE = "outgoing shot elsewhere"
    NO_EVENT = "no event"
    UNKNOWN_COLUMN = "unknown column"
    MISSING_COLUMN = "missing column"
    REPEATED_COLUMN = "repeated column"
    UNKNOWN_MEMBER = "unknown member"
    MISSING_MEMBER = "missing member"
    REPEATED_MEMBER = "repeated member"
    OTHER_TYPE = "other type"
    TOO_MUCH = "too much"
    ELSEWHERE = "used in another episode"
    NOT_COVERED = "not covered"
    UNKNOWN_SHOT = "unknown shot"
    REPEATED_SHOT = "repeated shot"

    OVERLAP = "overlap"
    GAP = "gap"
    LENGTHS_DIFFER = "lengths differ"
    SOURCES_APART = "sources apart"
    SCENES_DIFFER = "scenes differ"
    DISSOLVE_FROM_NOTHING = "dissolve from nothing"
    STATEMENT_UNUSED = "statement not used"
    NOT_UTF8 = "not UTF-8"
    END_UNKNOWN = "end unknown"


FAULTS = frozenset(
    {
        FindingKind.UNREADABLE_LINE,
        FindingKind.FIELD_OUT_OF_RANGE,
        FindingKind.DROP_FRAME,
        FindingKind.OTHER_RATE,
        FindingKind.BACKWARDS,
        FindingKind.NO_LENGTH,
        FindingKind.LENGTHS_DISAGREE,
        FindingKind.NO_NAME,
        FindingKind.TWO_NAMES,
        FindingKind.KEY,
        FindingKind.OUTGOING_ELSEWHERE,
        FindingKind.NO_EVENT,
        FindingKind.UNKNOWN_COLUMN,
        FindingKind.MISSING_COLUMN,
        FindingKind.REPEATED_COLUMN,
        FindingKind.UNKNOWN_MEMBER,
        FindingKind.MISSING_MEMBER,
        FindingKind.REPEATED_MEMBER,
        FindingKind.OTHER_TYPE,
        FindingKind.TOO_MUCH,
        FindingKind.ELSEWHERE,
        FindingKind.NOT_COVERED,
        FindingKind.UNKNOWN_SHOT,
        FindingKind.REPEATED_SHOT,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found in line `line` (from 1) of a list; `detail` says what would be right.

    `column` is the name of a table's column, None where the finding is about the whole line.
    """

    kind: FindingKind
    line: int
    detail: str
    shot: str | None = None
    column: str | None = None

    @property
    def fault(self) -> bool:
        """Whether the list cannot be taken as it stands."""
        return self.kind in FAULTS


class ListUnreadable(Exception):
    """The list cannot be taken as it stands: at least one of `findings`, which are in line order, is a fault."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(sorted(findings, key=lambda finding: finding.line))
        super().__init__(self.findings)

    def __str__(self) -> str:
        faults = [finding for finding in self.findings if finding.fault]
        first = f", the first in line {faults[0].line}: {faults[0].detail}" if faults else ""
        return f"The list has {len(faults)} faults{first}"


@dataclass(slots=True)
class Findings:
    """What one reading has found so far."""

    found: list[Finding] = field(default_factory=list)
    faults: int = 0

    def add(
        self, kind: FindingKind, line: int, detail: str, *, shot: str | None = None, column: str | None = None
    ) -> None:
        """Note a finding.

        Raises ListUnreadable where the list has more faults, or findings in all, than anybody will read.
        """
        self.found.append(Finding(kind=kind, line=line, detail=detail, shot=shot, column=column))
        self.faults += kind in FAULTS
        for number, most, what in (
            (self.faults, MOST_FAULTS, "faults"),
            (len(self.found), MOST_FINDINGS, "findings"),
        ):
            if number >= most:
                enough = f"reading ended here, after {most} {what}; put them right and send the list again"
                self.found.append(Finding(kind=FindingKind.TOO_MUCH, line=line, detail=enough))
                raise ListUnreadable(self.found)

    def settle(self) -> tuple[Finding, ...]:
        """The remarks in line order.

        Raises ListUnreadable with everything found where any of it is a fault.
        """
        if self.faults:
            raise ListUnreadable(self.found)
        return tuple(sorted(self.found, key=lambda finding: finding.line))
