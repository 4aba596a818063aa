"""Shifts, from a stage's call to its wrap, and what else a stage's log says."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import assert_never

from service.domain.refusals import Clash

# A call that nobody ever closed with a wrap would otherwise draw every later frame of the stage into its day.
LONGEST_SHIFT = timedelta(hours=24)


POWER_CAUTION = (
    "No confirmation is not proof that power is off. Go and look. Fixed wiring is for licensed electricians under local"
    " codes."
)


class Signal(StrEnum):
    """What a stage's log says: work begins or ends, waits or goes on, or the power is said to be off."""

    CALL = "call"
    WRAP = "wrap"
    WAITING = "waiting"
    RESUMED = "resumed"
    POWER_OFF = "power_off"

    @property
    def cautions(self) -> tuple[str, ...]:
        """What whoever enters or reads such a line must bear in mind."""
        return (POWER_CAUTION,) if self is Signal.POWER_OFF else ()


DAY_SIGNALS = frozenset({Signal.CALL, Signal.WRAP})
"""The signals that decide production days."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What names a line of the log for ever beside its terminal: the spool it came from and its serial there."""

    spool: str
    serial: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line of a stage's log as it was posted: `at` is the sender's clock as it happened."""

    stage: str
    signal: Signal
    at: datetime | None = None
    reason: str | None = None
    identity: Identity | None = None

    @property
    def digest(self) -> str:
        """SHA-256 in hex of what the line says, which when and how often it was sent is no part of."""
        says = {
            "stage": self.stage,
            "kind": self.signal.value,
            "at": self.at.astimezone(UTC).isoformat() if self.at else None,
            "reason": self.reason,
        }
        return hashlib.sha256(json.dumps(says, sort_keys=True).encode()).hexdigest()


@dataclass(eq=False)
class LogConflict(Clash):
    """The serial {serial} of spool {spool!r} was used before with other content.

    Give each line and each count a serial of its own, and a reinstalled terminal a new spool id.
    """

    spool: str
    serial: int


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

    A call while a shift is open ends it and begins another; a wrap without a call says nothing. What else the log says
    neither begins a shift nor ends one.
    """
    shifts: list[Shift] = []
    called_at: datetime | None = None
    for at, signal in _in_order(entry for entry in log if entry[1] in DAY_SIGNALS):
        if called_at is not None:
            shifts.append(Shift(called_at, at))
        called_at = at if signal is Signal.CALL else None
    return (*shifts, Shift(called_at)) if called_at is not None else tuple(shifts)


def at_work_since(log: Iterable[tuple[datetime, Signal]], now: datetime) -> datetime | None:
    """Since when work goes on at a stage at `now`, by its log, of which later entries of an instant come later.

    That is the call, or what ended a wait since. None where it was not called, was wrapped, waits or has its power off,
    or where the call was more than 24 hours ago.
    """
    called_at: datetime | None = None
    since: datetime | None = None
    for at, signal in _in_order(entry for entry in log if entry[0] <= now):
        match signal:
            case Signal.CALL:
                called_at = since = at
            case Signal.WRAP:
                called_at = since = None
            case Signal.WAITING | Signal.POWER_OFF:
                since = None
            case Signal.RESUMED:
                since = at
            case _:
                assert_never(signal)
    working = called_at is not None and now < called_at + LONGEST_SHIFT
    return since if working else None


def silent_since(
    log: Iterable[tuple[datetime, Signal]], *, heard_at: datetime | None, now: datetime, limit_s: float
) -> datetime | None:
    """Since when a terminal is silent at `now` though its stage is at work; None where it is not.

    Silence begins with what was last heard of it, or with the work, and counts once it is longer than `limit_s`.
    """
    since = at_work_since(log, now)
    if since is None:
        return None
    begins = since if heard_at is None else max(since, heard_at)
    return begins if (now - begins).total_seconds() > limit_s else None


def _in_order(log: Iterable[tuple[datetime, Signal]]) -> list[tuple[datetime, Signal]]:
    # At the same instant a wrap comes first: it ends what was, the call begins what follows.
    first = {Signal.WRAP: 0, Signal.CALL: 1}
    return sorted(log, key=lambda entry: (entry[0], first.get(entry[1], 2)))
