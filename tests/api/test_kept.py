"""Workers of strangers, installed by pip: found, computing, and their rows listed over HTTP."""

import sys
from collections.abc import Callable, Iterator
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from sqlmodel import Session, col, select

from service.domain.keys import Scope
from service.store import editions, figures
from service.store.engine import Database
from service.store.tables import EditionRow, KeptRow, ShotProgressRow
from tests.api.conftest import Caller, Clock, TestClient
from tests.api.documented import World, world
from tests.api.remembered import Remembered
from tests.api.scenes import Limits
from workers import host
from workers.contract import ENTRY_POINTS, Worker
from workers.engine import Outcome, step

LAMPS = "/v1/workers/lamp-hours/figures/stage-days"


@pytest.fixture
def found(strangers: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Worker]]:
    """The workers of this host, now that strangers' packages are on its path."""
    monkeypatch.syspath_prepend(str(strangers))
    before = set(sys.modules)
    points = {point.name: point for point in entry_points(group=ENTRY_POINTS)}
    yield {worker.name: worker for worker in host.loaded(host.discover({}, points.values()))}
    for name in set(sys.modules) - before:
        del sys.modules[name]


@pytest.fixture
def studio(app: FastAPI, client: TestClient, database: Database, clock: Clock, *, remembered: Remembered) -> World:
    return world(app, client, database, clock, remembered=remembered)


@pytest.fixture
def office(studio: World) -> Caller:
    return studio.callers[Scope.ADMIN]


def catch_up(database: Database, clock: Clock, *workers: Worker) -> None:
    for worker in workers:
        while (result := step(database, worker, settings=Limits(), owner="test", now=clock())).again:
            pass
        assert result.outcome is Outcome.IDLE, result


def rows(caller: Caller, path: str) -> dict[str, Any]:
    return {item["key"]: item["row"] for item in caller.get(path).json()["items"]}


@pytest.mark.usefixtures("studio")
def test_lamp_hours_are_computed_from_the_stage_log_and_listed(
    found: dict[str, Worker], office: Caller, database: Database, clock: Clock
) -> None:
    host.publish(database, "mill-server", [each for each in host.discover({}) if each.worker], now=clock())
    shown = {each["name"]: each for each in office.get("/v1/workers").json()["items"]}
    assert (shown["lamp-hours"]["state"], shown["lamp-hours"]["distribution"]) == ("loaded", "lamp-hours")
    assert shown["lamp-hours"]["settings_schema"]["properties"]["confirm_within_min"]["default"] == 60
    # The world's mill was called at 8 and wrapped at 9; it waits, resumes, and its power goes off at half past nine.
    for kind, at, reason in (("waiting", "08:10", "kit"), ("resumed", "08:30", None)):
        body = {"kind": kind, "at": f"2026-03-02T{at}:00Z"} | ({"reason": reason} if reason else {})
        assert office.post("/v1/stages/mill/log", body).status_code == 201
    catch_up(database, clock, found["lamp-hours"])

    row = rows(office, LAMPS)["mill/2026-03-02"]
    assert (row["lamps_on_s"], row["waiting_s"], row["after_wrap_s"]) == (3600, 1200, 0)
    assert office.get(LAMPS).json()["lacks_to"] is None
    with database.writing() as session:
        session.get_one(EditionRow, ("lamp-hours", editions.shown(session, "lamp-hours"))).lacks_to = 3
    assert office.get(LAMPS).json()["lacks_to"] == 3
    assert row["power_off_confirmed"] is False
    assert "Go and look" in row["caution"]
    (lamps,) = [each for each in office.get("/v1/workers").json()["items"] if each["name"] == "lamp-hours"]
    # It is ten o'clock, and an hour is what its settings give.
    assert lamps["health"] == []
    clock.pass_time(minutes=1)
    before = office.get(LAMPS)
    office.post("/v1/stages/harbour/log", {"kind": "call", "at": "2026-03-02T09:30:00Z"})
    catch_up(database, clock, found["lamp-hours"])
    (lamps,) = [each for each in office.get("/v1/workers").json()["items"] if each["name"] == "lamp-hours"]
    assert [said.partition(".")[0] for said in lamps["health"]] == [
        "mill wrapped at 2026-03-02 09:00 UTC without a power-off"
    ]

    office.post("/v1/stages/mill/log", {"kind": "power_off", "at": "2026-03-02T09:30:00Z"})
    catch_up(database, clock, found["lamp-hours"])
    row = rows(office, LAMPS)["mill/2026-03-02"]
    assert (row["lamps_on_s"], row["after_wrap_s"], row["power_off_confirmed"]) == (5400, 1800, True)
    assert office.get(LAMPS, headers={"If-None-Match": before.headers["ETag"]}).status_code == 200
    now = office.get(LAMPS)
    assert office.get(LAMPS, headers={"If-None-Match": now.headers["ETag"]}).status_code == 304


def test_a_copy_of_progress_makes_the_figures_of_progress(
    found: dict[str, Worker], office: Caller, database: Database, clock: Clock
) -> None:
    catch_up(database, clock, found["progress"], found["progress-copy"])

    with database.reading() as session:
        shots = [row.shot_id for row in session.exec(select(ShotProgressRow))]
        assert len(shots) > 1
        for table in found["progress"].tables:
            own = figures.of_shots(session, table, edition=1, shot_ids=shots)
            assert own, table
            assert copies(session, table) == {
                shot_id: sorted(written(row) for row in of_shot) for shot_id, of_shot in own.items()
            }
    # What names animators is at an address of its own, which asks who reads; the generic one shows what strangers keep.
    assert office.get("/v1/workers/progress/figures/day_frames").json()["type"] == "/problems/table-unknown"
    assert office.get("/v1/workers/progress-copy/figures/shot_progress").json()["items"]


def copies(session: Session, table: str) -> dict[int, list[str]]:
    of_shots: dict[int, list[str]] = {}
    kept = select(KeptRow).where(col(KeptRow.worker) == "progress-copy", col(KeptRow.kept_in) == table)
    for row in session.exec(kept):
        of_shots.setdefault(row.shot_id or 0, []).append(written(row.data))
    return {shot_id: sorted(found) for shot_id, found in of_shots.items()}


def written(row: dict[str, Any]) -> str:
    return str(sorted((name, str(value)) for name, value in row.items()))


@pytest.fixture
def guided(found: dict[str, Worker], studio: World, database: Database, clock: Clock) -> World:
    """The guide's worker has read all there is."""
    host.publish(database, "mill-server", [each for each in host.discover({}) if each.worker], now=clock())
    catch_up(database, clock, found["takes-per-shot"])
    return studio


@pytest.mark.usefixtures("guided")
def test_the_guides_worker_computes_what_the_guide_says(office: Caller, key: Callable[..., Caller]) -> None:
    page = office.get("/v1/workers/takes-per-shot/figures/shots").json()
    assert {item["shot"]: item["row"] for item in page["items"]} == {
        "0120": {"takes": 2, "frames": 136},
        "0130": {"takes": 2, "frames": 43},
    }
    assert {item["production"] for item in page["items"]} == {"lantern-bay"}
    bound = key(Scope.READ, production="tin-moon")
    assert rows(bound, "/v1/workers/takes-per-shot/figures/shots") == {}
    assert rows(bound, LAMPS) == {}


@pytest.mark.usefixtures("studio")
@pytest.mark.parametrize(
    ("path", "problem"),
    [
        ("/v1/workers/nobody/figures/stage-days", "worker-unknown"),
        ("/v1/workers/lamp-hours/figures/nothing", "table-unknown"),
    ],
)
def test_who_asks_for_what_is_not_kept_is_told_where_to_look(office: Caller, path: str, problem: str) -> None:
    answer = office.get(path)
    assert (answer.status_code, answer.json()["type"]) == (404, f"/problems/{problem}")
    assert "GET /v1/workers" in answer.json()["detail"]


@pytest.mark.usefixtures("studio")
def test_what_was_set_aside_is_listed_and_decided(office: Caller, client: TestClient) -> None:
    waiting = "/v1/workers/lamp-hours/quarantine"
    listed = office.get(waiting).json()["items"]
    assert [(each["event"]["id"], each["event"]["kind"], each["error"]) for each in listed] == [
        (1, "production.added", "KeyError: 'reel'"),
        (2, "episode.added", "KeyError: 'reel'"),
    ]
    (reason,) = [each for each in client.get("/readyz").json()["reasons"] if "set aside" in each]
    assert "lamp-hours could not digest 2 events" in reason

    assert office.post(f"{waiting}/1/retry").json()["retry_at"] == "2026-03-02T10:00:00Z"
    skipped = office.post(f"{waiting}/2/skip").json()
    assert (skipped["release"], skipped["released_by"]) == ("skipped", "own-admin")

    assert [each["event"]["id"] for each in office.get(waiting).json()["items"]] == [1]
    again = office.post(f"{waiting}/2/retry")
    assert (again.status_code, again.json()["type"]) == (409, "/problems/released")
    assert "skipped" in again.json()["detail"]
    assert office.post(f"{waiting}/3/skip").status_code == 404
    told = [each["kind"] for each in office.get("/v1/events", params={"after": 3, "limit": 500}).json()["items"]]
    assert told[-2:] == ["quarantine.retried", "quarantine.skipped"]
