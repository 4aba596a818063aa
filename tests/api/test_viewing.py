"""The viewing over HTTP: what waits for a decision, the longest wait first."""

import pytest

from service.store.engine import Database
from tests.api import scenes
from tests.api.conftest import Caller, Clock
from tests.api.scenes import correct, count, decide, post
from tests.store.test_reports import statements

PRODUCTION = "/v1/productions/lantern-bay"
VIEWING = f"{PRODUCTION}/viewing"


@pytest.fixture(autouse=True)
def studio(database: Database, clock: Clock, mill: str) -> None:
    scenes.begin(database, clock)
    scenes.add_shot(database)


def named(reader: Caller, **asked: object) -> list[tuple[str, int]]:
    found = reader.get(VIEWING, params=asked)
    assert found.status_code == 200, found.text
    return [(each["shot"], each["take"]) for each in found.json()["items"]]


def test_a_take_waits_from_its_capture_until_it_is_decided(
    coordinator: Caller, terminal: Caller, reader: Caller, clock: Clock
) -> None:
    # Half of what was captured at 09:00 comes an hour later than it was captured.
    post(terminal, count(1, 96, at="2026-03-02T09:00:00Z", outcome="finished"), count(2, 30, take=2))
    post(terminal, count(3, 96, purpose="rehearsal", outcome="finished"))
    coordinator.post(f"{PRODUCTION}/shots/0120/takes/1/notes", {"text": "hold the look"})
    decide(coordinator, 1, "reject", first=61, last=96)

    read = reader.get(VIEWING)
    (item,) = read.json()["items"]
    assert (item["shot"], item["take"], item["since"], item["waited_h"]) == ("0120", 1, "2026-03-02T09:00:00Z", 1.0)
    assert item["undecided"] == [{"camera": "main", "pass": "main", "ranges": [{"first": 1, "last": 60}]}]
    assert (item["frames"], item["partly_decided"], item["stage"]) == (96, True, "mill")
    assert item["note_count"] == len(reader.get(item["notes"]).json()["items"]) == 1
    held = {"If-None-Match": read.headers["ETag"]}
    assert reader.get(VIEWING, headers=held).status_code == 304
    clock.pass_time(minutes=6)
    assert reader.get(VIEWING, headers=held).json()["items"][0]["waited_h"] == 1.1

    rest = {"verdict": "accept", "first": 1, "last": 60}
    said = coordinator.post(item["decisions"], rest, headers={"If-Match": f'"{item["rev"]}.0"'})
    assert said.status_code == 200, said.text
    assert named(reader) == []
    decide(coordinator, 1, "withdraw")
    assert reader.get(VIEWING).json()["items"][0]["since"] == "2026-03-02T10:06:00Z"


def test_the_longest_wait_comes_first_and_pages_hold_their_place(
    database: Database, coordinator: Caller, terminal: Caller, reader: Caller
) -> None:
    hours = {"0130": 9, "0140": 7, "0150": 8}
    for serial, (shot, hour) in enumerate(hours.items(), start=1):
        scenes.add_shot(database, shot)
        post(terminal, count(serial, 96, shot=shot, at=f"2026-03-02T{hour:02}:00:00Z", outcome="finished"))
    assert named(reader) == [("0140", 1), ("0150", 1), ("0130", 1)]

    first = reader.get(VIEWING, params={"limit": 1})
    decide(coordinator, 1, "circle", shot="0140")
    second = reader.get(first.links["next"]["url"])
    assert [each["shot"] for each in second.json()["items"]] == ["0150"]
    third = reader.get(VIEWING, params={"limit": 1, "cursor": second.json()["next"]})
    assert ([each["shot"] for each in third.json()["items"]], third.json()["next"]) == (["0130"], None)
    other = reader.get(f"{PRODUCTION}/shots", params={"limit": 1}).json()["next"]
    assert reader.get(VIEWING, params={"cursor": other}).json()["type"] == "/problems/invalid-cursor"


def test_who_looks_for_some_names_episode_stage_or_animator(
    database: Database, coordinator: Caller, terminal: Caller, reader: Caller
) -> None:
    scenes.add_shot(database, "0130", animator="Ilse")
    post(terminal, count(1, 96, outcome="finished"), count(2, 96, shot="0130", outcome="finished"))
    coordinator.post(f"{PRODUCTION}/episodes", {"code": "102", "title": "Two"})
    coordinator.post("/v1/stages", {"code": "harbour", "name": "Harbour"})
    assert named(reader, animator="Ilse") == [("0130", 1)]
    assert named(reader, stage="mill", episode="101") == [("0120", 1), ("0130", 1)]
    assert named(reader, stage="harbour") == named(reader, episode="102") == []
    assert reader.get(VIEWING, params={"stage": "nowhere"}).json()["type"] == "/problems/stage-unknown"


def test_a_take_that_was_moved_waits_where_it_went_and_an_omitted_shot_not_at_all(
    database: Database, coordinator: Caller, terminal: Caller, reader: Caller
) -> None:
    scenes.add_shot(database, "0130")
    post(terminal, count(1, 96, outcome="finished"))
    moved = correct(coordinator, 1, move_to={"shot": "0130", "take": 3})
    assert moved.status_code == 200, moved.text
    assert named(reader) == [("0130", 3)]

    there = f"{PRODUCTION}/shots/0130"
    coordinator.change(there, {"suspended": True, "reason": "the armature broke"})
    assert reader.get(VIEWING).json()["items"][0]["suspended"] == "the armature broke"
    coordinator.change(there, {"omitted": True, "reason": "the scene goes"})
    assert named(reader) == []
    coordinator.change(there, {"omitted": False})
    assert named(reader) == [("0130", 3)]


def test_a_part_has_a_path_of_its_own_and_each_required_camera_its_frames(
    database: Database, coordinator: Caller, terminal: Caller, reader: Caller
) -> None:
    parts = [("left", 1, 1, 60), ("right", 1, 55, 96)]
    scenes.add_shot(database, "0130", cameras=["main", "top"], parts=parts)
    post(
        terminal,
        count(1, 60, shot="0130", part="left", outcome="finished"),
        count(2, 60, shot="0130", part="left", camera="top", outcome="finished"),
    )
    (item,) = reader.get(VIEWING).json()["items"]
    path = item["decisions"]
    said = coordinator.post(path, {"verdict": "accept", "camera": "top"}, headers={"If-Match": f'"{item["rev"]}.0"'})
    assert said.status_code == 200, said.text
    (item,) = reader.get(VIEWING).json()["items"]
    assert item["undecided"] == [{"camera": "main", "pass": "main", "ranges": [{"first": 1, "last": 60}]}]
    assert (item["part"], reader.get(item["notes"]).status_code) == ("left", 200)


def test_of_two_takes_one_is_chosen_and_a_later_offer_waits_again(
    coordinator: Caller, terminal: Caller, reader: Caller, clock: Clock
) -> None:
    post(terminal, count(1, 96, outcome="finished"), count(2, 96, take=2, outcome="finished"))
    clock.pass_time(hours=1)
    decide(coordinator, 2, "circle")
    assert named(reader) == []
    clock.pass_time(hours=1)
    post(terminal, count(3, 96, take=3, outcome="finished"))
    assert named(reader) == [("0120", 3)]
    clock.pass_time(hours=1)
    post(terminal, count(4, 96, outcome="finished"))
    assert named(reader) == [("0120", 3), ("0120", 1)]


def test_it_is_read_in_as_many_queries_however_much_waits(database: Database, terminal: Caller, reader: Caller) -> None:
    post(terminal, count(1, 96, outcome="finished"))
    with statements() as few:
        assert len(named(reader)) == 1
    for number in range(3):
        scenes.add_shot(database, f"1{number:03}")
        post(
            terminal,
            *(
                count(10 * number + 10 + take, 96, shot=f"1{number:03}", take=take, outcome="finished")
                for take in (1, 2)
            ),
        )
    with statements() as many:
        assert len(named(reader)) == 7
    assert len(many) == len(few) <= 20
