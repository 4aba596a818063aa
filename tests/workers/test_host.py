"""What a host finds behind its entry points, and that nothing found there stops anything else."""

import sys
from collections.abc import Iterator
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from sqlmodel import col, select

from service.domain.workers import State
from service.store import catalogue
from service.store.engine import Database
from service.store.tables import CatalogueRow
from tests.workers.shelf import Shelf
from tests.workers.strangers import START, later
from workers import host
from workers.contract import ENTRY_POINTS
from workers.host import discover, loaded

GOOD = """
    from workers.contract import Worker

    class Good(Worker):
        name, version, events = "good", 3, frozenset({"frames.counted"})
"""


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shelf]:
    monkeypatch.syspath_prepend(str(tmp_path))
    before = set(sys.modules)
    yield Shelf(tmp_path)
    for name in set(sys.modules) - before:
        del sys.modules[name]


def test_the_projects_own_worker_enters_by_its_entry_point() -> None:
    (progress,) = [each for each in discover({}) if each.entry.worker == "progress"]

    assert progress.entry.state is State.LOADED
    assert progress.entry.distribution == "tiedown"
    assert progress.worker is not None
    assert [point.value for point in entry_points(group=ENTRY_POINTS, name="progress")] == [
        "workers.builtin.progress:Progress"
    ]


def test_a_worker_is_made_with_its_settings() -> None:
    (progress,) = [each for each in discover({"progress": {"recount_at": "03:15"}}) if each.entry.worker == "progress"]

    assert progress.worker is not None
    assert [f"{each.name} {each.at}" for each in progress.worker.schedules] == ["recount 03:15:00"]


@pytest.mark.parametrize(
    "source",
    [
        "raise ImportError('no puppet')",
        "import sys; sys.exit('no puppet')",
        "raise KeyError('no puppet')",
        "class Gone(BaseException): pass\nraise Gone('no puppet')",
        "this is no Python: no puppet",
    ],
)
def test_a_plugin_that_cannot_be_imported_is_listed_and_stops_no_other(shelf: Shelf, source: str) -> None:
    shelf.put("a-broken-one", source, broken="Broken")
    shelf.put("good-one", GOOD, good="Good")

    found = discover({}, shelf.points())

    assert [(each.entry.worker, each.entry.state) for each in found] == [
        ("broken", State.BROKEN),
        ("good", State.LOADED),
    ]
    assert "no puppet" in (found[0].entry.error or "")
    assert [worker.name for worker in loaded(found)] == ["good"]


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("Bad = 3", "is not a class"),
        ("class Bad: pass", "has no name"),
        ("from workers.contract import Worker\nclass Bad(Worker): name, version = 'other', 1", "must be the same"),
        ("from workers.contract import Worker\nclass Bad(Worker): name, version = 'bad', True", "integer from 1 on"),
        ("from workers.contract import Worker\nclass Bad(Worker): name, version = 'bad', 0", "integer from 1 on"),
        (
            (
                "from pydantic import BaseModel\nfrom workers.contract import Worker\n"
                "class Own(BaseModel): enabled: bool = True\n"
                "class Bad(Worker): name, version, Settings = 'bad', 1, Own"
            ),
            "which is the host's own",
        ),
        (
            "from workers.contract import Worker\nclass Bad(Worker): name, version, tables = 'bad', 1, {'A B': 'rows'}",
            "each with what a row is",
        ),
        (
            "from workers.contract import Worker\nclass Bad(Worker): name, version, Settings = 'bad', 1, dict",
            "pydantic model",
        ),
        (
            "from workers.contract import Worker\nclass Bad(Worker): name, version, events = 'bad', 1, frozenset({3})",
            "kinds of event",
        ),
    ],
)
def test_what_does_not_keep_the_contract_is_told_why(shelf: Shelf, source: str, told: str) -> None:
    shelf.put("bad-one", source, bad="Bad")

    (found,) = discover({}, shelf.points())

    assert (found.entry.state, found.worker) == (State.UNFIT, None)
    assert told in (found.entry.error or "")


def test_settings_a_worker_does_not_take_are_told(shelf: Shelf) -> None:
    shelf.put("good-one", GOOD, good="Good")

    (found,) = discover({"good": {"lamps": 4}}, shelf.points())

    assert (found.entry.state, found.worker) == (State.MISCONFIGURED, None)
    assert found.entry.error == "lamps: Extra inputs are not permitted"
    # What would be right is served beside it.
    assert found.entry.settings_schema["additionalProperties"] is False


@pytest.mark.parametrize(
    ("settings", "off", "state", "told"),
    [
        ({"enabled": False, "lamps": 4}, False, State.DISABLED_IN_SETTINGS, "enabled = false"),
        # The operator's file wins, and is named.
        ({"enabled": False}, True, State.DISABLED_IN_SETTINGS, "enabled = false"),
        ({"enabled": "no"}, True, State.MISCONFIGURED, "true or false, not 'no'"),
        ({"lamps": 4}, True, State.DISABLED, "an operator disabled it"),
    ],
)
def test_a_worker_that_is_disabled_is_not_even_imported(
    shelf: Shelf, settings: dict[str, object], state: State, *, off: bool, told: str
) -> None:
    shelf.put("good-one", "raise SystemExit('imported')", good="Good")

    (found,) = discover({"good": settings}, shelf.points(), off={"good"} if off else ())

    assert (found.entry.state, found.worker) == (state, None)
    assert told in (found.entry.error or "")
    assert "good_one" not in sys.modules


def test_a_worker_that_is_enabled_is_not_told_so(shelf: Shelf) -> None:
    shelf.put("good-one", GOOD, good="Good")

    assert [worker.name for worker in loaded(discover({"good": {"enabled": True}}, shelf.points()))] == ["good"]


def test_settings_that_contradict_each_other_are_told(shelf: Shelf) -> None:
    shelf.put("good-one", GOOD + "\n        def __init__(self, settings): raise ValueError('no lamps')\n", good="Good")

    (found,) = discover({}, shelf.points())

    assert found.entry.state is State.MISCONFIGURED
    assert "no lamps" in (found.entry.error or "")


def test_what_is_written_for_another_contract_is_never_imported(shelf: Shelf) -> None:
    shelf.put("of-tomorrow", "raise SystemExit('imported')", group="tiedown.workers.v2", tomorrow="Tomorrow")
    shelf.put("of-both", GOOD, good="Good")
    shelf.add("of-both", group="tiedown.workers.v2", good="Later")
    shelf.put("other-business", "raise SystemExit('imported')", group="tiedown.workers.view", view="View")

    found = discover({}, shelf.points())

    assert [(each.entry.worker, each.entry.state) for each in found] == [
        ("tomorrow", State.OTHER_CONTRACT),
        ("good", State.LOADED),
    ]
    assert found[0].entry.error == "it is written for tiedown.workers.v2, and this Tiedown has tiedown.workers.v1"
    assert "of_tomorrow" not in sys.modules


def test_settings_of_a_worker_that_is_not_there_are_not_passed_over(caplog: pytest.LogCaptureFixture) -> None:
    discover({"progress": {}, "progres": {}})
    assert [vars(record)["worker"] for record in caplog.records] == ["progres"]


def test_a_name_that_is_taken_keeps_its_first_holder(shelf: Shelf) -> None:
    shelf.put("alpha", GOOD, good="Good")
    shelf.put("beta", GOOD, good="Good")

    found = discover({}, shelf.points())

    assert [(each.entry.distribution, each.entry.state) for each in found] == [
        ("alpha", State.LOADED),
        ("beta", State.DUPLICATE),
    ]
    assert "taken by alpha:Good of alpha" in (found[1].entry.error or "")


def test_nobody_takes_the_name_of_a_built_in_worker(shelf: Shelf) -> None:
    shelf.put("a-thief", GOOD, progress="Good")

    found = discover({}, entry_points(group=ENTRY_POINTS, name="progress"))

    assert [(each.entry.distribution, each.entry.state) for each in found] == [
        ("tiedown", State.LOADED),
        ("a-thief", State.DUPLICATE),
    ]


def test_the_catalogue_shows_what_each_host_has_now(database: Database, shelf: Shelf) -> None:
    shelf.put("alpha", GOOD, good="Good")
    shelf.put("beta", GOOD, good="Good")
    shelf.put("gamma", GOOD, good="Good")
    host.publish(database, "puffin", discover({}, shelf.points()), now=START)
    host.publish(database, "guillemot", (), now=START)

    with database.reading() as session:
        shown = [
            (row.host, row.worker, row.version, row.state, row.distribution, row.events)
            for row in session.exec(select(CatalogueRow).order_by(col(CatalogueRow.version)))
        ]
        newest = [
            (row.worker, row.version, frozenset(row.events)) for row in catalogue.newest(session, state=State.LOADED)
        ]
    assert shown == [
        ("puffin", "good", 0, "duplicate", "beta, gamma", []),
        ("puffin", "good", 3, "loaded", "alpha", ["frames.counted"]),
    ]
    assert newest == [("good", 3, frozenset({"frames.counted"}))]

    host.publish(database, "puffin", (), now=later(60))
    with database.reading() as session:
        assert session.exec(select(CatalogueRow)).all() == []


def test_a_host_nobody_saw_for_days_is_forgotten(database: Database, shelf: Shelf) -> None:
    shelf.put("alpha", GOOD, good="Good")
    host.publish(database, "puffin", discover({}, shelf.points()), now=START)
    host.publish(database, "guillemot", (), now=later(3 * 24 * 3600))

    with database.reading() as session:
        assert session.exec(select(CatalogueRow)).all() == []


def test_signs_of_life_are_kept_by_host_and_dropped_when_old(database: Database) -> None:
    with database.writing() as session:
        catalogue.beat(session, catalogue.ENGINE, host="puffin", now=START)
        catalogue.beat(session, catalogue.ENGINE, host="guillemot", now=later(5))
        catalogue.beat(session, catalogue.RELAY, host="puffin", now=later(9))
    with database.reading() as session:
        assert catalogue.last_beat(session, catalogue.ENGINE) == later(5)
        assert catalogue.last_beat(session, catalogue.ENGINE, host="puffin") == START
        assert catalogue.last_beat(session, catalogue.RELAY, host="guillemot") is None

    with database.writing() as session:
        catalogue.beat(session, catalogue.RELAY, host="puffin", now=later(2 * 24 * 3600))
    with database.reading() as session:
        assert catalogue.last_beat(session, catalogue.ENGINE) is None
