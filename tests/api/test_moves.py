"""Moves and sign-offs over HTTP: a shot all the way, what blocks it, who may, and two who act at once."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from httpx import Response

from service.actions import productions, shots, suspensions
from service.domain.keys import Scope
from service.domain.phases import Phase
from service.domain.signoffs import Role
from service.store import moves
from service.store.engine import Database, Dialect
from tests.api import scenes
from tests.api.conftest import Caller, Clock
from tests.api.scenes import count, decide, post
from tests.api.test_needs_drafts import waits_for_a_lock
from tests.workers.strangers import until

SHOT = "/v1/productions/lantern-bay/shots/0120"
PURPOSES = ("plate", "rehearsal", "shoot")
NEEDS = {"set": "quay", "rig": True, "dialogue": True}


@pytest.fixture(autouse=True)
def shot(database: Database, clock: Clock, mill: str) -> None:
    scenes.begin(database, clock)
    scenes.add_shot(database, cut_revision=1)


@pytest.fixture
def director(key: Callable[..., Caller]) -> Caller:
    return key(Scope.READ, roles=(Role.DIRECTOR,))


def act(caller: Caller, path: str, body: object = None, *, shot: str = SHOT) -> Response:
    """Write as whoever has just read the shot."""
    etag = caller.get(shot).headers["ETag"]
    return caller.post(f"{shot}/{path}", body, headers={"If-Match": etag})


def move(caller: Caller, to: str, **more: object) -> Response:
    return act(caller, "moves", {"to": to, **more})


def sign(caller: Caller, matter: str, **more: object) -> Response:
    return act(caller, "signoffs", {"matter": matter, **more})


def blocked_by(caller: Caller) -> list[str]:
    return [lack["fact"] for lack in caller.get(f"{SHOT}/next").json()["blocked_by"]]


def enter_needs(coordinator: Caller, **more: object) -> None:
    answer = coordinator.send("PUT", f"{SHOT}/needs", json={**NEEDS, **more})
    assert answer.status_code == 201, answer.text


def name_animator(coordinator: Caller) -> None:
    assert coordinator.change(SHOT, {"animator": "Ilse"}).status_code == 200


def dress(coordinator: Caller) -> None:
    """Take the shot to shooting."""
    enter_needs(coordinator)
    assert move(coordinator, "set dressing").status_code == 201
    assert sign(coordinator, "set approved", signer="Ada Quill").status_code == 201
    assert sign(coordinator, "framing approved", role="director", signer="Ada Quill").status_code == 201
    assert sign(coordinator, "framing approved", role="camera operator", signer="Tom Reed").status_code == 201
    assert sign(coordinator, "dialogue cut in", signer="May Sand").status_code == 201
    name_animator(coordinator)
    assert move(coordinator, "shooting").status_code == 201


def shoot(coordinator: Caller, terminal: Caller) -> None:
    """Shoot and circle all of it, and the plate, and take it to compositing."""
    plate = {"purpose": "plate", "outcome": "finished"}
    counts = (count(1, 96, outcome="finished"), count(2, 25, **plate))
    assert post(terminal, *counts).status_code == 200
    assert move(coordinator, "background plate").status_code == 201
    assert decide(coordinator, 1, "circle").status_code == 200
    assert sign(coordinator, "plate accepted", signer="Tom Reed").status_code == 201
    assert move(coordinator, "compositing").status_code == 201


def finish(coordinator: Caller, terminal: Caller, director: Caller) -> None:
    """Take the shot to approved."""
    dress(coordinator)
    shoot(coordinator, terminal)
    approve(coordinator, director)


def approve(coordinator: Caller, director: Caller) -> None:
    """Take the shot from compositing to approved."""
    assert sign(coordinator, "comp delivered", signer="Nils Oak").status_code == 201
    assert move(coordinator, "approval").status_code == 201
    assert move(director, "approved").status_code == 201


def test_a_shot_goes_all_the_way_and_each_step_says_what_it_waits_for(
    coordinator: Caller, terminal: Caller, director: Caller, reader: Caller
) -> None:
    assert blocked_by(reader) == ["needs entered"]
    refused = move(coordinator, "set dressing")
    assert refused.status_code == 409
    assert refused.json()["type"] == "/problems/not-ready"
    assert refused.json()["lacks"][0]["path"] == f"{SHOT}/needs"
    assert "Nobody has entered what the shot needs" in refused.json()["detail"]
    finish(coordinator, terminal, director)
    shown = reader.get(SHOT).json()
    assert shown["phase"] == "approved"
    assert blocked_by(reader) == []
    moves = reader.get(f"{SHOT}/moves").json()["items"]
    assert [each["to"] for each in moves] == [phase.value for phase in Phase][1:]
    assert not any(each["lacked"] for each in moves)
    signed = reader.get(f"{SHOT}/signoffs").json()["items"]
    assert [each["matter"] for each in signed][-1] == "approval"
    assert signed[-1]["digest"]


def test_a_refused_approval_leaves_no_sign_off_behind(coordinator: Caller, director: Caller, reader: Caller) -> None:
    assert move(coordinator, "set dressing", override=True, reason="a test of the light").status_code == 201
    assert move(director, "approved").json()["type"] == "/problems/no-way"
    assert reader.get(f"{SHOT}/signoffs").json()["items"] == []


def test_back_needs_a_cause_and_on_takes_none(coordinator: Caller) -> None:
    enter_needs(coordinator)
    unfit = move(coordinator, "set dressing", cause="light").json()
    assert unfit["type"] == "/problems/cause-unfit"
    assert (unfit["shot"], unfit["phase"]) == (SHOT.rpartition("/")[2], "planning")
    assert move(coordinator, "set dressing").status_code == 201
    refused = move(coordinator, "planning")
    assert refused.status_code == 422
    assert refused.json()["causes"][0] == "performance"
    made = move(coordinator, "planning", cause="story", reason="the scene is rewritten")
    assert made.json()["cause"] == "story"


def test_an_override_needs_a_reason_and_shows_for_ever(coordinator: Caller, reader: Caller) -> None:
    refused = move(coordinator, "set dressing", override=True)
    assert refused.json()["type"] == "/problems/reason-missing"
    made = move(coordinator, "set dressing", override=True, reason="the set stands since spring")
    assert made.json()["lacked"] == ["needs entered"]
    assert reader.get(f"{SHOT}/moves").json()["items"][0]["reason"] == "the set stands since spring"


def test_no_override_passes_over_a_suspension_or_an_approval(
    coordinator: Caller, terminal: Caller, director: Caller
) -> None:
    dress(coordinator)
    shoot(coordinator, terminal)
    sign(coordinator, "comp delivered", signer="Nils Oak")
    assert coordinator.change(SHOT, {"suspended": True}).json()["type"] == "/problems/suspension-reason-missing"
    suspended = coordinator.change(SHOT, {"suspended": True, "reason": "the armature broke"}).json()
    assert (suspended["suspended"], suspended["phase"]) == ("the armature broke", "compositing")
    refused = move(coordinator, "approval", override=True, reason="hurry")
    assert refused.status_code == 409
    assert [each["fact"] for each in refused.json()["lacks"]] == ["not suspended"]
    assert coordinator.change(SHOT, {"suspended": True, "reason": "again"}).json()["rev"] == suspended["rev"]
    assert coordinator.change(SHOT, {"suspended": False}).json()["suspended"] is None
    assert move(coordinator, "approval").status_code == 201
    refused = move(coordinator, "approved", override=True, reason="hurry")
    assert [each["fact"] for each in refused.json()["lacks"]] == ["approval signed for the frames as they are"]
    assert move(director, "approved").status_code == 201


def test_who_may_sign_and_move(
    coordinator: Caller, director: Caller, reader: Caller, key: Callable[..., Caller]
) -> None:
    refused = sign(reader, "set approved").json()
    assert refused["type"] == "/problems/not-theirs"
    assert refused["detail"].endswith(
        "use the key of the director, or have a coordinator enter it with them as `signer`."
    )
    assert sign(coordinator, "set approved").json()["type"] == "/problems/signer-missing"
    assert sign(director, "set approved", role="editor").json()["type"] == "/problems/role-unfit"
    assert sign(coordinator, "framing approved", signer="Ada Quill").json()["type"] == "/problems/role-unclear"
    assert sign(director, "framing approved").json()["role"] == "director"
    assert sign(director, "framing approved").json()["type"] == "/problems/signed-already"
    assert move(director, "set dressing").json()["type"] == "/problems/scope-too-narrow"
    refused = sign(coordinator, "approval", signer="Ada Quill").json()
    assert (refused["type"], "coordinator" in refused["detail"]) == ("/problems/not-theirs", False)
    assert sign(director, "approval").json()["type"] == "/problems/not-in-approval"
    editor = key(Scope.READ, roles=(Role.EDITOR,))
    first = director.get(f"{SHOT}/signoffs").json()["items"][0]["id"]
    path = f"{SHOT}/signoffs/{first}"
    etag = director.get(path).headers["ETag"]
    withdrawal = {"reason": "the horizon was wrong"}
    refused = editor.post(f"{path}/withdraw", withdrawal, headers={"If-Match": etag})
    assert (refused.json()["type"], refused.json()["role"]) == ("/problems/role-missing", "director")
    assert director.post(f"{path}/withdraw", withdrawal, headers={"If-Match": etag}).status_code == 200
    etag = director.get(path).headers["ETag"]
    again = director.post(f"{path}/withdraw", withdrawal, headers={"If-Match": etag})
    assert again.json()["type"] == "/problems/withdrawn-already"


def test_a_count_after_approval_is_kept_and_the_shot_is_approved_and_changed(
    coordinator: Caller, terminal: Caller, director: Caller, reader: Caller
) -> None:
    dress(coordinator)
    assert reader.get(SHOT).json()["changed_since_approval"] is None
    shoot(coordinator, terminal)
    approve(coordinator, director)
    noted = coordinator.post(f"{SHOT}/takes/1/notes", {"text": "hold the look"})
    assert (noted.status_code, reader.get(SHOT).json()["changed_since_approval"]) == (201, False)
    answer = post(terminal, count(3, 3, take=2)).json()["answers"][0]
    assert (answer["outcome"], answer["after_approval"]) == ("counted", True)
    assert answer["credited_frames"] == 96
    again = post(terminal, count(3, 3, take=2)).json()["answers"][0]
    assert (again["outcome"], again["after_approval"]) == ("repeated", True)
    plate = post(terminal, count(4, 25, purpose="plate")).json()["answers"][0]
    assert (plate["outcome"], plate["after_approval"]) == ("counted", False)
    last, *_ = reader.get(f"{SHOT}/history?order=newest&kind=frames.counted&limit=2").json()["items"]
    assert last["data"]["after_approval"] is False
    counted = reader.get(f"{SHOT}/history?kind=frames.counted").json()["items"]
    assert [each["data"]["after_approval"] for each in counted] == [False, False, True, False]
    assert counted[2]["said"] == "Take 2 on stage mill reached 3 frames (3 more), after the shot was approved."
    (shown,) = reader.get("/v1/productions/lantern-bay/shots?phase=approved").json()["items"]
    assert shown["changed_since_approval"] is reader.get(SHOT).json()["changed_since_approval"] is True
    told = reader.get(f"{SHOT}/next").json()
    assert told["phase"] == "approved"
    assert told["approved_and_changed"] == ["frames 1–3 of take 2 shot since"]
    assert [each["fact"] for each in told["no_longer"]] == ["approval signed for the frames as they are"]


def test_frames_deleted_and_shot_again_after_approval_are_other_frames(
    coordinator: Caller, terminal: Caller, director: Caller, reader: Caller
) -> None:
    finish(coordinator, terminal, director)
    post(terminal, count(3, 85), count(4, 96))
    told = reader.get(f"{SHOT}/next").json()
    assert told["approved_and_changed"] == ["frames 86–96 of take 1 shot again since"]
    assert {each["fact"] for each in told["no_longer"]} >= {
        "comp delivered for the frames now accepted, or none asked for"
    }
    # Signed without its comp it would wait for nobody any more.
    early = sign(director, "approval")
    assert (early.status_code, early.json()["type"]) == (409, "/problems/not-anew")
    assert [lack["fact"] for lack in early.json()["lacks"]] == [
        "comp delivered for the frames now accepted, or none asked for"
    ]
    assert sign(coordinator, "comp delivered", signer="Nils Oak").status_code == 201
    assert sign(director, "approval").status_code == 201
    assert reader.get(f"{SHOT}/next").json()["approved_and_changed"] == []
    assert reader.get(SHOT).json()["changed_since_approval"] is False


def test_a_lost_count_that_is_matched_to_an_approved_shot_is_said_to_come_after_approval(
    coordinator: Caller, terminal: Caller, director: Caller, reader: Caller
) -> None:
    """By the order of the log: it was captured and received before the approval."""
    dress(coordinator)
    shoot(coordinator, terminal)
    lost = [count(9 + number, 12, shot="O120", take=3 + number, purpose=of) for number, of in enumerate(PURPOSES)]
    post(terminal, *lost)
    approve(coordinator, director)
    first, *rest = [each["id"] for each in coordinator.get("/v1/counts/unmatched").json()["items"]]
    here = {"production": "lantern-bay", "shot": "0120"}
    plate = coordinator.post(f"/v1/counts/unmatched/{first}/match", here).json()
    assert plate["after_approval"] is False
    assert reader.get(SHOT).json()["changed_since_approval"] is False
    many = {**here, "ids": rest}
    before = coordinator.post("/v1/counts/unmatched/match", {**many, "preview": True}).json()
    matched = coordinator.post("/v1/counts/unmatched/match", many).json()
    assert (before["after_approval"], matched["after_approval"]) == (True, True)
    told = reader.get(f"{SHOT}/history?kind=frames.matched").json()["items"]
    assert [each["data"]["after_approval"] for each in told] == [False, False, True]
    assert told[-1]["said"].endswith(" (12 more), after the shot was approved.")
    assert reader.get(SHOT).json()["changed_since_approval"] is True
    assert matched["shots"][0]["after"]["credited_frames"] == matched["shots"][0]["before"]["credited_frames"] == 96


def test_another_take_circled_after_the_comp_puts_it_out_of_date(
    coordinator: Caller, terminal: Caller, reader: Caller
) -> None:
    dress(coordinator)
    shoot(coordinator, terminal)
    assert sign(coordinator, "comp delivered", signer="Nils Oak").status_code == 201
    assert sign(coordinator, "comp delivered", signer="Nils Oak").json()["type"] == "/problems/signed-already"
    post(terminal, count(5, 96, take=2, outcome="finished"))
    decide(coordinator, 1, "reject")
    decide(coordinator, 2, "circle")
    refused = move(coordinator, "approval")
    assert "The comp is out of date, deliver it anew: frames 1–96 of take 2 accepted since." in refused.json()["detail"]
    assert sign(coordinator, "comp delivered", signer="Nils Oak").status_code == 201
    assert move(coordinator, "approval").status_code == 201


def test_a_shot_without_rig_and_comp_goes_from_shooting_to_approval(coordinator: Caller, terminal: Caller) -> None:
    enter_needs(coordinator, rig=False, dialogue=False)
    move(coordinator, "set dressing")
    assert move(coordinator, "shooting", override=True, reason="a pick-up in a standing set").status_code == 201
    refused = move(coordinator, "compositing")
    assert "a comp asked for" in [each["fact"] for each in refused.json()["lacks"]]
    post(terminal, count(1, 96, outcome="finished"))
    decide(coordinator, 1, "circle")
    assert move(coordinator, "approval").status_code == 201


def test_of_two_coordinators_one_is_told_the_state_has_changed(coordinator: Caller, key: Callable[..., Caller]) -> None:
    enter_needs(coordinator)
    other = key(Scope.COORDINATE)
    etag = coordinator.get(SHOT).headers["ETag"]

    def go(caller: Caller) -> Response:
        return caller.post(f"{SHOT}/moves", {"to": "set dressing"}, headers={"If-Match": etag})

    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(go, (coordinator, other)))
    assert sorted(each.status_code for each in answers) == [201, 412]
    stale = next(each for each in answers if each.status_code == 412).json()
    assert stale["current"]["phase"] == "set dressing"
    assert len(coordinator.get(f"{SHOT}/moves").json()["items"]) == 1


def test_of_two_approvers_one_is_told_and_nothing_is_overwritten(
    coordinator: Caller, terminal: Caller, director: Caller, key: Callable[..., Caller]
) -> None:
    dress(coordinator)
    shoot(coordinator, terminal)
    sign(coordinator, "comp delivered", signer="Nils Oak")
    move(coordinator, "approval")
    other = key(Scope.READ, roles=(Role.DIRECTOR,))
    etag = director.get(SHOT).headers["ETag"]

    def approve(caller: Caller) -> Response:
        return caller.post(f"{SHOT}/moves", {"to": "approved"}, headers={"If-Match": etag})

    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(approve, (director, other)))
    assert sorted(each.status_code for each in answers) == [201, 412]
    approvals = [each for each in director.get(f"{SHOT}/signoffs").json()["items"] if each["matter"] == "approval"]
    assert len(approvals) == 1


def test_the_etag_of_next_names_the_shot(coordinator: Caller) -> None:
    etag = coordinator.get(f"{SHOT}/next").headers["ETag"]
    enter_needs(coordinator)
    made = coordinator.post(f"{SHOT}/moves", {"to": "set dressing"}, headers={"If-Match": etag})
    assert made.status_code in {201, 412}
    assert coordinator.post(f"{SHOT}/moves", {"to": "planning", "cause": "story"}).status_code == 428


def test_many_shots_move_together_or_not_at_all(database: Database, coordinator: Caller) -> None:
    scenes.add_shot(database, "0130", cut_revision=1)
    enter_needs(coordinator)
    asked: dict[str, Any] = {"shots": [{"shot": "0120"}, {"shot": "0130"}], "to": "set dressing"}
    path = "/v1/productions/lantern-bay/moves"
    preview = coordinator.post(path, {**asked, "preview": True}).json()
    assert preview["moved"] is False
    assert [each["refused"] and each["refused"]["type"] for each in preview["items"]] == [None, "/problems/not-ready"]
    refused = coordinator.post(path, asked)
    assert refused.status_code == 409
    assert [each["shot"] for each in refused.json()["refused"]] == ["0130"]
    assert coordinator.get(SHOT).json()["phase"] == "planning"
    rev = coordinator.get(SHOT).json()["rev"]
    asked["shots"] = [{"shot": "0120", "rev": rev + 1}, {"shot": "0130"}]
    assert coordinator.post(path, asked).json()["type"] == "/problems/not-all-as-read"
    asked |= {"shots": [{"shot": "0120", "rev": rev}, {"shot": "0130"}], "override": True, "reason": "the quay stands"}
    moved = coordinator.post(path, asked).json()
    assert moved["moved"] is True
    assert [each["set_aside"] for each in moved["items"]] == [[], ["needs entered"]]
    assert coordinator.post(path, {**asked, "shots": [{"shot": "0120"}, {"shot": "0120"}]}).status_code == 422


def test_a_plate_is_counted_in_any_phase(coordinator: Caller, terminal: Caller) -> None:
    """Common practice: the plate is shot at once, while the lamps are hot."""
    answer = post(terminal, count(1, 25, purpose="plate")).json()["answers"][0]
    assert answer["outcome"] == "counted"
    assert coordinator.get(SHOT).json()["phase"] == "planning"


def test_whoever_moves_waits_for_a_change_that_is_under_way_and_is_told_of_it(
    coordinator: Caller, database: Database, clock: Clock
) -> None:
    enter_needs(coordinator)
    etag = coordinator.get(SHOT).headers["ETag"]
    with ThreadPoolExecutor(1) as pool:
        with database.writing() as session:
            of = productions.find(session, "lantern-bay")
            row = shots.find(session, of, "0120", lock=True)
            suspensions.change(session, of, row, suspended=True, reason="rain", by="office", now=clock())
            body = {"to": "set dressing"}
            answering = pool.submit(coordinator.post, f"{SHOT}/moves", body, headers={"If-Match": etag})
            if database.dialect is Dialect.POSTGRESQL:
                until(lambda: waits_for_a_lock(database))
        response = answering.result()
    assert (response.status_code, response.json()["type"]) == (412, "/problems/stale")
    assert response.json()["current"]["suspended"] == "rain"


def test_shots_are_listed_by_phase_by_what_blocks_them_and_by_whom_they_are_animated(
    database: Database, coordinator: Caller
) -> None:
    scenes.add_shot(database, "0130")
    scenes.add_shot(database, "0140", cut_revision=1, omitted=True)
    scenes.add_shot(database, "0150", cut_revision=1, phase="shooting")
    enter_needs(coordinator)
    name_animator(coordinator)
    assert move(coordinator, "set dressing").status_code == 201
    third = "/v1/productions/lantern-bay/shots/0150"
    coordinator.change(third, {"suspended": True, "reason": "rain"})

    def found(**asked: object) -> list[str]:
        answer = coordinator.get("/v1/productions/lantern-bay/shots", params=asked)
        assert answer.status_code == 200, answer.text
        return [each["code"] for each in answer.json()["items"]]

    assert found(phase="planning") == ["0130", "0140"]
    assert found(animator="Ilse") == ["0120"]
    assert found(suspended=True) == ["0150"]
    assert found(in_hand=True) == ["0120"]
    assert found(in_hand=False) == ["0130", "0140", "0150"]
    assert found(blocked_by="in the locked cut") == ["0130"]
    assert found(blocked_by="set approved") == ["0120"]
    assert found(blocked_by="not suspended") == ["0150"]
    assert found(blocked_by="set approved", episode="101", phase="planning") == []
    coordinator.change(third, {"suspended": False})
    assert found(blocked_by="needs entered") == ["0130", "0150"]
    first = coordinator.get("/v1/productions/lantern-bay/shots", params={"blocked_by": "needs entered", "limit": 1})
    assert [each["code"] for each in first.json()["items"]] == ["0130"]
    assert found(blocked_by="needs entered", limit=1, cursor=first.json()["next"]) == ["0150"]


def test_a_page_of_what_is_blocked_ends_where_enough_was_looked_at(
    database: Database, coordinator: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(moves, "JUDGED_AT_ONCE", 1)
    monkeypatch.setattr(moves, "MOST_JUDGED", 2)
    for code in ("0130", "0140", "0150"):
        scenes.add_shot(database, code, cut_revision=None if code == "0150" else 1)
    path, asked = "/v1/productions/lantern-bay/shots", {"blocked_by": "in the locked cut"}
    first = coordinator.get(path, params=asked).json()
    assert first["items"] == []
    second = coordinator.get(path, params={**asked, "cursor": first["next"]}).json()
    assert [each["code"] for each in second["items"]] == ["0150"]


def test_a_move_to_where_a_shot_is_says_so_and_where_it_goes(coordinator: Caller) -> None:
    refused = move(coordinator, "planning").json()
    assert (refused["type"], refused["ways"][0]) == ("/problems/there-already", "set dressing")
    assert "is in planning already, since 20" in refused["detail"]


def test_a_director_decides_and_notes_with_a_key_that_reads(
    coordinator: Caller, terminal: Caller, director: Caller
) -> None:
    assert post(terminal, count(1, 96, outcome="finished")).status_code == 200
    path = f"{SHOT}/takes/1"
    etag = director.get(path).headers["ETag"]
    assert director.post(f"{path}/decisions", {"verdict": "reject"}, headers={"If-Match": etag}).status_code == 200
    assert director.post(f"{path}/notes", {"text": "the wink is late"}).status_code == 201
    decided, noted = coordinator.get(f"{SHOT}/history").json()["items"][-2:]
    assert (decided["kind"], noted["kind"]) == ("take.decided", "take.noted")
    assert decided["by"] == noted["by"] == "read-2"
