"""The worker *progress*: frames shot and credited against frames planned, for every shot, part, day and animator.

It computes from facts each time: the plan, the series, the decisions and the ledger of counts. What an event says of
itself is never added up, so that an event seen twice or late changes nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date, time
from itertools import chain
from types import MappingProxyType
from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from service.domain.events import Event, EventKind
from service.domain.progress import ShotFacts, ShotFigures, shot_figures
from service.domain.takes import Heads, Purpose, by_day, history
from workers.contract import (
    Announce,
    Change,
    Context,
    CreditedChange,
    FigureTable,
    Rebuilt,
    Replace,
    Result,
    Schedule,
    SeriesLedger,
    Worker,
)

RECOUNT = "recount"
SHOTS_AT_ONCE = 200
# More would make one event of the log as large as a report; the number of all stands beside them.
DRIFT_SHOWN = 100


class ProgressSettings(BaseModel):
    """When the nightly recount is due."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    recount_at: time = Field(default=time(4, 30), description="Studio-local time of the nightly recount.")


class Progress(Worker):
    """Keeps the figures of every shot that an event touches, and counts all of them again each night."""

    name: ClassVar[str] = "progress"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = frozenset(
        {
            EventKind.STUDIO_SET,
            EventKind.SHOT_ADDED,
            EventKind.SHOT_CHANGED,
            EventKind.SHOT_OMITTED,
            EventKind.SHOT_RESTORED,
            EventKind.FRAMES_COUNTED,
            EventKind.FRAMES_MATCHED,
            EventKind.FRAMES_REDATED,
            EventKind.FRAMES_CORRECTED,
            EventKind.SHOT_MERGED,
            EventKind.TAKE_DECIDED,
        }
    )
    tables: ClassVar[Mapping[str, str]] = MappingProxyType(
        {
            FigureTable.SHOT_PROGRESS: "The frames of a shot.",
            FigureTable.PART_PROGRESS: "The frames of a part of a shot.",
            FigureTable.DAY_FRAMES: "The frames that an animator shot of a series on a stage on a production day.",
            FigureTable.DAY_CREDIT: "The change of a shot's credited frames on a production day, for a cause.",
        }
    )
    Settings: ClassVar[type[BaseModel]] = ProgressSettings

    def __init__(self, settings: ProgressSettings) -> None:
        self._recount_at = settings.recount_at

    @property
    def schedules(self) -> Sequence[Schedule]:
        """The recount each night."""
        return (Schedule(RECOUNT, self._recount_at),)

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        """New figures of every shot the events touch, each computed once."""
        if any(event.kind == EventKind.STUDIO_SET for event in batch):
            # The studio's plate minimum is part of every shot's figures.
            return [change for shot_ids in _all_shots(context) for change in _figures_of(shot_ids, context)]
        return _figures_of(sorted({event.shot_id for event in batch if event.shot_id is not None}), context)

    def rebuild(self, mark: Any, limit: int, context: Context) -> Rebuilt:  # noqa: ANN401 - the last shot's id, or None
        """The figures of the next shots."""
        shot_ids = context.shot_ids(after=mark or 0, limit=limit)
        return Rebuilt(changes=_figures_of(shot_ids, context), mark=shot_ids[-1] if len(shot_ids) == limit else None)

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        """Compute every total, figure and credit again and say where what is stored differs."""
        if name != RECOUNT:
            raise ValueError(f"progress has no job {name!r}")
        series, shots, behind, pending = 0, 0, 0, context.pending()
        drift: list[dict[str, Any]] = []
        for shot_ids in _all_shots(context):
            ledger = context.ledger(shot_ids)
            shots += len(shot_ids)
            series += sum(len(each) for each in ledger.values())
            drift += chain.from_iterable(_total_drift(shot_id, each) for shot_id, each in ledger.items())
            # What is still to be handled may differ from what is stored without anything being wrong.
            settled = [shot_id for shot_id in shot_ids if shot_id not in pending]
            drift += _figure_drift(settled, context)
            behind += len(shot_ids) - len(settled)
        found = {
            "day": day.isoformat(),
            "series": series,
            "shots": shots,
            "behind": behind,
            "drifted": len(drift),
            "drift": drift[:DRIFT_SHOWN],
        }
        return (Result(found), Announce(kind=EventKind.TOTALS_RECOUNTED, data=found))


def _all_shots(context: Context) -> Iterable[Sequence[int]]:
    after = 0
    while shot_ids := context.shot_ids(after=after, limit=SHOTS_AT_ONCE):
        yield shot_ids
        # Every shot of a studio may take longer than a handler may be silent.
        context.beat()
        after = shot_ids[-1]


def _figures_of(shot_ids: Sequence[int], context: Context) -> list[Replace]:
    facts, ledger, journal = context.shot_facts(shot_ids), context.ledger(shot_ids), context.credited_changes(shot_ids)
    changes: list[Replace] = []
    for shot_id, of_shot in facts.items():
        figures = shot_figures(of_shot)
        rows: Mapping[FigureTable, Sequence[Mapping[str, Any]]] = {
            FigureTable.SHOT_PROGRESS: [_shot_row(figures)],
            FigureTable.PART_PROGRESS: _part_rows(figures),
            FigureTable.DAY_FRAMES: _days(ledger.get(shot_id, ())),
            FigureTable.DAY_CREDIT: _credit_rows(journal.get(shot_id, ())),
        }
        changes += (Replace(table=table, shot_id=shot_id, rows=each) for table, each in rows.items())
    return changes


def _shot_row(figures: ShotFigures) -> dict[str, Any]:
    return asdict(figures.figures) | {
        "plate_planned_frames": figures.plate_planned_frames,
        "plate_shot_frames": figures.plate_shot_frames,
    }


def _part_rows(figures: ShotFigures) -> list[dict[str, Any]]:
    return [{"part": each.part, "stage_id": each.stage_id, **asdict(each.figures)} for each in figures.parts]


def _days(ledger: Sequence[SeriesLedger]) -> list[dict[str, Any]]:
    # Frames shot are frames of the shot: plates, rehearsals, tests and references are none.
    return [row for series in ledger if series.purpose is Purpose.SHOOT for row in _day_rows(series)]


def _day_rows(series: SeriesLedger) -> list[dict[str, Any]]:
    rows: dict[tuple[date, int, str], dict[str, Any]] = {}
    for each in by_day(history(series.posts)):
        key = (each.day_on, each.stage_id, each.animator or "")
        row = rows.setdefault(
            key,
            {
                "series_id": series.series_id,
                "day_on": each.day_on,
                "stage_id": each.stage_id,
                "animator": each.animator or "",
                "net_frames": 0,
                "gross_frames": 0,
                "deleted_frames": 0,
                "corrected_frames": 0,
            },
        )
        row["net_frames"] += each.net_frames
        row["gross_frames"] += each.gross_frames
        row["deleted_frames"] += each.deleted_frames
        row["corrected_frames"] += each.corrected_frames
    return list(rows.values())


def _credit_rows(journal: Sequence[CreditedChange]) -> list[dict[str, Any]]:
    sums: dict[tuple[date, str], int] = {}
    for change in journal:
        key = (change.changed_on, change.cause.value)
        sums[key] = sums.get(key, 0) + change.frames
    return [{"day_on": day, "cause": cause, "frames": frames} for (day, cause), frames in sums.items()]


def _total_drift(shot_id: int, ledger: Sequence[SeriesLedger]) -> Iterable[dict[str, Any]]:
    for series in ledger:
        if not series.posts:
            # All of them were moved to another take.
            recounted = replace(series.standing, total_frames=0)
        else:
            recounted = Heads.of(series.posts).standing(series.default_starts_at)
        if recounted != series.standing:
            yield {
                "what": "series",
                "shot_id": shot_id,
                "series_id": series.series_id,
                "stored_frames": series.standing.total_frames,
                "recounted_frames": recounted.total_frames,
            }


def _figure_drift(shot_ids: Sequence[int], context: Context) -> Iterable[dict[str, Any]]:
    facts, journal = context.shot_facts(shot_ids), context.credited_changes(shot_ids)
    stored = context.own_rows(FigureTable.SHOT_PROGRESS, shot_ids)
    for shot_id, of_shot in facts.items():
        yield from _shot_drift(shot_id, of_shot, stored=stored.get(shot_id, ()), journal=journal.get(shot_id, ()))


def _shot_drift(
    shot_id: int, facts: ShotFacts, *, stored: Sequence[Mapping[str, Any]], journal: Sequence[CreditedChange]
) -> Iterable[dict[str, Any]]:
    recounted = shot_figures(facts)
    row = _shot_row(recounted)
    if list(stored) != [row]:
        yield {"what": "figures", "shot_id": shot_id, "stored": list(stored), "recounted": row}
    journaled = sum(change.frames for change in journal)
    if journaled != recounted.figures.credited_frames:
        yield {
            "what": "credit",
            "shot_id": shot_id,
            "journal_frames": journaled,
            "credited_frames": recounted.figures.credited_frames,
        }
