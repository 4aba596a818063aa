"""How decisions went, over HTTP: waits, first takes, reshoots and the comp queue of one day, reckoned by hand."""

from datetime import UTC, datetime

import pytest

from service.store.engine import Database
from tests.api import scenes
from tests.api.conftest import Caller, Clock
from tests.api.scenes import count, decide, post
from tests.store.test_reports import statements

PRODUCTION = "/v1/productions/lantern-bay"
FIGURES = f"{PRODUCTION}/decisions/figures"
SHOT = f"{PRODUCTION}/shots/0120"


@pytest.fixture(autouse=True)
def studio(database: Database, clock: Clock, mill: str) -> None:
    scenes.begin(database, clock)
    scenes.add_shot(database, phase="shooting")


def at(clock: Clock, hour: int) -> None:
    clock.now = datetime(2026, 3, 2, hour, tzinfo=UTC)


def done(coordinator: Caller, path: str, body: object) -> None:
    answer = coordinator.post(f"{SHOT}/{path}", body, headers={"If-Match": "*"})
    assert answer.is_success, answer.text


def test_a_day_reckoned_by_hand(
    database: Database, coordinator: Caller, terminal: Caller, reader: Caller, clock: Clock
) -> None:
    scenes.add_shot(database, "0130")
    at(clock, 10)
    post(terminal, count(1, 96, outcome="finished"))
    at(clock, 12)
    decided = decide(coordinator, 1, "reject", first=61, last=96, cause="light").json()
    assert (decided["credited_frames"], decided["remaining_frames"]) == (60, 36)
    at(clock, 13)
    post(terminal, count(2, 36, take=2, starts_at=61, outcome="finished"))
    at(clock, 14)
    decide(coordinator, 1, "accept", first=1, last=60)
    assert decide(coordinator, 2, "circle").json()["credited_frames"] == 96
    assert sum(each["series"][0]["total_frames"] for each in coordinator.get(SHOT).json()["takes"]) == 132
    done(coordinator, "moves", {"to": "compositing", "override": True, "reason": "the needs follow"})
    at(clock, 15)
    post(terminal, count(3, 96, shot="0130", outcome="finished"))
    at(clock, 17)
    done(coordinator, "signoffs", {"matter": "comp delivered", "signer": "Nils Oak"})
    at(clock, 20)

    found = reader.get(FIGURES, params={"from": "2026-03-02", "to": "2026-03-02"}).json()
    assert found["decided"] == {"takes": 2, "p50_h": 1.5, "p90_h": 1.9}
    assert found["waiting"] == {"takes": 1, "p50_h": 5.0, "p90_h": 5.0}
    assert found["first_takes"] == {"decided": 1, "approved": 0, "per_cent": 0.0}
    again = {"reshot_frames": 36, "per_cent": 15.8}
    causes = [{"cause": "light", "frames": 36, "per_cent": 15.8}]
    assert found["reshoots"] == {"shot_frames": 228, **again, "causes": causes}
    # From 05:00, when the day begins, to 20:00: three hours of fifteen a shot waited for its comp.
    assert found["comp_queue"] == {
        "window_h": 15.0,
        "mean_number": 0.2,
        "arrivals": 1,
        "mean_wait_h": 3.0,
        "implied_wait_h": 3.0,
        "whole": True,
        "keeps_littles_law": True,
    }

    # A comp that is taken back waits again, and the window that shows it is not whole any more.
    (signed,) = (each["id"] for each in coordinator.get(f"{SHOT}/signoffs").json()["items"])
    done(coordinator, f"signoffs/{signed}/withdraw", {"reason": "the rig still shows"})
    at(clock, 21)
    queue = reader.get(FIGURES).json()["comp_queue"]
    assert (queue["arrivals"], queue["whole"], queue["keeps_littles_law"]) == (2, False, None)
    coordinator.change(SHOT, {"omitted": True, "reason": "the scene goes"})
    at(clock, 22)
    queue = reader.get(FIGURES).json()["comp_queue"]
    assert (queue["mean_wait_h"], queue["whole"]) == (2.0, True)


def test_days_without_anything_have_no_figures_and_the_window_is_seven_days_where_none_is_named(
    reader: Caller, terminal: Caller, clock: Clock
) -> None:
    usual = reader.get(FIGURES)
    found = usual.json()
    assert (found["from"], found["to"]) == ("2026-02-24", "2026-03-02")
    assert found["decided"] == found["waiting"] == {"takes": 0, "p50_h": None, "p90_h": None}
    assert (found["first_takes"]["per_cent"], found["reshoots"]["per_cent"]) == (None, None)
    assert (found["comp_queue"]["mean_wait_h"], found["comp_queue"]["implied_wait_h"]) == (None, None)
    assert reader.get(FIGURES, headers={"If-None-Match": usual.headers["ETag"]}).status_code == 304
    post(terminal, count(1, 96, outcome="finished"))
    clock.pass_time(hours=24)
    # What waits now is said of any window; of days to come there is no queue.
    ahead = reader.get(FIGURES, params={"from": "2026-03-04", "to": "2026-03-05"}).json()
    assert (ahead["waiting"]["takes"], ahead["comp_queue"], ahead["reshoots"]["shot_frames"]) == (1, None, 0)
    # A window that cuts a shot has what was captured in it alone.
    post(terminal, count(2, 120))
    for first, frames in (("2026-03-02", 120), ("2026-03-03", 24)):
        assert reader.get(FIGURES, params={"from": first}).json()["reshoots"]["shot_frames"] == frames
    backwards = reader.get(FIGURES, params={"from": "2026-03-03", "to": "2026-03-02"})
    assert (backwards.status_code, backwards.json()["type"]) == (422, "/problems/days-backwards")
    assert backwards.json()["first_day"] == "2026-03-03"


def test_they_are_read_in_as_many_queries_however_many_shots_there_are(
    database: Database, coordinator: Caller, terminal: Caller, reader: Caller
) -> None:
    def work(code: str, serial: int) -> None:
        post(terminal, count(serial, 96, shot=code, outcome="finished"))
        decide(coordinator, 1, "circle", shot=code)

    work("0120", 1)
    with statements() as few:
        assert reader.get(FIGURES).json()["first_takes"] == {"decided": 1, "approved": 1, "per_cent": 100.0}
    for number in range(3):
        scenes.add_shot(database, f"1{number:03}")
        work(f"1{number:03}", number + 2)
    with statements() as many:
        assert reader.get(FIGURES).json()["first_takes"]["decided"] == 4
    assert len(many) == len(few) <= 20
