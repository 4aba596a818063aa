"""The facts a worker sees: everything read in one transaction of the database, so that nothing in it is torn."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import cached_property
from typing import Any

from sqlmodel import Session

from service.domain.progress import Cause, ShotFacts
from service.domain.studio import Studio
from service.domain.takes import Purpose, SeriesState, Standing
from service.store import counts, cursors, figures, shots, takes
from service.store import studio as studios
from service.store.tables import SeriesRow
from workers.contract import Context, CreditedChange, FigureTable, Pending, SeriesLedger, Worker


class Snapshot(Context):
    """The context of one call, read through the session that began with the log's head."""

    def __init__(
        self, session: Session, *, worker: Worker, position: int, now: datetime, beat: Callable[[], None]
    ) -> None:
        self._session, self._worker, self._beat = session, worker, beat
        self._position, self._now = position, now

    @property
    def position(self) -> int:
        """The id of the last event the snapshot includes."""
        return self._position

    @property
    def now(self) -> datetime:
        """The server's clock when the work began, UTC."""
        return self._now

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

    def own_rows(self, table: FigureTable, shot_ids: Sequence[int]) -> Mapping[int, Sequence[Mapping[str, Any]]]:
        """The rows of `table` this worker's version stored before."""
        return figures.of_shots(self._session, table, version=self._worker.version, shot_ids=shot_ids)

    def pending(self) -> Pending:
        """What the worker's stored rows may not show yet."""
        position = min(cursors.positions(self._session, self._worker.name, self._worker.version), default=0)
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
