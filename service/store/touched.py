"""Which time of which stages events may have changed what is known of."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlmodel import Session, col

from service.domain.events import Event, EventKind
from service.domain.phases import Phase
from service.domain.shifts import LONGEST_SHIFT, Signal
from service.domain.spans import Span
from service.domain.takes import Purpose
from service.domain.work import QUIET
from service.store.shifts import DAY_KINDS
from service.store.tables import BookingRow, CountRow, MoveRow, PartRow, StageLogRow, StageRow

LOG_KINDS = frozenset(
    {
        EventKind.STAGE_CALLED,
        EventKind.STAGE_WRAPPED,
        EventKind.STAGE_WAITED,
        EventKind.STAGE_RESUMED,
        EventKind.STAGE_POWERED_OFF,
    }
)
BOOKING_KINDS = frozenset(
    {
        EventKind.BOOKING_MADE,
        EventKind.BOOKING_CHANGED,
        EventKind.BOOKING_CANCELLED,
        EventKind.BOOKING_RESTORED,
    }
)
COUNT_KINDS = frozenset({EventKind.FRAMES_COUNTED, EventKind.FRAMES_MATCHED, EventKind.FRAMES_CORRECTED})
SIGN_OFF_KINDS = frozenset({EventKind.SIGNOFF_GIVEN, EventKind.SIGNOFF_WITHDRAWN})
KINDS = frozenset(
    {
        *LOG_KINDS,
        *BOOKING_KINDS,
        *COUNT_KINDS,
        *SIGN_OFF_KINDS,
        EventKind.FRAMES_UNMATCHED,
        EventKind.SHOT_MOVED,
        EventKind.SHOT_CHANGED,
        EventKind.TAKE_DECIDED,
        EventKind.CALENDAR_SET,
        EventKind.STUDIO_SET,
    }
)
"""The kinds of event that touch what is known of a stage's time."""

LATELY = timedelta(days=31)
"""How far back new hours or another plan are taken; to make a year again would be to read a year's ledger."""

_INSTANT = timedelta(seconds=1)


def spans(session: Session, events: Sequence[Event], *, now: datetime) -> dict[int, list[Span]]:
    """The time of each stage, by its id, that events may have changed what is known of; nothing later than `now`."""
    look = _Look(session, now)
    found: dict[int, list[Span]] = defaultdict(list)
    for stage_id, start_at, end_at in set(look.touched(events)):
        if start_at < min(end_at, now):
            found[stage_id].append(Span(look.since(stage_id, start_at), min(end_at, now)))
    return found


Touched = Iterator[tuple[int, datetime, datetime]]


@dataclass(frozen=True, slots=True)
class _Look:
    session: Session
    now: datetime

    def touched(self, events: Sequence[Event]) -> Touched:
        """The stage, start and end of each time, in no order and possibly more than once."""
        by_kind: dict[str, list[Event]] = defaultdict(list)
        for event in events:
            by_kind[event.kind].append(event)

        def several(kinds: Collection[EventKind]) -> list[Event]:
            return [event for kind in sorted(kinds) for event in by_kind.get(kind, ())]

        yield from self._all(several({EventKind.STUDIO_SET, EventKind.CALENDAR_SET}))
        yield from self._logged(several(LOG_KINDS))
        yield from self._booked(several(BOOKING_KINDS))
        yield from self._counted(several({EventKind.FRAMES_COUNTED}), whole=False)
        yield from self._counted(several(COUNT_KINDS - {EventKind.FRAMES_COUNTED}), whole=True)
        yield from self._unmatched(several({EventKind.FRAMES_UNMATCHED}))
        yield from self._moved(several({EventKind.SHOT_MOVED, *SIGN_OFF_KINDS}))
        yield from self._replanned(several({EventKind.SHOT_CHANGED}))
        yield from self._decided(several({EventKind.TAKE_DECIDED}))

    def _all(self, events: Sequence[Event]) -> Touched:
        if not events:
            return
        codes = {event.data.get("stage") for event in events}
        for row in self.session.scalars(select(StageRow)):
            if None in codes or row.code in codes:
                yield row.id or 0, max(row.added_at, self.now - LATELY), self.now

    def _ids(self, codes: Collection[str]) -> dict[str, int]:
        rows = self.session.execute(select(col(StageRow.code), col(StageRow.id)).where(col(StageRow.code).in_(codes)))
        return {code: int(id_) for code, id_ in rows}

    def _logged(self, events: Sequence[Event]) -> Touched:
        ids = self._ids({event.data["stage"] for event in events})
        for event in events:
            at = datetime.fromisoformat(event.data["at"])
            stage_id = ids[event.data["stage"]]
            yield stage_id, at - _INSTANT, at + LONGEST_SHIFT

    def since(self, stage_id: int, at: datetime) -> datetime:
        """From when on something at an instant may say something of a stage: the call or the wait that it lies in."""
        statement = (
            select(col(StageLogRow.at), col(StageLogRow.kind))
            .where(
                col(StageLogRow.stage_id) == stage_id,
                col(StageLogRow.at) > at - LONGEST_SHIFT,
                col(StageLogRow.at) < at,
            )
            .order_by(col(StageLogRow.at), col(StageLogRow.id))
        )
        begun: datetime = at
        open_at: datetime | None = None
        for line_at, kind in self.session.execute(statement):
            if kind in DAY_KINDS:
                open_at = line_at if kind == Signal.CALL.value else None
            begun = line_at if kind == Signal.WAITING.value else at
        return begun if open_at is None else min(begun, open_at)

    def _booked(self, events: Sequence[Event]) -> Touched:
        """Where bookings are and where changes say they were: each stage they name, over all the time they name."""
        named: dict[int, list[Mapping[str, Mapping[str, str | None]]]] = defaultdict(list)
        for event in events:
            named[event.data["booking"]].append(event.data.get("changed", {}))
        for row in self.session.scalars(select(BookingRow).where(col(BookingRow.id).in_(named))):
            was = [(name, each["before"]) for changes in named[row.id or 0] for name, each in changes.items()]
            instants = [datetime.fromisoformat(said) for name, said in was if said and name in {"start", "end"}]
            stages = self._ids({said for name, said in was if said and name == "stage"})
            for stage_id in {*stages.values(), row.stage_id} - {None}:
                yield stage_id or 0, min([row.start_at, *instants]), max([row.end_at, *instants])

    def _counted(self, events: Sequence[Event], *, whole: bool) -> Touched:
        """The time of the counts that events speak of, all of a series or what was received with them."""
        if not events:
            return
        statement = (
            select(
                col(CountRow.shot_id),
                col(CountRow.stage_id),
                func.min(CountRow.captured_at),
                func.max(CountRow.captured_at),
            )
            .where(col(CountRow.series_id).in_({event.data["series"] for event in events}))
            .group_by(col(CountRow.shot_id), col(CountRow.stage_id))
        )
        if not whole:
            statement = statement.where(col(CountRow.received_at) >= min(event.at for event in events))
        for shot_id, stage_id, first_at, last_at in self.session.execute(statement).all():
            yield stage_id, first_at - QUIET, self._until(stage_id, last_at)
            # A shot that was being dressed was heard of, wherever it was captured.
            if (dressed_at := self._dressed_since(shot_id, last_at)) is not None:
                homes = self._homes([shot_id]).get(shot_id or 0, ())
                yield from ((home, dressed_at, last_at + _INSTANT) for home in homes)

    def _unmatched(self, events: Sequence[Event]) -> Touched:
        for event in events:
            statement = (
                select(col(CountRow.stage_id), func.min(CountRow.captured_at), func.max(CountRow.captured_at))
                .where(
                    col(CountRow.production_code) == event.data["production"],
                    col(CountRow.shot_code) == event.data["shot"],
                    col(CountRow.received_at) >= event.at,
                )
                .group_by(col(CountRow.stage_id))
            )
            for stage_id, first_at, last_at in self.session.execute(statement):
                yield stage_id, first_at - QUIET, last_at + LONGEST_SHIFT

    def _dressed_since(self, shot_id: int | None, at: datetime) -> datetime | None:
        """Since when a shot was being dressed at an instant; None where it was not."""
        statement = (
            select(col(MoveRow.moved_at), col(MoveRow.to_phase))
            .where(col(MoveRow.shot_id) == shot_id, col(MoveRow.moved_at) <= at)
            .order_by(col(MoveRow.id).desc())
            .limit(1)
        )
        last = self.session.execute(statement).one_or_none()
        return last[0] if last is not None and last[1] == Phase.SET_DRESSING.value else None

    def _until(self, stage_id: int, at: datetime) -> datetime:
        """Until when something that befell a stage at an instant may rule: until its next frame, with its day."""
        statement = select(func.min(CountRow.captured_at)).where(
            col(CountRow.stage_id) == stage_id,
            col(CountRow.captured_at) > at,
            col(CountRow.purpose) == Purpose.SHOOT.value,
            col(CountRow.shot_id).is_not(None),
        )
        following: datetime | None = self.session.scalars(statement).one_or_none()
        return self.now if following is None else max(following, at + LONGEST_SHIFT) + _INSTANT

    def _homes(self, shot_ids: Collection[int | None]) -> dict[int, set[int]]:
        """The stages each of these shots is planned for."""
        found: dict[int, set[int]] = defaultdict(set)
        planned = select(col(PartRow.shot_id), col(PartRow.stage_id)).where(col(PartRow.shot_id).in_(shot_ids))
        for shot_id, stage_id in self.session.execute(planned):
            found[shot_id].add(stage_id)
        return found

    def _moved(self, events: Sequence[Event]) -> Touched:
        """From a move or a sign-off to the stage's next frame after it, and the dressing that it ended before it."""
        homes = self._homes({event.shot_id for event in events})
        for event in events:
            since = self._dressed_since(event.shot_id, event.at - timedelta.resolution)
            for stage_id in homes.get(event.shot_id or 0, ()):
                yield stage_id, since or event.at, self._until(stage_id, event.at)

    def _replanned(self, events: Iterable[Event]) -> Touched:
        """Lately, as long as a shot was moved, the stages it was planned for before a change and after."""
        changed = [event for event in events if "parts" in event.data["changed"]]
        parts = {
            event.shot_id: {part["stage"] for each in event.data["changed"]["parts"].values() for part in each}
            for event in changed
        }
        ids = self._ids({code for codes in parts.values() for code in codes})
        for shot_id, codes in parts.items():
            first = select(func.min(MoveRow.moved_at)).where(col(MoveRow.shot_id) == shot_id)
            moved_at: datetime | None = self.session.scalars(first).one_or_none()
            if moved_at is not None:
                since = max(moved_at, self.now - LATELY)
                yield from ((ids[code], since, self.now) for code in sorted(codes))

    def _decided(self, events: Sequence[Event]) -> Touched:
        """The first frames that other shots had on a shot's stages after its own: each may end a turnover."""
        if not events:
            return
        shot_ids = {event.shot_id for event in events}
        of_shoot = col(CountRow.purpose) == Purpose.SHOOT.value
        own = (
            select(
                col(CountRow.stage_id),
                col(CountRow.shot_id),
                func.min(CountRow.captured_at),
                func.max(CountRow.captured_at),
            )
            .where(col(CountRow.shot_id).in_(shot_ids), of_shoot)
            .group_by(col(CountRow.stage_id), col(CountRow.shot_id))
        )
        for stage_id, shot_id, first_at, last_at in self.session.execute(own):
            others = (
                select(func.min(CountRow.captured_at))
                .where(
                    col(CountRow.stage_id) == stage_id,
                    col(CountRow.shot_id) != shot_id,
                    of_shoot,
                    col(CountRow.captured_at) > first_at,
                    col(CountRow.captured_at) <= self._until(stage_id, last_at),
                )
                .group_by(col(CountRow.shot_id))
            )
            for began_at in self.session.scalars(others):
                yield stage_id, began_at, began_at + _INSTANT
