"""Shifts: from a stage's call to its wrap."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

# A call that nobody ever closed with a wrap would otherwise draw every later frame of the stage into its day.
LONGEST_SHIFT = timedelta(hours=24)


class Signal(StrEnum):
    """What a stage's log says of its working day."""

    CALL = "call"
    WRAP = "wrap"


@dataclass(frozen=True, slots=True)
class Shift:
    """From a stage's call to its wrap; `wrapped_at` is None while nobody has called the wrap."""

    called_at: datetime
    wrapped_at: datetime | None = None

    def holds(self, instant: datetime) -> bool:
        """Whether the instant lies in `[call, wrap)`, and within 24 hours of the call."""
        end = self.called_at + LONGEST_SHIFT
        return self.called_at <= instant < (end if self.wrapped_at is None else min(self.wrapped_at, end))


def shifts_of(log: Iterable[tuple[datetime, Signal]]) -> tuple[Shift, ...]:
    """The shifts of one stage's log, in order.

    A call while a shift is open ends it and begins another; a wrap without a call says nothing.
    """
    shifts: list[Shift] = []
    called_at: datetime | None = None
    # At the same instant a wrap comes first: it ends what was, the call begins what follows.
    for at, signal in sorted(log, key=lambda entry: (entry[0], entry[1] is Signal.CALL)):
        if called_at is not None:
            shifts.append(Shift(called_at, at))
        called_at = at if signal is Signal.CALL else None
    return (*shifts, Shift(called_at)) if called_at is not None else tuple(shifts)
