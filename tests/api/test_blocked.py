"""What waits for whom, over HTTP: the same as each shot says alone, in a number of queries that does not grow."""

from typing import Any

import pytest

from service.store.engine import Database
from tests.api import scenes
from tests.api.conftest import Caller, Clock
from tests.api.scenes import count, decide, post
from tests.store.test_reports import statements

PRODUCTION = "/v1/productions/lantern-bay"
BLOCKED = f"{PRODUCTION}/blocked"


@pytest.fixture(autouse=True)
def studio(database: Database, clock: Clock, mill: str) -> None:
    scenes.begin(database, clock)


def waits(answer: Any) -> dict[tuple[str, str], list[str]]:  # noqa: ANN401 -- any JSON
    return {(each["who"], each["fact"]): [shot["shot"] for shot in each["shots"]] for each in answer["waits"]}


def test_what_waits_for_whom(database: Database, coordinator: Caller, terminal: Caller, reader: Caller) -> None:
    scenes.add_shot(database, "0110")
    scenes.add_shot(database, "0120", cut_revision=1, phase="shooting", parts=[("", 1, None, None)])
    scenes.add_shot(database, "0130", cut_revision=1, phase="shooting")
    scenes.add_shot(database, "0140", cut_revision=1, omitted=True)
    for shot in ("0120", "0130"):
        coordinator.send("PUT", f"{PRODUCTION}/shots/{shot}/needs", json={"set": "quay"})
    post(terminal, count(1, 40), count(2, 96, shot="0130", outcome="finished"))
    coordinator.change(f"{PRODUCTION}/shots/0120", {"suspended": True, "reason": "the armature broke"})

    read = reader.get(BLOCKED)
    found = read.json()

    assert waits(found) == {
        ("director", "planned frames accepted"): ["0130"],
        ("editor", "in the locked cut"): ["0110"],
        ("coordinator", "not suspended"): ["0120"],
        ("coordinator", "needs entered"): ["0110"],
        ("stage", "planned frames accepted"): ["0120"],
    }
    assert found["blocked_shots"] == 3
    assert found["waiting_for"]["coordinator"] == 2
    shown = found["waits"][-1]["shots"][0]
    assert (shown["stages"], shown["suspended"]) == (["mill"], "the armature broke")
    assert "56 frames of 96 (41–96): not shot yet." in shown["detail"]
    assert (shown["phase"], shown["to"], shown["path"]) == ("shooting", "approval", "/v1/counts")
    for wait in found["waits"]:
        for shot in wait["shots"]:
            alone = reader.get(f"{PRODUCTION}/shots/{shot['shot']}/next").json()
            lack = next(each for each in alone["blocked_by"] if each["fact"] == wait["fact"])
            assert (lack["detail"], alone["phase_since"]) == (shot["detail"], shot["phase_since"])

    assert reader.get(BLOCKED, headers={"If-None-Match": read.headers["ETag"]}).status_code == 304
    assert decide(coordinator, 1, "circle", shot="0130").status_code == 200
    again = reader.get(BLOCKED, headers={"If-None-Match": read.headers["ETag"]}).json()
    assert (again["ready_shots"], [each["shot"] for each in again["ready"]]) == (1, ["0130"])
    assert again["position"] > found["position"]
    few = reader.get(BLOCKED, params={"limit": 0}).json()
    assert [(each["count"], each["shots"]) for each in few["waits"]] == [(1, [])] * 4
    assert (few["ready_shots"], few["ready"]) == (1, [])
    assert reader.get(BLOCKED, params={"episode": "102"}).json()["type"] == "/problems/episode-unknown"
    coordinator.post(f"{PRODUCTION}/episodes", {"code": "102", "title": "Two"})
    assert reader.get(BLOCKED, params={"episode": "102"}).json()["blocked_shots"] == 0


def test_it_is_read_in_as_many_queries_however_many_shots_there_are(
    database: Database, coordinator: Caller, reader: Caller, terminal: Caller
) -> None:
    def shoot(code: str, serial: int) -> None:
        scenes.add_shot(database, code, cut_revision=1, phase="compositing", parts=[("", 1, None, None)])
        coordinator.send("PUT", f"{PRODUCTION}/shots/{code}/needs", json={"set": "quay", "comp": True})
        post(terminal, count(serial, 96, shot=code, outcome="finished"))
        decide(coordinator, 1, "circle", shot=code)
        body = {"matter": "comp delivered", "signer": "Nils Oak"}
        path = f"{PRODUCTION}/shots/{code}/signoffs"
        assert coordinator.post(path, body, headers={"If-Match": "*"}).status_code == 201

    shoot("0120", 1)
    with statements() as few:
        assert reader.get(BLOCKED).json()["ready_shots"] == 1
    for number in range(3):
        shoot(f"1{number:03}", number + 2)
    with statements() as many:
        assert reader.get(BLOCKED).json()["ready_shots"] == 4
    assert len(many) == len(few) <= 25


def test_what_the_studio_asks_of_a_plate_changes_both_lists_of_what_is_blocked(
    database: Database, coordinator: Caller, admin: Caller, terminal: Caller, reader: Caller
) -> None:
    scenes.add_shot(database, "0120", cut_revision=1, phase="background plate")
    coordinator.send("PUT", f"{PRODUCTION}/shots/0120/needs", json={"set": "quay", "rig": True})
    post(terminal, count(1, 25, purpose="plate", outcome="finished"))
    lists = (BLOCKED, f"{PRODUCTION}/shots?blocked_by=plate%20shot%2C%20or%20none%20asked%20for")
    held = {path: {"If-None-Match": reader.get(path).headers["ETag"]} for path in lists}
    assert [reader.get(path, headers=held[path]).status_code for path in lists] == [304, 304]
    assert reader.get(lists[1]).json()["items"] == []

    studio = {"name": "Tin Pier", "time_zone": "UTC", "day_starts_at": "05:00", "plate_minimum_frames": 40}
    assert admin.send("PUT", "/v1/studio", json=studio, headers={"If-Match": "*"}).is_success
    blocked, listed = (reader.get(path, headers=held[path]) for path in lists)
    assert ("stage", "plate shot, or none asked for") in waits(blocked.json())
    assert [each["code"] for each in listed.json()["items"]] == ["0120"]
