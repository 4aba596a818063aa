"""The engine's step on both databases: what is handled is written once, whatever fails, dies or runs twice."""

import sys
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from itertools import repeat
from types import MappingProxyType
from typing import ClassVar

import psycopg
import pytest
from sqlalchemy import func, text
from sqlalchemy.exc import OperationalError
from sqlmodel import select

from service.actions import quarantine
from service.actions.quarantine import Released
from service.domain.events import Event
from service.store import cursors, editions, events, kept
from service.store.cursors import Cursor, CursorKey
from service.store.engine import Busy, Database
from service.store.kept import Shelf
from service.store.partitions import WHOLE_LOG
from service.store.tables import CursorRow, EventRow, QuarantineRow
from tests.workers import strangers
from tests.workers.lives import forking, lived
from tests.workers.strangers import START, TOLD, UNWANTED, WANTED, Limits, Listener, address, heard, later, say, told
from workers.contract import Announce, Change, Context, EventKind, FigureTable, File, Keep, Replace, Result
from workers.engine import Outcome, StepResult, step

LISTENER = CursorKey("listener", 1, WHOLE_LOG)


def take_step(
    database: Database, worker: Listener, *, owner: str = "one", now: datetime = START, limits: Limits | None = None
) -> StepResult:
    return step(database, worker, settings=limits or Limits(), owner=owner, now=now)


def catch_up(
    database: Database, worker: Listener, *, limits: Limits | None = None, owner: str = "one", start: int = 0
) -> StepResult:
    """Step until nothing is left, letting the clock run over every back-off."""
    for seconds in range(start, 100_000, 400):
        result = take_step(database, worker, owner=owner, now=later(seconds), limits=limits)
        if result.outcome is Outcome.IDLE:
            return result
    raise AssertionError(f"never caught up: {result}")


def cursor_of(database: Database) -> Cursor:
    with database.reading() as session:
        cursor = cursors.find(session, LISTENER)
    assert cursor is not None
    return cursor


def last_error(database: Database) -> str | None:
    with database.reading() as session:
        return session.exec(select(CursorRow.last_error)).one()


def quarantined(database: Database) -> list[tuple[int, int, str]]:
    with database.reading() as session:
        rows = session.exec(select(QuarantineRow).order_by(QuarantineRow.event_id))  # type: ignore[arg-type]
        return [(row.event_id, row.attempts, row.error) for row in rows]


def poisoned_by(event_id: int, error: BaseException) -> Callable[[Sequence[Event], Context], None]:
    def choke(batch: Sequence[Event], _context: Context) -> None:
        if any(event.id == event_id for event in batch):
            raise error

    return choke


def test_events_are_handled_in_order_and_the_cursor_stands_behind_them(database: Database) -> None:
    ids = say(database, WANTED, UNWANTED, WANTED)

    result = take_step(database, Listener())

    assert result == StepResult(outcome=Outcome.MOVED, position=ids[2], handled=2)
    assert told(database) == [{"heard": [ids[0], ids[2]], "rests_on": ids[2]}]


def test_a_backlog_is_handled_in_batches_until_none_is_left(database: Database) -> None:
    ids = say(database, *[WANTED, UNWANTED] * 20)

    catch_up(database, Listener())

    assert heard(database) == ids[::2]
    assert [len(each["heard"]) for each in told(database)] == [8, 8, 4]  # type: ignore[arg-type]


def test_events_nobody_wants_move_the_cursor_without_a_call(database: Database) -> None:
    ids = say(database, UNWANTED, UNWANTED)

    result = take_step(database, Listener())

    assert (result.outcome, result.position, result.handled) == (Outcome.MOVED, ids[-1], 0)
    assert told(database) == []


class Homebody(Listener):
    """Wants no events at all."""

    events = frozenset()


def test_a_worker_that_wants_no_events_has_no_cursor(database: Database) -> None:
    say(database, WANTED)

    assert take_step(database, Homebody()).outcome is Outcome.IDLE

    with database.reading() as session:
        assert cursors.find(session, LISTENER) is None


def test_a_step_without_work_writes_nothing(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    say(database, WANTED)
    catch_up(database, Listener())

    def forbidden(_self: Database) -> None:
        raise AssertionError("wrote")

    monkeypatch.setattr(Database, "writing", forbidden)

    assert take_step(database, Listener()).outcome is Outcome.IDLE


def test_a_worker_sees_the_log_up_to_its_snapshot_and_no_further(database: Database) -> None:
    first = say(database, WANTED)
    late: list[int] = []

    def meanwhile(_batch: Sequence[Event], _context: Context) -> None:
        late.extend(say(database, WANTED) if not late else [])

    take_step(database, Listener(meanwhile))
    assert told(database) == [{"heard": first, "rests_on": first[0]}]

    catch_up(database, Listener())
    assert heard(database) == first + late


def test_a_second_engine_leaves_the_leased_cursor_alone(database: Database) -> None:
    say(database, WANTED)
    seen: list[StepResult] = []

    def other_engine(_batch: Sequence[Event], _context: Context) -> None:
        seen.append(take_step(database, Listener(), owner="two"))

    take_step(database, Listener(other_engine))

    assert [each.outcome for each in seen] == [Outcome.LEASED]
    assert len(told(database)) == 1


def test_what_an_overtaken_engine_made_is_not_written(database: Database) -> None:
    ids = say(database, WANTED, WANTED)
    seen: list[StepResult] = []

    def lease_runs_out(_batch: Sequence[Event], _context: Context) -> None:
        seen.extend(take_step(database, Listener(), owner="two", now=later(seconds)) for seconds in (3600, 3700))

    overtaken = take_step(database, Listener(lease_runs_out))
    catch_up(database, Listener())

    assert [each.outcome for each in seen] == [Outcome.FAILED, Outcome.MOVED]
    assert overtaken.outcome is Outcome.OVERTAKEN
    assert heard(database) == ids


def test_an_error_is_recorded_waits_and_halves_the_batch(database: Database) -> None:
    ids = say(database, *[WANTED] * 8)
    worker = Listener(poisoned_by(ids[5], ValueError("an animator without a name")))

    result = take_step(database, worker)

    cursor = cursor_of(database)
    assert result.outcome is Outcome.FAILED
    assert "an animator without a name" in (last_error(database) or "")
    assert (cursor.position, cursor.batch_limit, cursor.lease_owner) == (0, 4, None)
    assert take_step(database, worker).outcome is Outcome.WAITING
    assert take_step(database, worker, now=later(1)).handled == 4
    assert told(database) == [{"heard": ids[:4], "rests_on": ids[7]}]


def test_one_event_that_cannot_be_digested_is_set_aside_and_the_rest_handled(database: Database) -> None:
    ids = say(database, *[WANTED] * 8)

    catch_up(database, Listener(poisoned_by(ids[5], ValueError("poison"))))

    assert heard(database) == ids[:5] + ids[6:]
    assert [(event_id, attempts) for event_id, attempts, _ in quarantined(database)] == [
        (ids[5], Limits().quarantine_after)
    ]
    assert "ValueError: poison" in quarantined(database)[0][2]


def test_an_event_set_aside_is_tried_again_when_somebody_asks_and_then_let_go(database: Database) -> None:
    ids = say(database, *[WANTED] * 3)
    catch_up(database, Listener(poisoned_by(ids[1], ValueError("poison"))))
    assert heard(database) == [ids[0], ids[2]]

    ask(database, ids[1])
    failed = take_step(database, Listener(poisoned_by(ids[1], ValueError("poison again"))), now=later(9000))
    assert (failed.outcome, failed.position >= ids[2]) == (Outcome.FAILED, True)
    assert [(attempts, "poison again" in error) for _, attempts, error in quarantined(database)] == [(4, True)]
    # Asked once, tried once.
    assert take_step(database, Listener(), now=later(9001)).position == catch_up(database, Listener()).position
    assert heard(database) == [ids[0], ids[2]]

    ask(database, ids[1])
    assert take_step(database, Listener(), now=later(9002)).handled == 1
    assert heard(database) == [ids[0], ids[2], ids[1]]
    assert cursor_of(database).lease_owner is None
    with pytest.raises(Released, match="was digested"):
        ask(database, ids[1])


def test_an_event_that_kills_when_tried_again_goes_on_waiting(database: Database) -> None:
    ids = say(database, WANTED)
    catch_up(database, Listener(poisoned_by(ids[0], ValueError("poison"))))
    ask(database, ids[0])

    assert killed(database, "doomed", 9000) == -9

    assert [attempts for _, attempts, _ in quarantined(database)] == [Limits().quarantine_after + 1]
    catch_up(database, Listener(), start=18_000)
    assert heard(database) == []
    more = say(database, WANTED)
    catch_up(database, Listener(), start=27_000)
    assert heard(database) == more


def ask(database: Database, event_id: int) -> None:
    with database.writing() as session:
        quarantine.retry(session, "listener", event_id, by="office", now=START)


def test_success_doubles_the_batch_back_to_its_full_size(database: Database) -> None:
    ids = say(database, *[WANTED] * 30)
    catch_up(database, Listener(poisoned_by(ids[0], ValueError("poison"))))

    sizes = [len(each["heard"]) for each in told(database)]  # type: ignore[arg-type]
    assert sizes == [1, 2, 4, 8, 8, 6]
    assert cursor_of(database).batch_limit == 8


def test_an_exit_asked_for_by_a_worker_is_a_failure_like_any_other(database: Database) -> None:
    ids = say(database, WANTED, WANTED)

    catch_up(database, Listener(poisoned_by(ids[0], SystemExit(3))))

    assert heard(database) == ids[1:]
    assert len(quarantined(database)) == 1


def test_an_error_text_no_database_takes_is_kept_readable(database: Database) -> None:
    ids = say(database, WANTED)

    take_step(database, Listener(poisoned_by(ids[0], ValueError("a\x00b \ud800"))))

    assert "a\\x00b \\ud800" in (last_error(database) or "")


class Trespasser(Listener):
    """Returns what it may not."""

    tables: ClassVar[Mapping[str, str]] = MappingProxyType({"own": "Rows of its own."})

    def __init__(self, change: Change) -> None:
        super().__init__()
        self.change = change

    def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
        super().handle(batch, context)
        return [self.change]


@pytest.mark.parametrize(
    ("change", "error"),
    [
        (
            Replace(table=FigureTable.SHOT_PROGRESS, shot_id=1, rows=()),
            "'shot_progress' is no table of the worker listener",
        ),
        (Keep(table="ledger", key="1", row={}), "'ledger' is no table of the worker listener"),
        (Keep(table="own", key="", row={}), "a key is 1 to 200 printable characters, not ''"),
        (Keep(table="own", key="a\x00", row={}), "a key is 1 to 200 printable characters"),
        (Keep(table="own", key="a", row={"at": object()}), "a row holds plain JSON values"),
        (Keep(table="own", key="a", row={"at": float("nan")}), "a row holds plain JSON values"),
        (Keep(table="own", key="a", row={"said": "\ud800"}), "a row holds plain JSON values"),
        (Keep(table="own", key="a", row={"said": "\x00"}), "no NUL"),
        (Keep(table="own", key="a", row={"said": "long" * 20_000}), "65536 bytes of JSON at most"),
        (Replace(table="own", shot_id=4711, rows=({"frames": 3},)), "there is no shot with the id 4711"),
        (Announce(kind=EventKind.FRAMES_COUNTED, data={}), "workers announce totals.recounted, not frames.counted"),
        (
            File(production_id=1, day=date(2026, 3, 2), inputs={}, figures={}),
            "reports are filed by the worker nightly, not by listener",
        ),
    ],
)
def test_what_is_another_workers_to_make_is_refused(database: Database, change: Change, error: str) -> None:
    say(database, WANTED)

    result = take_step(database, Trespasser(change))

    assert result.outcome is Outcome.FAILED
    assert error in (result.error or "")


class Flood(Listener):
    """Returns a million changes, or events without end."""

    def __init__(self, flood: Callable[[], Iterable[Change]]) -> None:
        super().__init__()
        self.flood = flood

    def handle(self, _batch: Sequence[Event], _context: Context) -> Sequence[Change]:
        return self.flood()  # type: ignore[return-value]  # a stranger's, which no type checker saw


@pytest.mark.parametrize(
    ("flood", "error"),
    [
        (lambda: [Result({})] * 1_000_000, "more than 100000 changes"),
        (lambda: repeat(Result({})), "more than 100000 changes"),
        (lambda: [Announce(kind=TOLD, data={})] * 1001, "more than 1000 events, notices"),
        (lambda: None, "not iterable"),
        (lambda: [None], "not NoneType"),
    ],
)
def test_a_flood_of_changes_is_refused_and_nothing_of_it_written(
    database: Database, flood: Callable[[], Iterable[Change]], error: str
) -> None:
    say(database, WANTED)

    result = take_step(database, Flood(flood))

    assert (result.outcome, error in (result.error or "")) == (Outcome.FAILED, True)
    assert told(database) == []


def test_a_worker_that_writes_through_its_context_fails_and_nothing_is_written(database: Database) -> None:
    ids = say(database, WANTED)

    def write(_batch: Sequence[Event], context: Context) -> None:
        # Nothing of the contract gives it out; a stranger may reach for it all the same.
        context._session.execute(text("DELETE FROM event"))  # type: ignore[attr-defined]
        context._session.commit()  # type: ignore[attr-defined]

    result = take_step(database, Listener(write))

    assert (result.outcome, told(database)) == (Outcome.FAILED, [])
    with database.reading() as session:
        assert events.head(session) == ids[-1]
        assert session.exec(select(func.count()).select_from(EventRow)).one() == len(ids)


class Shelved(Listener):
    """Keeps rows of its own, and says how it is."""

    tables: ClassVar[Mapping[str, str]] = MappingProxyType({"own": "Rows of its own."})
    said: ClassVar[Sequence[str]] = ("The kettle is empty; fill it.",)

    def handle(self, _batch: Sequence[Event], context: Context) -> Sequence[Change]:
        before = context.kept("own", ["day", "gone"])
        self.seen = dict(before)
        gone = None if before else {"rows": 0}
        today = {"rows": len(before), "on": date(2026, 3, 2)}
        return [Keep(table="own", key="day", row=today), Keep(table="own", key="gone", row=gone)]

    def health(self, _context: Context) -> Sequence[str]:
        return self.said


def test_a_worker_finds_what_it_kept_and_takes_it_away(database: Database) -> None:
    worker = Shelved()
    seen = []
    for _ in range(3):
        say(database, WANTED)
        assert take_step(database, worker).outcome is Outcome.MOVED
        seen.append(worker.seen)

    day = {"rows": 0, "on": "2026-03-02"}
    assert seen == [{}, {"day": day, "gone": {"rows": 0}}, {"day": {**day, "rows": 2}}]


class ShelvedAnew(Shelved):
    """The next version, whose rows say so."""

    version = 2

    def handle(self, _batch: Sequence[Event], _context: Context) -> Sequence[Change]:
        return [Keep(table="own", key="day", row={"by": "the next version"})]


def test_a_new_version_fills_rows_of_its_own_and_is_shown_once_it_has_caught_up(database: Database) -> None:
    say(database, *[WANTED] * 3)
    catch_up(database, Shelved())
    old = shown(database)
    assert old.keys() == {"day", "gone"}

    for _ in range(2):
        assert take_step(database, ShelvedAnew(), limits=Limits(engine_batch=1)).handled == 1
        assert shown(database) == old
    take_step(database, ShelvedAnew(), limits=Limits(engine_batch=1))

    assert shown(database) == {"day": {"by": "the next version"}}
    # A host that was not brought up to date yet changes nothing of it.
    say(database, WANTED)
    take_step(database, ShelvedAnew())
    take_step(database, Shelved())
    assert shown(database) == {"day": {"by": "the next version"}}


def shown(database: Database) -> dict[str, object]:
    """The rows that are listed to whoever asks."""
    with database.reading() as session:
        shelf = Shelf("listener", editions.shown(session, "listener"), "own")
        return {each.row.key: each.row.data for each in kept.page(session, shelf, after="", limit=9)}


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (["The kettle is empty; fill it."], ["The kettle is empty; fill it."]),
        ("empty", ["Its health must be sentences in a list, not 'empty'."]),
        ([3], ["Its health must be sentences in a list, not [3]."]),
    ],
)
def test_what_a_worker_says_of_its_health_is_kept_and_undoes_nothing(
    database: Database, monkeypatch: pytest.MonkeyPatch, said: Sequence[str], expected: list[str]
) -> None:
    say(database, WANTED)
    monkeypatch.setattr(Shelved, "said", said)

    assert take_step(database, Shelved()).outcome is Outcome.MOVED

    with database.reading() as session:
        assert session.exec(select(CursorRow.health)).one() == expected


def test_attempts_are_counted_before_the_worker_runs(database: Database) -> None:
    say(database, WANTED)
    seen: list[tuple[int, str | None]] = []

    def look(_batch: Sequence[Event], _context: Context) -> None:
        cursor = cursor_of(database)
        seen.append((cursor.attempts, cursor.lease_owner))

    take_step(database, Listener(look))

    assert seen == [(1, "one")]
    assert cursor_of(database).attempts == 0


def _step_and_die(url: str, owner: str, seconds: float) -> None:
    database = Database.open(url)
    step(database, Listener(strangers.die), settings=Limits(), owner=owner, now=later(seconds))


def killed(database: Database, owner: str, seconds: float) -> int | None:
    return lived(_step_and_die, address(database), owner, seconds)


def test_a_process_killed_at_work_counts_as_a_failure_and_loses_nothing(database: Database) -> None:
    ids = say(database, *[WANTED] * 8)

    assert killed(database, "doomed", 0) == -9
    assert cursor_of(database).attempts == 1
    assert take_step(database, Listener()).outcome is Outcome.LEASED

    assert take_step(database, Listener(), now=later(3600)).outcome is Outcome.FAILED
    assert "died at work on 8 events" in (last_error(database) or "")
    assert take_step(database, Listener(), now=later(3604)).outcome is Outcome.WAITING
    assert take_step(database, Listener(), now=later(3605)).handled == 4
    catch_up(database, Listener())
    assert heard(database) == ids
    assert quarantined(database) == []


def test_an_engine_that_is_alone_need_not_wait_for_a_dead_lease(database: Database) -> None:
    say(database, WANTED)
    assert killed(database, "doomed", 0) == -9

    result = step(database, Listener(), settings=Limits(), owner="next life", now=later(1), alone=True)

    assert result.outcome is Outcome.FAILED
    assert cursor_of(database).lease_owner is None


def test_an_event_that_kills_the_process_is_set_aside_in_the_end(database: Database) -> None:
    ids = say(database, WANTED)
    tries = Limits().quarantine_after
    for life in range(tries):
        assert killed(database, f"life {life}", life * 3600) == -9
        buried = take_step(database, Listener(), now=later(life * 3600 + 1800))
        assert buried.outcome is (Outcome.FAILED if life < tries - 1 else Outcome.QUARANTINED)

    assert [(event_id, attempts) for event_id, attempts, _ in quarantined(database)] == [(ids[0], tries)]


def test_a_step_the_database_cut_short_is_no_fault_of_the_worker(database: Database) -> None:
    ids = say(database, WANTED, WANTED)
    impatient = Database.open(address(database), lock_timeout_s=0.2)
    begun, done = threading.Event(), threading.Event()

    def hold() -> None:
        with database.writing() as session:
            cursors.lock(session, LISTENER)
            begun.set()
            done.wait()

    holder = threading.Thread(target=hold)

    def somebody_holds_the_cursor(_batch: Sequence[Event], _context: Context) -> None:
        holder.start()
        begun.wait()

    with pytest.raises(Busy):
        take_step(impatient, Listener(somebody_holds_the_cursor))
    done.set()
    holder.join()
    impatient.close()

    cursor = cursor_of(database)
    assert (cursor.attempts, cursor.batch_limit) == (1, 8)
    assert take_step(database, Listener()).handled == 2
    assert heard(database) == ids


def test_a_database_that_is_gone_while_a_worker_reads_is_no_fault_of_the_worker(database: Database) -> None:
    ids = say(database, WANTED)

    def lose_the_database(_batch: Sequence[Event], context: Context) -> None:
        # What the driver reports when the server has gone away, raised where a worker reads.
        lost = psycopg.OperationalError("server closed the connection unexpectedly")
        raise OperationalError("SELECT 1", {}, lost, connection_invalidated=True)

    with pytest.raises(Busy):
        take_step(database, Listener(lose_the_database))

    assert last_error(database) is None
    assert take_step(database, Listener()).handled == 1
    assert heard(database) == ids


def test_two_engines_side_by_side_write_each_event_once(database: Database) -> None:
    ids = say(database, *[WANTED] * 60)
    context = forking()
    engines = [
        context.Process(target=_run_until_caught_up, args=(address(database), f"engine {number}", ids[-1]))
        for number in range(2)
    ]
    for engine in engines:
        engine.start()
    for engine in engines:
        engine.join()

    assert [engine.exitcode for engine in engines] == [0, 0]
    assert heard(database) == ids


def _run_until_caught_up(url: str, owner: str, last: int) -> None:
    database = Database.open(url)
    position, limits = 0, Limits(engine_batch=2)
    while position < last:
        position = step(database, Listener(), settings=limits, owner=owner, now=datetime.now(UTC)).position
    database.close()
    sys.exit(0)


def test_the_head_of_the_log_is_the_first_thing_a_snapshot_reads(database: Database) -> None:
    say(database, WANTED)
    positions: list[tuple[int, int]] = []

    def look(_batch: Sequence[Event], context: Context) -> None:
        say(database, UNWANTED)
        with database.reading() as session:
            positions.append((context.position, events.head(session)))

    take_step(database, Listener(look))

    (seen, now) = positions[0]
    assert seen < now
