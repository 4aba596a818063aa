"""Workers that an operator disables and enables while engines run, on both databases."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlmodel import select

from service.actions import rebuilds, switches
from service.actions.rebuilds import WorkerDisabled
from service.domain.workers import State
from service.settings import Settings
from service.store import editions, jobs, workers
from service.store.cursors import CursorKey
from service.store.engine import Database
from service.store.tables import CatalogueRow
from tests.workers.shelf import Shelf
from tests.workers.strangers import START, UNWANTED, WANTED, Limits, Listener, address, heard, later, say, told
from workers import child, host, schedule
from workers.celery_app import Engine
from workers.deliveries import Post, Sender
from workers.engine import Outcome, step
from workers.relay import Work, look
from workers.roster import Roster

LISTENER = """
    from tests.workers.strangers import Listener as Heard

    class Listener(Heard):
        tables = {"heard": "What was heard."}

        def __init__(self, settings):
            super().__init__()
"""


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shelf]:
    """The worker *listener* in a package of its own, `hearers`."""
    monkeypatch.syspath_prepend(str(tmp_path))
    shelf = Shelf(tmp_path)
    shelf.put("hearers", LISTENER, listener="Listener")
    yield shelf
    sys.modules.pop("hearers", None)


def switch(database: Database, worker: str, *, off: bool) -> None:
    change = switches.disable if off else switches.enable
    with database.writing() as session:
        change(session, worker, reason="it sends twice", by="office", now=START)


def listed(database: Database) -> list[tuple[int, str, list[str], dict[str, str] | None]]:
    with database.reading() as session:
        return [(row.version, row.state, row.events, row.tables) for row in session.exec(select(CatalogueRow))]


def test_what_is_disabled_at_the_start_is_imported_once_it_is_enabled(database: Database, shelf: Shelf) -> None:
    known = ([WANTED.value], {"heard": "What was heard."})
    Roster(database, {}, shelf.points()).keep_up(now=START)
    assert listed(database) == [(1, "loaded", *known)]
    del sys.modules["hearers"]
    switch(database, "listener", off=True)

    roster = Roster(database, {}, shelf.points())
    roster.keep_up(now=START)

    assert (list(roster.workers), "hearers" in sys.modules) == ([], False)
    # What is known of it is kept, or its rows could not be found any more.
    assert listed(database) == [(1, "disabled", *known)]
    switch(database, "listener", off=False)
    roster.keep_up(now=START)
    (worker,) = roster.workers
    assert listed(database) == [(1, "loaded", *known)]

    # Once imported it stays so: disabled and enabled again it is the same object.
    for off in (True, False):
        switch(database, "listener", off=off)
        roster.keep_up(now=START)
        assert list(roster.workers) == ([] if off else [worker])
        assert listed(database) == [(1, "disabled" if off else "loaded", *known)]


def test_a_disabled_worker_is_given_nothing_and_goes_on_where_it_stopped(database: Database, shelf: Shelf) -> None:
    Roster(database, {}, shelf.points()).keep_up(now=START)
    worker = Listener()
    (first,) = say(database, WANTED)

    def take() -> Outcome:
        return step(database, worker, settings=Limits(), owner="one", now=START).outcome

    def job() -> object:
        return schedule.run(
            database, [worker], settings=Limits(), owner="one", now=START, beat=lambda: None, alone=True
        )

    assert take() is Outcome.MOVED
    take()
    (second,) = say(database, WANTED)
    schedule.enter(database, [worker], now=START)
    switch(database, "listener", off=True)

    assert (take(), job(), look(database, now=START)) == (
        Outcome.DISABLED,
        None,
        Work((), job_due=False, message_due=False),
    )
    assert heard(database) == [first]
    with database.reading() as session:
        (standing,) = workers.standings(session)
        assert [each.attempts for each in jobs.open_jobs(session)] == [0]
    assert (standing.state, standing.version, standing.hosts) == (State.DISABLED, 1, (host.this_host(),))
    assert standing.disabled is not None
    assert (standing.disabled.by, standing.disabled.reason) == ("office", "it sends twice")
    with database.writing() as session, pytest.raises(WorkerDisabled, match="by office: it sends twice"):
        rebuilds.ask(session, "listener", by="office", now=START)

    switch(database, "listener", off=False)
    work = look(database, now=START)
    assert ([each.key for each in work.behind], work.job_due) == ([CursorKey("listener", 1, "all")], True)
    assert (take(), job() is not None) == (Outcome.MOVED, True)
    assert heard(database) == [first, second]


def test_the_engine_of_one_machine_follows_the_switch_without_a_restart(
    database: Database, shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(child, "PULSE_S", 0.0)
    switch(database, "listener", off=True)
    rounds = child.Round(
        database,
        Roster(database, {}, shelf.points()),
        settings=Settings(),
        owner="one",
        beat=lambda: None,
        clock=lambda: later(3600),
        sender=Sender(database, Post({}, ""), owner="one", clock=lambda: later(3600)),
    )
    (first,) = say(database, WANTED)
    assert not rounds.take()
    assert (told(database), "hearers" in sys.modules) == ([], False)

    switch(database, "listener", off=False)
    while rounds.take():
        pass
    assert heard(database) == [first]
    # Its job of the day was entered, and done, when it was back.
    assert [each["job"] for each in told(database) if "job" in each] == ["roll-call"]

    switch(database, "listener", off=True)
    say(database, WANTED)
    assert not rounds.take()
    assert heard(database) == [first]


def test_a_process_that_takes_hints_imports_what_was_enabled_meanwhile(database: Database) -> None:
    switch(database, "progress", off=True)
    engine = Engine(Settings(database_url=address(database)))
    assert "progress" not in {each.name for each in engine.roster.workers}
    say(database, UNWANTED)
    engine.step("progress", "all")

    switch(database, "progress", off=False)
    engine.step("progress", "all")

    with database.reading() as session:
        rest = editions.rest(session, "progress")
    assert rest is not None
    assert rest.position > 0
    engine.pulse()
    assert {row[1] for row in listed(database)} == {"loaded"}
    engine.database.close()
