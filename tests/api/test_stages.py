"""Stages and the terminals beside them over HTTP."""

from service.store import events
from service.store.engine import Database
from tests.api.conftest import Caller
from tests.api.test_doors import is_problem, pointers


def test_stage_is_added_renamed_and_listed(coordinator: Caller) -> None:
    added = coordinator.post("/v1/stages", {"code": "mill", "name": "  The Mill "})
    assert added.status_code == 201
    assert added.headers["Location"] == "/v1/stages/mill"
    assert added.json() == {"code": "mill", "name": "The Mill", "rev": 1, "added_at": "2026-03-02T10:00:00Z"}
    changed = coordinator.change("/v1/stages/mill", {"name": "The Old Mill"})
    assert (changed.json()["name"], changed.json()["rev"]) == ("The Old Mill", 2)
    assert changed.headers["ETag"].startswith('"2.0.')
    assert coordinator.get("/v1/stages").json()["items"] == [changed.json()]


def test_change_to_the_same_is_no_change(coordinator: Caller, database: Database) -> None:
    coordinator.post("/v1/stages", {"code": "mill", "name": "The Mill"})
    assert coordinator.change("/v1/stages/mill", {"name": "The Mill"}).json()["rev"] == 1
    with database.reading() as session:
        kinds = [event.kind for event in events.read_after(session, 0, limit=100)]
    assert kinds == ["key.made", "stage.added"]


def test_stage_code_is_given_once(coordinator: Caller) -> None:
    coordinator.post("/v1/stages", {"code": "mill", "name": "The Mill"})
    problem = is_problem(coordinator.post("/v1/stages", {"code": "mill", "name": "Another"}), 409, "stage-taken")
    assert pointers(problem) == ["#/code"]
    assert coordinator.get("/v1/stages/mill").json()["name"] == "The Mill"


def test_terminal_moves_with_its_keys(coordinator: Caller, admin: Caller, terminal: Caller) -> None:
    assert admin.post("/v1/keys", {"name": "spare", "scope": "count", "terminal": "mill-capture"}).status_code == 201
    admin.post("/v1/keys/spare/revoke")
    coordinator.post("/v1/stages", {"code": "harbour", "name": "Harbour"})
    moved = coordinator.change("/v1/terminals/mill-capture", {"stage": "harbour"})
    assert moved.json() == {
        "terminal": "mill-capture",
        "stage": "harbour",
        "last_seen_at": None,
        "silent_since": None,
        "spool": None,
        "queued": None,
        "clock_ahead_s": None,
        "rev": 2,
        "added_at": "2026-03-02T10:00:00Z",
    }
    stages = {key["name"]: key["stage"] for key in admin.get("/v1/keys").json()["items"] if key["scope"] == "count"}
    # A revoked key opens nothing, so it stays a record of where it was.
    assert stages == {"count-2": "harbour", "spare": "mill"}


def test_terminal_needs_a_stage_that_exists(coordinator: Caller) -> None:
    response = coordinator.post("/v1/terminals", {"terminal": "t", "stage": "nowhere"})
    assert pointers(is_problem(response, 422, "unfit-fields")) == ["#/stage"]
    assert coordinator.get("/v1/terminals").json()["items"] == []


def test_terminal_name_is_given_once(coordinator: Caller, mill: str) -> None:
    response = coordinator.post("/v1/terminals", {"terminal": "mill-capture", "stage": mill})
    is_problem(response, 409, "terminal-taken")
    is_problem(coordinator.get("/v1/terminals/other"), 404, "terminal-unknown")
