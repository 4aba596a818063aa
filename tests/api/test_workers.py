"""Workers and health over HTTP."""

from collections.abc import Callable, Iterator
from datetime import timedelta

import pytest

from service.app import create_app
from service.domain.keys import Scope
from service.settings import Settings
from service.store import catalogue, cursors, editions, jobs
from service.store.catalogue import Entry
from service.store.cursors import CursorKey
from service.store.engine import Database
from tests.api.conftest import Caller, Clock, TestClient
from tests.api.scenes import begin, catch_up, count, post

PROGRESS = Entry(
    worker="progress",
    version=1,
    distribution="tiedown",
    state="loaded",
    error=None,
    events=("frames.counted", "shot.added"),
    tables={},
    settings_schema={"type": "object"},
)
BROKEN = Entry(
    worker="stranger",
    version=0,
    distribution="strange",
    state="broken",
    error="SystemExit: 3",
    events=(),
    tables={},
    settings_schema={},
)
SHOTS = "/v1/productions/lantern-bay/shots"


@pytest.fixture
def engine(database: Database, clock: Clock) -> None:
    """An engine that gave a sign of life and found *progress*."""
    with database.writing() as session:
        catalogue.record(session, "host", [PROGRESS], now=clock(), forget_before=clock() - timedelta(days=2))
        catalogue.beat(session, catalogue.ENGINE, host="host", now=clock())


@pytest.fixture
def counted(coordinator: Caller, terminal: Caller, database: Database, clock: Clock) -> None:
    """A shot with a count, not yet read by any worker."""
    begin(database, clock)
    coordinator.post(SHOTS, {"code": "0120", "episode": "101", "cut_frames": 96})
    clock.pass_time(seconds=2)
    post(terminal, count(1, 12))


@pytest.mark.usefixtures("engine", "counted")
def test_worker_shows_how_far_it_is_behind(reader: Caller, database: Database, clock: Clock) -> None:
    clock.pass_time(seconds=3)
    body = reader.get("/v1/workers").json()
    (worker,) = body["items"]
    # The shot was added five seconds ago, the count three.
    assert (worker["position"], worker["lag_events"], worker["lag_s"]) == (0, 2, 5.0)
    catch_up(database, clock)
    body = reader.get("/v1/workers").json()
    (worker,) = body["items"]
    assert (worker["position"], worker["lag_events"], worker["lag_s"]) == (body["head"], 0, 0.0)
    assert (worker["state"], worker["version"], worker["hosts"]) == ("loaded", 1, ["host"])


@pytest.mark.usefixtures("engine")
def test_worker_shows_what_went_wrong(reader: Caller, database: Database, clock: Clock) -> None:
    key = CursorKey("progress", 1, "")
    with database.writing() as session:
        editions.begin(session, editions.planned(session, "progress", 1, kinds=(), rebuilds=True), now=clock())
        cursors.add(session, key, batch_limit=500)
        cursors.lease(session, key, attempts=2, owner="me", until=clock())
        cursors.give_back(
            session,
            key,
            owner="me",
            old=0,
            attempts=2,
            batch_limit=250,
            next_try_at=clock() + timedelta(seconds=4),
            error="ValueError: no",
            now=clock(),
        )
        cursors.quarantine(session, key, event_id=1, attempts=5, error="ValueError: no", now=clock())
    (worker,) = reader.get("/v1/workers").json()["items"]
    assert (worker["attempts"], worker["last_error"], worker["quarantined"]) == (2, "ValueError: no", 1)
    assert worker["last_error_at"] == "2026-03-02T10:00:00Z"
    assert worker["next_try_at"] == "2026-03-02T10:00:04Z"


@pytest.mark.usefixtures("engine")
def test_jobs_show_the_last_day_done_and_the_open_ones(reader: Caller, database: Database, clock: Clock) -> None:
    today = clock().date()
    with database.writing() as session:
        for days in (2, 1, 0):
            jobs.enter(session, jobs.Due("progress", "recount", today - timedelta(days=days), clock()))
            if days:
                job = jobs.open_jobs(session)[0]
                jobs.lease(session, job, attempts=1, owner="me", until=clock())
                jobs.finish(session, job, owner="me", result={"drifted": days}, now=clock())
    (worker,) = reader.get("/v1/workers").json()["items"]
    assert [(job["day_on"], job["result"]) for job in worker["jobs"]] == [
        ("2026-03-01", {"drifted": 1}),
        ("2026-03-02", None),
    ]


def test_what_a_job_found_in_all_productions_is_not_for_a_key_of_one(
    key: Callable[..., Caller], reader: Caller, database: Database, clock: Clock
) -> None:
    begin(database, clock)
    with database.writing() as session:
        jobs.enter(session, jobs.Due("progress", "recount", clock().date(), clock()))
        (job,) = jobs.open_jobs(session)
        jobs.lease(session, job, attempts=1, owner="me", until=clock())
        jobs.finish(session, job, owner="me", result={"drifted": 3}, now=clock())
        editions.begin(session, editions.planned(session, "progress", 1, kinds=(), rebuilds=True), now=clock())
    found = [
        caller.get("/v1/workers").json()["items"][0]["jobs"][0]["result"]
        for caller in (reader, key(Scope.READ, production="lantern-bay"))
    ]
    assert found == [{"drifted": 3}, None]


@pytest.mark.usefixtures("counted")
def test_worker_that_no_host_has_any_more_is_missing(reader: Caller, database: Database, clock: Clock) -> None:
    catch_up(database, clock)
    (worker,) = reader.get("/v1/workers").json()["items"]
    assert (worker["name"], worker["state"], worker["hosts"]) == ("progress", "missing", [])


class TestHealth:
    def test_process_lives_without_a_key(self, client: TestClient) -> None:
        assert client.get("/healthz").json() == {"status": "alive"}

    @pytest.mark.usefixtures("engine")
    def test_all_well_is_ready(self, client: TestClient) -> None:
        response = client.get("/readyz")
        assert response.status_code == 200
        assert response.json() == {
            "status": "ready",
            "reasons": [],
            "engine_seen_at": "2026-03-02T10:00:00Z",
            "workers": [
                {
                    "name": "progress",
                    "state": "loaded",
                    "disabled": None,
                    "lag_events": 0,
                    "lag_s": 0.0,
                    "needs_rebuild": False,
                }
            ],
            "not_delivered": {"dead": 0, "failing": 0},
        }

    def test_no_engine_is_degraded(self, client: TestClient) -> None:
        response = client.get("/readyz")
        assert (response.status_code, response.json()["status"]) == (200, "degraded")
        assert response.json()["reasons"] == ["No engine has given a sign of life."]

    @pytest.mark.usefixtures("engine", "counted")
    def test_silent_engine_and_lag_are_degraded_and_counts_go_on(
        self, client: TestClient, terminal: Caller, clock: Clock
    ) -> None:
        clock.pass_time(seconds=60)
        response = client.get("/readyz")
        assert (response.status_code, response.json()["status"]) == (200, "degraded")
        silent, behind = response.json()["reasons"]
        assert silent == "No engine has given a sign of life for 62 s."
        assert behind == "The worker progress is 2 events and 62 s behind."
        assert post(terminal, count(2, 13)).status_code == 200

    @pytest.mark.usefixtures("engine")
    def test_worker_that_cannot_be_loaded_is_degraded(
        self, client: TestClient, database: Database, clock: Clock
    ) -> None:
        with database.writing() as session:
            catalogue.record(session, "other", [BROKEN], now=clock(), forget_before=clock() - timedelta(days=2))
        assert client.get("/readyz").json()["reasons"] == [
            (
                "The worker stranger is broken on other. Install a version of the package 'strange' that can be "
                "imported, or uninstall it; then start the engines again."
            )
        ]


class TestUnready:
    @pytest.fixture
    def unmigrated(self, empty_postgres_url: str) -> Iterator[TestClient]:
        database = Database.open(empty_postgres_url)
        with TestClient(create_app(Settings(), database)) as client:
            yield client
        database.close()

    def test_schema_not_at_head_is_unready(self, unmigrated: TestClient) -> None:
        response = unmigrated.get("/readyz")
        assert (response.status_code, response.json()["status"]) == (503, "unready")
        assert "tiedown migrate" in response.json()["reasons"][0]
        assert unmigrated.get("/healthz").status_code == 200

    def test_database_out_of_reach_is_unready_and_refuses_with_a_time(self) -> None:
        # Port 1 (tcpmux) is one nobody listens on.
        database = Database.open("postgresql://nobody@127.0.0.1:1/nothing")
        with TestClient(create_app(Settings(), database)) as client:
            response = client.get("/readyz")
            assert (response.status_code, response.json()["status"]) == (503, "unready")
            refused = client.get("/v1/stages", headers={"Authorization": "Bearer td_aaaaaaaa_" + "x" * 43})
        assert (refused.status_code, refused.headers["Retry-After"]) == (503, "1")
        assert refused.json()["type"] == "/problems/database-unreachable"
        database.close()
