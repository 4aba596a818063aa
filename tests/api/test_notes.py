"""Notes on takes: appended, struck with a reason, never a decision."""

import pytest

from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import PRODUCTION, add_shot, begin, count, post
from tests.api.test_doors import is_problem

SHOT = f"/v1/productions/{PRODUCTION}/shots/0120"
TAKE = f"{SHOT}/takes/1"


@pytest.fixture(autouse=True)
def _counted(database: Database, clock: Clock, mill: str, terminal: Caller) -> None:
    begin(database, clock)
    add_shot(database)
    post(terminal, count(1, 96, outcome="finished"))


def test_notes_stand_in_order_with_who_and_when(coordinator: Caller, clock: Clock) -> None:
    first = coordinator.post(f"{TAKE}/notes", {"text": "hold the look", "first": 40, "last": 52, "camera": "main"})
    assert first.status_code == 201, first.text
    clock.pass_time(minutes=5)
    coordinator.post(f"{TAKE}/notes", {"text": "the left hand is lovely"})
    notes = coordinator.get(f"{TAKE}/notes").json()["items"]
    assert [(each["note"], each["text"], each["first"], each["last"], each["camera"]) for each in notes] == [
        (1, "hold the look", 40, 52, "main"),
        (2, "the left hand is lovely", None, None, None),
    ]
    assert [each["noted_at"] for each in notes] == ["2026-03-02T10:00:00Z", "2026-03-02T10:05:00Z"]
    assert {each["by"].partition("-")[0] for each in notes} == {"coordinate"}
    (take,) = coordinator.get(SHOT).json()["takes"]
    assert take["note_count"] == 2


def test_a_note_decides_nothing_and_stales_no_decision(coordinator: Caller) -> None:
    before = coordinator.get(TAKE)
    coordinator.post(f"{TAKE}/notes", {"text": "hold the look"})
    after = coordinator.get(TAKE)
    assert (after.json()["rev"], after.json()["decisions"]) == (before.json()["rev"], [])
    # Who holds what was read before sees the count of notes move, and may decide on it all the same.
    assert after.headers["ETag"] != before.headers["ETag"]
    match = {"If-Match": before.headers["ETag"]}
    assert coordinator.post(f"{TAKE}/decisions", {"verdict": "circle"}, headers=match).status_code == 200


def test_a_struck_note_stays_and_says_who_struck_it_and_why(coordinator: Caller, clock: Clock) -> None:
    coordinator.post(f"{TAKE}/notes", {"text": "hold the look"})
    clock.pass_time(hours=1)
    struck = coordinator.post(f"{TAKE}/notes/1/strike", {"reason": "meant for take 2"})
    assert struck.status_code == 200, struck.text
    (note,) = coordinator.get(f"{TAKE}/notes").json()["items"]
    assert note == struck.json()
    assert (note["text"], note["struck"], note["struck_reason"], note["struck_at"]) == (
        "hold the look",
        True,
        "meant for take 2",
        "2026-03-02T11:00:00Z",
    )
    assert note["struck_by"] == note["by"]
    assert coordinator.get(TAKE).json()["note_count"] == 0
    again = coordinator.post(f"{TAKE}/notes/1/strike", {"reason": "once more"})
    assert is_problem(again, 409, "already-struck")["by"] == note["by"]
    assert coordinator.get(f"{TAKE}/notes").json()["items"] == [note]


def test_the_log_tells_of_notes(coordinator: Caller) -> None:
    coordinator.post(f"{TAKE}/notes", {"text": "hold the look", "first": 1, "last": 8})
    coordinator.post(f"{TAKE}/notes/1/strike", {"reason": "no"})
    *_, noted, struck = coordinator.get("/v1/events?after=0").json()["items"]
    named = {"part": "", "purpose": "shoot", "take": 1, "note": 1}
    assert (noted["kind"], noted["data"]) == (
        "take.noted",
        {**named, "camera": None, "first": 1, "last": 8, "text": "hold the look"},
    )
    assert (struck["kind"], struck["data"]) == ("note.struck", {**named, "reason": "no"})


def test_notes_are_on_a_take_that_is_there(coordinator: Caller, terminal: Caller) -> None:
    is_problem(coordinator.post(f"{SHOT}/takes/2/notes", {"text": "x"}), 404, "take-unknown")
    is_problem(coordinator.post(f"{TAKE}/notes?purpose=plate", {"text": "x"}), 404, "take-unknown")
    is_problem(coordinator.post(f"{TAKE}/notes/1/strike", {"reason": "x"}), 404, "note-unknown")
    post(terminal, count(2, 25, purpose="plate"))
    assert coordinator.post(f"{TAKE}/notes?purpose=plate", {"text": "a rig shows"}).json()["note"] == 1
    assert coordinator.get(f"{TAKE}/notes").json()["items"] == []


@pytest.mark.parametrize(
    ("body", "slug"),
    [
        ({"text": "x", "first": 9, "last": 3}, "range-backwards"),
        ({"text": "x", "first": 9}, "invalid-request"),
        ({"text": " "}, "invalid-request"),
        ({}, "invalid-request"),
        ({"text": "x", "camera": "witness"}, "camera-unknown"),
    ],
)
def test_a_note_that_speaks_of_nothing_is_refused(coordinator: Caller, body: dict[str, object], slug: str) -> None:
    is_problem(coordinator.post(f"{TAKE}/notes", body), 422, slug)
    assert coordinator.get(f"{TAKE}/notes").json()["items"] == []


def test_who_may_read_may_not_note(reader: Caller, coordinator: Caller) -> None:
    coordinator.post(f"{TAKE}/notes", {"text": "hold the look"})
    is_problem(reader.post(f"{TAKE}/notes", {"text": "x"}), 403, "role-missing")
    assert [each["text"] for each in reader.get(f"{TAKE}/notes").json()["items"]] == ["hold the look"]
