"""A re-cut of an approved shot over HTTP: what the draft foretells is what the shot says once it is locked."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from sqlmodel import col

from service.domain.keys import Scope
from service.domain.signoffs import Role
from service.store.engine import Database
from service.store.tables import CutRow
from tests.api import scenes
from tests.api.conftest import Caller, Clock
from tests.api.scenes import count, decide, post
from tests.api.test_cuts import CUTS, lock, locked, send
from tests.api.test_moves import SHOT, finish
from tests.cutlists import edl

COMP = "comp delivered for the frames now accepted, or none asked for"
APPROVAL = "approval signed for the frames as they are"


@pytest.fixture(autouse=True)
def approved(
    database: Database, clock: Clock, mill: str, *, coordinator: Caller, terminal: Caller, director: Caller
) -> None:
    scenes.begin(database, clock)
    locked(coordinator, edl(("0110", 50), ("0120", 96)))
    finish(coordinator, terminal, director)


@pytest.fixture
def director(key: Callable[..., Caller]) -> Caller:
    return key(Scope.READ, roles=(Role.DIRECTOR,))


def stands(reader: Caller) -> tuple[list[str], list[str], bool]:
    """What the shot's phase rests on no more, what changed since its approval, and whether its record says so."""
    told = reader.get(f"{SHOT}/next").json()
    assert (told["phase"], told["blocked_by"]) == ("approved", [])
    lacks = [each["fact"] for each in told["no_longer"]]
    return lacks, told["approved_and_changed"], reader.get(SHOT).json()["changed_since_approval"]


def foretold(answer: Any) -> tuple[bool, bool | None, bool | None, str | None]:  # noqa: ANN401 -- any JSON
    (shot,) = (each for each in answer["differences"]["shots"] if each["shot"] == "0120")
    hand = shot["in_hand"]
    return (hand["reopens"], hand["comp_goes_out_of_date"], hand["approval_goes_out_of_date"], hand["phase"])


def test_a_draft_foretells_what_a_longer_and_a_shorter_cut_do_to_an_approved_shot(
    coordinator: Caller, reader: Caller, terminal: Caller
) -> None:
    assert stands(reader) == ([], [], False)

    drafted = send(coordinator, edl(("0110", 50), ("0120", 110)))
    assert foretold(drafted.json()) == (True, True, True, "approved")
    assert stands(reader) == ([], [], False)
    assert foretold(lock(coordinator, drafted).json()) == (True, True, True, "approved")
    # A cut that was locked goes on saying what it did.
    assert foretold(coordinator.get(f"{CUTS}/2").json()) == (True, True, True, "approved")
    longer = ["planned frames 1–96 became 1–110"]
    assert stands(reader) == (["planned frames accepted", COMP, APPROVAL], longer, True)
    detail = {each["fact"]: each["detail"] for each in reader.get(f"{SHOT}/next").json()["no_longer"]}
    assert detail[COMP] == "The comp is out of date, deliver it anew: frames 97–110 planned since."

    # The frames are shot: marked as after approval, and the comp waits for them.
    answer = post(terminal, count(8, 110)).json()["answers"][0]
    assert (answer["after_approval"], answer["remaining_frames"]) == (True, 0)
    assert stands(reader)[0] == [COMP, APPROVAL]
    waits = reader.get("/v1/productions/lantern-bay/blocked").json()["waits"]
    assert {each["who"] for each in waits for shot in each["shots"] if shot["shot"] == "0120"} == {
        "director",
        "compositor",
    }
    assert decide(coordinator, 1, "accept", first=97, last=110).status_code == 200

    shorter = send(coordinator, edl(("0110", 50), ("0120", 80)))
    assert foretold(shorter.json()) == (False, False, False, "approved")
    assert lock(coordinator, shorter).status_code == 200
    assert stands(reader)[0] == [APPROVAL]
    assert stands(reader)[2] is True


def test_a_cut_that_was_locked_before_this_was_kept_says_nothing_of_it(coordinator: Caller, database: Database) -> None:
    locked(coordinator, edl(("0110", 50), ("0120", 110)))
    with database.writing() as session:
        row = session.scalars(select(CutRow).where(col(CutRow.revision) == 2)).one()
        kept: Any = json.loads(json.dumps(row.differences))
        for shot in kept["shots"]:
            for name in ("phase", "comp_goes_out_of_date", "approval_goes_out_of_date"):
                del shot["in_hand"][name]
        row.differences = kept
    assert foretold(coordinator.get(f"{CUTS}/2").json()) == (True, None, None, None)


def test_an_omitted_approved_shot_comes_back_approved(coordinator: Caller, reader: Caller) -> None:
    gone = locked(coordinator, edl(("0110", 50)))
    assert foretold(gone) == (False, False, True, "approved")
    assert reader.get(f"{SHOT}/next").json()["omitted"] is True
    locked(coordinator, edl(("0110", 50), ("0120", 96)))
    assert stands(reader) == ([], [], False)
