"""`tiedown workers` as a person at the machine meets it, and as a script does."""

import json
from datetime import timedelta
from pathlib import Path

import pytest

from service.api.workers import WorkerOut
from service.store import catalogue, cursors, editions, events, switches
from service.store.catalogue import Entry
from service.store.cursors import CursorKey
from service.store.engine import Database
from service.store.partitions import WHOLE_LOG
from tests.journeys.house import environment
from tests.workers.strangers import START, WANTED, address, say
from tests.workers.test_command import refused
from tests.workers.typed import typed

LAMPS = Entry(
    worker="lamp-hours",
    version=2,
    distribution="lamp-hours",
    state="loaded",
    error=None,
    events=[WANTED],
    tables={"stage-days": "The seconds that a stage's lamps were on."},
    settings_schema={"type": "object"},
)
BROKEN = Entry(
    worker="gauge",
    version=0,
    distribution="gauges",
    state="broken",
    error="ImportError: no [gauge]",
    events=(),
    tables={},
    settings_schema={},
)
WHY = "it sends every reading twice"


@pytest.fixture
def env(database: Database) -> dict[str, str]:
    """Two workers on the host `mill`: one set two of three events aside and has one to read, one cannot be imported."""
    ids = say(database, WANTED, WANTED, WANTED)
    with database.writing() as session:
        catalogue.record(session, "mill", [LAMPS, BROKEN], now=START, forget_before=START - timedelta(days=2))
        editions.begin(session, editions.planned(session, "lamp-hours", 2, kinds=(), rebuilds=True), now=START)
        key = CursorKey("lamp-hours", 1, WHOLE_LOG)
        cursors.add(session, key, batch_limit=500, position=ids[1])
        cursors.note_health(session, key, ["no reading since [noon]"])
        for event_id in ids[:2]:
            cursors.quarantine(session, key, event_id=event_id, attempts=5, error="KeyError:\n'reel'", now=START)
    return environment(address(database))


def done(*arguments: str, env: dict[str, str]) -> str:
    said = typed("workers", *arguments, env=env)
    assert (said.returncode, said.stderr) == (0, "")
    return said.stdout


def told(database: Database) -> list[tuple[str, str]]:
    """What was written into the log, and by whom, after the events there were."""
    with database.reading() as session:
        return [(each.kind, each.actor) for each in events.read_after(session, 3, limit=100)]


def test_workers_are_listed_with_what_to_do(env: dict[str, str]) -> None:
    heading, gauge, lamps = done("list", env=env).splitlines()

    assert heading.split() == ["name", "version", "state", "hosts", "lag", "health", "rebuild", "what", "to", "do"]
    assert gauge.split()[:4] == ["gauge", "0", "broken", "mill"]
    assert "Install a version of the package 'gauges' that can be imported" in gauge
    assert lamps.split()[:6] == ["lamp-hours", "2", "loaded", "mill", "1", "events,"]
    assert "no reading since [noon]" in lamps
    assert "`tiedown workers quarantine lamp-hours`" in lamps


def test_what_a_script_reads_is_what_the_api_answers(env: dict[str, str]) -> None:
    listed = json.loads(done("list", "--json", env=env))
    assert (listed["head"], [each["name"] for each in listed["items"]]) == (3, ["gauge", "lamp-hours"])
    shown = json.loads(done("show", "lamp-hours", "--json", env=env))
    assert shown.keys() == WorkerOut.model_fields.keys()
    assert (shown["position"], shown["lag_events"], shown["quarantined"]) == (2, 1, 2)
    aside = json.loads(done("quarantine", "lamp-hours", "--json", env=env))
    assert [(each["event"]["id"], each["attempts"]) for each in aside] == [(1, 5), (2, 5)]
    assert json.loads(done("quarantine", "gauge", "--json", env=env)) == []


def test_a_worker_is_disabled_shown_so_and_enabled(env: dict[str, str], database: Database) -> None:
    first = done("disable", "lamp-hours", "--reason", WHY, env=env)
    again = done("disable", "lamp-hours", "--reason", "the lamps are out", env=env)

    assert first == "The worker lamp-hours is disabled; engines see it within two seconds.\n"
    assert again.startswith("The worker lamp-hours is disabled already, by command since ")
    assert again.endswith(f": {WHY}\n")
    shown = dict(line.split(maxsplit=1) for line in done("show", "lamp-hours", env=env).splitlines())
    assert (shown["state"].strip(), shown["disabled"].strip().endswith(WHY)) == ("disabled", True)
    assert "POST /v1/workers/lamp-hours/enable" in shown["to"]
    assert "was disabled by command" in refused("workers", "rebuild", "lamp-hours", env=env)

    assert "is enabled; engines" in done("enable", "lamp-hours", "--reason", "mended", env=env)
    assert done("enable", "lamp-hours", "--reason", "mended", env=env) == "The worker lamp-hours is enabled already.\n"
    assert told(database) == [("worker.disabled", "command"), ("worker.enabled", "command")]


def test_a_worker_that_no_engine_lived_to_list_can_be_disabled(env: dict[str, str], database: Database) -> None:
    # As where importing it ends the process: it is installed here, and in no catalogue.
    assert "is disabled" in done("disable", "occupancy", "--reason", WHY, env=env)
    with database.reading() as session:
        assert switches.disabled(session).keys() == {"occupancy"}
    assert "occupancy" in done("list", env=env)


def test_rows_are_made_anew_and_that_is_given_up(env: dict[str, str], database: Database) -> None:
    assert "as edition 2" in done("rebuild", "lamp-hours", env=env)
    assert "edition 2 of version 2" in done("list", env=env)
    assert "Edition 2 of the rows of lamp-hours is given up" in done("give-up", "lamp-hours", env=env)
    assert "nothing is left to be done" in refused("workers", "give-up", "lamp-hours", env=env)
    assert told(database) == [("rebuild.asked", "command"), ("rebuild.given_up", "command")]


def test_what_was_set_aside_is_listed_and_decided(env: dict[str, str], database: Database) -> None:
    _, first, second = done("quarantine", "lamp-hours", env=env).splitlines()
    assert (first.split()[:2], first.rstrip().endswith("KeyError: 'reel'")) == (["1", "stage.added"], True)
    assert second.split()[0] == "2"

    assert "tries the event 1 again" in done("retry", "lamp-hours", "1", env=env)
    assert "does without the event 2" in done("skip", "lamp-hours", "2", env=env)

    (left,) = done("quarantine", "lamp-hours", env=env).splitlines()[1:]
    assert "at its next step" in left
    assert "it was skipped" in refused("workers", "retry", "lamp-hours", "2", env=env)
    assert told(database) == [("quarantine.retried", "command"), ("quarantine.skipped", "command")]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["show", "harbour"], "There is no worker 'harbour'"),
        (["disable", "harbour", "--reason", WHY], "There is no worker 'harbour'"),
        (["quarantine", "harbour"], "There is no worker 'harbour'"),
        (["disable", "lamp-hours", "--reason", " "], "--reason: Write at least one character"),
        (["skip", "lamp-hours", "3"], "set no event 3 aside"),
        (["rebuild", "gauge"], "No host has the worker gauge"),
    ],
)
def test_what_cannot_be_is_said_in_plain_words(
    env: dict[str, str], database: Database, arguments: list[str], says: str
) -> None:
    assert says in refused("workers", *arguments, env=env)
    assert told(database) == []


def test_a_command_line_that_cannot_be_read_ends_with_two(sqlite_url: str, tmp_path: Path) -> None:
    for arguments in (["disable", "lamp-hours"], ["retry", "lamp-hours", "first"], ["show"]):
        assert typed("workers", *arguments, env=environment(sqlite_url)).returncode == 2
