"""One machine, one command: web side and engine as real processes on an embedded database."""

import signal
import socket
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import psutil
import pytest

from service.store import catalogue
from service.store.engine import Database
from tests.journeys.house import (
    Running,
    Terminal,
    credited,
    environment,
    furnish,
    key,
    opened,
    position,
    running,
    tiedown,
    until,
)
from tests.workers.shelf import Shelf


@pytest.fixture
def env(sqlite_url: str) -> dict[str, str]:
    return environment(sqlite_url, port=0)


@pytest.fixture
def database(sqlite_url: str) -> Iterator[Database]:
    with opened(sqlite_url) as found:
        furnish(found)
        yield found


@pytest.fixture
def house(database: Database, env: dict[str, str], tmp_path: Path) -> Iterator[Running]:
    with running("serve", env=env, log=tmp_path / "serve.log") as started:
        yield started


@pytest.fixture
def terminal(house: Running, env: dict[str, str]) -> Iterator[Terminal]:
    with at_the_barn(house, env) as found:
        yield found


def at_the_barn(house: Running, env: dict[str, str]) -> Terminal:
    return Terminal(house.address(), key(env, "barn-key", scope="count", terminal="barn-capture"))


def engine_beat(database: Database) -> datetime:
    with database.reading() as session:
        return catalogue.last_beat(session, catalogue.ENGINE) or datetime.min.replace(tzinfo=UTC)


def gone(process: psutil.Process) -> bool:
    return not process.is_running() or process.status() == psutil.STATUS_ZOMBIE


def test_a_count_becomes_a_figure(terminal: Terminal, database: Database) -> None:
    assert terminal.post("0001", 40).status_code == 200

    until(lambda: credited(database) == {1: 40})


def test_a_stopped_engine_fails_no_count_and_moves_on_when_continued(
    house: Running, terminal: Terminal, database: Database
) -> None:
    terminal.post("0001", 40)
    until(lambda: credited(database) == {1: 40})
    until(lambda: terminal.client.get("/readyz").json()["status"] == "ready")
    house.engine().send_signal(signal.SIGSTOP)

    answers = [terminal.post("0001", frames).status_code for frames in range(41, 61)]

    assert answers == [200] * 20
    assert credited(database) == {1: 40}
    until(lambda: terminal.client.get("/readyz").json()["status"] == "degraded")
    workers = terminal.client.get("/readyz").json()["workers"]
    (progress,) = [each for each in workers if each["name"] == "progress"]
    assert (progress["lag_events"], progress["lag_s"] > 0) == (20, True)
    house.engine().send_signal(signal.SIGCONT)
    until(lambda: credited(database) == {1: 60})
    until(lambda: terminal.client.get("/readyz").json()["status"] == "ready")


def test_a_killed_engine_is_started_again_and_catches_up(
    house: Running, terminal: Terminal, database: Database
) -> None:
    terminal.post("0001", 40)
    until(lambda: credited(database) == {1: 40})
    before = house.engine()

    before.kill()
    terminal.post("0001", 50)

    until(lambda: credited(database) == {1: 50})
    assert house.engine().pid != before.pid


def test_the_engine_ends_when_its_parent_is_killed(house: Running, terminal: Terminal, database: Database) -> None:
    terminal.post("0001", 40)
    engine = house.engine()

    house.end(signal.SIGKILL)

    until(lambda: gone(engine), within_s=5)


def test_nothing_acknowledged_is_lost_when_the_whole_tree_is_killed(
    house: Running, terminal: Terminal, database: Database, env: dict[str, str], tmp_path: Path
) -> None:
    for frames in range(1, 30):
        terminal.post("0001", frames)
    engine = house.engine()
    house.end(signal.SIGKILL)
    engine.kill()

    with running("serve", env=env, log=tmp_path / "again.log") as again:
        again.address()
        until(lambda: credited(database) == {1: terminal.acknowledged["0001"]})


def test_the_end_is_asked_for_and_comes_soon_and_clean(house: Running, terminal: Terminal, database: Database) -> None:
    terminal.post("0001", 40)
    until(lambda: credited(database) == {1: 40})
    engine = house.engine()

    began = time.monotonic()
    code = house.end(signal.SIGTERM)

    # Grace for requests and for the engine add up to less than two seconds; the rest is for a busy machine.
    assert (code, time.monotonic() - began < 6.0, gone(engine)) == (0, True, True)


def test_an_engine_that_falls_silent_is_killed_and_started_again(
    database: Database, sqlite_url: str, tmp_path: Path
) -> None:
    env = environment(sqlite_url, port=0, handler_limit_s=1, lease_s=2)
    with running("serve", env=env, log=tmp_path / "serve.log") as house, at_the_barn(house, env) as terminal:
        terminal.post("0001", 40)
        until(lambda: credited(database) == {1: 40})
        silent = house.engine()
        silent.send_signal(signal.SIGSTOP)

        terminal.post("0001", 50)
        until(lambda: credited(database) == {1: 50})

        assert gone(silent)
    assert "silent for too long" in (tmp_path / "serve.log").read_text()


SIBLINGS = """
    import os, re
    from pydantic import BaseModel
    from workers.contract import EventKind, Result, Worker

    class Endless(Worker):
        name, version, events = "endless", 1, frozenset({"frames.counted"})

        def handle(self, batch, context):
            while True:
                pass

    class Hanger(Endless):
        name = "hanger"

        def handle(self, batch, context):
            # Holds the interpreter, so that no thread of this process can do anything about it.
            re.match("(a*)*b", "a" * 60)

    class Killer(Endless):
        name = "killer"

        def handle(self, batch, context):
            os._exit(0)

    class Raiser(Endless):
        name = "raiser"

        def handle(self, batch, context):
            raise SystemExit("enough")

    class Spender(Endless):
        name = "spender"

        def handle(self, batch, context):
            return [Result({})] * 1_000_000

    class Writer(Endless):
        name = "writer"

        def handle(self, batch, context):
            from sqlalchemy import text
            context._session.execute(text("DELETE FROM frame_count"))

    class Choosy(Endless):
        name = "choosy"

        class Settings(BaseModel):
            lamps: int
"""
HANDLERS = {"endless", "hanger", "killer", "raiser", "spender", "writer"}
UNLOADED = {
    "broken": "broken",
    "choosy": "misconfigured",
    "leaver": "broken",
    "progress": "duplicate",
    "tomorrow": "other contract",
}


def test_workers_that_fail_in_every_way_stop_no_other(database: Database, sqlite_url: str, tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    shelf.put("all-handlers", SIBLINGS, choosy="Choosy", **{name: name.title() for name in HANDLERS})
    shelf.put("a-broken-one", "import nothing_of_this_name", broken="Broken")
    shelf.put("a-leaver", "import sys; sys.exit(3)", leaver="Leaver")
    shelf.put("a-thief", SIBLINGS, progress="Endless")
    shelf.put("of-tomorrow", "raise SystemExit('imported')", group="tiedown.workers.v2", tomorrow="Tomorrow")
    env = environment(sqlite_url, port=0, handler_limit_s=1, lease_s=2, quarantine_after=1)
    with (
        running("serve", env=env | {"PYTHONPATH": str(tmp_path)}, log=tmp_path / "serve.log") as house,
        at_the_barn(house, env) as terminal,
        httpx.Client(base_url=terminal.client.base_url, timeout=20) as office,
    ):
        office.headers["Authorization"] = f"Bearer {key(env, 'reader', scope='read')}"
        terminal.post("0001", 40)
        until(lambda: credited(database) == {1: 40}, within_s=60)
        until(lambda: set_aside(office) >= HANDLERS, within_s=60)
        shown = {each["name"]: each for each in office.get("/v1/workers").json()["items"]}
        reasons = office.get("/readyz").json()["reasons"]
    refused = {(name, each["state"]): each for name in shown for each in shown[name]["refused"]}
    assert refused.keys() == set(UNLOADED.items())
    assert all(each["error"] and each["what_to_do"] for each in refused.values())
    for name in HANDLERS | UNLOADED.keys():
        assert any(f"The worker {name} " in reason for reason in reasons), (name, reasons)
    for name, error in (
        ("endless", "died at work"),
        ("hanger", "died at work"),
        ("killer", "died at work"),
        ("raiser", "SystemExit: enough"),
        ("spender", "more than 100000 changes"),
        ("writer", "readonly database"),
    ):
        assert error in shown[name]["last_error"], name


def set_aside(office: httpx.Client) -> set[str]:
    """The workers that could not digest something."""
    return {each["name"] for each in office.get("/v1/workers").json()["items"] if each["quarantined"]}


def test_a_second_serve_on_the_same_file_is_refused(house: Running, terminal: Terminal, env: dict[str, str]) -> None:
    second = tiedown("serve", env=env)

    assert second.returncode == 1
    assert "already being served by another process" in second.stderr
    assert "Traceback" not in second.stderr
    assert terminal.post("0001", 40).status_code == 200


def test_serve_makes_the_database_where_there_is_none(tmp_path: Path) -> None:
    env = environment(f"sqlite:///{tmp_path}/new.db", port=0)
    with running("serve", env=env, log=tmp_path / "serve.log") as house:
        house.address()
        assert (tmp_path / "new.db").stat().st_size > 0
        assert house.end() == 0


def test_serve_on_a_database_server_says_what_to_start_instead() -> None:
    refused = tiedown("serve", env=environment("postgresql://nobody@127.0.0.1:1/none"))

    assert refused.returncode == 1
    assert "`tiedown web`, `tiedown relay` and `tiedown worker`" in refused.stderr


def test_a_port_that_is_taken_is_said_in_plain_words(sqlite_url: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        refused = tiedown("serve", "--port", str(port), env=environment(sqlite_url))

    assert refused.returncode == 1
    assert f"127.0.0.1:{port} cannot be listened on" in refused.stderr
    assert "Traceback" not in refused.stderr


def test_figures_stop_without_the_entry_point_of_progress_and_the_api_lives(
    database: Database, sqlite_url: str, tmp_path: Path
) -> None:
    # A distribution of the same name that comes first on the path, without the entry point: as if it were removed.
    shadow = tmp_path / "shadow"
    info = shadow / "tiedown-0.1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: tiedown\nVersion: 0.1.0\n")
    env = environment(sqlite_url, port=0) | {"PYTHONPATH": str(shadow)}
    with running("serve", env=env, log=tmp_path / "serve.log") as house, at_the_barn(house, env) as terminal:
        assert terminal.post("0001", 40).status_code == 200
        for _ in range(2):
            seen = engine_beat(database)
            until(lambda before=seen: engine_beat(database) > before)  # type: ignore[misc]  # the value of this turn
        assert (credited(database), position(database)) == ({}, 0)
        assert terminal.post("0001", 50).status_code == 200
