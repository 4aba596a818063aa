"""The worker *occupancy*: what each stage was planned for and used for on the production days that are over.

A day is kept once it has closed, and made again whenever an event touches its time: a count that comes late, a booking
of the past, a calendar. The open day and days to come are kept nowhere, because they change as time goes by: who asks
for them is answered from the facts, by the same computation.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from types import MappingProxyType
from typing import Any, ClassVar

from service.domain.events import Event, EventKind
from service.domain.occupancy import stage_days
from service.domain.stagefigures import StageDay, stored
from service.domain.studio import production_day
from workers.contract import Change, Context, Keep, NoSettings, Rebuilt, Result, Schedule, Span, Stage, Worker

CLOSE = "close"
TABLE = "stage_days"
# All that is known of so many stages over so many days is held in memory at once, every capture among it.
DAYS_AT_ONCE, STAGES_AT_ONCE = 14, 5
_DAY = timedelta(days=1)


class Occupancy(Worker):
    """Keeps a row for each stage and production day that is over."""

    name: ClassVar[str] = "occupancy"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = frozenset(
        {
            EventKind.STUDIO_SET,
            EventKind.CALENDAR_SET,
            EventKind.STAGE_CALLED,
            EventKind.STAGE_WRAPPED,
            EventKind.STAGE_WAITED,
            EventKind.STAGE_RESUMED,
            EventKind.STAGE_POWERED_OFF,
            EventKind.BOOKING_MADE,
            EventKind.BOOKING_CHANGED,
            EventKind.BOOKING_CANCELLED,
            EventKind.BOOKING_RESTORED,
            EventKind.FRAMES_COUNTED,
            EventKind.FRAMES_UNMATCHED,
            EventKind.FRAMES_MATCHED,
            EventKind.FRAMES_CORRECTED,
            EventKind.SHOT_MOVED,
            EventKind.SHOT_CHANGED,
            EventKind.SIGNOFF_GIVEN,
            EventKind.SIGNOFF_WITHDRAWN,
            EventKind.TAKE_DECIDED,
        }
    )
    tables: ClassVar[Mapping[str, str]] = MappingProxyType(
        {TABLE: "What a stage was planned for and used for on a production day that is over, in seconds."}
    )

    def __init__(self, settings: NoSettings) -> None:
        del settings

    @property
    def schedules(self) -> Sequence[Schedule]:
        """The rows of the day that has just closed."""
        return (Schedule(CLOSE, None),)

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        """New rows of the closed days whose time the events touch; most events are of today and touch none."""
        touched = context.stage_times(batch)
        if not touched:
            return ()
        wanted = {stage: closed_days(touched[stage.stage_id], stage, context) for stage in _among(touched, context)}
        return _rows(wanted, context)

    def rebuild(self, mark: Any, limit: int, context: Context) -> Rebuilt:  # noqa: ANN401 - stage id and day, or None
        """The rows of all days that are over, of a few stages over a few days at a time."""
        left = [each for each in _chunks(context) if mark is None or each.mark > tuple(mark)]
        now = left[: max(1, limit // (DAYS_AT_ONCE * STAGES_AT_ONCE))]
        rows = [row for each in now for row in _rows(each.wanted, context)]
        return Rebuilt(changes=rows, mark=list(now[-1].mark) if len(now) < len(left) else None)

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        """Keep the day before `day` of every stage; what a standstill left out is made when an event touches it."""
        if name != CLOSE:
            raise ValueError(f"occupancy has no job {name!r}")
        yesterday = min(day, production_day(context.now, context.studio)) - _DAY
        wanted = {stage: {yesterday} for stage in context.stages() if stage.began_on <= yesterday}
        changes = _rows(wanted, context)
        return (*changes, Result({"day": yesterday.isoformat(), "stages": len(changes)}))


@dataclass(frozen=True, slots=True)
class _Chunk:
    """Some days in a row of some stages; `mark` is the first stage's id and the first day."""

    mark: tuple[int, str]
    wanted: Mapping[Stage, Sequence[date]]


def _chunks(context: Context) -> Iterator[_Chunk]:
    """All days that are over, of all stages, by their marks, which a stage added meanwhile leaves as they are."""
    yesterday = production_day(context.now, context.studio) - _DAY
    stages = sorted(context.stages(), key=lambda each: each.stage_id)
    for at in range(0, len(stages), STAGES_AT_ONCE):
        some = stages[at : at + STAGES_AT_ONCE]
        began_on = min(each.began_on for each in some)
        days = [began_on + number * _DAY for number in range((yesterday - began_on).days + 1)]
        for first in range(0, len(days), DAYS_AT_ONCE):
            run = days[first : first + DAYS_AT_ONCE]
            wanted = {stage: [day for day in run if day >= stage.began_on] for stage in some}
            yield _Chunk((some[0].stage_id, run[0].isoformat()), wanted)


def _among(touched: Mapping[int, Sequence[Span]], context: Context) -> list[Stage]:
    return [stage for stage in context.stages() if stage.stage_id in touched]


def closed_days(spans: Iterable[Span], stage: Stage, context: Context) -> set[date]:
    """The production days of a stage that are over and that any of the spans may belong to."""
    today = production_day(context.now, context.studio)
    days: set[date] = set()
    for span in spans:
        first = max(production_day(span.start_at, context.studio), stage.began_on)
        last = min(production_day(span.end_at, context.studio), today - _DAY)
        days |= {first + number * _DAY for number in range((last - first).days + 1)}
    return days


def _rows(wanted: Mapping[Stage, Iterable[date]], context: Context) -> list[Keep]:
    together: dict[tuple[date, date], list[Stage]] = defaultdict(list)
    for stage, days in wanted.items():
        for run in _runs(sorted(days)):
            together[run].append(stage)
    changes: list[Keep] = []
    for (first, last), all_stages in together.items():
        days = [first + number * _DAY for number in range((last - first).days + 1)]
        for at in range(0, len(all_stages), STAGES_AT_ONCE):
            stages = all_stages[at : at + STAGES_AT_ONCE]
            facts = context.stage_facts([stage.stage_id for stage in stages], first, last)
            for stage in stages:
                found = stage_days(facts[stage.stage_id], days, context.studio, as_of=context.now)
                changes += [_kept(stage, each) for each in found]
            context.beat()
    return changes


def _kept(stage: Stage, each: StageDay) -> Keep:
    row = {"stage": stage.code, "day": each.day, **stored(each.figures)}
    return Keep(table=TABLE, key=f"{stage.code}/{each.day}", row=row)


def _runs(days: Sequence[date]) -> Iterator[tuple[date, date]]:
    """Days in order as first and last of those in a row, DAYS_AT_ONCE at most."""
    run: list[date] = []
    for day in days:
        if run and (day - run[-1] != _DAY or len(run) == DAYS_AT_ONCE):
            yield run[0], run[-1]
            run = []
        run.append(day)
    if run:
        yield run[0], run[-1]
