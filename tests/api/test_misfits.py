"""Which bookings a shot's move, omission, restoring, re-cut and merge touch, over HTTP."""

import threading
from collections.abc import Callable
from typing import Any

import pytest

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin, catch_up, count, post
from tests.api.test_bookings import ALL, book, numbers
from tests.api.test_cuts import lock as lock_cut
from tests.api.test_cuts import locked, send
from tests.cutlists import edl

Json = dict[str, Any]
SHOTS = "/v1/productions/lantern-bay/shots"
SHOT = f"{SHOTS}/0120"


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock) -> None:
    begin(database, clock)
    add_stage(database, clock, "mill")
    add_stage(database, clock, "barn")


def day(number: int, **more: object) -> Json:
    return {"start": f"2026-03-{number:02}T08:00:00Z", "end": f"2026-03-{number:02}T17:00:00Z", **more}


def change(caller: Caller, shot: str = SHOT, **said: object) -> Json:
    answer = caller.change(shot, said)
    assert answer.status_code == 200, answer.text
    body: Json = answer.json()
    return body


def fates(bookings: list[Json]) -> dict[int, str]:
    return {each["booking"]: each["becomes"] for each in bookings}


def misfits(bookings: list[Json]) -> dict[int, list[str]]:
    return {each["booking"]: [one["misfit"] for one in each["misfits"]] for each in bookings}


def test_an_omission_releases_what_is_booked_and_a_restoring_brings_it_back(
    database: Database, clock: Clock, coordinator: Caller
) -> None:
    """Hard case of the trade: omitted while shooting, then restored, and all of it is back."""
    add_shot(database)
    clock.pass_time(hours=4)
    over = book(coordinator, **day(1))["booking"]
    kept, gone, taken = (book(coordinator, **day(number))["booking"] for number in (3, 4, 5))
    strike = book(coordinator, **day(6, activity="strike"))["booking"]

    omitted = change(coordinator, omitted=True, reason="the scene was cut")
    assert fates(omitted["bookings"]) == {kept: "released", gone: "released", taken: "released", strike: "stays"}
    assert numbers(coordinator) == [over, strike]
    read = coordinator.get(f"{ALL}/{kept}").json()
    assert read["cancel_reason"] == "its shot was omitted: the scene was cut"

    book(coordinator, **day(5, shot=None))
    clock.pass_time(days=1, hours=6)
    restored = change(coordinator, omitted=False)
    assert fates(restored["bookings"]) == {kept: "lost", gone: "brought back", taken: "lost", strike: "stays"}
    whys = {each["booking"]: each["why"] for each in restored["bookings"]}
    assert whys[kept] == "its time has gone by"
    assert whys[taken] == f"its stage is promised to booking {strike + 1} by now"
    back = coordinator.get(f"{ALL}/{gone}").json()
    assert (back["firmness"], back["cancelled_at"], back["cancel_reason"]) == ("pencilled", None, None)
    # What was lost is lost: another omission and restoring brings back what it released, and no more.
    assert fates(change(coordinator, omitted=True)["bookings"]) == {gone: "released", strike: "stays"}
    assert fates(change(coordinator, omitted=False)["bookings"]) == {gone: "brought back", strike: "stays"}
    told = coordinator.get(f"{SHOT}/history", params={"limit": "500"}).json()["items"]
    said = [each["said"] for each in told if each["kind"] in {"booking.restored", "booking.lost"}]
    assert [each.partition(":")[0] for each in said].count("Did not come back") == 2
    assert len(said) == 4


def test_a_booking_that_is_under_way_is_cut_and_its_rest_comes_back(
    database: Database, clock: Clock, coordinator: Caller
) -> None:
    add_shot(database)
    # The clock shows 10:00 on the second.
    long: Json = {"start": "2026-03-02T08:00:00Z", "end": "2026-03-06T17:00:00Z"}
    number = book(coordinator, **long, animator="Ilse")["booking"]

    omitted = change(coordinator, omitted=True)["bookings"]
    rest = omitted[1]["booking"]
    assert fates(omitted) == {number: "shortened", rest: "released"}
    assert coordinator.get(f"{ALL}/{rest}").json()["firmness"] == "confirmed"
    kept = coordinator.get(f"{ALL}/{number}").json()
    assert (kept["end"], kept["firmness"], kept["cancelled_at"]) == ("2026-03-02T10:00:00Z", "confirmed", None)
    assert coordinator.get(f"{ALL}/{rest}").json()["start"] == "2026-03-02T10:00:00Z"
    # While it was gone, others had the stage for a while.
    book(coordinator, **day(3, shot=None))
    clock.pass_time(days=2, microseconds=5)
    restored = change(coordinator, omitted=False)["bookings"]
    assert fates(restored) == {rest: "brought back"}
    back = coordinator.get(f"{ALL}/{rest}").json()
    assert (back["start"], back["end"], back["animator"]) == ("2026-03-04T10:00:01Z", "2026-03-06T17:00:00Z", "Ilse")
    assert [each["booking"] for each in back["clashes"]] == []


def test_an_omitted_shot_is_booked_for_what_is_left_to_do_on_the_stage_alone(
    database: Database, coordinator: Caller
) -> None:
    add_shot(database, omitted=True)

    problem = book(coordinator, 422)
    assert problem["errors"][0]["detail"].startswith("Shot 0120 is omitted: restore it first.")
    assert book(coordinator, activity="strike")["booking"] == 1


def test_an_omission_and_a_move_of_the_same_bookings_at_once_leave_nothing_half_done(
    database: Database, coordinator: Caller
) -> None:
    add_shot(database)
    own = [book(coordinator, **day(number))["booking"] for number in range(3, 9)]
    answers: list[int] = []

    def flip(omitted: bool) -> None:  # noqa: FBT001 -- what a thread is given
        said = {"omitted": omitted}
        answers.append(coordinator.send("PATCH", SHOT, json=said, headers={"If-Match": "*"}).status_code)

    def shift(order: int) -> None:
        named = [{"booking": number} for number in own[::order]]
        answers.append(coordinator.post("/v1/rebookings", {"bookings": named, "shift_days": 1}).status_code)

    threads = [
        threading.Thread(target=act, args=(what,))
        for act, what in ((flip, True), (shift, 1), (shift, -1), (flip, False), (shift, 1), (flip, True), (shift, -1))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert set(answers) <= {200, 409}
    assert answers.count(200) >= 3
    # Whoever came last: all of them stand, or none does.
    standing = coordinator.get(SHOT).json()["omitted"] is False
    assert numbers(coordinator) == (own if standing else [])
    starts = {coordinator.get(f"{ALL}/{number}").json()["start"][:10] for number in own}
    assert len(starts) == len(own)


def test_a_booking_that_somebody_cancelled_does_not_come_back(database: Database, coordinator: Caller) -> None:
    add_shot(database)
    number = book(coordinator)["booking"]
    coordinator.post(f"{ALL}/{number}/cancel", {"reason": "no lamps"}, headers={"If-Match": "*"})

    change(coordinator, omitted=True)
    assert change(coordinator, omitted=False)["bookings"] == []


def test_a_move_and_its_preview_say_which_bookings_do_not_fit_any_more(database: Database, coordinator: Caller) -> None:
    add_shot(database, cut_revision=1, phase="shooting")
    add_shot(database, "0130")
    number = book(coordinator)["booking"]
    plate = book(coordinator, **day(5, activity="plate"))["booking"]

    many = {"shots": [{"shot": "0120"}], "to": "compositing", "override": True, "reason": "as agreed", "preview": True}
    (tried,) = coordinator.post("/v1/productions/lantern-bay/moves", many).json()["items"]
    assert (tried["refused"], misfits(tried["bookings"])) == (None, {number: ["phase past"], plate: ["phase past"]})
    assert tried["bookings"][0]["path"] == f"{ALL}/{number}"
    one = {"to": "background plate", "override": True, "reason": "as agreed"}
    moved = coordinator.post(f"{SHOT}/moves", one, headers={"If-Match": "*"}).json()
    assert misfits(moved["bookings"]) == {number: ["phase past"], plate: []}
    assert change(coordinator, f"{SHOTS}/0130", suspended=True, reason="broken")["bookings"] == []
    assert misfits(change(coordinator, suspended=True, reason="broken")["bookings"])[plate] == ["shot suspended"]


def test_how_long_a_booking_should_be_is_told_to_coordinators_alone(
    database: Database, clock: Clock, coordinator: Caller, reader: Caller, key: Callable[..., Caller]
) -> None:
    """Paces are people's, and an end that follows from one tells it."""
    hours = {"hours": {"monday": [{"opens": "09:00", "closes": "18:00"}]}}
    assert coordinator.send("PUT", "/v1/studio/calendar", json=hours).status_code == 200
    locked(coordinator, edl(("0110", 50), ("0120", 300)))
    assert coordinator.change(SHOT, {"stage": "mill"}).status_code == 200
    terminal = key(Scope.COUNT, terminal="mill-capture")
    for serial in (1, 2, 3):
        assert post(terminal, count(serial, 25 * serial, animator="Ilse")).is_success
        clock.pass_time(days=1)
    catch_up(database, clock)
    number = book(coordinator, animator="Ilse", **day(9))["booking"]

    drafted = send(coordinator, edl(("0110", 50), ("0120", 301)))
    ((told,),) = (drafted.json()["bookings"],)
    assert misfits(told["bookings"]) == {number: ["too short"]}
    ((told,),) = (reader.get(drafted.headers["Location"]).json()["bookings"],)
    assert misfits(told["bookings"]) == {number: []}


def test_another_stage_in_the_plan_touches_what_is_booked(database: Database, coordinator: Caller) -> None:
    add_shot(database, parts=[("", 1, None, None)])
    number = book(coordinator)["booking"]

    changed = change(coordinator, stage="barn")
    assert misfits(changed["bookings"]) == {number: ["planned elsewhere"]}
    assert changed["bookings"][0]["misfits"][0]["detail"] == "The shot is planned to be shot on barn."


def test_a_draft_of_a_cut_foretells_what_its_lock_does_to_bookings(coordinator: Caller) -> None:
    locked(coordinator, edl(("0110", 50), ("0120", 96), ("0130", 40)))
    number, other = book(coordinator)["booking"], book(coordinator, shot="0130", **day(5))["booking"]

    drafted = send(coordinator, edl(("0110", 50), ("0130", 30)))
    foretold = drafted.json()["bookings"]
    assert [(each["shot"], fates(each["bookings"])) for each in foretold] == [
        ("0120", {number: "released"}),
        ("0130", {other: "stays"}),
    ]
    assert numbers(coordinator) == [number, other]
    done = lock_cut(coordinator, drafted).json()["bookings"]
    assert [(each["shot"], fates(each["bookings"])) for each in done] == [
        ("0120", {number: "released"}),
        ("0130", {other: "stays"}),
    ]
    assert coordinator.get(f"{ALL}/{number}").json()["cancel_reason"] == "its shot was omitted: cut revision 2"
    back = send(coordinator, edl(("0110", 50), ("0120", 96), ("0130", 30)))
    assert [fates(each["bookings"]) for each in back.json()["bookings"]] == [{number: "brought back"}]
    lock_cut(coordinator, back)
    assert coordinator.get(f"{ALL}/{number}").json()["firmness"] == "pencilled"
    # A cut that was locked goes on saying what it did.
    assert coordinator.get("/v1/productions/lantern-bay/episodes/101/cuts/2").json()["bookings"] == done


def test_the_bookings_of_a_shot_that_is_merged_are_the_others(database: Database, coordinator: Caller) -> None:
    add_shot(database)
    add_shot(database, "120")
    number = book(coordinator, shot="120")["booking"]

    headers = {"If-Match": coordinator.get(f"{SHOTS}/120").headers["ETag"]}
    merged = coordinator.post(f"{SHOTS}/120/merge", {"into": "0120", "reason": "entered twice"}, headers=headers)
    assert merged.status_code == 200, merged.text
    read = coordinator.get(f"{ALL}/{number}").json()
    assert (read["shot"], read["rev"], read["cancelled_at"]) == ("0120", 2, None)
