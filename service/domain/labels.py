"""The timecode labels of one list: which numbering they follow, and whether they agree on it."""

from dataclasses import dataclass, field
from fractions import Fraction

from service.domain.findings import FindingKind, Findings
from service.domain.rates import rate_text
from service.domain.timecodes import DROP_FRAME_RATES, NoSuchLabel, Numbering


@dataclass(slots=True)
class Labels:
    """Reads the labels of a list at `frame_rate`, and notes what is wrong with them.

    Where the list states its numbering that is obeyed, and may change; else a `;` before the frames says drop-frame.
    """

    frame_rate: Fraction
    findings: Findings
    _stated: bool | None = None
    _marks: dict[str, int] = field(default_factory=dict)
    _accused: int = 0
    _first: Numbering | None = None
    _plain: Numbering = field(init=False)
    _drop: Numbering | None = field(init=False)

    def __post_init__(self) -> None:
        self._plain = Numbering(self.frame_rate)
        self._drop = Numbering(self.frame_rate, drop_frame=True) if self.frame_rate in DROP_FRAME_RATES else None

    @property
    def numbering(self) -> Numbering:
        """The numbering of the first label, plain where there was none."""
        return self._first or self._plain

    def state(self, line: int, *, drop_frame: bool) -> None:
        """Take the list's own word for the numbering of the labels that follow."""
        self._stated = drop_frame
        if drop_frame and self._drop is None:
            self._accuse(line, f"drop-frame is not defined at {rate_text(self.frame_rate)}; state NON-DROP FRAME")

    def frame(self, label: str, line: int) -> int | None:
        """The frame number of *label*, or None where a fault was noted."""
        # A text of another form says nothing of the numbering.
        numbering = self._numbering(label[8:9], line) if label[8:9] in {":", ";"} else self._plain
        if self._first is None:
            self._first = numbering
        try:
            return numbering.frame(label)
        except NoSuchLabel as reason:
            self.findings.add(FindingKind.FIELD_OUT_OF_RANGE, line, str(reason))
            return None

    def _numbering(self, mark: str, line: int) -> Numbering:
        if self._stated is None:
            self._compare(mark, line)
        elif mark == ";" and not self._stated:
            self._accuse(
                line, "a label with ; is drop-frame, but NON-DROP FRAME is stated; write : or state DROP FRAME"
            )
        if not (mark == ";" if self._stated is None else self._stated):
            return self._plain
        if self._drop is None:
            rate = rate_text(self.frame_rate)
            self._accuse(
                line, f"a label with ; is drop-frame, which is not defined at {rate}; write : or give its rate"
            )
            return self._plain
        return self._drop

    def _compare(self, mark: str, line: int) -> None:
        if mark not in self._marks:
            self._marks[mark] = line
            if len(self._marks) > 1:
                first = min(self._marks.values())
                self._accuse(line, f"labels with : and with ; (line {first}) in one list that states neither numbering")

    def _accuse(self, line: int, detail: str) -> None:
        # A line has four labels and one thing wrong with them.
        if self._accused != line:
            self._accused = line
            self.findings.add(FindingKind.DROP_FRAME, line, detail)
