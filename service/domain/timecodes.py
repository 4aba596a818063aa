"""Timecode: labels of hours, minutes, seconds and frames, and the frame numbers they stand for (SMPTE ST 12-1).

Frames are numbered from 0 at 00:00:00:00, and a label is never later than the last of the day. The text of the standard
was not at hand; its drop-frame rule is checked against published values and the `timecode` package in
tests/domain/test_timecodes.py.
"""

import re
from dataclasses import dataclass, field
from fractions import Fraction

# Drop-frame labels are defined for these two alone, the second from memory.
DROP_FRAME_RATES = frozenset({Fraction(30_000, 1001), Fraction(60_000, 1001)})
# A label has two digits for the frame; at more than 100 frames a second, of which the standard says nothing, three.
LABEL = r"[0-9]{2}:[0-9]{2}:[0-9]{2}[:;][0-9]{2,4}"

_CLOCK = "hh:mm:ss:"
_LABEL = re.compile(r"([0-9]{2}):([0-9]{2}):([0-9]{2})[:;]([0-9]{2,4})")
_MOST_HOURS, _MOST_SIXTIETHS = 23, 59


class NoSuchLabel(ValueError):
    """A label that stands for no frame; the message names the field and says what would be right."""


@dataclass(frozen=True, slots=True)
class Numbering:
    """How labels number the frames of a day at `frame_rate`, drop-frame or not.

    `counted` is how many frames the labels count in a second: 30 at 30000/1001. Drop-frame passes over the first
    `dropped` labels of each minute but every tenth, so that labels keep to the clock; no frame is dropped. Raises
    ValueError where drop-frame is not defined for the rate.
    """

    frame_rate: Fraction
    drop_frame: bool = False
    counted: int = field(init=False)
    dropped: int = field(init=False)
    _width: int = field(init=False)
    _length: int = field(init=False)

    def __post_init__(self) -> None:
        if self.drop_frame and self.frame_rate not in DROP_FRAME_RATES:
            raise ValueError(f"drop-frame is defined for 30000/1001 and 60000/1001 alone, not for {self.frame_rate}")
        counted = -(-self.frame_rate.numerator // self.frame_rate.denominator)
        # Two at 30, four at 60.
        object.__setattr__(self, "counted", counted)
        object.__setattr__(self, "dropped", counted // 15 if self.drop_frame else 0)
        width = max(2, len(str(counted - 1)))
        object.__setattr__(self, "_width", width)
        object.__setattr__(self, "_length", len(_CLOCK) + width)

    @property
    def day_frames(self) -> int:
        """How many labels a day has: one more than the highest frame number."""
        return self._number(24, 0, 0, 0)

    def frame(self, label: str) -> int:
        """The frame number of a label as 01:00:00:00 (or with `;` before the frames, which changes nothing here).

        Raises NoSuchLabel.
        """
        found = _LABEL.fullmatch(label)
        if found is None:
            raise NoSuchLabel(f"{label} is no timecode; one is written hh:mm:ss:ff, as 01:00:00:00")
        hours, minutes, seconds, frames = map(int, found.groups())
        fits = hours <= _MOST_HOURS and minutes <= _MOST_SIXTIETHS and seconds <= _MOST_SIXTIETHS
        if not (fits and frames < self.counted and len(label) == self._length):
            raise NoSuchLabel(self._misfit(label, hours, minutes, seconds, frames))
        if frames < self.dropped and seconds == 0 and minutes % 10:
            right = f"{label[:8]};{self.dropped:0{self._width}}"
            raise NoSuchLabel(f"drop-frame has no label {label}; the first of that minute is {right}")
        return self._number(hours, minutes, seconds, frames)

    def label(self, frame: int) -> str:
        """The label of a frame number, with `;` before the frames in drop-frame.

        Raises ValueError where the number lies outside the day.
        """
        if not 0 <= frame < self.day_frames:
            raise ValueError(f"frame {frame} lies outside a day of {self.day_frames} frames")
        minute = 60 * self.counted - self.dropped
        tens, rest = divmod(frame, 10 * minute + self.dropped)
        # The first minute of ten is longer by the labels it keeps.
        passed = max(0, rest - self.dropped) // minute
        seconds, frames = divmod(frame + self.dropped * (9 * tens + passed), self.counted)
        mark = ";" if self.drop_frame else ":"
        clock = f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"
        return f"{clock}{mark}{frames:0{self._width}}"

    def _misfit(self, label: str, *fields: int) -> str:
        rate = f"{self.frame_rate.numerator}/{self.frame_rate.denominator}"
        if len(label) != self._length:
            digits = len(label) - len(_CLOCK)
            return f"the frames of {label} have {digits} digits; at {rate} they have {self._width}"
        most = (_MOST_HOURS, _MOST_SIXTIETHS, _MOST_SIXTIETHS, self.counted - 1)
        names = ("hours", "minutes", "seconds", "frames")
        name, limit = next(
            (name, limit) for name, number, limit in zip(names, fields, most, strict=True) if number > limit
        )
        return f"the {name} of {label} run from 0 to {limit} at {rate}"

    def _number(self, hours: int, minutes: int, seconds: int, frames: int) -> int:
        whole = 60 * hours + minutes
        return (60 * whole + seconds) * self.counted + frames - self.dropped * (whole - whole // 10)
