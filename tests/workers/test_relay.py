"""The relay on both databases and a real Redis: who is behind gets a hint, once, and only as many as somebody takes."""

import json
from base64 import b64decode
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from redis import Redis

from service.actions.deliveries import claim
from service.domain.workers import State
from service.settings import Settings
from service.store import jobs
from service.store.engine import Database
from tests.workers.messages import Clock, House
from tests.workers.shelf import Shelf
from tests.workers.strangers import START, UNWANTED, WANTED, Limits, Listener, later, say
from workers import host, schedule
from workers.celery_app import DELIVER, JOB, PULSE, QUEUE, STEP, CeleryHints
from workers.engine import step
from workers.host import Found
from workers.relay import MOST_WAITING, Relay, Unsent, look

LISTENER = """
    from tests.workers.strangers import Listener
"""


@dataclass
class Elapsed:
    """Time that passes by hand."""

    seconds: float = 0.0

    def __call__(self) -> float:
        return self.seconds


@pytest.fixture
def listed(database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Found:
    """The worker *listener* in the catalogue, as a host that has it lists it."""
    monkeypatch.syspath_prepend(str(tmp_path))
    shelf = Shelf(tmp_path)
    shelf.put("listeners", LISTENER, listener="Listener")
    (found,) = host.discover({}, shelf.points())
    assert found.entry.state is State.LOADED
    host.publish(database, "puffin", [found], now=START)
    return found


@pytest.fixture
def elapsed() -> Elapsed:
    return Elapsed()


@pytest.fixture
def relay(database: Database, redis_url: str, elapsed: Elapsed) -> Iterator[Relay]:
    hints = CeleryHints(Settings(redis_url=redis_url))
    yield Relay(database, hints, clock=lambda: later(elapsed.seconds), elapsed_s=elapsed)
    hints.close()


def sent(redis_url: str) -> list[tuple[str, list[object]]]:
    """The hints that lie in Redis, the oldest first: task and arguments."""
    with Redis.from_url(redis_url) as redis:
        messages = [json.loads(message) for message in reversed(redis.lrange(QUEUE, 0, -1))]
    return [(message["headers"]["task"], json.loads(b64decode(message["body"]))[0]) for message in messages]


def test_who_is_behind_gets_a_hint_once(
    database: Database, listed: Found, relay: Relay, redis_url: str, elapsed: Elapsed
) -> None:
    say(database, WANTED)

    for _ in range(20):
        relay.turn()
        elapsed.seconds += 0.01

    assert sent(redis_url) == [(STEP, ["listener", "all"]), (PULSE, [])]


def test_a_hint_that_was_lost_is_given_again(
    database: Database, listed: Found, relay: Relay, redis_url: str, elapsed: Elapsed
) -> None:
    say(database, WANTED)
    relay.turn()
    with Redis.from_url(redis_url) as redis:
        redis.flushall()

    elapsed.seconds += 1
    relay.turn()

    assert sent(redis_url) == [(STEP, ["listener", "all"])]


def test_new_events_after_a_followed_hint_get_one_at_once(
    database: Database, listed: Found, relay: Relay, redis_url: str
) -> None:
    say(database, WANTED)
    relay.turn()
    step(database, Listener(), settings=Limits(), owner="one", now=START)
    step(database, Listener(), settings=Limits(), owner="one", now=START)
    relay.turn()
    say(database, WANTED)
    relay.turn()

    assert [task for task, _ in sent(redis_url)].count(STEP) == 2


def test_hints_nobody_takes_do_not_pile_up(
    database: Database, listed: Found, relay: Relay, redis_url: str, elapsed: Elapsed
) -> None:
    say(database, WANTED)

    for _ in range(500):
        relay.turn()
        elapsed.seconds += 10

    assert len(sent(redis_url)) <= MOST_WAITING + 2


def test_who_is_caught_up_at_work_or_waiting_gets_none(database: Database, listed: Found) -> None:
    assert look(database, now=START).behind == ()
    say(database, WANTED)

    def at_work(_batch: object, _context: object) -> None:
        assert look(database, now=START).behind == ()
        raise ValueError("no lamp is lit")

    step(database, Listener(at_work), settings=Limits(), owner="one", now=START)
    assert look(database, now=START).behind == ()
    (behind,) = look(database, now=later(60)).behind
    assert (behind.position, behind.last) == (0, 1)

    step(database, Listener(), settings=Limits(), owner="one", now=later(60))
    step(database, Listener(), settings=Limits(), owner="one", now=later(60))
    assert look(database, now=later(60)).behind == ()


def test_a_job_that_is_due_is_hinted_at(
    database: Database, listed: Found, relay: Relay, redis_url: str, elapsed: Elapsed
) -> None:
    say(database, UNWANTED)
    schedule.enter(database, [Listener()], now=START)

    relay.turn()
    assert [task for task, _ in sent(redis_url)].count(JOB) == 1

    with database.writing() as session:
        (job,) = jobs.open_jobs(session)
        jobs.lease(session, job, attempts=1, owner="one", until=later(3600))
    elapsed.seconds += 60
    relay.turn()
    assert [task for task, _ in sent(redis_url)].count(JOB) == 1


def test_a_message_that_is_due_is_hinted_at_until_somebody_is_at_it(
    database: Database, relay: Relay, redis_url: str, elapsed: Elapsed
) -> None:
    messages = House(database, Clock(START))
    messages.watch("quay")
    messages.tell(1)
    for _ in range(3):
        relay.turn()
    assert [task for task, _ in sent(redis_url)].count(DELIVER) == 1

    with database.writing() as session:
        assert claim(session, owner="one", now=later(60), at_once=1, under_way={})
    elapsed.seconds += 60
    relay.turn()
    assert [task for task, _ in sent(redis_url)].count(DELIVER) == 1


def test_a_redis_that_is_away_is_told_as_that(database: Database, listed: Found) -> None:
    hints = CeleryHints(Settings(redis_url="redis://127.0.0.1:1/0"))
    say(database, WANTED)

    with pytest.raises(Unsent):
        Relay(database, hints, clock=lambda: START).turn()
    with pytest.raises(Unsent):
        hints.pulse()
    hints.close()
