"""The log: ids follow the order of commit, so that a reader who remembers a position misses nothing."""

import threading
from concurrent.futures import ThreadPoolExecutor

from service.domain.events import EventKind
from service.store import events
from service.store.engine import Database
from service.store.events import Happening, append_all
from tests.workers.strangers import START, say

KIND = EventKind.STAGE_ADDED
WRITERS, EACH = 8, 25


def test_no_event_is_committed_before_an_earlier_one(database: Database) -> None:
    """A reader that saw the later one and went on from there would never see the earlier."""
    second_began = threading.Event()

    def second() -> int:
        second_began.set()
        return say(database, KIND)[0]

    with ThreadPoolExecutor(1) as pool:
        with database.writing() as session:
            earlier = events.append(session, kind=KIND, at=START, actor="first", data={})
            later = pool.submit(second)
            second_began.wait()
            # A writer that need not wait for this one is done long before; one that must is never done.
            overtook = threading.Event()
            later.add_done_callback(lambda _done: overtook.set())
            assert not overtook.wait(1.0)
            with database.reading() as other:
                assert events.head(other) == 0
        assert later.result() > earlier


def test_a_reader_that_goes_on_from_the_last_event_it_saw_misses_none_of_eight_writers(database: Database) -> None:
    written = threading.Event()

    def write(writer: int) -> None:
        for number in range(EACH):
            with database.writing() as session:
                session.connection()
                happenings = [
                    Happening(kind=KIND, at=START, actor=f"writer {writer}", data={"number": number, "of": part})
                    for part in range(2)
                ]
                append_all(session, happenings)

    def follow() -> list[int]:
        seen, position = [], 0
        while True:
            last_look = written.is_set()
            with database.reading() as session:
                batch = events.read_after(session, position, limit=7)
            seen += [event.id for event in batch]
            position = seen[-1] if seen else 0
            if last_look and not batch:
                return seen

    with ThreadPoolExecutor(WRITERS + 1) as pool:
        following = pool.submit(follow)
        for done in [pool.submit(write, writer) for writer in range(WRITERS)]:
            done.result()
        written.set()
        seen = following.result()

    with database.reading() as session:
        everything = [event.id for event in events.read_after(session, 0, limit=10_000)]
    assert seen == everything
    assert len(seen) == WRITERS * EACH * 2


def test_events_of_one_append_keep_their_order_and_are_told_by_id(database: Database) -> None:
    with database.writing() as session:
        ids = append_all(
            session, [Happening(kind=KIND, at=START, actor="test", data={"n": number}) for number in range(40)]
        )
    with database.reading() as session:
        found = events.read_after(session, 0, limit=100)
    assert ids == sorted(ids) == [event.id for event in found]
    assert [event.data["n"] for event in found] == list(range(40))


def test_events_are_read_after_a_position_by_kind_and_by_production(database: Database) -> None:
    with database.writing() as session:
        ids = append_all(
            session,
            [
                Happening(kind=KIND, at=START, actor="test", production_id=1, data={}),
                Happening(kind=EventKind.KEY_MADE, at=START, actor="test", data={}),
                Happening(kind=KIND, at=START, actor="test", production_id=2, data={}),
            ],
        )
    with database.reading() as session:
        assert [each.id for each in events.read_after(session, ids[0], limit=9)] == ids[1:]
        assert [each.id for each in events.read_after(session, 0, limit=2)] == ids[:2]
        assert [each.id for each in events.read_after(session, 0, limit=9, kinds={KIND})] == [ids[0], ids[2]]
        assert [each.id for each in events.read_after(session, 0, limit=9, production_id=2)] == [ids[2]]
        assert (events.head(session), events.last_of(session, 1), events.last_of(session, 3)) == (ids[2], ids[0], 0)


def test_nothing_appended_is_no_event_and_no_lock(database: Database) -> None:
    with database.writing() as session:
        assert append_all(session, []) == []
    with database.reading() as session:
        assert events.head(session) == 0
