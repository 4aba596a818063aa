"""Why a figure is what it is, asked for over HTTP after counts and decisions."""

from collections.abc import Callable
from typing import Any

import pytest

from service.domain.grounds import RESTS_ON, Figure
from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import PRODUCTION, add_shot, add_stage, begin, catch_up, count, decide, post

SHOT = f"/v1/productions/{PRODUCTION}/shots/0120"


@pytest.fixture(autouse=True)
def _production(database: Database, clock: Clock, mill: str) -> None:
    begin(database, clock)
    add_stage(database, clock, "barn")


def why(caller: Caller, figure: str) -> dict[str, Any]:
    answer = caller.get(f"{SHOT}/why/{figure}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_each_figure_is_the_one_the_shot_shows(
    database: Database, terminal: Caller, coordinator: Caller, reader: Caller, clock: Clock
) -> None:
    add_shot(database, handle_in=4, handle_out=4, cameras=["left", "right"])
    post(terminal, count(1, 50, camera="left"), count(2, 60, camera="right"), count(3, 30, purpose="plate"))
    decide(coordinator, 1, "accept", camera="left")
    catch_up(database, clock)
    shown = reader.get(SHOT).json()["progress"]
    for figure in Figure:
        found = why(reader, figure)
        assert found["value"] == shown[figure] == found["stored"]["value"], figure
        assert (found["position"], found["differs"]) == (shown["position"], False)
        inputs = RESTS_ON[Figure.PLANNED_FRAMES].union(*RESTS_ON.values())
        assert {name for name in inputs if found[name] is not None} == RESTS_ON[figure], figure
    assert why(reader, "provisional")["value"] is True


def test_what_two_cameras_share_is_explained_by_camera(database: Database, terminal: Caller, reader: Caller) -> None:
    add_shot(database, cameras=["left", "right"])
    post(terminal, count(1, 50, camera="left"), count(2, 50, camera="right", starts_at=47))
    found = why(reader, "credited_frames")
    assert (found["value"], found["credited"]) == (4, [{"first": 47, "last": 50}])
    assert [(track["camera"], track["missing"]) for track in found["tracks"]] == [
        ("left", [{"first": 51, "last": 96}]),
        ("right", [{"first": 1, "last": 46}]),
    ]
    (take,) = found["tracks"][0]["takes"]
    assert (take["take"], take["stage"], take["standing"]) == (1, "mill", "highest open")


def test_what_lists_still_show_is_said_beside_it(
    database: Database, terminal: Caller, reader: Caller, clock: Clock
) -> None:
    add_shot(database)
    assert why(reader, "remaining_frames")["stored"] is None
    post(terminal, count(1, 40))
    catch_up(database, clock)
    before = why(reader, "remaining_frames")
    post(terminal, count(2, 60))
    behind = why(reader, "remaining_frames")
    assert (behind["value"], behind["stored"], behind["differs"]) == (
        36,
        {"value": 56, "position": before["position"]},
        True,
    )
    assert behind["position"] > before["position"]
    # What the change did not move is the same in both.
    assert why(reader, "planned_frames")["differs"] is False


def test_uses_come_with_their_handles(database: Database, reader: Caller) -> None:
    # Used twice, 1 to 40 and 61 to 100, with handles of 4: 96 frames are planned.
    add_shot(database, cut_frames=80, uses=[[1, 40], [61, 100]], handle_in=4, handle_out=4)
    found = why(reader, "planned_frames")
    assert found["value"] == 96
    assert found["planned"] == [{"first": -3, "last": 44}, {"first": 57, "last": 104}]
    assert found["uses"] == [
        {"first": 1, "last": 40, "planned_first": -3, "planned_last": 44},
        {"first": 61, "last": 100, "planned_first": 57, "planned_last": 104},
    ]


def test_a_figure_there_is_not_is_answered_with_those_there_are(database: Database, reader: Caller) -> None:
    add_shot(database)
    answer = reader.get(f"{SHOT}/why/percent")
    assert (answer.status_code, answer.json()["type"]) == (404, "/problems/figure-unknown")
    assert answer.json()["figures"] == [figure.value for figure in Figure]
    assert "remaining_frames" in answer.json()["detail"]


def test_a_key_of_another_production_is_told_nothing(
    database: Database, key: Callable[..., Caller], admin: Caller
) -> None:
    add_shot(database)
    admin.post("/v1/productions", {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"})
    assert key(Scope.READ, production="tin-moon").get(f"{SHOT}/why/planned_frames").status_code == 404
