"""The log over HTTP."""

import threading
from collections.abc import Callable
from typing import Any

import pytest

from service.domain.events import EventKind
from service.domain.keys import Scope
from service.store import events
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import begin, count, post
from tests.api.test_doors import is_problem


def read(caller: Caller, query: str = "") -> dict[str, Any]:
    page: dict[str, Any] = caller.get(f"/v1/events?{query}").json()
    return page


def add_stages(database: Database, clock: Clock, number: int) -> None:
    with database.writing() as session:
        for place in range(number):
            events.append(
                session, kind=EventKind.STAGE_CHANGED, at=clock(), actor="command", data={"stage": f"s{place}"}
            )


def test_event_tells_what_happened_to_what(
    coordinator: Caller, terminal: Caller, database: Database, clock: Clock
) -> None:
    begin(database, clock)
    coordinator.post("/v1/productions/lantern-bay/shots", {"code": "0120", "episode": "101", "cut_frames": 96})
    post(terminal, count(1, 12))
    counted = read(coordinator)["items"][-1]
    assert {name: counted[name] for name in ("at", "kind", "actor", "production", "shot")} == {
        "at": "2026-03-02T10:00:00Z",
        "kind": "frames.counted",
        "actor": "mill-capture",
        "production": "lantern-bay",
        "shot": "0120",
    }
    assert counted["data"]["total_frames"] == 12


def test_following_next_reads_everything_once(reader: Caller, database: Database, clock: Clock) -> None:
    add_stages(database, clock, 25)
    seen: list[int] = []
    after, pages = 0, 0
    while (page := read(reader, f"after={after}&limit=10"))["items"]:
        seen += [each["id"] for each in page["items"]]
        after, pages = page["next"], pages + 1
    with database.reading() as session:
        assert seen == [each.id for each in events.read_after(session, 0, limit=1000)]
    assert pages == 3
    assert read(reader, f"after={after}") == {"items": [], "next": after, "cleaned_to": None}


def test_next_passes_over_what_was_filtered_out(reader: Caller, database: Database, clock: Clock) -> None:
    add_stages(database, clock, 5)
    page = read(reader, "kind=key.made")
    assert [each["kind"] for each in page["items"]] == ["key.made"]
    with database.reading() as session:
        assert page["next"] == events.head(session)


def test_kinds_add_up(reader: Caller, database: Database, clock: Clock) -> None:
    add_stages(database, clock, 2)
    kinds = [each["kind"] for each in read(reader, "kind=key.made&kind=stage.changed")["items"]]
    assert kinds == ["key.made", "stage.changed", "stage.changed"]
    assert is_problem(reader.get("/v1/events?kind=stage.exploded"), 422, "invalid-request")


def test_key_of_a_production_reads_its_events_alone(
    coordinator: Caller, key: Callable[..., Caller], database: Database, clock: Clock
) -> None:
    begin(database, clock)
    coordinator.post("/v1/productions", {"code": "gull-street", "title": "G", "frame_rate": "25/1"})
    bound = key(Scope.READ, production="gull-street")
    assert [each["production"] for each in read(bound)["items"]] == ["gull-street"]
    is_problem(bound.get("/v1/events?production=lantern-bay"), 404, "production-unknown")
    of_one = read(coordinator, "production=lantern-bay")["items"]
    assert [each["kind"] for each in of_one] == ["production.added", "episode.added"]


def test_a_position_the_log_does_not_have_is_refused_and_not_passed_over(reader: Caller) -> None:
    """As after a copy was put back: whoever went on from there would miss what happens next."""
    problem = is_problem(reader.get(f"/v1/events?after={2**31 - 1}"), 409, "ahead-of-log")
    head = read(reader)["next"]
    assert problem["head"] == head
    assert read(reader, f"after={head}") == {"items": [], "next": head, "cleaned_to": None}


@pytest.mark.parametrize("query", ["after=-1", "after=x", "after=1.5", f"after={2**31}", "limit=0", "limit=1001"])
def test_wrong_window_is_named(reader: Caller, query: str) -> None:
    problem = is_problem(reader.get(f"/v1/events?{query}"), 422, "invalid-request")
    assert problem["errors"][0]["place"] == f"query {query.partition('=')[0]}"


def test_a_reader_beside_many_writers_misses_nothing(reader: Caller, database: Database, clock: Clock) -> None:
    """Ids follow the order of commit, so a position once passed has nothing new before it."""

    def write() -> None:
        for _ in range(15):
            add_stages(database, clock, 1)

    writers = [threading.Thread(target=write) for _ in range(6)]
    for writer in writers:
        writer.start()
    seen: list[int] = []
    after = 0
    while any(writer.is_alive() for writer in writers) or read(reader, f"after={after}&limit=1")["items"]:
        page = read(reader, f"after={after}&limit=7")
        seen += [each["id"] for each in page["items"]]
        after = page["next"]
    for writer in writers:
        writer.join()
    with database.reading() as session:
        assert seen == [each.id for each in events.read_after(session, 0, limit=1000)]
    assert len(seen) == 91
