"""Parts of the log by production: who gets which events, in which order, and that none keeps another waiting."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime
from fractions import Fraction
from pathlib import Path
from threading import Barrier
from typing import ClassVar

import pytest
from sqlalchemy import Engine, event
from sqlmodel import select

from service.actions import productions
from service.actions import quarantine as people
from service.domain.events import Event, EventKind
from service.settings import Settings
from service.store import events, partitions, workers
from service.store.engine import Database
from service.store.tables import CursorRow, QuarantineRow
from tests.workers.shelf import Shelf
from tests.workers.strangers import START, Limits, later
from workers import child, host
from workers.contract import Change, Context, Keep, Partition, Replace, Worker
from workers.deliveries import Post, Sender
from workers.engine import Outcome, StepResult, step
from workers.host import Found
from workers.relay import look
from workers.roster import Roster

STUDIO, OWN = EventKind.STAGE_ADDED, EventKind.FRAMES_COUNTED
During = Callable[[Sequence[Event], Context], None]


class Tally(Worker):
    """Keeps for each production which events it was given, in their order."""

    name: ClassVar[str] = "tally"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = frozenset({STUDIO, OWN})
    tables: ClassVar[Mapping[str, str]] = {"given": "Which events came."}
    partition: ClassVar[Partition] = Partition.BY_PRODUCTION

    def __init__(self, during: During | None = None) -> None:
        self.during = during
        self.given: dict[int | None, list[int]] = {}

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        if self.during is not None:
            self.during(batch, context)
        of = context.production_id
        ids = [event.id for event in batch]
        self.given.setdefault(of, []).extend(ids)
        return [Keep(table="given", key=f"{of} {ids[0]:05}", row={"events": ids}, production_id=of)]

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        raise NotImplementedError


class Queue(Tally):
    """The same, in the order of each shot's events."""

    ordered: ClassVar[bool] = True


def produce(database: Database, *codes: str) -> list[int]:
    ids = []
    for code in codes:
        with database.writing() as session:
            of = productions.add(session, code, title=code, frame_rate=Fraction(25), by="test", now=START)
            ids.append(of.id or 0)
    return ids


def happen(database: Database, *of: tuple[int | None, int | None]) -> list[int]:
    """Append an event for each production and shot; of no production it tells of a stage."""
    with database.writing() as session:
        return [
            events.append(
                session,
                kind=STUDIO if production_id is None else OWN,
                at=START,
                actor="test",
                production_id=production_id,
                shot_id=shot_id,
                data={},
            )
            for production_id, shot_id in of
        ]


def take(
    database: Database, worker: Worker, production_id: int, *, now: datetime = START, limits: Limits | None = None
) -> StepResult:
    part = partitions.named(production_id)
    return step(database, worker, partition=part, settings=limits or Limits(), owner="one", now=now)


def catch_up(database: Database, worker: Worker, *of: int, start: int = 0, limits: Limits | None = None) -> None:
    for production_id in of:
        for seconds in range(start, 100_000, 400):
            if take(database, worker, production_id, now=later(seconds), limits=limits).outcome is Outcome.IDLE:
                break


def waiting(database: Database) -> list[tuple[int, int]]:
    with database.reading() as session:
        rows = session.exec(select(QuarantineRow)).all()
        return sorted((row.event_id, row.attempts) for row in rows if row.released_at is None)


def standing(database: Database) -> tuple[int, int]:
    """The position that holds for the worker, and how many events it is behind."""
    with database.reading() as session:
        (found,) = [each for each in workers.standings(session) if each.worker == "tally"]
        return found.position, found.lag.events


@pytest.fixture
def listed(database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Found:
    monkeypatch.syspath_prepend(str(tmp_path))
    shelf = Shelf(tmp_path)
    shelf.put("tallies", "from tests.workers.test_partitions import Tally", tally="Tally")
    (found,) = host.discover({}, shelf.points())
    host.publish(database, "puffin", [found], now=START)
    return found


def test_a_production_gets_its_events_and_the_studios_in_order(database: Database) -> None:
    one, two = produce(database, "one", "two")
    a, b, c, d = happen(database, (one, 1), (None, None), (two, 2), (one, 1))
    tally = Tally()
    catch_up(database, tally, one, two)

    assert tally.given == {one: [a, b, d], two: [b, c]}


def test_a_new_production_begins_with_its_first_event(database: Database) -> None:
    (one,) = produce(database, "one")
    (early,) = happen(database, (None, None))
    (two,) = produce(database, "two")
    (late,) = happen(database, (None, None))
    tally = Tally()
    catch_up(database, tally, one, two)

    assert tally.given == {one: [early, late], two: [late]}


def test_who_cannot_digest_a_production_keeps_no_other_waiting(database: Database, listed: Found) -> None:
    one, two = produce(database, "one", "two")
    poison, *_, last = happen(database, (one, 1), (two, 2), (one, 1))

    def choke(batch: Sequence[Event], context: Context) -> None:
        if context.production_id == one and batch[0].id == poison:
            raise ValueError("no lamp is lit")

    tally = Tally(choke)
    assert take(database, tally, one).outcome is Outcome.FAILED
    assert take(database, tally, two).outcome is Outcome.MOVED
    assert standing(database)[1] == 2
    catch_up(database, tally, one, two, start=400)

    assert waiting(database) == [(poison, Limits().quarantine_after)]
    assert tally.given[one] == [last]


def test_the_position_holds_for_all_parts_and_quiet_ones_hold_nothing_up(database: Database, listed: Found) -> None:
    one, two, three = produce(database, "one", "two", "three")
    tally = Tally()
    catch_up(database, tally, one, two, three)
    head = happen(database, *[(two, 2)] * 5)[-1]
    assert standing(database)[1] == 5

    take(database, tally, two)

    assert standing(database) == (head, 0)
    with database.reading() as session:
        quiet = session.exec(select(CursorRow.position).where(CursorRow.partition == partitions.named(one))).one()
    assert quiet < head
    happen(database, (None, None))
    assert standing(database) == (quiet, 1)


def test_two_productions_are_handled_at_the_same_time(database: Database) -> None:
    one, two = produce(database, "one", "two")
    happen(database, (one, 1), (two, 2))
    both = Barrier(2, timeout=20)

    def meet(_batch: Sequence[Event], _context: Context) -> None:
        both.wait()

    tally = Tally(meet)
    with ThreadPoolExecutor(2) as pool:
        found = [
            pool.submit(
                step,
                database,
                tally,
                partition=partitions.named(of),
                settings=Limits(),
                owner=f"life {of}",
                now=START,
            )
            for of in (one, two)
        ]
        assert [each.result().outcome for each in found] == [Outcome.MOVED, Outcome.MOVED]


@pytest.mark.parametrize("wrong", ["row", "shot"])
def test_what_is_of_another_production_is_refused(database: Database, wrong: str) -> None:
    one, two = produce(database, "one", "two")
    happen(database, (one, 1))

    class Stray(Tally):
        def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
            del batch, context
            if wrong == "row":
                return [Keep(table="given", key="a", row={}, production_id=two)]
            return [Replace(table="given", shot_id=77, rows=[])]

    result = take(database, Stray(), one)

    assert result.outcome is Outcome.FAILED
    assert "is none of it" in str(result.error) or "of that production" in str(result.error)


def test_events_of_a_shot_wait_behind_one_set_aside_and_follow_in_order(database: Database) -> None:
    (one,) = produce(database, "one")
    a, b, c, d, e = happen(database, (one, 1), (one, 2), (one, 1), (one, 1), (one, 2))
    well = False

    def choke(batch: Sequence[Event], _context: Context) -> None:
        if not well and any(event.id == a for event in batch):
            raise ValueError("no lamp is lit")

    queue = Queue(choke)
    catch_up(database, queue, one)
    assert queue.given[one] == [b, e]
    assert waiting(database) == [(a, 3), (c, 0), (d, 0)]

    (f,) = happen(database, (one, 1))
    catch_up(database, queue, one)
    assert waiting(database)[-1] == (f, 0)

    well = True
    with database.writing() as session:
        people.retry(session, "tally", a, by="test", now=START)
    catch_up(database, queue, one)
    assert queue.given[one] == [b, e, a, c, d, f]
    assert waiting(database) == []


def test_one_that_waits_does_not_run_where_it_is_asked_for_alone(database: Database) -> None:
    (one,) = produce(database, "one")
    a, b, c = happen(database, *[(one, 1)] * 3)

    def choke(batch: Sequence[Event], _context: Context) -> None:
        if batch[0].id in {a, b}:
            raise ValueError("no lamp is lit")

    queue = Queue(choke)
    catch_up(database, queue, one)
    with database.writing() as session:
        people.retry(session, "tally", b, by="test", now=START)
    catch_up(database, queue, one)
    assert waiting(database) == [(a, 3), (b, 0), (c, 0)]

    with database.writing() as session:
        people.skip(session, "tally", a, by="test", now=START)
    catch_up(database, queue, one)
    assert waiting(database) == [(b, 1), (c, 0)]


def test_an_event_that_waits_is_not_passed_over_by_one_that_fails_after_it(database: Database) -> None:
    (one,) = produce(database, "one")
    a, b, c, d = happen(database, (one, 1), (one, 1), (one, 1), (one, 2))

    def choke(batch: Sequence[Event], _context: Context) -> None:
        if {event.id for event in batch} & {a, d}:
            raise ValueError("no lamp is lit")

    catch_up(database, Queue(choke), one, limits=Limits(quarantine_after=1))

    assert waiting(database) == [(a, 1), (b, 0), (c, 0), (d, 1)]


def test_each_part_that_is_behind_is_told_of_the_longest_untouched_first(database: Database, listed: Found) -> None:
    ids = produce(database, "one", "two", "three")
    happen(database, *((of, 1) for of in ids for _ in range(20)))
    take(database, Tally(), ids[0], now=START)

    behind = [each.key.partition for each in look(database, now=START).behind if each.key.worker == "tally"]

    assert behind == [partitions.named(of) for of in (ids[1], ids[2], ids[0])]
    catch_up(database, Tally(), *ids)
    assert look(database, now=later(100_000)).behind == ()


def test_a_look_at_many_parts_asks_the_database_no_more_than_at_two(database: Database, listed: Found) -> None:
    def asked() -> int:
        statements: list[str] = []

        def note(*given: object) -> None:
            statements.append(str(given[2]))

        event.listen(Engine, "before_cursor_execute", note)
        try:
            assert len(look(database, now=START).behind) == number
            assert standing(database)[1] == number
        finally:
            event.remove(Engine, "before_cursor_execute", note)
        return len(statements)

    catch_up(database, Tally(), *produce(database, "first"))
    number = 2
    happen(database, *((of, 1) for of in produce(database, "one", "two")))
    two = asked()
    number = 40
    happen(database, *((of, 1) for of in produce(database, *(f"p-{each}" for each in range(38)))))

    assert asked() == two


@pytest.mark.usefixtures("listed")
def test_of_one_machine_a_busy_production_keeps_no_other_waiting(database: Database, tmp_path: Path) -> None:
    busy, *others = produce(database, "busy", "one", "two")
    happen(database, *[(busy, 1)] * 100, *((of, 1) for of in others))
    roster = Roster(database, {}, Shelf(tmp_path).points())
    (worker,) = roster.workers
    assert isinstance(worker, Tally)
    # A host hands a worker its settings.
    worker.during = None
    rounds = child.Round(
        database,
        roster,
        settings=Settings(engine_batch=8),
        owner="one",
        beat=lambda: None,
        clock=lambda: START,
        sender=Sender(database, Post({}, ""), owner="one", clock=lambda: START),
    )

    assert rounds.take()

    assert [len(worker.given[of]) for of in (busy, *others)] == [8, 1, 1]
    while rounds.take():
        pass
    assert len(worker.given[busy]) == 100
