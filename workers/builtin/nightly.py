"""The worker *nightly*: what a production day brought, filed at the studio's cut-off and again when the past changes.

A report is computed from the day's facts alone, never from figures of another worker. What the reports say was shot is
kept in rows of its own, series by series and day by day, so that a count that comes late is seen to change a day.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from types import MappingProxyType
from typing import Any, ClassVar

from service.domain import stagefigures
from service.domain.days import Shooting, Worked, plain, worked
from service.domain.events import Event, EventKind
from service.domain.occupancy import stage_days
from service.domain.reports import Filed, nightly, says_the_same, stored, stored_facts
from service.domain.studio import production_day
from service.domain.takes import Purpose, history
from workers.contract import (
    Change,
    Context,
    FigureTable,
    File,
    NoSettings,
    Rebuilt,
    Replace,
    Result,
    Schedule,
    SeriesLedger,
    Worker,
)

REPORT = "report"
# Of a longer standstill the latest days are filed first, and each filing brings the next.
DAYS_AT_ONCE = 14
# Of what a report keeps of those that wait; how many there are is of all.
NAMED = 100
FRAMES = frozenset(
    {
        EventKind.FRAMES_COUNTED,
        EventKind.FRAMES_MATCHED,
        EventKind.FRAMES_REDATED,
        EventKind.FRAMES_CORRECTED,
        EventKind.SHOT_MERGED,
    }
)
# People make these, now and then, and they may change what days between capture and today said.
CORRECTIONS = FRAMES - {EventKind.FRAMES_COUNTED}
WAITING = frozenset(
    {
        EventKind.FRAMES_UNMATCHED,
        EventKind.FRAMES_MATCHED,
        EventKind.SHOT_MERGED,
        EventKind.STAGE_CALLED,
        EventKind.STAGE_WRAPPED,
    }
)
# A day tells of these as they are dated; only one that was being written while its day closed changes a report.
MOVES = frozenset(
    {
        EventKind.SHOT_MOVED,
        EventKind.SHOT_SUSPENDED,
        EventKind.SHOT_RESUMED,
        EventKind.SIGNOFF_GIVEN,
        EventKind.SIGNOFF_WITHDRAWN,
    }
)
PLANS = frozenset(
    {
        EventKind.SHOT_ADDED,
        EventKind.SHOT_CHANGED,
        EventKind.SHOT_OMITTED,
        EventKind.SHOT_RESTORED,
        EventKind.CUT_LOCKED,
        EventKind.TAKE_DECIDED,
    }
)

Row = Mapping[str, Any]
DayRows = dict[date, list[Row]]


class Nightly(Worker):
    """Files the report of each production's day when the day closes, and a revision when the past has changed."""

    name: ClassVar[str] = "nightly"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = FRAMES | WAITING | PLANS | MOVES | {EventKind.REPORT_FILED}
    tables: ClassVar[Mapping[str, str]] = MappingProxyType(
        {FigureTable.REPORTED_FRAMES: "The frames of a series on a production day, as the day's report says."}
    )

    def __init__(self, settings: NoSettings) -> None:
        del settings

    @property
    def schedules(self) -> Sequence[Schedule]:
        """The reports of the day that has just closed."""
        return (Schedule(REPORT, None),)

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        """Revisions of the closed days that the events change; most events are of today and change none."""
        desk = _Desk(context)
        desk.look_at_frames([event for event in batch if event.kind in FRAMES])
        desk.look_at_waiting([event for event in batch if event.kind in WAITING])
        desk.look_at_latecomers(batch)
        desk.look_at_filed([event for event in batch if event.kind == EventKind.REPORT_FILED])
        return desk.changes()

    def rebuild(self, mark: Any, limit: int, context: Context) -> Rebuilt:  # noqa: ANN401 - production and day, or None
        """What the reports of the next days say was shot, as they were filed: what came since may revise them."""
        days = [
            (each.production_id, day.isoformat())
            for each in context.productions()
            for day in sorted(context.filed(each.production_id))
        ]
        left = [each for each in days if mark is None or each > tuple(mark)]
        now = left[: min(limit, DAYS_AT_ONCE)]
        desk = _Desk(context)
        for production_id, day in now:
            desk.note_filed(production_id, date.fromisoformat(day))
        return Rebuilt(changes=desk.rows(), mark=list(now[-1]) if len(now) < len(left) else None)

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        """File the day before `day` of every production, and what a standstill left out."""
        if name != REPORT:
            raise ValueError(f"nightly has no job {name!r}")
        desk = _Desk(context)
        yesterday = min(day, desk.today) - timedelta(days=1)
        left = 0
        for production in context.productions():
            left += desk.catch_up(production.production_id)
            if production.began_on <= yesterday:
                desk.report(production.production_id, yesterday)
        changes = desk.changes()
        filed = [change.day.isoformat() for change in changes if isinstance(change, File)]
        return (*changes, Result({"day": day.isoformat(), "filed": filed, "left": left}))


class _Desk:
    """The days to be reported, and what the reports will then say was shot."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self.today = production_day(context.now, context.studio)
        self._days: set[tuple[int, date]] = set()
        self._filed: dict[int, Mapping[date, Filed]] = {}
        self._rows: dict[int, DayRows] = {}
        self._changed: set[int] = set()
        self._waits: dict[int, Mapping[str, Any]] = {}
        self._stages: dict[date, Mapping[str, Any]] = {}

    def filed(self, production_id: int) -> Mapping[date, Filed]:
        """The reports there are of a production."""
        if production_id not in self._filed:
            self._filed[production_id] = self._context.filed(production_id)
        return self._filed[production_id]

    def report(self, production_id: int, day: date) -> None:
        """Let a day be reported as it now is, whether or not it was before."""
        self._days.add((production_id, day))

    def _report_anew(self, production_id: int, days: Iterable[date], *, event_id: int) -> set[date]:
        """Let those of these days be reported whose report does not rest on this event or a later one; which they are.

        The days of a production that has no report at all are left to the job, which files them whole.
        """
        filed = self.filed(production_id)
        due = {
            day for day in days if filed and day < self.today and (day not in filed or filed[day].position < event_id)
        }
        self._days |= {(production_id, day) for day in due}
        return due

    def look_at_frames(self, events: Sequence[Event]) -> None:
        """Compare what was shot on closed days with what the reports say of it."""
        last = {event.shot_id: event for event in events if event.shot_id is not None}
        corrected = {event.shot_id for event in events if event.kind in CORRECTIONS}
        self._read_rows(last.keys())
        for shot_id, series in self._context.ledger(sorted(last)).items():
            event, own = last[shot_id], self._rows[shot_id]
            now = _by_day(row for each in series for row in _rows_of(each, before=self.today))
            differing = {day for day in now.keys() | own.keys() if now.get(day, []) != own.get(day, [])}
            if not differing or event.production_id is None:
                continue
            due = self._report_anew(event.production_id, differing, event_id=event.id)
            plates = {each.series_id for each in series if each.purpose is Purpose.PLATE}
            moved = {row["series_id"] for day in due for row in _differing(now.get(day, []), own.get(day, []))}
            self._set_rows(shot_id, {day: now.get(day, []) for day in due})
            if due and (shot_id in corrected or plates & moved):
                # A plate that is in stays in on the days that follow.
                since = [day for day in self.filed(event.production_id) if day > min(due)]
                self._report_anew(event.production_id, since, event_id=event.id)

    def look_at_waiting(self, events: Sequence[Event]) -> None:
        """Compare how many counts of closed days wait for a shot with what the reports say of it."""
        if not events:
            return
        waiting = self._context.unmatched_days()
        for production in self._context.productions():
            now = waiting.get(production.production_id, {})
            then = {day: each.unmatched_counts for day, each in self.filed(production.production_id).items()}
            differing = [day for day in now.keys() | then.keys() if now.get(day, 0) != then.get(day, 0)]
            self._report_anew(production.production_id, differing, event_id=events[-1].id)

    def look_at_latecomers(self, events: Sequence[Event]) -> None:
        """Look again at days that closed while what belongs to them was still being written.

        Its clock was read before the close, and its place in the log is behind the report.
        """
        days = {production_day(event.at, self._context.studio): event.id for event in events}
        closed = {day: event_id for day, event_id in days.items() if day < self.today}
        if not closed:
            return
        for production in self._context.productions():
            filed = self.filed(production.production_id)
            for day in closed.keys() & filed.keys():
                self._report_anew(production.production_id, [day], event_id=closed[day])

    def look_at_filed(self, events: Sequence[Event]) -> None:
        """Compare a day with its report once more, since a count may have come while it was made; then go on.

        Where a standstill left more days than one job files, the first report of one brings the next.
        """
        for event in events:
            if event.production_id is not None:
                self._report_anew(event.production_id, [date.fromisoformat(event.data["day"])], event_id=event.id)
        for production_id in {event.production_id for event in events if event.data.get("revision") == 1}:
            if production_id is not None:
                self.catch_up(production_id)

    def catch_up(self, production_id: int) -> int:
        """Let the latest closed days that no report was filed of be reported; how many are left for later."""
        filed = self.filed(production_id)
        missing = [day for day in self._context.active_days(production_id) if day < self.today and day not in filed]
        self._days |= {(production_id, day) for day in missing[-DAYS_AT_ONCE:]}
        return max(len(missing) - DAYS_AT_ONCE, 0)

    def changes(self) -> list[Change]:
        """The reports that say something new, oldest day first, and the rows of what they say was shot."""
        changes: list[Change] = []
        for production_id, day in sorted(self._days, key=lambda each: (each[1], each[0])):
            facts = self._context.day_facts(production_id, day)
            figures = stored(nightly(facts))
            filed = self._context.reported(production_id, day)
            if filed is None or not says_the_same(filed, figures):
                changes.append(
                    File(
                        production_id=production_id,
                        day=day,
                        inputs=stored_facts(facts),
                        figures=figures,
                        blocked=self._blocked(production_id),
                        occupancy=self._occupancy(day),
                    )
                )
            self._note(day, facts.shooting)
            self._context.beat()
        return [*changes, *self.rows()]

    def rows(self) -> list[Replace]:
        """The rows of what the reports say was shot, of the shots of which it is something else than was kept."""
        return [
            Replace(
                table=FigureTable.REPORTED_FRAMES,
                shot_id=shot_id,
                rows=[row for _, rows in sorted(self._rows[shot_id].items()) for row in rows],
            )
            for shot_id in sorted(self._changed)
        ]

    def note_filed(self, production_id: int, day: date) -> None:
        """Keep what the latest revision of a day says was shot."""
        facts = self._context.reported_facts(production_id, day)
        if facts is not None:
            self._note(day, facts.shooting)

    def _blocked(self, production_id: int) -> Mapping[str, Any]:
        """What waits for whom now, which is worked out once however many days are filed at a time."""
        if production_id not in self._waits:
            self._waits[production_id] = plain(self._context.blocked(production_id, limit=NAMED))
        return self._waits[production_id]

    def _occupancy(self, day: date) -> Mapping[str, Any]:
        """What each stage was planned and used for on a day, by its code; alike for all productions."""
        if day not in self._stages:
            stages = [stage for stage in self._context.stages() if stage.began_on <= day]
            facts = self._context.stage_facts([stage.stage_id for stage in stages], day, day)
            self._stages[day] = {
                stage.code: stagefigures.stored(of_day.figures)
                for stage in stages
                for of_day in stage_days(facts[stage.stage_id], [day], self._context.studio, as_of=self._context.now)
            }
        return self._stages[day]

    def _note(self, day: date, shooting: Sequence[Shooting]) -> None:
        """Keep what a report says was shot on its day."""
        by_shot: dict[int, list[Row]] = {}
        for each in shooting:
            by_shot.setdefault(each.shot_id, []).append(_row(each.series_id, day, each))
        self._read_rows(by_shot)
        for shot_id, rows in by_shot.items():
            self._set_rows(shot_id, {day: sorted(rows, key=_place)})

    def _read_rows(self, shot_ids: Iterable[int]) -> None:
        new = sorted(set(shot_ids) - self._rows.keys())
        known = self._context.own_rows(FigureTable.REPORTED_FRAMES, new) if new else {}
        self._rows |= {shot_id: _by_day(known.get(shot_id, ())) for shot_id in new}

    def _set_rows(self, shot_id: int, days: Mapping[date, list[Row]]) -> None:
        for day, rows in days.items():
            if self._rows[shot_id].get(day, []) != rows:
                self._rows[shot_id][day] = rows
                self._changed.add(shot_id)


def _rows_of(series: SeriesLedger, *, before: date) -> Iterable[Row]:
    """What a series' ledger says was shot in it on the days before this one."""
    return (_row(series.series_id, each.day_on, each) for each in worked(history(series.posts)) if each.day_on < before)


def _row(series_id: int, day: date, each: Shooting | Worked) -> Row:
    return {
        "series_id": series_id,
        "day_on": day,
        "stage_id": each.stage_id,
        "animator": each.animator or "",
        "counts": each.counts,
        "gross_frames": each.gross_frames,
        "deleted_frames": each.deleted_frames,
        "corrected_frames": each.corrected_frames,
    }


def _by_day(rows: Iterable[Row]) -> DayRows:
    """Rows by their day, in an order of their own so that lists of the same rows are the same."""
    days: DayRows = {}
    for row in sorted(rows, key=_place):
        days.setdefault(row["day_on"], []).append(row)
    return days


def _differing(rows: Sequence[Row], others: Sequence[Row]) -> list[Row]:
    return [row for row in (*rows, *others) if (row in rows) != (row in others)]


def _place(row: Row) -> tuple[Any, ...]:
    return row["series_id"], row["stage_id"], row["animator"]
