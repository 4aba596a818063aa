"""Lamp hours per stage and production day, from the stages' logs: a worker as a stranger to the project writes one."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import MappingProxyType
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from workers.contract import (
    LONGEST_SHIFT,
    POWER_CAUTION,
    Change,
    Context,
    Event,
    EventKind,
    Keep,
    Signal,
    Stage,
    StageLine,
    Worker,
    production_day,
)

TABLE = "stage-days"


class LampHoursSettings(BaseModel):
    """When a stage that wrapped without a word of its power is named."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    confirm_within_min: int = Field(default=60, ge=0, le=1440, description="Minutes after the wrap.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Burn:
    """Lamps on from `on_at` to `off_at`; `waiting` of it without work, `after_wrap` of it after the wrap.

    `confirmed` where somebody entered that the power is off; without that the end is what the log last knew of.
    """

    on_at: datetime
    off_at: datetime
    waiting: timedelta
    after_wrap: timedelta
    confirmed: bool


class _Lit:
    """Lamps that are on, while the lines that follow are read."""

    def __init__(self, on_at: datetime) -> None:
        self.on_at = self.seen_at = on_at
        self.wrapped_at: datetime | None = None
        self._waits_at: datetime | None = None
        self._waiting = timedelta()

    def wait(self, at: datetime) -> None:
        self._waits_at = self._waits_at or at

    def go_on(self, at: datetime) -> None:
        if self._waits_at is not None:
            self._waiting += at - self._waits_at
        self._waits_at = None

    def wrap(self, at: datetime) -> None:
        self.go_on(at)
        self.wrapped_at = self.wrapped_at or at

    def off(self, at: datetime, *, confirmed: bool) -> Burn:
        worked_to = self.wrapped_at or at
        self.go_on(worked_to)
        return Burn(on_at=self.on_at, off_at=at, waiting=self._waiting, after_wrap=at - worked_to, confirmed=confirmed)

    def lost(self) -> Burn:
        """Nobody said that the power is off: to the wrap, or to the last line."""
        return self.off(self.wrapped_at or self.seen_at, confirmed=False)


def burns(lines: Iterable[StageLine]) -> Iterator[Burn]:
    """When the lamps of a stage were on, by its log in the order of its instants; a call holds for 24 hours at most."""
    lit: _Lit | None = None
    for line in lines:
        if lit is not None and line.at - lit.on_at > LONGEST_SHIFT:
            yield lit.lost()
            lit = None
        if lit is not None and (line.signal is Signal.CALL or (line.signal is Signal.RESUMED and lit.wrapped_at)):
            # A new call ends what nobody wrapped; what was wrapped ended then.
            yield lit.lost() if lit.wrapped_at else lit.off(line.at, confirmed=False)
            lit = None
        if lit is None:
            lit = _Lit(line.at) if line.signal in {Signal.CALL, Signal.RESUMED} else None
            continue
        lit.seen_at = line.at
        if line.signal is Signal.POWER_OFF:
            yield lit.off(line.at, confirmed=True)
            lit = None
        elif line.signal is Signal.WRAP:
            lit.wrap(line.at)
        elif line.signal is Signal.WAITING and lit.wrapped_at is None:
            lit.wait(line.at)
        elif line.signal is Signal.RESUMED:
            lit.go_on(line.at)
    if lit is not None:
        yield lit.lost()


class LampHours(Worker):
    """Keeps a row for each stage and production day on which its lamps were switched on."""

    name: ClassVar[str] = "lamp-hours"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = frozenset(
        {
            EventKind.STAGE_CALLED,
            EventKind.STAGE_WRAPPED,
            EventKind.STAGE_WAITED,
            EventKind.STAGE_RESUMED,
            EventKind.STAGE_POWERED_OFF,
        }
    )
    tables: ClassVar[Mapping[str, str]] = MappingProxyType(
        {TABLE: "The seconds that a stage's lamps were on, of those switched on on a production day."}
    )
    Settings: ClassVar[type[BaseModel]] = LampHoursSettings

    def __init__(self, settings: LampHoursSettings) -> None:
        self._confirm_within = timedelta(minutes=settings.confirm_within_min)

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        """The days of each stage's log that a new line may change: from the day before its instant on."""
        first: dict[str, datetime] = {}
        for event in batch:
            code, at = str(event.data["stage"]), datetime.fromisoformat(str(event.data["at"]))
            first[code] = min(first.get(code, at), at)
        stages = {stage.code: stage for stage in context.stages()}
        return [change for code, at in first.items() for change in _changed(stages[code], at, context)]

    def health(self, context: Context) -> Sequence[str]:
        """Names the stages that wrapped some time ago and of whose power nobody has said that it is off."""
        said = []
        for stage in context.stages():
            lines = context.stage_log(stage.stage_id, since=context.now - 3 * LONGEST_SHIFT)
            last = lines[-1] if lines else None
            if last and last.signal is Signal.WRAP and context.now - last.at > self._confirm_within:
                said.append(
                    f"{stage.code} wrapped at {last.at:%Y-%m-%d %H:%M} UTC without a power-off. {POWER_CAUTION}"
                )
        return said


def _changed(stage: Stage, at: datetime, context: Context) -> Iterator[Keep]:
    # A day's lamps were switched on up to 24 hours after its beginning, and what lit them may be 24 hours older.
    lines = context.stage_log(stage.stage_id, since=at - 3 * LONGEST_SHIFT)
    first_on = production_day(at - LONGEST_SHIFT, context.studio)
    of_days: dict[date, list[Burn]] = {
        day: [] for line in lines if (day := production_day(line.at, context.studio)) >= first_on
    }
    for burn in burns(lines):
        if (day := production_day(burn.on_at, context.studio)) >= first_on:
            of_days[day].append(burn)
    for day, found in of_days.items():
        yield Keep(table=TABLE, key=f"{stage.code}/{day}", row=_row(stage, day, found) if found else None)


def _row(stage: Stage, day: date, found: Sequence[Burn]) -> dict[str, Any]:
    return {
        "stage": stage.code,
        "day": day,
        "lamps_on_s": _seconds(burn.off_at - burn.on_at for burn in found),
        "waiting_s": _seconds(burn.waiting for burn in found),
        "after_wrap_s": _seconds(burn.after_wrap for burn in found),
        "power_off_confirmed": all(burn.confirmed for burn in found),
        "caution": POWER_CAUTION,
    }


def _seconds(spans: Iterable[timedelta]) -> int:
    return round(sum(spans, timedelta()).total_seconds())
