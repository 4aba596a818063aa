"""A worker's rows are made anew beside those that are shown, and shown instead in one go."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any, ClassVar

import pytest
from sqlmodel import col, select

from service.actions import rebuilds
from service.actions.rebuilds import NothingToGiveUp, Underway
from service.domain.editions import may_follow
from service.domain.events import Event
from service.domain.workers import State
from service.store import catalogue, editions, events, kept, spent, workers
from service.store.catalogue import Entry
from service.store.engine import Database
from service.store.kept import Shelf
from service.store.tables import CursorRow, EditionRow, KeptRow
from tests.workers.strangers import START, WANTED, Limits, Listener, heard, later, say
from workers.contract import Change, Context, Keep, Rebuilt
from workers.engine import Outcome, StepResult, step

EACH = 2


class Keeper(Listener):
    """Keeps a row for every stage.added event it is told of, and makes them anew from the ids there are."""

    tables: ClassVar = {"own": "The events there are."}
    kind = "kept"

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        rows = [Keep(table="own", key=f"{event.id:04}", row={"by": self.kind}) for event in batch]
        return [*super().handle(batch, context), *rows]


class Rebuilder(Keeper):
    """Makes its rows from facts: here of events, as if these were facts, so many at a time."""

    kind = "rebuilt"
    ids: ClassVar[list[int]] = []
    fails: ClassVar[list[BaseException]] = []

    def rebuild(self, mark: Any, limit: int, context: Context) -> Rebuilt:  # noqa: ANN401 - an event's id, or None
        if self.fails:
            raise self.fails.pop(0)
        there = [each for each in self.ids if each > (mark or 0) and each <= context.position][: min(limit, EACH)]
        rows = [Keep(table="own", key=f"{each:04}", row={"by": "rebuilt"}) for each in there]
        return Rebuilt(changes=rows, mark=there[-1] if len(there) == EACH else None)


class Later(Rebuilder):
    version: ClassVar[int] = 2


@pytest.fixture(autouse=True)
def nothing_left_over() -> None:
    Rebuilder.ids, Rebuilder.fails = [], []


def take(database: Database, worker: Listener, *, at: float = 0) -> StepResult:
    return step(database, worker, settings=Limits(), owner="one", now=later(at))


def settle(database: Database, worker: Listener, *, start: int = 0) -> None:
    for seconds in range(start, 100_000, 400):
        if take(database, worker, at=seconds).outcome is Outcome.IDLE:
            return
    raise AssertionError("never settled")


def shown(database: Database) -> dict[str, str]:
    with database.reading() as session:
        shelf = Shelf("listener", editions.shown(session, "listener"), "own")
        return {each.row.key: each.row.data["by"] for each in kept.page(session, shelf, after="", limit=99)}


def ask(database: Database) -> None:
    with database.writing() as session:
        rebuilds.ask(session, "listener", by="office", now=START)


def loaded(database: Database, host: str, *versions: int, rebuilds_too: bool = True) -> None:
    entries = [
        Entry(
            worker="listener",
            version=version,
            distribution="listener",
            state=State.LOADED,
            error=None,
            events=[WANTED],
            tables={"own": "Rows."},
            settings_schema={},
            rebuilds=rebuilds_too,
        )
        for version in versions
    ]
    with database.writing() as session:
        catalogue.record(session, host, entries, now=START, forget_before=START - timedelta(days=2))


def states(database: Database) -> list[tuple[int, int, str]]:
    with database.reading() as session:
        rows = session.exec(select(EditionRow).order_by(col(EditionRow.edition)))
        return [(row.edition, row.version, row.state) for row in rows]


def keys(ids: Sequence[int]) -> set[str]:
    return {f"{each:04}" for each in ids}


def test_readers_see_all_old_rows_or_all_new_ones_at_every_step_of_a_rebuild(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 5)
    loaded(database, "mill", 1)
    settle(database, Keeper())
    old = shown(database)
    ask(database)

    seen = []
    for seconds in range(0, 4000, 400):
        # What happens meanwhile is handled for the rows that are shown, too.
        if seconds == 400:
            Rebuilder.ids += say(database, WANTED)
        take(database, Rebuilder(), at=seconds)
        seen.append(shown(database))

    whole = [each for each in seen if set(each.values()) != {"rebuilt"}]
    assert all(each.keys() >= old.keys() for each in seen)
    assert [each for each in whole if {value for key, value in each.items() if key in old} != {"kept"}] == []
    assert seen[-1].keys() == keys(Rebuilder.ids)
    assert set(seen[-1].values()) == {"rebuilt"}
    assert states(database) == [(1, 1, "former"), (2, 1, "ruling")]


def test_nothing_is_announced_twice_over_a_rebuild(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 3)
    loaded(database, "mill", 1)
    settle(database, Rebuilder())
    ask(database)
    Rebuilder.ids += say(database, WANTED)
    settle(database, Rebuilder())
    Rebuilder.ids += say(database, WANTED)
    settle(database, Rebuilder())

    assert states(database)[-1] == (2, 1, "ruling")
    assert heard(database) == Rebuilder.ids


def test_what_the_old_rows_had_not_handled_is_announced_by_the_new_ones(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 3)
    settle(database, Keeper())
    # The old version is gone before it came to these.
    Rebuilder.ids += say(database, *[WANTED] * 4)
    settle(database, Later())

    assert heard(database) == Rebuilder.ids
    assert shown(database).keys() == keys(Rebuilder.ids)
    assert states(database) == [(1, 1, "former"), (2, 2, "ruling")]


def test_a_worker_that_makes_no_rows_from_facts_reads_the_log_from_its_beginning(database: Database) -> None:
    ids = say(database, *[WANTED] * 9)
    loaded(database, "mill", 1, rebuilds_too=False)
    settle(database, Keeper())
    with database.writing() as session:
        session.delete(session.exec(select(KeptRow)).first())
    assert len(shown(database)) == 8
    ask(database)
    settle(database, Keeper())

    assert shown(database).keys() == keys(ids)
    assert heard(database) == ids


def test_a_step_that_fails_is_tried_again_and_touches_nothing_that_is_shown(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 3)
    loaded(database, "mill", 1)
    settle(database, Keeper())
    Rebuilder.fails = [ValueError("no lamp"), SystemExit(3)]
    ask(database)

    failed = take(database, Rebuilder())

    assert (failed.outcome, "no lamp" in str(failed.error)) == (Outcome.FAILED, True)
    with database.reading() as session:
        (standing,) = workers.standings(session)
    assert standing.rebuild is not None
    assert (standing.rebuild.attempts, standing.rebuild.asked_by, standing.rebuild.by_facts) == (1, "office", True)
    assert "no lamp" in str(standing.rebuild.last_error)
    assert standing.rebuild.next_try_at == START + timedelta(seconds=1)
    assert take(database, Rebuilder()).outcome is Outcome.IDLE
    assert set(shown(database).values()) == {"kept"}
    assert take(database, Rebuilder(), at=2).outcome is Outcome.FAILED
    settle(database, Rebuilder(), start=400)
    assert set(shown(database).values()) == {"rebuilt"}


def test_a_process_that_dies_at_a_rebuild_is_counted(database: Database) -> None:
    say(database, WANTED)
    loaded(database, "mill", 1)
    settle(database, Keeper())
    ask(database)
    Rebuilder.fails = [KeyboardInterrupt()]
    with pytest.raises(KeyboardInterrupt):
        take(database, Rebuilder())

    found = step(database, Rebuilder(), settings=Limits(), owner="two", now=later(60))

    assert (found.outcome, found.error) == (Outcome.FAILED, "the process died at work on a rebuild")


def test_a_rebuild_is_asked_for_once_and_can_be_given_up(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 5)
    loaded(database, "mill", 1)
    settle(database, Keeper())
    with database.writing() as session, pytest.raises(NothingToGiveUp):
        rebuilds.give_up(session, "listener", by="office", now=START)
    ask(database)
    take(database, Rebuilder())
    ask(database)

    with database.writing() as session:
        rebuilds.give_up(session, "listener", by="office", now=START)
    settle(database, Rebuilder())

    assert states(database) == [(1, 1, "ruling"), (2, 1, "given up")]
    assert set(shown(database).values()) == {"kept"}
    with database.reading() as session:
        kinds = [event.kind for event in events.read_after(session, 0, limit=99) if event.kind.startswith("rebuild")]
    assert kinds == ["rebuild.asked", "rebuild.given_up"]


def test_a_new_versions_rows_are_waited_for(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 5)
    settle(database, Keeper())
    take(database, Later())
    loaded(database, "mill", 2)
    with database.writing() as session:
        with pytest.raises(Underway):
            rebuilds.ask(session, "listener", by="office", now=START)
        with pytest.raises(NothingToGiveUp):
            rebuilds.give_up(session, "listener", by="office", now=START)


def test_rows_no_more_shown_are_taken_away_a_few_at_a_time(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 5)
    loaded(database, "mill", 1)
    settle(database, Rebuilder())
    ask(database)
    settle(database, Rebuilder())

    def left() -> int:
        with database.writing() as session:
            spent.sweep(session, now=START, limit=2)
        with database.reading() as session:
            return len(session.exec(select(KeptRow).where(col(KeptRow.edition) == 1)).all())

    assert [left() for _ in range(4)] == [3, 1, 0, 0]
    with database.reading() as session:
        assert {row.edition for row in session.exec(select(CursorRow))} == {2}
    assert len(shown(database)) == 5


def test_an_earlier_versions_rows_are_kept_for_a_week_so_that_going_back_costs_nothing(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 3)
    settle(database, Rebuilder())
    settle(database, Later())
    loaded(database, "mill", 1)
    say(database, WANTED)

    settle(database, Rebuilder())

    assert states(database) == [(1, 1, "ruling"), (2, 2, "former")]
    with database.writing() as session:
        assert not spent.sweep(session, now=START + timedelta(days=6), limit=99)
        assert spent.sweep(session, now=START + timedelta(days=8), limit=99)


def test_two_hosts_with_two_versions_that_write_the_catalogue_in_turn_do_not_flap(database: Database) -> None:
    Rebuilder.ids = say(database, *[WANTED] * 3)
    loaded(database, "mill", 1)
    settle(database, Rebuilder())
    ruled = []
    for _ in range(3):
        for host, worker in (("barn", Later()), ("mill", Rebuilder())):
            loaded(database, host, worker.version)
            Rebuilder.ids += say(database, WANTED)
            settle(database, worker)
            with database.reading() as session:
                (standing,) = workers.standings(session)
                edition = editions.ruling(session, "listener")
            assert edition is not None
            ruled.append((standing.version, edition.version, standing.state))
    assert ruled == [(2, 2, State.LOADED)] * 6
    settle(database, Later())
    assert heard(database) == Rebuilder.ids


@pytest.mark.parametrize(
    ("version", "ruling", "there", "may"),
    [(2, 1, {1, 2}, True), (1, 1, set(), True), (1, 2, {1, 2}, False), (1, 2, {1}, True), (1, 2, set(), False)],
)
def test_an_earlier_version_is_shown_where_the_later_one_is_nowhere_any_more(
    version: int, ruling: int, there: set[int], *, may: bool
) -> None:
    assert may_follow(version, ruling, there) is may
