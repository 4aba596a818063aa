"""What if, over HTTP: what is answered, and that nothing is stored."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from sqlmodel import SQLModel

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin
from tests.api.test_bookings import book

Json = dict[str, Any]
PATH = "/v1/productions/lantern-bay/what-if"


@pytest.fixture(autouse=True)
def floor(database: Database, clock: Clock, admin: Caller) -> None:
    begin(database, clock)
    add_stage(database, clock, "mill")
    add_stage(database, clock, "barn")
    add_shot(database)
    add_shot(database, "0130")
    hours = {day: [{"opens": "09:00", "closes": "18:00"}] for day in ("monday", "tuesday", "wednesday", "thursday")}
    assert admin.send("PUT", "/v1/studio/calendar", json={"hours": hours}).status_code == 200


def day(number: int, **more: object) -> Json:
    return {"start": f"2026-03-{number:02}T09:00:00Z", "end": f"2026-03-{number:02}T18:00:00Z", **more}


def ask(caller: Caller, expect: int = 200, **imagined: object) -> Json:
    answer = caller.post(PATH, imagined)
    assert answer.status_code == expect, answer.text
    body: Json = answer.json()
    return body


def everything(database: Database) -> dict[str, list[tuple[object, ...]]]:
    with database.reading() as session:
        return {
            table.name: sorted((tuple(row) for row in session.execute(select(table))), key=repr)
            for table in SQLModel.metadata.sorted_tables
        }


def lost(told: Json) -> list[tuple[int, str, str]]:
    return [(each["booking"], each["lost_from"], each["lost_to"]) for each in told["lost"]]


def test_an_animator_who_is_away_leaves_stages_free_and_shots_without_a_place(
    coordinator: Caller, reader: Caller
) -> None:
    first = book(coordinator, **day(3, animator="Ilse"))["booking"]
    later = book(coordinator, **day(5, animator="Ilse"))["booking"]
    book(coordinator, **day(4, animator="Tove", shot="0130"))

    told = ask(reader, absent={"animator": "Ilse", "from": "2026-03-03T12:00:00Z", "to": "2026-03-04T18:00:00Z"})
    assert lost(told) == [(first, "2026-03-03T12:00:00Z", "2026-03-03T18:00:00Z")]
    assert told["lost"][0]["why"] == "Ilse would be away."
    assert told["free_stage_days"] == {"exact": "2/3", "rounded": 0.667}
    assert [(each["stage"], each["stage_days"]["exact"]) for each in told["free"]] == [("mill", "2/3")]
    assert told["shots"] == [{"shot": "0120", "loses": [first], "keeps": [later]}]
    assert (told["closed_stage_days"], told["new_clashes"]) == (None, [])


def test_a_bound_key_is_not_told_where_an_animator_is_for_another_production(
    coordinator: Caller, key: Callable[..., Caller], admin: Caller
) -> None:
    moon = {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"}
    assert admin.post("/v1/productions", moon).status_code == 201
    book(coordinator, **day(3, animator="Ilse"))
    own = book(coordinator, **day(4, animator="Ilse", production="tin-moon", shot=None, activity="upkeep"))["booking"]
    absent = {"animator": "Ilse", "from": "2026-03-03T08:00:00Z", "to": "2026-03-05T18:00:00Z"}

    theirs = key(Scope.READ, production="tin-moon").post("/v1/productions/tin-moon/what-if", {"absent": absent}).json()
    assert [(each["booking"], each["animator"]) for each in theirs["lost"]] == [(own, "Ilse")]
    assert [each["stage_days"]["exact"] for each in theirs["free"]] == ["1"]


def test_a_stage_that_is_closed_is_not_free(coordinator: Caller, key: Callable[..., Caller], admin: Caller) -> None:
    moon = {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"}
    assert admin.post("/v1/productions", moon).status_code == 201
    number = book(coordinator, **day(4))["booking"]
    closed = {"stage": "mill", "from": "2026-03-03T09:00:00Z", "to": "2026-03-07T09:00:00Z"}

    told = ask(coordinator, closed=closed)
    assert (lost(told)[0][0], told["closed_stage_days"]["exact"], told["free"]) == (number, "3", [])
    assert told["shots"] == [{"shot": "0120", "loses": [number], "keeps": []}]
    theirs = key(Scope.READ, production="tin-moon").post("/v1/productions/tin-moon/what-if", {"closed": closed}).json()
    assert [(each["booking"], each["shot"], each["animator"]) for each in theirs["lost"]] == [(number, None, None)]
    assert [each["shot"] for each in theirs["shots"]] == [None]


def test_a_shot_that_moves_says_whom_it_is_in_the_way_of(coordinator: Caller) -> None:
    own = book(coordinator, **day(3))["booking"]
    other = book(coordinator, **day(4, shot="0130"))["booking"]

    told = ask(coordinator, moved={"shot": "0120", "shift_days": 1})
    ((clash,),) = (told["new_clashes"],)
    assert ([each["booking"] for each in clash["bookings"]], clash["firm"]) == ([own, other], True)
    assert [(each["stage"], each["stage_days"]["exact"]) for each in told["free"]] == [("mill", "1")]
    assert told["shots"] == [{"shot": "0130", "loses": [other], "keeps": []}]
    assert ask(coordinator, moved={"shot": "0120", "stage": "barn"})["new_clashes"] == []


def test_an_omission_is_foretold(coordinator: Caller) -> None:
    number = book(coordinator, **day(3))["booking"]
    book(coordinator, **day(4, activity="strike"))

    told = ask(coordinator, omitted="0120")
    assert ([each["booking"] for each in told["lost"]], told["free_stage_days"]["exact"]) == ([number], "1")
    assert told["lost"][0]["why"] == "Shot 0120 would be omitted."


def test_nothing_is_stored(coordinator: Caller, database: Database) -> None:
    book(coordinator, **day(3, animator="Ilse"))
    book(coordinator, **day(4, shot="0130"))
    before = everything(database)
    window = {"from": "2026-03-03T09:00:00Z", "to": "2026-03-06T09:00:00Z"}

    for imagined in (
        {"absent": {"animator": "Ilse", **window}},
        {"closed": {"stage": "mill", **window}},
        {"moved": {"shot": "0120", "shift_days": 1}},
        {"omitted": "0120"},
    ):
        answer = coordinator.post(PATH, imagined, headers={"Idempotency-Key": "what-if-1"})
        assert answer.status_code == 200, answer.text
    assert everything(database) == before
    assert len(before["booking"]) == 2


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({}, "Imagine exactly one thing"),
        ({"omitted": "0120", "moved": {"shot": "0120", "shift_days": 1}}, "Imagine exactly one thing"),
        ({"moved": {"shot": "0120"}}, "Say how they move"),
        (
            {"absent": {"animator": "Ilse", "from": "2026-03-03T09:00:00Z", "to": "2026-03-03T09:00:00Z"}},
            "#/absent/to",
        ),
        ({"omitted": "0999"}, "0999"),
    ],
)
def test_what_is_unclear_is_refused(coordinator: Caller, said: Json, told: str) -> None:
    answer = coordinator.post(PATH, said)

    assert answer.status_code in {404, 422}
    assert told in answer.text
