"""Two terminals post counts from six threads, in random order and repeatedly, while the house is killed under them.

Whatever was acknowledged is in the ledger, nothing is there twice, and the figures are those of a model that shares no
code with the service.
"""

import os
import random
import shutil
import threading
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from redis import Redis
from sqlmodel import select

from service.client import Client, Patience
from service.store import events
from service.store.tables import CountRow, TerminalRow
from tests import model
from tests.journeys.house import key, opened, until
from tests.journeys.parts import Parts, many_machines, one_machine

PRODUCTION = "lantern-bay"
STAGES = {"rostrum": "north", "bench": "south"}
BEGAN = datetime(2026, 3, 2, 9, tzinfo=UTC)
POSTS_A_TERMINAL = 120
THREADS_A_TERMINAL = 3
DAY_STARTS = timedelta(hours=5)

# What each shot plans, and which terminals count it. A shot with a join is split at it over both stages.
PLANS: dict[str, dict[str, Any]] = {
    "0010": {"cut_frames": 96, "stage": "north"},
    "0020": {"cut_frames": 60, "stage": "south", "handle_in": 4, "handle_out": 6},
    "0030": {"cut_frames": 120},
    "0040": {"cut_frames": 48, "cameras": ["left", "right"]},
    "0050": {"cut_frames": 50, "stage": "north", "passes": ["main", "glow"]},
    "0060": {
        "cut_frames": 96,
        "parts": [{"part": "a", "stage": "north", "last": 60}, {"part": "b", "stage": "south", "first": 55}],
    },
}
PARTS = {"0060": {"rostrum": "a", "bench": "b"}}
STARTS = {"0060": {"a": 1, "b": 55}}

Post = dict[str, Any]
Name = tuple[str, str, int]


def seed() -> int:
    """What the order of the posts follows; another one each time unless TIEDOWN_TEST_SEED says which."""
    chosen = int(os.environ.get("TIEDOWN_TEST_SEED", time.time_ns() % 1_000_000))
    print(f"TIEDOWN_TEST_SEED={chosen}")  # noqa: T201 -- shown when the test fails, so that it can be repeated
    return chosen


def posts_of(terminal: str, chance: random.Random) -> list[Post]:
    """What a terminal has in its spools: totals that mostly grow, clocks that mostly go on."""
    shots = [code for code, plan in PLANS.items() if plan.get("stage", STAGES[terminal]) == STAGES[terminal]]
    reached: dict[tuple[Any, ...], int] = {}
    posts: list[Post] = []
    for serial in range(1, POSTS_A_TERMINAL + 1):
        shot = chance.choice(shots)
        plan = PLANS[shot]
        says: Post = {
            "take": chance.choice([1, 1, 2]),
            "camera": chance.choice(plan.get("cameras", [None])),
            "pass": chance.choice(plan.get("passes", [None])),
            "purpose": chance.choice([None, None, None, "plate", "rehearsal"]),
            "outcome": chance.choice([None] * 12 + ["finished", "abandoned"]),
            "starts_at": chance.choice([None] * 12 + [1, 9]),
            "animator": chance.choice([None, "Ilse", "Oskar"]),
        }
        track = (shot, says["take"], says["camera"], says["pass"], says["purpose"])
        reached[track] = max(0, reached.get(track, 0) + chance.choice([-2, 0, 1, 2, 4, 7]))
        at = BEGAN + timedelta(minutes=4 * serial, seconds=chance.randint(-900, 900))
        said = {name: value for name, value in says.items() if value is not None}
        posts.append(
            {
                "terminal": terminal,
                "spool": "old" if serial <= POSTS_A_TERMINAL // 3 else "new",
                "body": {
                    "serial": serial,
                    "production": PRODUCTION,
                    "shot": shot,
                    "frames_total": reached[track],
                    "at": at.isoformat(),
                    **said,
                },
            }
        )
    return posts


def name_of(post: Post) -> Name:
    return post["terminal"], post["spool"], post["body"]["serial"]


def bodies(posts: Sequence[Post], chance: random.Random) -> Iterator[list[Post]]:
    """The posts in random order, a third of them twice, alone or a few of one spool together."""
    order = [*posts, *chance.sample(posts, len(posts) // 3)]
    chance.shuffle(order)
    while order:
        size = chance.choice([1, 1, 2, 6])
        spool = order[-1]["spool"]
        together = [post for post in order[-size:] if post["spool"] == spool]
        for post in together:
            order.remove(post)
        yield together


@dataclass(slots=True)
class Fire:
    """What the threads were told so far."""

    keys: Mapping[str, str]
    addresses: Sequence[str]
    acknowledged: dict[Name, dict[str, Any]] = field(default_factory=dict)
    unlike: list[object] = field(default_factory=list)
    unanswered: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, together: Sequence[Post], answers: Sequence[Mapping[str, Any]]) -> None:
        """Remember each answer; a repeated count must be told what it was told first."""
        with self._lock:
            for post, answer in zip(together, answers, strict=True):
                said = {name: value for name, value in answer.items() if name not in {"outcome", "first_outcome"}}
                first = self.acknowledged.setdefault(name_of(post), said)
                if answer["outcome"] not in {"counted", "repeated"} or first != said:
                    self.unlike.append((name_of(post), first, answer))

    def post(self, posts: Sequence[Post], chance: random.Random) -> None:
        """Post them all from one thread; what gets no answer is left."""
        with httpx.Client(timeout=10) as http:
            for together in bodies(posts, chance):
                try:
                    answer = http.post(
                        f"{chance.choice(self.addresses)}/v1/counts",
                        headers={"Authorization": f"Bearer {self.keys[together[0]['terminal']]}"},
                        json={"spool": together[0]["spool"], "counts": [post["body"] for post in together]},
                    )
                except httpx.TransportError:
                    with self._lock:
                        self.unanswered += 1
                    continue
                if answer.status_code == httpx.codes.OK:
                    self.note(together, answer.json()["answers"])
                elif answer.status_code != httpx.codes.SERVICE_UNAVAILABLE:
                    with self._lock:
                        self.unlike.append((name_of(together[0]), answer.status_code, answer.text))

    def known(self) -> int:
        """How many posts were acknowledged."""
        with self._lock:
            return len(self.acknowledged)

    @contextmanager
    def burning(self, posts: Iterable[Post], chance: random.Random) -> Iterator[None]:
        """Post these from six threads while the block runs, and wait for the threads at its end."""
        left = list(posts)
        threads = [
            threading.Thread(
                target=self.post,
                args=(
                    [post for post in left if post["terminal"] == terminal][number::THREADS_A_TERMINAL],
                    random.Random(chance.random()),
                ),
            )
            for terminal in STAGES
            for number in range(THREADS_A_TERMINAL)
        ]
        for thread in threads:
            thread.start()
        try:
            yield
        finally:
            for thread in threads:
                thread.join()


def furnish(parts: Parts) -> tuple[Client, dict[str, str]]:
    """Set the studio up over HTTP; the client of an admin, and a key for each terminal."""
    admin = Client(parts.addresses[0], key(parts.env, "office", scope="admin"), patience=Patience(tries=12))
    admin.set_studio({"name": "Tin Roof", "time_zone": "UTC", "day_starts_at": "05:00"})
    admin.add_production(PRODUCTION, "Lantern Bay", frame_rate="25/1")
    admin.add_episode(PRODUCTION, "101", title="The Long Pier")
    for stage in STAGES.values():
        admin.add_stage(stage, stage.title())
    shots = [{"code": code, "episode": "101", **plan} for code, plan in PLANS.items()]
    admin.add_shots(PRODUCTION, shots)
    keys = {}
    for terminal, stage in STAGES.items():
        admin.add_terminal(terminal, stage)
        bound = {"terminal": terminal, "stage": stage}
        keys[terminal] = admin.make_key(f"{terminal}-key", "count", bound=bound)["key"]
    return admin, keys


def in_ledger(url: str) -> list[Name]:
    with opened(url) as database, database.reading() as session:
        found = session.exec(
            select(TerminalRow.name, CountRow.spool, CountRow.serial).where(CountRow.terminal_id == TerminalRow.id)
        )
        return sorted((terminal, spool, serial) for terminal, spool, serial in found)


def expected(posts: Iterable[Post]) -> tuple[dict[str, dict[str, int]], dict[str, tuple[int, int]]]:
    """The figures of each shot, and the frames gained and deleted on each production day, by the model."""
    said: dict[str, list[Post]] = {code: [] for code in PLANS}
    for post in posts:
        body = post["body"]
        at = datetime.fromisoformat(body["at"])
        part = PARTS.get(body["shot"], {}).get(post["terminal"])
        heard = {"total": body["frames_total"], "captured_at": at, "day": (at - DAY_STARTS).date().isoformat()}
        said[body["shot"]].append({**body, **heard, "part": part, "terminal": post["terminal"], "spool": post["spool"]})
    plans = {code: {**plan, "starts": STARTS.get(code, {})} for code, plan in PLANS.items()}
    days: dict[str, tuple[int, int]] = {}
    for code, plan in plans.items():
        shot = [each for each in said[code] if each.get("purpose", "shoot") == "shoot"]
        for day, (gained, deleted) in model.by_day(plan, shot).items():
            before = days.get(day, (0, 0))
            days[day] = before[0] + gained, before[1] + deleted
    return {code: model.figures(plan, said[code]) for code, plan in plans.items()}, days


def settle(url: str, admin: Client) -> None:
    """Wait until the figures rest on the last event there is."""
    with opened(url) as database, database.reading() as session:
        head = events.head(session)
    until(lambda: admin.progress(PRODUCTION, "episode")["position"] >= head)


def check(url: str, admin: Client, fire: Fire, posts: Sequence[Post]) -> None:
    """The ledger, the figures and the days are what was posted."""
    assert fire.unlike == []
    assert fire.known() == len(posts)
    assert in_ledger(url) == sorted(name_of(post) for post in posts)
    settle(url, admin)
    by_shot, by_day = expected(posts)
    shown = {code: admin.shot(PRODUCTION, code)["progress"] for code in PLANS}
    assert {code: {name: shown[code][name] for name in figures} for code, figures in by_shot.items()} == by_shot
    total = admin.progress(PRODUCTION, "episode")["total"]
    assert {name: total[name] for name in by_shot["0010"]} == {
        name: sum(figures[name] for figures in by_shot.values()) for name in by_shot["0010"]
    }
    days = admin.progress(PRODUCTION, "day")["items"]
    assert {
        each["day"]: (each["frames_shot"]["gross"], each["frames_shot"]["deletions"]) for each in days
    } == by_day | {each["day"]: (0, 0) for each in days if each["day"] not in by_day}
    # What was credited day by day, whatever the order in which it came, is what is credited.
    assert sum(each["credited_change"]["frames"] for each in days) == total["credited_frames"]


def test_a_machine_killed_under_fire_loses_no_acknowledged_count_and_counts_none_twice(
    empty_sqlite_url: str, tmp_path: Path
) -> None:
    with one_machine(tmp_path, empty_sqlite_url) as parts:
        all_killed(parts)


def test_many_machines_killed_under_fire_lose_no_acknowledged_count_and_count_none_twice(
    postgres_url: str, redis_url: str, tmp_path: Path
) -> None:
    with many_machines(tmp_path, postgres_url, redis_url) as parts:
        all_killed(parts)


def all_killed(parts: Parts) -> None:
    """Kill every process in the middle, start all again, and post what was not acknowledged and some that was."""
    chance = random.Random(seed())
    posts = [post for terminal in STAGES for post in posts_of(terminal, chance)]
    parts.start()
    admin, keys = furnish(parts)
    fire = Fire(keys, parts.addresses)
    with admin:
        with fire.burning(posts, chance):
            until(lambda: fire.known() >= len(posts) // 3)
            parts.kill()
        assert fire.unanswered > 0
        assert fire.known() < len(posts)
        assert set(fire.acknowledged) <= set(in_ledger(parts.url))

        parts.start()
        left = [post for post in posts if name_of(post) not in fire.acknowledged]
        with fire.burning([*left, *chance.sample(posts, len(posts) // 4)], chance):
            pass
        check(parts.url, admin, fire, posts)


def test_counts_go_on_and_figures_follow_when_redis_is_emptied_and_a_worker_and_the_relay_are_killed(
    postgres_url: str, redis_url: str, tmp_path: Path
) -> None:
    chance = random.Random(seed())
    posts = [post for terminal in STAGES for post in posts_of(terminal, chance)]
    with many_machines(tmp_path, postgres_url, redis_url) as parts:
        parts.start()
        admin, keys = furnish(parts)
        fire = Fire(keys, parts.addresses)
        with admin:
            with fire.burning(posts, chance):
                until(lambda: fire.known() >= len(posts) // 4)
                empty(redis_url)
                parts.kill("worker 1", "relay")
                until(lambda: fire.known() >= len(posts) // 2)
                empty(redis_url)
                parts.start("relay")
            assert fire.unanswered == 0
            check(parts.url, admin, fire, posts)


def empty(redis_url: str) -> None:
    """Forget every hint. A server of the tests' own is emptied whole, of a shared one only what is ours."""
    with Redis.from_url(redis_url) as client:
        client.flushall() if shutil.which("redis-server") else client.flushdb()
