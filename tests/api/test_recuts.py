"""A cut is locked again and again while six threads post counts: the figures are those of a model all the same."""

import random
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from itertools import count as numbers

import pytest
from sqlalchemy import func
from sqlmodel import col, select

from service.store.engine import Database
from service.store.tables import CreditedChangeRow, PlannedChangeRow
from tests.api.conftest import Caller, Clock
from tests.api.scenes import PRODUCTION, begin, catch_up, post
from tests.api.test_cuts import locked
from tests.cutlists import edl

SHOTS = [f"0{number}0" for number in range(1, 7)]
BEGAN = datetime(2026, 3, 2, 8, tzinfo=UTC)
ZERO, LENGTH = 1000, 96
LOCKS, POSTS = 8, 25


def cut(chance: random.Random, *, everybody: bool) -> dict[str, tuple[int, int]]:
    """A cut: the first frame of each shot that is in it, by its number, and how many frames it shows."""
    shown = SHOTS if everybody else sorted(chance.sample(SHOTS, 4))
    spans = {shot: (chance.randint(-10, 30), chance.randint(60, 120)) for shot in shown}
    return {shot: (first, last - first + 1) for shot, (first, last) in spans.items()}


def as_list(spans: dict[str, tuple[int, int]]) -> bytes:
    return edl(*((shot, frames, ZERO - 1 + first) for shot, (first, frames) in spans.items()))


def journaled(database: Database, table: type[CreditedChangeRow | PlannedChangeRow]) -> int:
    with database.reading() as session:
        return session.exec(select(func.coalesce(func.sum(col(table.frames)), 0))).one()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_figures_under_changing_cuts_are_those_of_sets_of_frames(
    coordinator: Caller, terminal: Caller, database: Database, clock: Clock, *, seed: int
) -> None:
    begin(database, clock)
    locked(coordinator, edl(*((shot, LENGTH, ZERO) for shot in SHOTS)))
    chance = random.Random(seed)
    totals = dict.fromkeys(SHOTS, 0)

    def shoot(shot: str) -> list[dict[str, object]]:
        mine, told = random.Random(f"{seed}:{shot}"), []
        for serial in range(1, POSTS + 1):
            totals[shot] = max(0, totals[shot] + mine.choice([-3, 2, 4, 7]))
            says = {
                "serial": serial,
                "production": PRODUCTION,
                "shot": shot,
                "take": 1,
                "frames_total": totals[shot],
                "starts_at": 1,
                "at": (BEGAN + timedelta(minutes=serial)).isoformat(),
            }
            told += post(terminal, says, spool=shot).json()["answers"]
        return told

    def edit() -> dict[str, tuple[int, int]]:
        for number in numbers(1):
            spans = cut(chance, everybody=number == LOCKS)
            locked(coordinator, as_list(spans))
            if number == LOCKS:
                return spans
        raise AssertionError

    with ThreadPoolExecutor(7) as threads:
        editing = threads.submit(edit)
        answers = [answer for told in threads.map(shoot, SHOTS) for answer in told]
        spans = editing.result()

    catch_up(database, clock)
    expected_t = expected_e = 0
    for shot, (first, frames) in spans.items():
        planned, live = set(range(first, first + frames)), set(range(1, totals[shot] + 1))
        shown = coordinator.get(f"/v1/productions/{PRODUCTION}/shots/{shot}").json()["progress"]
        assert (shown["planned_frames"], shown["credited_frames"]) == (len(planned), len(planned & live)), shot
        assert shown["overshoot_frames"] == len(live - planned)
        expected_t, expected_e = expected_t + len(planned), expected_e + len(planned & live)
    assert journaled(database, PlannedChangeRow) == expected_t
    assert journaled(database, CreditedChangeRow) == expected_e
    # A count is kept whatever becomes of its shot, and a stage is told of a change once.
    assert {answer["outcome"] for answer in answers} <= {"counted", "unmatched"}
    assert sum(bool(answer.get("plan_changed")) for answer in answers) <= LOCKS * len(SHOTS)
