"""What shots need, over HTTP: entered whole, by one coordinator after another; the plan's own through the plan."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
from httpx import Response

from service.domain.keys import Scope
from service.domain.needs import Cast, Needs
from service.store import events, needs
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin, catch_up, count, post
from tests.api.test_doors import is_problem, pointers

SHOTS = "/v1/productions/lantern-bay/shots"
SHOT = f"{SHOTS}/0120"
NEEDS = f"{SHOT}/needs"
NOTHING: dict[str, Any] = {
    "set": None,
    "set_up": None,
    "moving_camera": False,
    "rig": False,
    "plate": False,
    "comp": False,
    "dialogue": False,
    "insert_of": None,
    "difficulty": None,
    "cameras": ["main"],
    "passes": ["main"],
    "characters": [],
    "props": [],
    "notes": None,
}
ALL: dict[str, Any] = {
    "set": "mill-kitchen",
    "set_up": "mill-kitchen-2",
    "moving_camera": True,
    "rig": True,
    "plate": True,
    "comp": True,
    "dialogue": True,
    "insert_of": "0130",
    "difficulty": 5,
    "cameras": ["wide", "close"],
    "passes": ["main", "glow"],
    "characters": [{"character": "miller", "copies": 2}, {"character": "gull", "copies": 1}],
    "props": ["flour sack", "lantern"],
    "notes": "The sack bursts on frame 40.\nMind the flour.",
}


@pytest.fixture(autouse=True)
def lantern_bay(database: Database, clock: Clock, mill: str) -> None:
    begin(database, clock)
    add_stage(database, clock, "harbour")
    for code, stage_id in (("0120", 1), ("0130", 2)):
        add_shot(database, code, parts=[("", stage_id, None, None)])


def put(caller: Caller, body: object, *, etag: str | None = None, to: str = NEEDS) -> Response:
    return caller.send("PUT", to, json=body, headers={"If-Match": etag} if etag else {})


def entered(response: Response) -> dict[str, Any]:
    """What an answer says is needed, without who entered it and what follows from it."""
    assert response.is_success, response.text
    return {name: each for name, each in response.json().items() if name in NOTHING}


def log(database: Database) -> list[tuple[str, dict[str, Any]]]:
    with database.reading() as session:
        return [(each.kind, each.data) for each in events.read_after(session, 0, limit=500)]


def test_what_nobody_entered_says_where_to_enter_it(coordinator: Caller) -> None:
    problem = is_problem(coordinator.get(NEEDS), 404, "needs-not-entered")
    assert f"PUT {NEEDS}" in problem["detail"]
    is_problem(coordinator.get(f"{SHOTS}/0999/needs"), 404, "shot-unknown")


@pytest.mark.parametrize("headers", [{}, {"If-None-Match": "*"}])
def test_the_first_time_needs_no_state_and_is_a_new_thing(
    coordinator: Caller, reader: Caller, headers: dict[str, str]
) -> None:
    response = coordinator.send("PUT", NEEDS, json={}, headers=headers)
    assert (response.status_code, response.headers["Location"]) == (201, NEEDS)
    assert entered(response) == NOTHING
    said = response.json()
    assert (said["rev"], said["entered_by"], said["entered_at"]) == (1, "coordinate-0", "2026-03-02T10:00:00Z")
    read = reader.get(NEEDS)
    assert (read.json(), read.headers["ETag"]) == (said, response.headers["ETag"])


def test_all_of_it_is_kept_and_what_is_left_out_takes_its_default_but_for_what_is_the_plans(
    coordinator: Caller,
) -> None:
    first = put(coordinator, ALL)
    assert entered(first) == ALL
    assert (first.json()["plate_needed"], first.json()["comp_needed"]) == (True, True)
    again = put(coordinator, {"set": "quay"}, etag=first.headers["ETag"])
    assert again.status_code == 200
    assert "Location" not in again.headers
    plan = {name: ALL[name] for name in ("moving_camera", "cameras", "passes")}
    assert entered(again) == NOTHING | plan | {"set": "quay"}
    assert entered(coordinator.get(NEEDS)) == entered(again)


def test_what_is_entered_again_as_it_stands_changes_nothing(coordinator: Caller, database: Database) -> None:
    etag = put(coordinator, ALL).headers["ETag"]
    before = log(database)
    again = put(coordinator, ALL, etag=etag)
    assert (again.status_code, again.headers["ETag"]) == (200, etag)
    assert log(database) == before


def test_the_plans_own_go_through_the_plan_with_its_journals(
    coordinator: Caller, terminal: Caller, database: Database, clock: Clock
) -> None:
    """Common practice: a frame counts once every required camera has it, so a new camera takes all credit away."""
    post(terminal, count(1, 40))
    etag = put(coordinator, {"rig": True}).headers["ETag"]
    plan = coordinator.get(SHOT).json()["plan_rev"]
    second = put(coordinator, {"rig": True, "cameras": ["main", "top"], "moving_camera": True}, etag=etag)
    catch_up(database, clock)
    shown = coordinator.get(SHOT).json()
    assert (shown["cameras"], shown["moving_camera"], shown["plan_rev"]) == (["main", "top"], True, plan + 1)
    assert shown["progress"]["credited_frames"] == 0
    assert shown["progress"]["plate_planned_frames"] == 96
    kind, data = log(database)[-1]
    assert (kind, data["changed"]) == (
        "shot.changed",
        {
            "cameras": {"before": ["main"], "after": ["main", "top"]},
            "moving_camera": {"before": False, "after": True},
        },
    )
    put(coordinator, {"rig": True, "cameras": ["main"]}, etag=second.headers["ETag"])
    catch_up(database, clock)
    assert coordinator.get(SHOT).json()["progress"]["credited_frames"] == 40


def test_the_event_says_what_was_and_is_by_field(coordinator: Caller, database: Database) -> None:
    etag = put(coordinator, {"set": "quay", "difficulty": 2}).headers["ETag"]
    put(coordinator, {"set": "quay", "characters": [{"character": "gull"}]}, etag=etag)
    told = [data for kind, data in log(database) if kind == "needs.entered"]
    assert [each["changed"] for each in told] == [
        {"set": {"before": None, "after": "quay"}, "difficulty": {"before": None, "after": 2}},
        {
            "difficulty": {"before": 2, "after": None},
            "characters": {"before": [], "after": [{"character": "gull", "copies": 1}]},
        },
    ]
    assert {(each["production"], each["shot"], each["draft"]) for each in told} == {("lantern-bay", "0120", None)}


def test_needs_move_neither_plan_nor_figures(coordinator: Caller, terminal: Caller, database: Database) -> None:
    post(terminal, count(1, 40))
    before = coordinator.get(SHOT).json()
    put(coordinator, {"rig": True, "notes": "soft"})
    after = coordinator.get(SHOT)
    assert after.json() == before
    assert (after.json()["plan_rev"], after.json()["rev"]) == (before["plan_rev"], before["rev"])


def test_a_change_of_the_plans_own_at_the_shot_is_not_overwritten_unseen(coordinator: Caller) -> None:
    etag = put(coordinator, ALL).headers["ETag"]
    coordinator.change(SHOT, {"cameras": ["wide"]})
    stale = is_problem(put(coordinator, ALL, etag=etag), 412, "stale")
    assert stale["current"]["cameras"] == ["wide"]
    etag = coordinator.get(NEEDS).headers["ETag"]
    coordinator.change(SHOT, {"handle_out": 4, "animator": "Ilse"})
    assert coordinator.get(NEEDS).headers["ETag"] == etag


def test_without_the_state_nothing_is_overwritten(coordinator: Caller) -> None:
    etag = put(coordinator, {"set": "quay"}).headers["ETag"]
    is_problem(put(coordinator, {"set": "mill"}), 428, "missing-precondition")
    put(coordinator, {"set": "mill"}, etag=etag)
    stale = is_problem(put(coordinator, {"set": "harbour"}, etag=etag), 412, "stale")
    assert stale["current"]["set"] == "mill"


@pytest.mark.parametrize("first", [True, False], ids=["first", "later"])
def test_of_two_who_enter_at_once_one_is_told_what_the_other_said(key: Callable[..., Caller], *, first: bool) -> None:
    """The second is shown the state of the first, whichever came first, and nothing is lost."""
    rivals = [key(Scope.COORDINATE), key(Scope.COORDINATE)]
    etag = None if first else put(rivals[0], {"set": "quay"}).headers["ETag"]
    start = Barrier(2)

    def enter(place: int) -> Response:
        start.wait()
        return put(rivals[place], {"set": f"set-{place}", "cameras": [f"camera-{place}"]}, etag=etag)

    with ThreadPoolExecutor(2) as threads:
        answers = list(threads.map(enter, range(2)))
    assert sorted(each.status_code for each in answers) == ([201, 428] if first else [200, 412])
    winner = next(place for place, each in enumerate(answers) if each.is_success)
    assert coordinator_sees(rivals[0]) == (f"set-{winner}", [f"camera-{winner}"])


def coordinator_sees(caller: Caller) -> tuple[str, list[str]]:
    shown = caller.get(NEEDS).json()
    assert shown["cameras"] == caller.get(SHOT).json()["cameras"]
    return shown["set"], shown["cameras"]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"difficulty": 0}, "#/difficulty"),
        ({"difficulty": 6}, "#/difficulty"),
        ({"characters": [{"character": "gull", "copies": 0}]}, "#/characters/0/copies"),
        ({"characters": [{"character": "gull"}, {"character": "gull"}]}, "#"),
        ({"characters": [{"character": "two words"}]}, "#/characters/0/character"),
        ({"props": ["one; two"]}, "#/props/0"),
        ({"props": ["\ufb2c" * 200]}, "#/props/0"),
        ({"notes": "bell\u0007"}, "#/notes"),
        ({"notes": " \n "}, "#/notes"),
        ({"cameras": []}, "#/cameras"),
        ({"cameras": None}, "#/cameras"),
        ({"passes": ["main", "main"]}, "#"),
        ({"insert_of": "0120"}, "#/insert_of"),
        ({"insert_of": "0999"}, "#/insert_of"),
        ({"animator": "Ilse"}, "#/animator"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_entered(coordinator: Caller, body: object, pointer: str) -> None:
    response = put(coordinator, body)
    assert response.status_code == 422, response.text
    assert pointers(response.json()) == [pointer]
    is_problem(coordinator.get(NEEDS), 404, "needs-not-entered")


def test_an_insert_may_be_of_an_omitted_shot_and_not_of_another_productions(coordinator: Caller) -> None:
    coordinator.change(f"{SHOTS}/0130", {"omitted": True})
    assert put(coordinator, {"insert_of": "0130"}).json()["insert_of"] == "0130"


def test_who_may_enter_and_who_may_read(
    coordinator: Caller, reader: Caller, terminal: Caller, key: Callable[..., Caller]
) -> None:
    put(coordinator, ALL)
    is_problem(put(reader, ALL, etag="*"), 403, "scope-too-narrow")
    assert terminal.get(NEEDS).status_code == 200
    is_problem(key(Scope.COUNT, terminal="harbour-capture").get(NEEDS), 403, "shot-elsewhere")


def test_text_is_kept_composed_and_without_its_ends(coordinator: Caller) -> None:
    said = put(coordinator, {"notes": "  cafe\u0301 \n  two ", "props": [" lid "]}).json()
    assert (said["notes"], said["props"]) == ("caf\u00e9\ntwo", ["lid"])


def test_others_read_needs_of_many_shots_at_once(coordinator: Caller, database: Database) -> None:
    put(coordinator, ALL)
    with database.reading() as session:
        found = needs.of_shots(session, [1, 2, 3])
    assert found == {
        1: Needs(
            set_="mill-kitchen",
            set_up="mill-kitchen-2",
            rig=True,
            plate=True,
            comp=True,
            dialogue=True,
            insert_of="0130",
            difficulty=5,
            characters=(Cast("miller", 2), Cast("gull", 1)),
            props=("flour sack", "lantern"),
            notes="The sack bursts on frame 40.\nMind the flour.",
        )
    }


class TestAnimator:
    def test_is_named_when_the_shot_is_added_and_changed_later_and_is_no_part_of_the_plan(
        self, coordinator: Caller, reader: Caller, terminal: Caller, database: Database
    ) -> None:
        body = {"code": "0140", "episode": "101", "cut_frames": 50, "animator": " Ilse  B. "}
        added = coordinator.post(SHOTS, body).json()
        assert added["animator"] == "Ilse  B."
        path = f"{SHOTS}/0140"
        changed = coordinator.change(path, {"animator": "Pim"}).json()
        assert (changed["plan_rev"], changed["rev"]) == (added["plan_rev"], added["rev"] + 1)
        assert {caller.get(path).json()["animator"] for caller in (reader, terminal)} == {"Pim"}
        assert log(database)[-1][1]["changed"] == {"animator": {"before": "Ilse  B.", "after": "Pim"}}
        assert coordinator.change(path, {"animator": None}).json()["animator"] is None

    def test_stays_where_a_plan_changes(self, coordinator: Caller) -> None:
        coordinator.change(SHOT, {"animator": "Pim"})
        changed = coordinator.change(SHOT, {"handle_out": 4}).json()
        assert (changed["animator"], changed["plan_rev"]) == ("Pim", 2)

    @pytest.mark.parametrize("name", ["", "  ", "x" * 201, "bell\u0007", 7])
    def test_is_a_line_of_text(self, coordinator: Caller, name: object) -> None:
        etag = coordinator.get(SHOT).headers["ETag"]
        response = coordinator.send("PATCH", SHOT, json={"animator": name}, headers={"If-Match": etag})
        assert (response.status_code, pointers(response.json())) == (422, ["#/animator"])
