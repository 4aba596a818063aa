"""Why a production's figure is what it is, over HTTP: the same sums as `progress`, and the shots they come from."""

from typing import Any

import pytest

from service.domain.totals import TotalFigure
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import PRODUCTION, add_shot, begin, catch_up, count, decide, post
from tests.store.test_reports import statements

PATH = f"/v1/productions/{PRODUCTION}"


@pytest.fixture(autouse=True)
def work(database: Database, clock: Clock, mill: str, terminal: Caller, coordinator: Caller) -> None:
    begin(database, clock)
    planned = {"0110": 60, "0120": 96, "0130": 50, "0140": 24}
    shots = [{"code": code, "episode": "101", "cut_frames": of, "handle_out": 2} for code, of in planned.items()]
    assert coordinator.post(f"{PATH}/shots", shots).status_code == 201
    assert coordinator.change(f"{PATH}/shots/0140", {"omitted": True}).status_code == 200
    post(terminal, count(1, 110, outcome="finished"), count(2, 40, shot="0110"), count(3, 20, shot="0140"))
    decide(coordinator, 1, "circle")
    catch_up(database, clock)


def why(caller: Caller, figure: str, **asked: object) -> dict[str, Any]:
    answer = caller.get(f"{PATH}/why/{figure}", params=asked)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_each_figure_is_the_one_progress_shows_and_adds_up(reader: Caller) -> None:
    shown = reader.get(f"{PATH}/progress").json()["total"]
    for figure in TotalFigure:
        found = why(reader, figure)
        assert found["value"] == found["stored"]["value"] == shown[figure], figure
        assert (found["differs"], found["behind_shots"], found["behind"]) == (False, 0, []), figure
        few = why(reader, figure, limit=1)
        assert few["top"] == found["top"][:1]
        assert few["rest"]["shots"] == found["carrying_shots"] - 1, figure
        if figure is not TotalFigure.PER_CENT:
            assert few["top"][0]["value"] + few["rest"]["value"] == found["value"], figure
    left = why(reader, "remaining_frames")
    assert [(each["shot"], each["value"]) for each in left["top"]] == [("0130", 52), ("0110", 22)]
    assert left["said"] == "Something is left of 2 of 4 shots: 74 of 212 planned frames."
    alone = reader.get(left["top"][0]["path"]).json()
    assert (alone["value"], alone["figure"]) == (52, "remaining_frames")
    # 40 of 62 and 0 of 52.
    rest = {"shots": 2, "value": 35.1, "planned_frames": 114, "credited_frames": 40, "remaining_frames": 74}
    assert why(reader, "per_cent", limit=0)["rest"] == rest
    assert [each["path"].rpartition("/")[2] for each in why(reader, "provisional_shots")["top"]] == ["provisional"]


def test_what_progress_still_shows_is_said_and_of_which_shot(
    reader: Caller, terminal: Caller, database: Database, clock: Clock
) -> None:
    before = reader.get(f"{PATH}/why/credited_frames")
    post(terminal, count(9, 50, shot="0110"))
    found = reader.get(f"{PATH}/why/credited_frames", headers={"If-None-Match": before.headers["ETag"]}).json()
    assert (found["value"], found["stored"]["value"], found["differs"]) == (148, 138, True)
    assert [(each["shot"], each["value"], each["stored"]) for each in found["behind"]] == [("0110", 50, 40)]
    assert found["position"] > found["stored"]["position"]
    catch_up(database, clock)
    read = reader.get(f"{PATH}/why/credited_frames")
    assert (read.json()["differs"], read.json()["behind_shots"]) == (False, 0)
    held = {"If-None-Match": read.headers["ETag"]}
    assert reader.get(f"{PATH}/why/credited_frames", headers=held).status_code == 304


def test_one_episode_alone_and_what_is_no_figure(reader: Caller, coordinator: Caller) -> None:
    coordinator.post(f"{PATH}/episodes", {"code": "102", "title": "Two"})
    empty = why(reader, "per_cent", episode="102")
    assert (empty["value"], empty["shots"], empty["top"], empty["rest"]["value"]) == (None, 0, [], None)
    refused = reader.get(f"{PATH}/why/percent").json()
    assert refused["type"] == "/problems/total-unknown"
    assert "per_cent" in refused["figures"]
    assert reader.get(f"{PATH}/why/per_cent", params={"episode": "103"}).json()["type"] == "/problems/episode-unknown"


def test_it_is_read_in_as_many_queries_however_many_shots_there_are(
    database: Database, reader: Caller, terminal: Caller
) -> None:
    with statements() as few:
        why(reader, "credited_frames")
    for number in range(3):
        add_shot(database, f"2{number:03}")
        post(terminal, count(20 + number, 9, shot=f"2{number:03}"))
    with statements() as many:
        assert why(reader, "credited_frames")["shots"] == 7
    assert len(many) == len(few) <= 20
