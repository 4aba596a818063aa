"""Old events are taken out of the log behind every reader; who lacks some does not go on as if nothing were gone."""

import random
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, ClassVar

import pytest
from sqlmodel import col, select

from service.actions.cleaning import clean
from service.domain.events import MAY_GO, Event, EventKind
from service.domain.workers import State
from service.settings import Settings
from service.store import catalogue, cleaning, cursors, editions, events, partitions, quarantine, retention
from service.store.catalogue import Entry
from service.store.cursors import CursorKey
from service.store.engine import Database
from service.store.tables import CleanedRow, EditionRow, EventRow, QuarantineRow
from tests.workers.strangers import START, Limits
from tests.workers.test_partitions import produce
from workers import upkeep
from workers.contract import Change, Context, Partition, Worker
from workers.engine import Outcome, step
from workers.filling import offered
from workers.roster import Roster

COUNTED, UNMATCHED = EventKind.FRAMES_COUNTED, EventKind.FRAMES_UNMATCHED
OTHERS = (EventKind.STAGE_ADDED, EventKind.SHOT_CHANGED)
KEEP = timedelta(days=7)
SHOTS = 4


class Whole(Worker):
    """Remembers what it was given, and cannot digest what is poison to it."""

    name: ClassVar[str] = "whole"
    version: ClassVar[int] = 1
    events: ClassVar[frozenset[str]] = frozenset({COUNTED, UNMATCHED, *OTHERS})

    def __init__(self) -> None:
        self.given: set[int] = set()
        self.poison: set[int] = set()

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        del context
        ids = {event.id for event in batch}
        if ids & self.poison:
            raise ValueError("poison")
        self.given |= ids
        return ()

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        raise NotImplementedError


class Parted(Whole):
    name: ClassVar[str] = "parted"
    partition: ClassVar[Partition] = Partition.BY_PRODUCTION


class Orderly(Parted):
    name: ClassVar[str] = "orderly"
    events: ClassVar[frozenset[str]] = frozenset({COUNTED})
    ordered: ClassVar[bool] = True


class Unconcerned(Whole):
    """Wants nothing that may go, and so keeps nobody from cleaning."""

    name: ClassVar[str] = "unconcerned"
    events: ClassVar[frozenset[str]] = frozenset(OTHERS)


class Newcomer(Whole):
    name: ClassVar[str] = "newcomer"


class Forgotten(Whole):
    """Has read a little once, and is on no host any more."""

    name: ClassVar[str] = "forgotten"


def enter(database: Database, *workers: Worker, host: str = "puffin", now: datetime = START) -> None:
    entries = [
        Entry(
            worker=each.name,
            version=each.version,
            distribution=each.name,
            state=State.LOADED,
            error=None,
            events=sorted(each.events),
            tables={},
            settings_schema={},
            by_production=each.partition is Partition.BY_PRODUCTION,
            rebuilds=offered(each),
        )
        for each in workers
    ]
    with database.writing() as session:
        catalogue.record(session, host, entries, now=now, forget_before=START)


@dataclass
class Walk:
    """A log that grows at random while workers read it, each at its own pace, and a record of all that was in it."""

    database: Database
    dice: random.Random
    productions: list[int]
    now: datetime = START
    log: dict[int, tuple[EventKind, int | None, int | None, datetime]] = field(default_factory=dict)
    at_work: list[Whole] = field(default_factory=list)
    lacking: dict[str, int] = field(default_factory=dict)
    rebuilt: dict[tuple[str, int], int] = field(default_factory=dict)

    def happen(self) -> None:
        with self.database.writing() as session:
            for _ in range(self.dice.randrange(1, 12)):
                kind = self.dice.choice([COUNTED, COUNTED, COUNTED, UNMATCHED, *OTHERS])
                of = None if kind is EventKind.STAGE_ADDED else self.dice.choice(self.productions)
                shot = None if of is None or kind is UNMATCHED else 10 * of + self.dice.randrange(SHOTS)
                if kind is UNMATCHED and self.dice.random() < 0.3:
                    of = None
                at = self.now - self.dice.choice([0, 0, 0, 5]) * timedelta(minutes=1)
                id_ = events.append(
                    session, kind=kind, at=at, actor="test", production_id=of, shot_id=shot, data={"series": 1}
                )
                self.log[id_] = kind, of, shot, at
        for worker in self.at_work:
            worker.poison |= {id_ for id_ in list(self.log)[-12:] if self.dice.random() < 0.02}

    def step(self, worker: Whole, production_id: int, *, batch: int = 500) -> Outcome:
        by_production = worker.partition is Partition.BY_PRODUCTION
        limits = Limits(engine_batch=batch, quarantine_after=1)
        part = partitions.named(production_id) if by_production else partitions.WHOLE_LOG
        return step(self.database, worker, partition=part, settings=limits, owner="one", now=self.now).outcome

    def work(self) -> None:
        """Let some read on a little."""
        for worker in self.at_work:
            for _ in range(self.dice.choice([0, 0, 1, 3])):
                outcome = self.step(worker, self.dice.choice(self.productions), batch=self.dice.choice([1, 5, 20]))
                assert outcome is not Outcome.NEEDS_REBUILD

    def again(self) -> None:
        """Have something that was set aside tried again, now that it can be digested, or skipped."""
        with self.database.writing() as session:
            row = session.exec(select(QuarantineRow).where(col(QuarantineRow.released_at).is_(None))).first()
            if row is None:
                return
            worker = next(each for each in self.at_work if each.name == row.worker)
            if self.dice.random() < 0.7:
                worker.poison.discard(row.event_id)
                quarantine.ask_again(
                    session, CursorKey(row.worker, row.edition, row.partition), row.event_id, now=self.now
                )
            else:
                row.released_at, row.release = self.now, "skipped"
                worker.given.add(row.event_id)
                session.add(row)

    def rebuild(self, worker: Whole) -> None:
        """Begin to read the log once more, beside what is shown."""
        with self.database.writing() as session:
            if editions.ruling(session, worker.name) and not editions.filling(session, worker.name):
                wanted = editions.planned(
                    session, worker.name, 1, kinds=worker.events, rebuilds=False, asked_by="office"
                )
                assert editions.begin(session, wanted, now=self.now)
                self.rebuilt[worker.name, wanted.number] = wanted.knows_to

    def clean(self, monkeypatch: pytest.MonkeyPatch) -> None:
        before = self.there()
        if self.dice.random() < 0.2:
            with monkeypatch.context() as broken:
                broken.setattr(cleaning, "note", _die)
                with suppress(ZeroDivisionError), self.database.writing() as session:
                    clean(session, keep=KEEP, now=self.now)
            assert self.there() == before
            return
        with self.database.writing() as session:
            taken = clean(session, keep=KEEP, now=self.now, limit=self.dice.choice([1, 7, 40]))
        assert len(before) - len(self.there()) == taken
        self.assert_nothing_needed_is_gone()

    def there(self) -> set[int]:
        with self.database.reading() as session:
            return {int(id_ or 0) for id_ in session.exec(select(EventRow.id))} & self.log.keys()

    def assert_nothing_needed_is_gone(self) -> None:
        gone = self.log.keys() - self.there()
        assert {self.log[id_][0] for id_ in gone} <= MAY_GO
        assert all(self.log[id_][3] < self.now - KEEP for id_ in gone)
        assert gone.isdisjoint(self.to_stay())
        for worker in self.at_work:
            known = self.lacking.get(worker.name, 0)
            unread = {id_ for id_ in gone - worker.given if self.log[id_][0] in worker.events and id_ > known}
            assert unread == set(), worker.name

    def to_stay(self) -> set[int]:
        """The newest count of each shot, and the last event of each production and of none."""
        last: dict[Any, int] = {}
        for id_, (kind, of, shot, _) in sorted(self.log.items()):
            last["of", of] = id_
            if kind is COUNTED:
                last["shot", shot] = id_
        return set(last.values())

    def finish(self) -> None:
        """Let everybody read to the end, and digest everything."""
        parts = [
            (worker, of)
            for worker in self.at_work
            for of in (self.productions if worker.partition is Partition.BY_PRODUCTION else [0])
        ]
        for worker in self.at_work:
            worker.poison.clear()
        while parts:
            self.now += timedelta(hours=1)
            with self.database.writing() as session:
                for row in session.exec(select(QuarantineRow).where(col(QuarantineRow.released_at).is_(None))):
                    key = CursorKey(row.worker, row.edition, row.partition)
                    quarantine.ask_again(session, key, row.event_id, now=self.now)
            parts = [each for each in parts if self.step(*each) is not Outcome.IDLE]

    def join(self, worker: Whole) -> None:
        """Begin to work, from now on: what is gone is gone."""
        enter(self.database, worker, host="petrel", now=self.now)
        with self.database.reading() as session:
            self.lacking[worker.name] = retention.cleaned_to(session)
        self.at_work.append(worker)
        self.step(worker, 0)


def _die(*_given: object) -> None:
    raise ZeroDivisionError


@pytest.fixture
def walk(database: Database, request: pytest.FixtureRequest) -> Walk:
    found = Walk(database, random.Random(request.param), produce(database, "one", "two", "three"))
    found.at_work = [Whole(), Parted(), Orderly(), Unconcerned()]
    enter(database, *found.at_work)
    found.happen()
    with database.writing() as session:
        left = editions.planned(session, "forgotten", 1, kinds=Forgotten.events, rebuilds=False)
        assert editions.begin(session, left, now=START)
        cursors.add(session, left.cursor(partitions.WHOLE_LOG), batch_limit=1, position=1)
    return found


@pytest.mark.parametrize("walk", [1], indirect=True)
def test_whatever_happens_nothing_anybody_needs_goes_and_all_else_does(
    walk: Walk, monkeypatch: pytest.MonkeyPatch
) -> None:
    dice = walk.dice
    for round_ in range(45):
        walk.happen()
        walk.work()
        walk.now += timedelta(hours=dice.choice([1, 5, 30, 90]))
        if dice.random() < 0.3:
            walk.again()
        if dice.random() < 0.05:
            walk.rebuild(dice.choice(walk.at_work))
        walk.clean(monkeypatch)
        if round_ == 38:
            walk.join(Newcomer())
    walk.finish()
    for _ in range(12):
        walk.happen()
    walk.finish()
    _clean_all(walk)
    assert walk.lacking["newcomer"] > 0

    assert_all_was_read(walk)
    with walk.database.reading() as session:
        made = {key: session.get_one(EditionRow, key).lacks_to for key in walk.rebuilt}
    assert made == walk.rebuilt != {}
    walk.now += 3 * KEEP
    may_go = sorted(id_ for id_ in walk.there() - walk.to_stay() if walk.log[id_][0] is COUNTED)
    shots = [walk.log[id_][2] for id_ in may_go]
    # One that is not the last of its shot to go, so that it goes after a later one.
    aside = next(id_ for id_, shot in zip(may_go, shots, strict=True) if shots.count(shot) > 1)
    with walk.database.writing() as session:
        key = CursorKey("whole", 1, partitions.WHOLE_LOG)
        cursors.quarantine(session, key, event_id=aside, attempts=1, error="", now=walk.now)
    _clean_all(walk)
    assert aside in walk.there()
    with walk.database.writing() as session:
        quarantine.digested(session, key, aside, now=walk.now)
    _clean_all(walk)
    stay = {id_ for id_, (kind, *_) in walk.log.items() if kind not in MAY_GO} | walk.to_stay()
    assert walk.there() == stay
    assert _remembered(walk.database) == _expected(walk)


def assert_all_was_read(walk: Walk) -> None:
    for worker in walk.at_work:
        known = walk.lacking.get(worker.name, 0)
        wanted = {id_ for id_, (kind, *_) in walk.log.items() if kind in worker.events and id_ > known}
        if worker.partition is Partition.BY_PRODUCTION:
            # Before its first production begins a studio's events reach nobody.
            assert all(walk.log[id_][1] is None for id_ in wanted - worker.given)
        else:
            assert wanted <= worker.given


def _clean_all(walk: Walk) -> None:
    """End the pass that is under way, and let another go through the whole log."""
    for _ in range(4):
        walk.now += timedelta(hours=13)
        with walk.database.writing() as session:
            clean(session, keep=KEEP, now=walk.now, limit=1000)
        walk.assert_nothing_needed_is_gone()


def _remembered(database: Database) -> dict[tuple[int, int, str], tuple[int, int, datetime]]:
    with database.reading() as session:
        rows = session.exec(select(CleanedRow)).all()
        return {(row.production_id, row.shot_id, row.kind): (row.events, row.position, row.happened_at) for row in rows}


def _expected(walk: Walk) -> Mapping[tuple[int, int, str], tuple[int, int, datetime]]:
    found: dict[tuple[int, int, str], list[int]] = defaultdict(list)
    for id_ in sorted(walk.log.keys() - walk.there()):
        kind, of, shot, _ = walk.log[id_]
        found[of or 0, shot or 0, kind.value].append(id_)
    return {key: (len(ids), ids[-1], max(walk.log[id_][3] for id_ in ids)) for key, ids in found.items()}


def test_an_engine_cleans_at_its_signs_of_life_and_goes_on_where_that_fails(
    database: Database, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    walk = Walk(database, random.Random(3), produce(database, "one"))
    for _ in range(9):
        walk.happen()
    roster = Roster(database, {}, ())
    long_after = START + 2 * KEEP
    upkeep.pulse(database, roster, settings=Settings(), now=long_after)
    assert walk.there() == walk.log.keys()

    with monkeypatch.context() as broken:
        broken.setattr(cleaning, "note", _die)
        upkeep.pulse(database, roster, settings=Settings(keep_events_days=7), now=long_after)
    assert walk.there() == walk.log.keys()
    assert "could not be cleaned" in caplog.text
    with database.reading() as session:
        assert catalogue.last_beat(session, catalogue.ENGINE) == long_after

    upkeep.pulse(database, roster, settings=Settings(keep_events_days=7), now=long_after)
    walk.now = long_after
    assert walk.there() < walk.log.keys()
    walk.assert_nothing_needed_is_gone()
