"""Cut lists as tables (CSV, RFC 4180): a header that names the columns, in any order, and a row for each use.

`shot` is needed, and `frames` or `record_in` with `record_out` (labels as 01:00:00:00), or all three, which must agree.
Without record labels a row follows the one before, the first begins at 00:00:00:00. `scene`, `source` (a reel) with
`source_in` and `source_out`, `extra_frames` (what a dissolve at the end needs) and `remarks` (one a line) may be there.
Cells are parted by commas, or by semicolons where the header is. A label with `;` is drop-frame, and all are or none.

A table carries neither title nor frame rate.
"""

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from service.domain.findings import FindingKind, Findings
from service.domain.labels import Labels
from service.domain.readings import Reading
from service.domain.texts import fault_of, table_columns, table_rows, tidy
from service.domain.timecodes import Numbering
from service.domain.uses import MOST_USE_FRAMES, CutList, Use, cut_list

COLUMNS = (
    "shot",
    "frames",
    "record_in",
    "record_out",
    "source",
    "source_in",
    "source_out",
    "extra_frames",
    "scene",
    "remarks",
)

_LONGEST_LINE = 400
_NUMBER = re.compile(r"[0-9]{1,7}")


def read_csv(text: str, reading: Reading, findings: Findings) -> CutList:
    """The uses in the table *text*.

    Raises ListUnreadable where there is any fault.
    """
    rows = table_rows(text, findings)
    line, header = next(rows, (1, []))
    columns = _columns(header, line, findings)
    # Without its columns every row would be a fault of its own.
    findings.settle()
    table = _Table(columns, findings, Labels(reading.frame_rate, findings))
    uses = [use for line, row in rows if (use := table.use(line, row)) is not None]
    return cut_list(uses, findings, numbering=table.labels.numbering, title=None)


def write_csv(cut: CutList) -> str:
    """The uses of *cut* as a table that reads back as the same."""
    label = Numbering(cut.frame_rate, cut.drop_frame).label
    text = io.StringIO(newline="")
    table = csv.writer(text)
    table.writerow(COLUMNS)
    for use in cut.uses:
        source = ("", "")
        if use.source_in is not None and use.source_frames is not None:
            source = (label(use.source_in), label(use.source_in + use.source_frames))
        record = (label(use.record_in), label(use.record_out))
        extra = use.extra_frames or ""
        remarks = "\n".join(use.remarks)
        table.writerow([use.shot, use.frames, *record, use.source, *source, extra, use.scene, remarks])
    return text.getvalue()


def _columns(header: Sequence[str], line: int, findings: Findings) -> list[str]:
    names = table_columns(header, line, findings, there=COLUMNS)
    if "shot" in names and "frames" not in names and not {"record_in", "record_out"} <= set(names):
        findings.add(FindingKind.MISSING_COLUMN, line, "a table has the column frames, or record_in and record_out")
    return names


@dataclass(slots=True)
class _Table:
    """The rows of one table as they are read; `follows` is the frame number after the last use."""

    columns: Sequence[str]
    findings: Findings
    labels: Labels
    follows: int = 0
    _before: int = field(init=False, default=0)

    def use(self, line: int, row: Sequence[str]) -> Use | None:
        """The use a row says, or None where a fault was noted."""
        self._before = self.findings.faults
        cells = self._cells(line, row)
        if self._refused():
            return None
        frames, record_in = self._record(line, cells)
        source_in, source_frames = self._source(line, cells)
        extra_frames = self._number(line, "extra_frames", cells, least=0)
        if self._refused():
            return None
        self.follows = record_in + frames
        return Use(
            shot=cells.get("shot", ""),
            record_in=record_in,
            frames=frames,
            source=cells.get("source"),
            source_in=source_in,
            source_frames=source_frames,
            extra_frames=extra_frames or 0,
            scene=cells.get("scene"),
            remarks=tuple(said for part in cells.get("remarks", "").split("\n") if (said := part.strip())),
            line=line,
        )

    def _refused(self) -> bool:
        return self.findings.faults > self._before

    def _fault(self, line: int, detail: str) -> None:
        self.findings.add(FindingKind.FIELD_OUT_OF_RANGE, line, detail)

    def _cells(self, line: int, row: Sequence[str]) -> dict[str, str]:
        """The cells of a row that say something, by column."""
        if len(row) != len(self.columns):
            detail = f"{len(row)} cells under {len(self.columns)} columns"
            self.findings.add(FindingKind.UNREADABLE_LINE, line, detail)
            return {}
        cells: dict[str, str] = {}
        for name, cell in zip(self.columns, row, strict=True):
            if not cell:
                continue
            said = cell.split("\n")
            faults = [fault for part in said if (fault := fault_of(part, _LONGEST_LINE)) is not None]
            if len(said) > 1 and name != "remarks":
                faults.append("has a line break")
            for fault in faults:
                self._fault(line, f"the cell {name} {fault}")
            if not faults and (kept := "\n".join(map(tidy, said)).strip()):
                cells[name] = kept
        return cells

    def _record(self, line: int, cells: dict[str, str]) -> tuple[int, int]:
        """Length and first frame number on the record side; any where a fault was noted."""
        frames = self._number(line, "frames", cells, least=1)
        side = self._side(line, "record", cells)
        if side is None:
            if frames is None and not self._refused():
                self._fault(line, "no length; a row has frames, or record_in and record_out")
            return frames or 0, self.follows
        record_in, length = side
        if frames is not None and frames != length:
            detail = f"{frames} frames, but {length} from record_in to record_out; correct one, or leave one out"
            self.findings.add(FindingKind.LENGTHS_DISAGREE, line, detail)
        if length == 0:
            self.findings.add(FindingKind.NO_LENGTH, line, "no frames on the record side; a use has at least one")
        return length, record_in

    def _source(self, line: int, cells: dict[str, str]) -> tuple[int | None, int | None]:
        side = self._side(line, "source", cells)
        if side is None:
            return None, None
        if "source" not in cells:
            self._fault(line, "source_in and source_out of no source; name the reel in the column source")
        return side

    def _side(self, line: int, name: str, cells: dict[str, str]) -> tuple[int, int] | None:
        """First frame number and length of a side, or None where the row does not say it."""
        labels = [cells.get(f"{name}_in"), cells.get(f"{name}_out")]
        if labels == [None, None]:
            return None
        if None in labels:
            self._fault(line, f"{name}_in and {name}_out come together")
            return None
        start, stop = (self.labels.frame(label or "", line) for label in labels)
        if start is None or stop is None:
            return None
        if stop < start:
            detail = f"the {name} side ends {start - stop} frames before it begins; no list runs past midnight"
            self.findings.add(FindingKind.BACKWARDS, line, detail)
            return None
        return start, stop - start

    def _number(self, line: int, name: str, cells: dict[str, str], *, least: int) -> int | None:
        cell = cells.get(name)
        if cell is None:
            return None
        if _NUMBER.fullmatch(cell) and least <= int(cell) <= MOST_USE_FRAMES:
            return int(cell)
        self._fault(line, f"{name} is {cell[:64]!r}; it is a whole number from {least} to {MOST_USE_FRAMES}")
        return None
