"""Productions and episodes over HTTP."""

import re

import pytest

from tests.api.conftest import Caller
from tests.api.test_doors import is_problem, pointers

LANTERN_BAY = {"code": "lantern-bay", "title": "Lantern Bay", "frame_rate": "50/2"}


def test_production_is_added_read_and_listed(coordinator: Caller, reader: Caller) -> None:
    added = coordinator.post("/v1/productions", LANTERN_BAY)
    assert added.status_code == 201, added.text
    assert added.headers["Location"] == "/v1/productions/lantern-bay"
    assert re.fullmatch(r'"1\.0\.[0-9a-f]{8}"', added.headers["ETag"])
    read = reader.get("/v1/productions/lantern-bay")
    assert (
        read.json()
        == added.json()
        == {
            "code": "lantern-bay",
            "title": "Lantern Bay",
            "frame_rate": "25/1",
            "rev": 1,
            "added_at": "2026-03-02T10:00:00Z",
        }
    )
    assert reader.get("/v1/productions").json() == {"items": [read.json()], "next": None}


def test_code_is_given_once(coordinator: Caller) -> None:
    coordinator.post("/v1/productions", LANTERN_BAY)
    response = coordinator.post("/v1/productions", {**LANTERN_BAY, "title": "Another"})
    assert pointers(is_problem(response, 409, "production-taken")) == ["#/code"]


@pytest.mark.parametrize(
    "rate",
    [
        "25",
        "25/0",
        "0/1",
        "1/2",
        "1001/1",
        "-25/1",
        "25/1.0",
        "25.0/1",
        " 25/1",
        "\u0662\u0665/1",
        25,
        25.0,
        True,
        None,
    ],
)
def test_frame_rate_is_a_fraction_in_a_string(coordinator: Caller, rate: object) -> None:
    response = coordinator.post("/v1/productions", {**LANTERN_BAY, "frame_rate": rate})
    assert pointers(is_problem(response, 422, "invalid-request")) == ["#/frame_rate"]


@pytest.mark.parametrize("rate", ["24/1", "25/1", "30/1", "24000/1001", "30000/1001"])
def test_usual_frame_rates_are_kept_exactly(coordinator: Caller, rate: str) -> None:
    # The rates of film and television (common practice).
    assert coordinator.post("/v1/productions", {**LANTERN_BAY, "frame_rate": rate}).json()["frame_rate"] == rate


def test_frame_rate_may_change_until_there_are_shots(coordinator: Caller) -> None:
    coordinator.post("/v1/productions", LANTERN_BAY)
    path = "/v1/productions/lantern-bay"
    assert coordinator.change(path, {"frame_rate": "24/1"}).json()["frame_rate"] == "24/1"
    coordinator.post(f"{path}/episodes", {"code": "101", "title": "One"})
    coordinator.post(f"{path}/shots", {"code": "0010", "episode": "101", "cut_frames": 40})
    problem = is_problem(coordinator.change(path, {"frame_rate": "25/1"}), 409, "frame-rate-fixed")
    assert problem["frame_rate"] == "24/1"
    # Saying again what stands is no change.
    assert coordinator.change(path, {"frame_rate": "24/1", "title": "New"}).json()["title"] == "New"


@pytest.mark.parametrize("body", [{"title": None}, {"frame_rate": None}])
def test_what_has_no_empty_value_is_not_emptied(coordinator: Caller, body: dict[str, None]) -> None:
    coordinator.post("/v1/productions", LANTERN_BAY)
    response = coordinator.change("/v1/productions/lantern-bay", body)
    assert pointers(is_problem(response, 422, "invalid-request")) == [f"#/{next(iter(body))}"]


def test_episode_is_added_retitled_and_listed(coordinator: Caller) -> None:
    coordinator.post("/v1/productions", LANTERN_BAY)
    path = "/v1/productions/lantern-bay/episodes"
    added = coordinator.post(path, {"code": "101", "title": "The Borrowed Oar"})
    assert added.status_code == 201
    assert added.headers["Location"] == f"{path}/101"
    is_problem(coordinator.post(path, {"code": "101", "title": "x"}), 409, "episode-taken")
    changed = coordinator.change(f"{path}/101", {"title": "The Oar Nobody Lent"})
    assert (changed.json()["title"], changed.json()["rev"]) == ("The Oar Nobody Lent", 2)
    assert coordinator.get(path).json()["items"] == [changed.json()]
    is_problem(coordinator.get(f"{path}/102"), 404, "episode-unknown")
    is_problem(coordinator.get("/v1/productions/x/episodes"), 404, "production-unknown")


def test_same_episode_code_in_two_productions(coordinator: Caller) -> None:
    for code in ("lantern-bay", "gull-street"):
        coordinator.post("/v1/productions", {**LANTERN_BAY, "code": code})
        added = coordinator.post(f"/v1/productions/{code}/episodes", {"code": "101", "title": "One"})
        assert added.status_code == 201
