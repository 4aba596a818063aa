"""What a worker is: the one file the author of a plugin imports. README.md beside it shows how, in fifteen minutes.

A worker reads facts and returns changes; it holds no state between calls, commits nothing and reads no clock. It is
found by an entry point of the group `tiedown.workers.v1` whose name is the worker's name and whose object is a class
that is called with its settings. Whatever it raises is recorded, tried again and in the end set aside, and stops no
other worker. A change of this file that would break a worker is a new group, `tiedown.workers.v2`; within the first,
things are only added.

Every instant is in UTC, every day a production day, every count of frames a whole number; units stand in names.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum
from types import MappingProxyType
from typing import Any, ClassVar, Protocol

from pydantic import BaseModel, ConfigDict

from service.domain.blocked import Blocked
from service.domain.days import DayFacts
from service.domain.events import Event, EventKind
from service.domain.notices import Notice
from service.domain.occupancy import StageFacts
from service.domain.progress import ShotFacts
from service.domain.reports import Filed
from service.domain.shifts import LONGEST_SHIFT, POWER_CAUTION, Signal
from service.domain.spans import Span, TimeSet
from service.domain.studio import Studio, production_day
from service.domain.takes import Purpose
from service.domain.viewing import ShotTakes
from workers.facts import Booking, CreditedChange, Production, SeriesLedger, Shot, Stage, StageLine, Terminal
from workers.returned import Announce, Change, File, Keep, Rebuilt, Remind, Replace, Result

__all__ = [
    "ENTRY_POINTS",
    "LONGEST_SHIFT",
    "MOST_ANNOUNCEMENTS",
    "MOST_BYTES",
    "MOST_CHANGES",
    "POWER_CAUTION",
    "Announce",
    "Blocked",
    "Booking",
    "CatchUp",
    "Change",
    "Context",
    "CreditedChange",
    "DayFacts",
    "Event",
    "EventKind",
    "FigureTable",
    "File",
    "Filed",
    "Keep",
    "NoSettings",
    "Notice",
    "Partition",
    "Pending",
    "Production",
    "Purpose",
    "Rebuilt",
    "Remind",
    "Replace",
    "Result",
    "Schedule",
    "SeriesLedger",
    "Shot",
    "ShotFacts",
    "ShotTakes",
    "Signal",
    "Span",
    "Stage",
    "StageFacts",
    "StageLine",
    "Studio",
    "Terminal",
    "TimeSet",
    "Worker",
    "production_day",
]

ENTRY_POINTS = "tiedown.workers.v1"
# Of one call. More is refused as the worker's failure, before it costs the others their time and memory.
MOST_CHANGES = 100_000
MOST_ANNOUNCEMENTS = 1_000
MOST_BYTES = 64 * 1024


class NoSettings(BaseModel):
    """The settings of a worker that has none."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Partition(StrEnum):
    """Which cursors a worker has in the log: one, or one for each production.

    By production, batches of several productions are handled at the same time, each by another process, and one that
    cannot be digested keeps no other production waiting. A batch then has events of one production,
    `context.production_id`, and events of none (stages, the studio's settings), which reach every production's part, in
    the order of the log; a worker that no production is there for yet gets none. All that a call returns must belong to
    that production: shots of it in Replace, its `production_id` in Keep and Announce, and keys that no other
    production's rows have, so that no row is written from two parts at once. A production's part begins with its first
    event. Whoever changes this raises `version`.
    """

    WHOLE_LOG = "whole log"
    BY_PRODUCTION = "by production"


class CatchUp(StrEnum):
    """Which days of a job are caught up after a standstill.

    The latest alone, which closes the days before that nobody finished; or all since the last one, in their order, the
    latest 31 of them. A day that fails is waited for by those after it, until it has failed five times.
    """

    LATEST = "latest"
    ALL = "all"


@dataclass(frozen=True, slots=True)
class Schedule:
    """A job called `name`, due once on every studio-local day, `at` this local time.

    None is the hour at which the studio's days begin: the production day before has just closed then.

    On the night the clock is put back and shows the time twice it is due the first time; on the night the clock skips
    it, by the offset before the change: where an hour is skipped, an hour later by the new clock. `catch_up` says what
    is done after a standstill.
    """

    name: str
    at: time | None
    catch_up: CatchUp = CatchUp.LATEST


class FigureTable(StrEnum):
    """The tables of *progress* and *nightly*, which have addresses of their own.

    To any other worker these are names like any other: its rows of that name are its own.
    """

    SHOT_PROGRESS = "shot_progress"
    PART_PROGRESS = "part_progress"
    DAY_FRAMES = "day_frames"
    DAY_CREDIT = "day_credit"
    REPORTED_FRAMES = "reported_frames"


@dataclass(frozen=True, slots=True)
class Pending:
    """The shots (`shot_ids`) that events speak of which the worker has not handled yet.

    `everything` where one of them speaks of all shots.
    """

    shot_ids: frozenset[int] = frozenset()
    everything: bool = False

    def __contains__(self, shot_id: int) -> bool:
        return self.everything or shot_id in self.shot_ids


class Context(Protocol):
    """The facts, as of one instant: everything read through it comes from a single snapshot of the database."""

    @property
    def position(self) -> int:
        """The id of the last event the snapshot includes; figures made from it rest on this position."""

    @property
    def now(self) -> datetime:
        """The server's clock when the work began, UTC."""

    @property
    def production_id(self) -> int | None:
        """The production whose part of the log is handled; None of the whole log, and in a job."""

    @property
    def studio(self) -> Studio:
        """What the studio set: zone, start of the day, plate minimum."""

    def shot_ids(self, *, after: int, limit: int) -> Sequence[int]:
        """The ids of up to `limit` shots with an id above `after`, rising; omitted shots too."""

    def shot_facts(self, shot_ids: Sequence[int]) -> Mapping[int, ShotFacts]:
        """Plan, series and decisions of each shot; a shot that does not exist is left out."""

    def ledger(self, shot_ids: Sequence[int]) -> Mapping[int, Sequence[SeriesLedger]]:
        """Every series of each shot with every count kept for it; a shot without any is left out."""

    def credited_changes(self, shot_ids: Sequence[int]) -> Mapping[int, Sequence[CreditedChange]]:
        """The journal of credited frames of each shot, in order; a shot without any is left out."""

    def productions(self) -> Sequence[Production]:
        """Every production, in the order they were added."""

    def active_days(self, production_id: int) -> Sequence[date]:
        """Every production day on which a production has counts or changes of planned or credited frames, rising."""

    def day_facts(self, production_id: int, day: date) -> DayFacts:
        """What a report of a production's day rests on. A day that was reported keeps the terms of its report."""

    def filed(self, production_id: int) -> Mapping[date, Filed]:
        """The latest revision of every day of a production that was reported."""

    def reported(self, production_id: int, day: date) -> Mapping[str, Any] | None:
        """The figures of the latest revision of a day, as they were filed; None of a day that was not reported."""

    def blocked(self, production_id: int, *, limit: int) -> Blocked:
        """What the shots of a production wait for, naming at most `limit` of them for each fact."""

    def reported_facts(self, production_id: int, day: date) -> DayFacts | None:
        """What the latest revision of a day was made from, as it was then; None of a day that was not reported."""

    def unmatched_days(self) -> Mapping[int, Mapping[date, int]]:
        """How many counts wait for a shot, by production id and production day; days without any are left out."""

    def stages(self) -> Sequence[Stage]:
        """Every stage, in the order they were added."""

    def stage_log(self, stage_id: int, *, since: datetime) -> Sequence[StageLine]:
        """The lines of a stage's log of `since` and later, in the order of their instants, of one instant as they came.

        Empty for a stage that does not exist.
        """

    def stage_facts(self, stage_ids: Sequence[int], first: date, last: date) -> Mapping[int, StageFacts]:
        """What is known of these stages that the production days from `first` to `last` rest on, by stage id.

        Hours, bookings, log, captures, and what befell the shots that are planned for them; what
        `service.domain.occupancy` makes figures of.
        """

    def stage_times(self, events: Sequence[Event]) -> Mapping[int, Sequence[Span]]:
        """The time, up to now, of which the events may have changed what is known of a stage, by stage id.

        A booking touches its time, a late capture that of the work it lengthens, a new calendar the last 31 days. A
        span begins no later than the call of the work it lies in. Spans may overlap; a stage no event touches is left
        out.
        """

    def shots(self, shot_ids: Sequence[int]) -> Mapping[int, Shot]:
        """Each shot by its codes and as it stands; a shot that does not exist is left out."""

    def shots_in_hand(self) -> Sequence[int]:
        """The ids of the shots with a take that may wait for a decision, or a booking that is not over; rising."""

    def takes(self, shot_ids: Sequence[int]) -> Mapping[int, ShotTakes]:
        """The takes of purpose shoot of each shot, with what was said of them and when."""

    def completions(self, shot_ids: Sequence[int]) -> Mapping[int, Sequence[datetime]]:
        """Each time a shot came to have every planned frame credited, rising; one that never did is left out."""

    def bookings(
        self, within: Span, *, stage_ids: Sequence[int] = (), shot_ids: Sequence[int] = ()
    ) -> Sequence[Booking]:
        """The bookings that stand and have an instant of `within`, by their start; of these stages or shots alone."""

    def open_time(self, stage_ids: Sequence[int], within: Span) -> Mapping[int, TimeSet]:
        """When each stage is open by its calendar, within a time."""

    def terminals(self) -> Sequence[Terminal]:
        """Every terminal, in the order they were added."""

    def thresholds(self, kind: str) -> Sequence[int]:
        """At which thresholds somebody wants to hear of a kind of notice, rising; empty where nobody does."""

    def own_rows(self, table: str, shot_ids: Sequence[int]) -> Mapping[int, Sequence[Mapping[str, Any]]]:
        """The rows of `table` the worker stored before with Replace; a shot without any is left out.

        They are as they were kept: what was a date is text.
        """

    def kept(self, table: str, keys: Sequence[str]) -> Mapping[str, Mapping[str, Any]]:
        """The rows of `table` the worker stored before, by key; a key without a row is left out."""

    def pending(self) -> Pending:
        """What the worker's stored rows may not show yet."""

    def beat(self) -> None:
        """Say that long work goes on; a worker that is silent for longer than the handler's limit is killed."""


class Worker(Protocol):
    """What a plugin provides. Subclass it and set `name`, `version`, `events`; override what the worker does.

    `name` is lower-case letters, digits and hyphens, 63 at most, and the name of its entry point. `events` are the
    kinds it wants; others pass it by. `tables` are those it keeps rows in, each with what a row of it is, for people to
    read; a table is named as a worker is, or with underscores. Its rows are listed to whoever may read, at
    `/v1/workers/NAME/figures/TABLE`: put no person's name into them. `Settings` is a pydantic model that can be made
    without arguments; its JSON Schema is served, and what an operator sets is checked by it. `enabled` is no name for
    a field of it: with `enabled = false` an operator keeps a worker from being imported at all.

    `notices` are the kinds of notice it raises, each with what it tells of: `WORKER/KIND`, of which KIND is lower-case
    words. The `facts` of such a Notice have a `text`, one or two plain sentences, complete without opening anything.
    The same kind, subject and occasion are told once, whoever raises them again.

    `version` is an integer from 1 on. Raise it whenever figures would come out differently: the new version makes rows
    of its own, from facts where it has `rebuild`, else by reading the log from its beginning. Until it has read as far
    as the old one the old one's rows are shown, from then on the new one's, and nothing is announced twice. Two hosts
    with different versions do each other no harm. Whoever changes settings that change figures raises it, too.

    `partition` says whether it has a cursor for each production. Where it is `ordered`, an event is set aside, too,
    while an earlier one of the same shot is; these are tried by themselves and in their order once that one is digested
    or skipped. Otherwise the later events go on without it, as suits who computes from facts.
    """

    name: ClassVar[str]
    version: ClassVar[int]
    events: ClassVar[frozenset[str]] = frozenset()
    tables: ClassVar[Mapping[str, str]] = MappingProxyType({})
    notices: ClassVar[Mapping[str, str]] = MappingProxyType({})
    Settings: ClassVar[type[BaseModel]] = NoSettings
    partition: ClassVar[Partition] = Partition.WHOLE_LOG
    ordered: ClassVar[bool] = False

    def __init__(self, settings: BaseModel) -> None:
        """Make the worker with an instance of its `Settings`. Raise ValueError where they contradict each other."""

    @property
    def schedules(self) -> Sequence[Schedule]:
        """The jobs it wants done each day."""
        return ()

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        """What the events change, all of it or nothing: the changes and the place in the log are one transaction.

        `batch` is never empty, its events are wanted ones in the order of their ids. Events of one shot are best
        handled together. The same events may come again, and the facts are those of the context, not of the moment of
        the event: compute from facts, never add up events. Whatever is raised is recorded; the batch is halved and
        tried again, and an event that fails alone after all tries is set aside (`GET /v1/workers`). A handler that is
        silent for longer than `handler_limit_s`, 60 s unless set otherwise, is ended with its process.
        """
        raise NotImplementedError

    def rebuild(self, mark: Any, limit: int, context: Context) -> Rebuilt:  # noqa: ANN401, ARG002 - for who overrides
        """Make rows from facts alone, as if no event had been handled: all of them, over as many calls as it takes.

        Optional; who does not override it is never called here and reads the log from its beginning instead, which may
        lack old counts that were cleaned away. The first call has the mark None, each later one that which the one
        before returned; each has facts of its own instant.
        `limit` is about how many shots or the like to do; it is halved after a failure, which is tried again for ever.
        Events since the first call are handled afterwards; then the new rows are shown instead, all at once.
        """
        return Rebuilt(changes=())

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        """Do the job `name` of a studio-local day. It may be called again for the same day after a failure."""
        raise NotImplementedError

    def health(self, context: Context) -> Sequence[str]:  # noqa: ARG002 -- for who overrides it
        """What hinders the worker from doing all it should, a sentence each, with what to do; else nothing.

        Asked after each batch, of the same facts. What it says is shown at `/v1/workers` and `/readyz` until the next
        batch; it undoes no change. What it raises is shown as its health.
        """
        return ()
