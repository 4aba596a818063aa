"""What can go on a stage now, over HTTP."""

from typing import Any

import pytest

from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin
from tests.api.test_bookings import book

Json = dict[str, Any]
PATH = "/v1/productions/lantern-bay/candidates"


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock) -> None:
    begin(database, clock)
    add_stage(database, clock, "mill")
    add_stage(database, clock, "barn")
    add_shot(database, phase="shooting", animator="Ilse")
    add_shot(database, "0130", phase="shooting", parts=[("", 2, None, None)])
    add_shot(database, "0140", phase="shooting", animator="Tove", parts=[("", 1, None, None)])
    add_shot(database, "0150")
    add_shot(database, "0160", phase="approved")


def ask(caller: Caller, **asked: str) -> Json:
    answer = caller.get(PATH, params={"stage": "mill", **asked})
    assert answer.status_code == 200, answer.text
    body: Json = answer.json()
    return body


def test_candidates_say_what_each_lacks_and_who_is_elsewhere(coordinator: Caller) -> None:
    here = book(coordinator, shot=None, activity="upkeep")["booking"]
    away = book(coordinator, stage="barn", shot="0130", animator="Tove")["booking"]

    told = ask(coordinator, at="2026-03-03T09:00:00Z")
    # Those planned for the mill or for no stage; what is approved needs none.
    assert [each["shot"] for each in told["candidates"]] == ["0120", "0140", "0150"]
    assert (told["ready_shots"], told["blocked_shots"], told["next_booking"]) == (1, 2, None)
    assert [each["booking"] for each in told["booked"]] == [here]
    taken, blocked = told["candidates"][1:]
    assert (taken["ready"], taken["free"]) == (True, False)
    assert [(each["booking"], each["whose"], each["stage"]) for each in taken["elsewhere"]] == [
        (away, "animator", "barn")
    ]
    assert [each["fact"] for each in blocked["blocked_by"]] == ["in the locked cut", "needs entered"]
    assert blocked["blocked_by"][1]["path"] == "/v1/productions/lantern-bay/shots/0150/needs"
    # Nothing is booked yet at the moment.
    now = ask(coordinator)
    assert (now["booked"], now["ready_shots"], now["next_booking"]) == ([], 2, "2026-03-03T08:00:00Z")


def test_how_long_it_will_take_is_told_to_coordinators(coordinator: Caller, reader: Caller) -> None:
    (first, *_) = ask(coordinator, limit="1")["candidates"]
    assert (first["remaining_frames"], first["expected"]["remaining_frames"]) == (96, 96)
    assert first["expected"]["reason"].startswith("No pace is known yet")
    assert {each["expected"] for each in ask(reader)["candidates"]} == {None}


def test_an_instant_that_cannot_be_reckoned_with_is_refused(coordinator: Caller) -> None:
    answer = coordinator.get(PATH, params={"stage": "mill", "at": "9999-12-31T00:00:00Z"})

    assert answer.status_code == 422
    assert "in the years 1970 to 9998" in answer.text
