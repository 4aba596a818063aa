"""The facts a worker sees: everything read in one transaction of the database, so that nothing in it is torn."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from functools import cached_property
from typing import Any

from sqlmodel import Session

from service.actions.blocked import blocked_now
from service.domain.addresses import Place
from service.domain.blocked import Blocked
from service.domain.bookings import Activity, Firmness
from service.domain.days import DayFacts
from service.domain.events import Event
from service.domain.occupancy import StageFacts
from service.domain.progress import Cause, ShotFacts
from service.domain.reports import Filed, facts_of
from service.domain.shifts import Signal
from service.domain.spans import Span, TimeSet
from service.domain.studio import Studio, production_day
from service.domain.takes import Purpose, SeriesState, Standing
from service.domain.viewing import ShotTakes
from service.store import (
    bookings,
    counts,
    cursors,
    days,
    figures,
    kept,
    moves,
    occupancy,
    partitions,
    productions,
    reports,
    shifts,
    shotnotices,
    shots,
    stages,
    takes,
    terminals,
    touched,
    viewing,
    watches,
)
from service.store import studio as studios
from service.store.bookings import Booked
from service.store.shots import Filter
from service.store.tables import ProductionRow, SeriesRow
from workers.changes import built_in, shelf
from workers.contract import (
    Booking,
    Context,
    CreditedChange,
    Pending,
    Production,
    SeriesLedger,
    Shot,
    Stage,
    StageLine,
    Terminal,
    Worker,
)


class Snapshot(Context):
    """The context of one call, read through the session that began with the log's head."""

    def __init__(
        self,
        session: Session,
        *,
        worker: Worker,
        edition: int,
        production_id: int | None = None,
        position: int,
        now: datetime,
        beat: Callable[[], None],
    ) -> None:
        self._session, self._worker, self._production_id, self._beat = session, worker, production_id, beat
        self._edition = edition
        self._position, self._now = position, now

    @property
    def position(self) -> int:
        """The id of the last event the snapshot includes."""
        return self._position

    @property
    def now(self) -> datetime:
        """The server's clock when the work began, UTC."""
        return self._now

    @property
    def production_id(self) -> int | None:
        """The production whose part of the log is handled; None where it is all of it."""
        return self._production_id

    @cached_property
    def studio(self) -> Studio:
        """What the studio set."""
        return studios.load(self._session)

    def shot_ids(self, *, after: int, limit: int) -> Sequence[int]:
        """The ids of up to `limit` shots with an id above `after`, rising."""
        return shots.ids_after(self._session, after, limit=limit)

    def shot_facts(self, shot_ids: Sequence[int]) -> Mapping[int, ShotFacts]:
        """Plan, series and decisions of each shot."""
        rows = shots.by_ids(self._session, shot_ids)
        return takes.shot_facts(self._session, rows, plate_minimum_frames=self.studio.plate_minimum_frames)

    def ledger(self, shot_ids: Sequence[int]) -> Mapping[int, Sequence[SeriesLedger]]:
        """Every series of each shot with every count kept for it."""
        series = takes.series_of(self._session, shot_ids)
        posts = counts.ledger(self._session, [row.id for _, row in series if row.id is not None])
        found: dict[int, list[SeriesLedger]] = defaultdict(list)
        for take, row in series:
            found[row.shot_id].append(
                SeriesLedger(
                    series_id=row.id or 0,
                    purpose=Purpose(take.purpose),
                    default_starts_at=row.default_starts_at,
                    posts=posts.get(row.id or 0, ()),
                    standing=_standing(row),
                )
            )
        return found

    def credited_changes(self, shot_ids: Sequence[int]) -> Mapping[int, Sequence[CreditedChange]]:
        """The journal of credited frames of each shot, added up by day and cause."""
        found: dict[int, list[CreditedChange]] = defaultdict(list)
        for shot_id, day, cause, frames in takes.journal(self._session, shot_ids):
            found[shot_id].append(CreditedChange(day, Cause(cause), frames))
        return found

    @cached_property
    def _productions(self) -> Mapping[int, ProductionRow]:
        return {row.id: row for row in productions.every(self._session) if row.id is not None}

    def productions(self) -> Sequence[Production]:
        """Every production, in the order they were added."""
        return [
            Production(id_, row.code, production_day(row.added_at, self.studio))
            for id_, row in self._productions.items()
        ]

    def active_days(self, production_id: int) -> Sequence[date]:
        """Every production day on which a production has counts or changes of planned or credited frames."""
        return days.active(self._session, production_id, self._productions[production_id].code)

    def day_facts(self, production_id: int, day: date) -> DayFacts:
        """What a report of a production's day rests on."""
        return reports.facts(self._session, self._productions[production_id], day, studio=self.studio)

    def filed(self, production_id: int) -> Mapping[date, Filed]:
        """The latest revision of every day of a production that was reported."""
        return reports.filed(self._session, production_id)

    def reported(self, production_id: int, day: date) -> Mapping[str, Any] | None:
        """The figures of the latest revision of a day."""
        latest = reports.latest(self._session, production_id, day)
        return None if latest is None else latest.figures

    def blocked(self, production_id: int, *, limit: int) -> Blocked:
        """What the shots of a production wait for."""
        return blocked_now(self._session, self._productions[production_id], Filter(), limit=limit, beat=self._beat)

    def reported_facts(self, production_id: int, day: date) -> DayFacts | None:
        """What the latest revision of a day was made from."""
        latest = reports.latest(self._session, production_id, day)
        return None if latest is None else facts_of(latest.inputs)

    def unmatched_days(self) -> Mapping[int, Mapping[date, int]]:
        """How many counts wait for a shot, by production id and production day."""
        return days.unmatched(self._session)

    def stages(self) -> Sequence[Stage]:
        """Every stage, in the order they were added."""
        rows = stages.every(self._session)
        return [Stage(row.id or 0, row.code, production_day(row.added_at, self.studio)) for row in rows]

    def stage_log(self, stage_id: int, *, since: datetime) -> Sequence[StageLine]:
        """The lines of a stage's log of `since` and later, in the order of their instants."""
        return [
            StageLine(line_id=row.id or 0, signal=Signal(row.kind), at=row.at, reason=row.reason)
            for row in shifts.since(self._session, stage_id, since)
        ]

    def stage_facts(self, stage_ids: Sequence[int], first: date, last: date) -> Mapping[int, StageFacts]:
        """What is known of these stages that these production days rest on."""
        return occupancy.facts(self._session, stage_ids, first, last=last, studio=self.studio, now=self._now)

    def stage_times(self, events: Sequence[Event]) -> Mapping[int, Sequence[Span]]:
        """The time of which the events may have changed what is known of a stage."""
        return touched.spans(self._session, events, now=self._now)

    def shots(self, shot_ids: Sequence[int]) -> Mapping[int, Shot]:
        """Each shot by its codes and as it stands."""
        rows = shots.by_ids(self._session, shot_ids)
        standing = moves.standings(self._session, rows, plate_minimum_frames=self.studio.plate_minimum_frames)
        episodes = shots.episode_codes(self._session, {row.episode_id for row in rows})
        return {
            row.id or 0: Shot(
                production_id=row.production_id,
                place=Place(
                    production=self._productions[row.production_id].code,
                    episode=episodes[row.episode_id],
                    shot=row.code,
                ),
                since=row.phase_since,
                standing=standing[row.id or 0],
            )
            for row in rows
        }

    def shots_in_hand(self) -> Sequence[int]:
        """The ids of the shots with a take that may wait for a decision, or a booking that is not over."""
        waiting = {
            id_ for each in self._productions for id_ in viewing.undecided(self._session, each, viewing.Filter())
        }
        return sorted(waiting | bookings.shots_ahead(self._session, self._now))

    def takes(self, shot_ids: Sequence[int]) -> Mapping[int, ShotTakes]:
        """The takes of purpose shoot of each shot, with what was said of them and when."""
        return {each.takes.id: each.takes for each in viewing.of_shots(self._session, shot_ids)}

    def completions(self, shot_ids: Sequence[int]) -> Mapping[int, Sequence[datetime]]:
        """Each time a shot came to have every planned frame credited."""
        return shotnotices.completions(self._session, shot_ids)

    def bookings(
        self, within: Span, *, stage_ids: Sequence[int] = (), shot_ids: Sequence[int] = ()
    ) -> Sequence[Booking]:
        """The bookings that stand and have an instant of `within`."""
        found = bookings.within(self._session, within, stage_ids=stage_ids, shot_ids=shot_ids)
        return [_booking(each) for each in found]

    def open_time(self, stage_ids: Sequence[int], within: Span) -> Mapping[int, TimeSet]:
        """When each stage is open by its calendar."""
        return occupancy.hours(self._session, stage_ids, within, time_zone=self.studio.time_zone)

    def terminals(self) -> Sequence[Terminal]:
        """Every terminal."""
        return self._terminals

    @cached_property
    def _terminals(self) -> Sequence[Terminal]:
        return [
            Terminal(name=row.name, stage_id=row.stage_id, heard_at=row.last_seen_at)
            for row in terminals.every(self._session)
        ]

    def thresholds(self, kind: str) -> Sequence[int]:
        """At which thresholds somebody wants to hear of a kind of notice."""
        return self._thresholds.get(kind, ())

    @cached_property
    def _thresholds(self) -> Mapping[str, Sequence[int]]:
        return watches.thresholds(self._session)

    def own_rows(self, table: str, shot_ids: Sequence[int]) -> Mapping[int, Sequence[Mapping[str, Any]]]:
        """The rows of `table` this worker's version stored before with Replace."""
        if not built_in(self._worker, table):
            return kept.of_shots(self._session, shelf(self._worker, table, edition=self._edition), shot_ids)
        return figures.of_shots(self._session, table, edition=self._edition, shot_ids=shot_ids)

    def kept(self, table: str, keys: Sequence[str]) -> Mapping[str, Mapping[str, Any]]:
        """The rows of `table` this worker's version stored before, by key."""
        return kept.of_keys(self._session, shelf(self._worker, table, edition=self._edition), keys)

    def pending(self) -> Pending:
        """What the worker's stored rows may not show yet."""
        position = partitions.reached(self._session, self._worker.name, self._edition)
        shot_ids = cursors.shots_after(self._session, position, kinds=self._worker.events)
        return Pending(frozenset(each for each in shot_ids if each is not None), everything=None in shot_ids)

    def beat(self) -> None:
        """Say that long work goes on."""
        self._beat()


def _standing(row: SeriesRow) -> Standing:
    return Standing(
        total_frames=row.total_frames,
        starts_at=row.starts_at,
        state=SeriesState(row.outcome),
        offered_at=row.offered_at,
        stage_id=row.stage_id,
        ruled_at=row.ruled_at,
    )


def _booking(booked: Booked) -> Booking:
    row = booked.row
    return Booking(
        booking_id=row.id or 0,
        production_id=row.production_id,
        span=Span(row.start_at, row.end_at),
        stage_id=row.stage_id,
        stage=booked.stage,
        animator=row.animator,
        shot_id=row.shot_id,
        shot=booked.shot,
        activity=Activity(row.activity),
        firmness=Firmness(row.firmness),
    )
