"""A worker whose cursor is behind what was cleaned away skips nothing in silence."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any, ClassVar

import pytest
from sqlmodel import col, select

from service.actions import rebuilds
from service.actions.cleaning import clean
from service.domain.events import Event, EventKind
from service.store import cursors, editions, events, kept, partitions, retention, workers
from service.store.engine import Database
from service.store.kept import Shelf
from service.store.tables import EditionRow
from tests.workers.strangers import START, TOLD, Limits
from tests.workers.test_cleaning import COUNTED, enter
from tests.workers.test_partitions import produce
from workers import engine
from workers.contract import Announce, Change, Context, Keep, Partition, Rebuilt, Worker
from workers.engine import Outcome, StepResult, step
from workers.relay import look

KEEP = timedelta(days=7)


class Keeper(Worker):
    """Keeps a row for every event it is told of, and tells of it."""

    name: ClassVar[str] = "keeper"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = frozenset({COUNTED, EventKind.SHOT_CHANGED})
    tables: ClassVar[Mapping[str, str]] = {"own": "The events."}

    def __init__(self) -> None:
        """It has no settings."""

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        del context
        rows = [Keep(table="own", key=f"{each.id:03}", row={}, production_id=each.production_id) for each in batch]
        told = {"heard": [each.id for each in batch]}
        return [*rows, Announce(kind=TOLD, data=told, production_id=batch[0].production_id)]

    def scheduled(self, name: str, day: Any, context: Context) -> Sequence[Change]:  # noqa: ANN401 - it has no job
        raise NotImplementedError


class Rebuilder(Keeper):
    """Knows all its rows without any event."""

    facts: ClassVar[list[int]] = []

    def rebuild(self, mark: Any, limit: int, context: Context) -> Rebuilt:  # noqa: ANN401 - None or "more"
        del limit, context
        rows = [Keep(table="own", key=f"{each:03}", row={}) for each in self.facts]
        return Rebuilt(changes=rows, mark="more" if mark is None else None)


class PartedKeeper(Keeper):
    partition: ClassVar[Partition] = Partition.BY_PRODUCTION


class PartedRebuilder(Rebuilder):
    partition: ClassVar[Partition] = Partition.BY_PRODUCTION


class Later(Rebuilder):
    version: ClassVar[int] = 2


class Studio:
    """A production with one shot that is counted, and a worker's steps."""

    def __init__(self, database: Database) -> None:
        self.database = database
        (self.production_id,) = produce(database, "one")
        self.now = START

    def happen(self, *kinds: EventKind, days: int = 1) -> list[int]:
        """Events of the shot, one a day."""
        ids = []
        for kind in kinds:
            with self.database.writing() as session:
                of = {"production_id": self.production_id, "shot_id": 7}
                ids.append(events.append(session, kind=kind, at=self.now, actor="test", data={}, **of))
            self.now += timedelta(days=days)
        return ids

    def take(self, worker: Worker) -> StepResult:
        by_production = worker.partition is Partition.BY_PRODUCTION
        part = partitions.named(self.production_id) if by_production else partitions.WHOLE_LOG
        return step(self.database, worker, partition=part, settings=Limits(), owner="one", now=self.now)

    def settle(self, worker: Worker) -> Outcome:
        while (result := self.take(worker)).again:
            self.now += timedelta(minutes=10)
        return result.outcome

    def clean(self) -> None:
        """A pass as of today, whenever the last one was."""
        self.now += timedelta(days=1)
        with self.database.writing() as session:
            clean(session, keep=KEEP, now=self.now)

    def standing(self) -> workers.Standing:
        with self.database.reading() as session:
            (found,) = workers.standings(session)
            return found

    def shown(self) -> set[int]:
        with self.database.reading() as session:
            shelf = Shelf("keeper", editions.shown(session, "keeper"), "own")
            return {int(each.row.key) for each in kept.page(session, shelf, after="", limit=99)}

    def told(self) -> list[int]:
        with self.database.reading() as session:
            found = events.read_after(session, 0, limit=1000, kinds={TOLD})
            return [id_ for each in found for id_ in each.data["heard"]]

    def made(self) -> list[tuple[int, int, str, bool, int, str | None]]:
        with self.database.reading() as session:
            rows = session.exec(select(EditionRow).order_by(col(EditionRow.edition)))
            return [(row.edition, row.version, row.state, row.by_facts, row.lacks_to, row.asked_by) for row in rows]

    def ask(self) -> None:
        with self.database.writing() as session:
            rebuilds.ask(session, "keeper", by="office", now=self.now)

    def away(self) -> None:
        """Let no host have the worker any more."""
        enter(self.database, now=self.now)


@pytest.fixture
def studio(database: Database) -> Studio:
    Rebuilder.facts = []
    return Studio(database)


def cleaned_behind(studio: Studio, worker: Worker) -> tuple[list[int], list[int], list[int]]:
    """Read some events, be away while others come of which some are cleaned, and be back: read, gone and left."""
    enter(studio.database, worker)
    read = studio.happen(COUNTED, COUNTED)
    assert studio.settle(worker) is Outcome.IDLE
    studio.away()
    gone = studio.happen(COUNTED, COUNTED)
    left = studio.happen(EventKind.SHOT_CHANGED, COUNTED)
    studio.now += timedelta(days=20)
    studio.clean()
    enter(studio.database, worker, now=studio.now)
    with studio.database.reading() as session:
        assert retention.cleaned_to(session) == gone[-1]
    return read, gone, left


@pytest.mark.parametrize("worker", [Keeper(), Rebuilder(), PartedKeeper(), PartedRebuilder()])
def test_a_worker_that_is_back_behind_a_gap_waits_for_its_rebuild_and_tells_nothing_twice(
    studio: Studio, worker: Keeper
) -> None:
    read, gone, left = cleaned_behind(studio, worker)
    before = studio.standing().position

    assert [studio.take(worker).outcome for _ in range(3)] == [Outcome.NEEDS_REBUILD] * 3
    assert (studio.shown(), studio.told()) == (set(read), read)
    assert (studio.standing().needs_rebuild, studio.standing().position) == (True, before)
    assert look(studio.database, now=studio.now).behind == ()
    # Its place is known again, so nothing more goes before it has read on.
    more = studio.happen(COUNTED)
    studio.now += timedelta(days=20)
    studio.clean()
    with studio.database.reading() as session:
        assert retention.cleaned_to(session) == gone[-1]

    by_facts = isinstance(worker, Rebuilder)
    Rebuilder.facts = [*read, *gone, *left, *more]
    studio.ask()
    assert len(look(studio.database, now=studio.now).behind) == 1
    assert studio.settle(worker) is Outcome.IDLE
    assert studio.shown() == set(Rebuilder.facts if by_facts else [*left, *more])
    assert studio.told() == [*read, *left, *more]
    now = studio.standing()
    assert (now.needs_rebuild, now.lacks_to, now.lag.events) == (False, 0 if by_facts else gone[-1], 0)
    (latest,) = studio.happen(COUNTED)
    assert studio.settle(worker) is Outcome.IDLE
    assert studio.told()[-1] == latest


def some_gone(studio: Studio) -> tuple[int, list[int]]:
    """Events that nobody wanted, some of them cleaned away: the last of these, and those that are left."""
    *_, gone = studio.happen(COUNTED, COUNTED)
    left = studio.happen(EventKind.SHOT_CHANGED, COUNTED)
    studio.now += timedelta(days=20)
    studio.clean()
    return gone, left


@pytest.mark.parametrize("worker", [Keeper(), Rebuilder()], ids=["by log", "by facts"])
def test_who_never_read_begins_from_facts_where_it_can_and_else_says_what_it_lacks(
    studio: Studio, worker: Keeper
) -> None:
    gone, left = some_gone(studio)
    enter(studio.database, worker, now=studio.now)
    Rebuilder.facts = [1, 2, *left]
    by_facts = isinstance(worker, Rebuilder)

    studio.take(worker)
    # From facts nothing is shown before all is there.
    assert studio.made() == [(1, 1, "filling" if by_facts else "ruling", by_facts, gone, None)]
    assert studio.settle(worker) is Outcome.IDLE

    assert studio.shown() == (set(Rebuilder.facts) if by_facts else set(left))
    assert studio.standing().lacks_to == (0 if by_facts else gone)
    assert not studio.standing().needs_rebuild
    assert studio.told() == ([] if by_facts else left)


def test_a_plan_from_before_a_cleaning_is_made_again(studio: Studio) -> None:
    with studio.database.reading() as session:
        planned = editions.planned(session, "keeper", 1, kinds=Keeper.events, rebuilds=True)
    some_gone(studio)
    with studio.database.writing() as session:
        assert not editions.begin(session, planned, now=studio.now)


def test_a_rebuild_from_the_log_goes_on_with_what_there_is(studio: Studio) -> None:
    enter(studio.database, Keeper())
    read = studio.happen(COUNTED, COUNTED)
    studio.settle(Keeper())
    studio.ask()
    studio.away()
    gone, left = some_gone(studio)
    enter(studio.database, Keeper(), now=studio.now)

    assert studio.settle(Keeper()) is Outcome.IDLE

    assert [each[2:] for each in studio.made()] == [("former", False, 0, None), ("ruling", False, gone, "office")]
    assert studio.shown() == set(left)
    assert studio.told() == [*read, *left]


def test_a_rebuild_from_facts_that_falls_behind_begins_again(studio: Studio) -> None:
    enter(studio.database, Rebuilder())
    studio.happen(COUNTED)
    studio.settle(Rebuilder())
    studio.ask()
    studio.take(Rebuilder())
    # While the facts were read more came, which the rows shown have and the new ones have yet to read.
    studio.happen(COUNTED)
    studio.take(Rebuilder())
    assert [each[2] for each in studio.made()] == ["ruling", "filling"]
    studio.away()
    gone, left = some_gone(studio)
    enter(studio.database, Rebuilder(), now=studio.now)
    Rebuilder.facts = [1, *left]

    assert studio.settle(Rebuilder()) is Outcome.IDLE

    assert [each[2:] for each in studio.made()] == [
        ("former", False, 0, None),
        ("given up", True, 0, "office"),
        ("ruling", True, gone, "office"),
    ]
    assert studio.shown() == {1, *left}


def test_a_version_that_is_back_behind_a_gap_begins_again(studio: Studio) -> None:
    enter(studio.database, Rebuilder())
    studio.happen(COUNTED)
    studio.settle(Rebuilder())
    enter(studio.database, Later(), now=studio.now)
    studio.settle(Later())
    assert [each[1:3] for each in studio.made()] == [(1, "former"), (2, "ruling")]
    studio.away()
    gone, left = some_gone(studio)
    enter(studio.database, Rebuilder(), now=studio.now)
    Rebuilder.facts = [1, *left]

    assert studio.settle(Rebuilder()) is Outcome.IDLE

    assert [each[1:5] for each in studio.made()] == [
        (1, "given up", False, 0),
        (2, "former", True, 0),
        (1, "ruling", True, gone),
    ]
    assert studio.shown() == {1, *left}


def test_what_is_cleaned_between_a_look_and_the_work_is_not_skipped(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    read, gone, left = [], [], []
    work = engine._Run.work
    worker = Keeper()

    enter(studio.database, worker)
    read = studio.happen(COUNTED)
    studio.settle(worker)
    studio.away()
    gone, left = studio.happen(COUNTED), studio.happen(COUNTED)
    studio.now += timedelta(days=20)

    def late(run: engine._Run, claimed: cursors.Cursor) -> StepResult:
        studio.clean()
        return work(run, claimed)

    with monkeypatch.context() as racing:
        racing.setattr(engine._Run, "work", late)
        assert studio.take(worker).outcome is Outcome.OVERTAKEN
    assert studio.take(worker).outcome is Outcome.NEEDS_REBUILD
    assert (studio.told(), studio.standing().attempts) == (read, 0)
    assert gone[0] < left[0]
