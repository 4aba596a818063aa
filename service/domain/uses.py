"""The uses of shots in a cut: what a cut list says, whichever format it came in."""

from dataclasses import dataclass, field
from fractions import Fraction

from service.domain.findings import Finding

MOST_USE_FRAMES = 1_000_000
MOST_USES = 20_000
LONGEST_TEXT = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """One unbroken use of a shot in the cut.

    `record_in` is the frame number of its first frame in the programme, counted from 00:00:00:00, `frames` its length
    there. `source` is the reel it comes from, `source_in` the frame number there and `source_frames` the length there,
    other than `frames` under a speed line; both or neither are known. `extra_frames` are the frames beyond the use that
    a dissolve at its end needs. `remarks` are speed and freeze lines as they stand in the list. `line` is where the use
    begins in the list, from 1.
    """

    shot: str
    record_in: int
    frames: int
    source: str | None
    source_in: int | None
    source_frames: int | None
    extra_frames: int = 0
    scene: str | None = None
    remarks: tuple[str, ...] = ()
    line: int = field(compare=False)

    @property
    def record_out(self) -> int:
        """The frame number after the last."""
        return self.record_in + self.frames


@dataclass(frozen=True, slots=True, kw_only=True)
class CutList:
    """A list as it was read: its uses in the order of the list, and the remarks of the reading."""

    frame_rate: Fraction
    drop_frame: bool
    title: str | None
    uses: tuple[Use, ...]
    findings: tuple[Finding, ...] = field(compare=False)
