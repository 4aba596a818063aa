"""The strike list over HTTP."""

from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, begin, count, decide, post
from tests.api.test_bookings import book

PATH = "/v1/productions/lantern-bay/strike-list"


def test_a_set_is_struck_once_its_shots_are_accepted_and_nobody_holds_it(
    database: Database, clock: Clock, coordinator: Caller, reader: Caller, terminal: Caller
) -> None:
    begin(database, clock)
    for code in ("0120", "0130", "0140"):
        add_shot(database, code, phase="shooting")
        needs = {"set": "attic" if code == "0140" else "quay"}
        assert coordinator.send("PUT", f"/v1/productions/lantern-bay/shots/{code}/needs", json=needs).is_success
    assert post(terminal, count(1, 96), count(2, 96, shot="0130")).is_success
    assert decide(coordinator, 1, "circle").is_success
    number = book(coordinator, activity="holding", note="may be shot again")["booking"]

    told = reader.get(PATH).json()
    assert (told["may_be_struck"], told["hindered"]) == (0, 2)
    (attic, quay) = told["sets"]
    assert ([each["shot"] for each in attic["lacks"]], quay["shots"]) == (["0140"], 2)
    assert [(each["shot"], each["fact"]) for each in quay["lacks"]] == [("0130", "planned frames accepted")]
    assert quay["lacks"][0]["path"] == "/v1/productions/lantern-bay/shots/0130/takes/1/decisions"
    assert [(each["booking"], each["note"]) for each in quay["wanted_by"]] == [(number, "may be shot again")]
    assert told["cautions"] == ["Weights and rigging are not checked here; a trained person decides."]

    assert decide(coordinator, 1, "circle", shot="0130").is_success
    coordinator.post(f"/v1/bookings/{number}/cancel", {"reason": "accepted"}, headers={"If-Match": "*"})
    told = reader.get(PATH, params={"limit": "1"}).json()
    assert [(each["set"], each["may_be_struck"]) for each in told["sets"]] == [("quay", True)]
