"""Corrections through the sheet, among counts in any order and at once, against a model that shares no code."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from itertools import permutations
from typing import Any
from uuid import uuid4

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import Session, col, func, select

from service.actions import corrections
from service.actions.corrections import Move, Said, Series, TakeHasFrames, Total, TotalStands
from service.actions.counts import record_counts
from service.actions.takes import TakeUnknown
from service.domain.counts import Post
from service.domain.takes import Heads, Purpose
from service.store import counts as ledger
from service.store.engine import Database
from service.store.tables import CorrectionRow, CountRow, SeriesRow, ShotRow, TakeRow
from tests import model
from tests.actions.test_counts import STAGES, STUDIO, credit_in_journal, figures_now, furnish, poster_at
from tests.api.conftest import Clock
from tests.api.scenes import PRODUCTION, add_shot
from workers.attempts import write_again

PLAN = {"cut_frames": 40}
REFUSED = (TakeUnknown, TakeHasFrames, TotalStands)


def any_state(take: TakeRow) -> None:
    del take


def said(now: datetime) -> Said:
    return Said(by="office", reason="miscounted", now=now, studio=STUDIO)


def restate(session: Session, shot_id: int, frames: int, *, take: int, now: datetime) -> None:
    series = Series(key=("", Purpose.SHOOT, take))
    corrections.restate(session, shot_id, series, Total(frames_total=frames), check=any_state, said=said(now))


def move(session: Session, shot_id: int, to_id: int, *, take: int, to_take: int, now: datetime) -> None:
    to = Move(shot=session.get_one(ShotRow, to_id), take=to_take)
    corrections.move(session, shot_id, Series(key=("", Purpose.SHOOT, take)), to, check=any_state, said=said(now))


Place = tuple[int, int]


@dataclass
class Book:
    """What must be, in dictionaries: where each count stands, what it says, and where moves lead later ones."""

    posts: dict[tuple[str, int], dict[str, Any]] = field(default_factory=dict)
    at: dict[tuple[str, int], Place] = field(default_factory=dict)
    moves: list[tuple[Place, Place, dict[str, int]]] = field(default_factory=list)

    def post(self, words: dict[str, Any], place: Place) -> None:
        name = words["terminal"], words["serial"]
        for origin, goal, marks in self.moves:
            if origin == place and words["serial"] <= marks.get(words["terminal"], 0):
                place = goal
        self.posts.setdefault(name, words)
        self.at.setdefault(name, place)

    def here(self, place: Place) -> list[dict[str, Any]]:
        return [{**self.posts[name], "take": place[1]} for name, at in self.at.items() if at == place]

    def restate(self, place: Place, frames: int) -> bool:
        stands = model.rules(self.here(place), "total")
        if stands is None or stands["total"] == frames:
            return False
        self.posts[stands["terminal"], stands["serial"]] |= {"total": frames}
        return True

    def move(self, origin: Place, goal: Place) -> bool:
        if not self.here(origin) or self.here(goal):
            return False
        marks: dict[str, int] = {}
        for each in self.here(origin):
            marks[each["terminal"]] = max(marks.get(each["terminal"], 0), each["serial"])
        self.moves.append((origin, goal, marks))
        self.at = {name: goal if at == origin else at for name, at in self.at.items()}
        return True

    def figures(self, shot: int) -> dict[str, int]:
        takes = {at[1] for at in self.at.values() if at[0] == shot}
        return model.figures(PLAN, [post for take in takes for post in self.here((shot, take))])


class Desk:
    """Three shots under way, and the book of them."""

    def __init__(self, database: Database) -> None:
        furnish(database)
        self.database, self.spool, self.clock, self.book = database, uuid4().hex, Clock(), Book()
        self.codes = [f"{self.spool}-{number}" for number in range(3)]
        self.ids = [add_shot(database, code, cut_frames=40) for code in self.codes]
        self.posters = {stage: poster_at(database, stage) for stage in STAGES}

    def made(self, stage: str, serial: int, place: Place, frames: int, ago: int) -> tuple[str, Post]:
        at = Clock().now - timedelta(minutes=ago)
        post = Post(
            serial=serial,
            spool=self.spool,
            production=PRODUCTION,
            shot=self.codes[place[0]],
            take=place[1],
            frames_total=frames,
            at=at,
        )
        return stage, post

    def post(self, stage: str, post: Post) -> str:
        with self.database.writing() as session:
            outcome = self.record(session, stage, post)
        words = {
            "terminal": self.posters[stage].terminal,
            "spool": self.spool,
            "serial": post.serial,
            "total": post.total_frames,
            "captured_at": post.at,
        }
        self.book.post(words, (self.codes.index(post.shot), post.take))
        return outcome

    def record(self, session: Session, stage: str, post: Post) -> str:
        """Post a count, in a transaction of the caller's."""
        (answer,) = record_counts(
            session, [post], poster=self.posters[stage], studio=STUDIO, sent_at=None, now=self.clock()
        )
        assert answer.said is not None, answer.refusal
        return str(answer.said["outcome"])

    def correct(self, make: Callable[[Session], None], *, may: bool) -> None:
        """Make a correction, which must be refused just where the book says so."""
        try:
            with self.database.writing() as session:
                make(session)
        except REFUSED:
            assert not may
        else:
            assert may

    def check(self) -> None:
        for shot, shot_id in enumerate(self.ids):
            expected, found = self.book.figures(shot), figures_now(self.database, shot_id)
            assert {name: found[name] for name in expected} == expected
            assert credit_in_journal(self.database, shot_id) == expected["credited_frames"]
        recount(self.database, self.ids)


def recount(database: Database, shot_ids: list[int]) -> None:
    """Every series' row says what its counts add up to; one that was emptied says nothing."""
    with database.reading() as session:
        rows = session.exec(select(SeriesRow).where(col(SeriesRow.shot_id).in_(shot_ids))).all()
        kept = ledger.ledger(session, [row.id or 0 for row in rows])
        for row in rows:
            posts = kept.get(row.id or 0)
            assert (row.moved_at is None) == bool(posts)
            total = Heads.of(posts).standing(row.default_starts_at).total_frames if posts else 0
            assert row.total_frames == total


PLACES = st.tuples(st.integers(0, 2), st.integers(1, 2))
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("post"), st.sampled_from(STAGES), st.integers(1, 30), PLACES, st.integers(0, 50)),
        st.tuples(st.just("post"), st.sampled_from(STAGES), st.integers(1, 30), PLACES, st.integers(0, 50)),
        st.tuples(st.just("repeat"), st.integers(0, 30)),
        st.tuples(st.just("restate"), PLACES, st.integers(0, 50)),
        st.tuples(st.just("move"), PLACES, PLACES),
        st.tuples(st.just("move"), PLACES, PLACES),
    ),
    min_size=2,
    max_size=12,
)


# The database is shared by the examples; each has shots of its own in it.
@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(steps=STEPS, minutes=st.lists(st.integers(0, 600), min_size=60, max_size=60))
def test_whatever_is_posted_and_corrected_in_any_order_the_figures_are_the_models(
    database: Database, steps: list[tuple[Any, ...]], minutes: list[int]
) -> None:
    desk = Desk(database)
    sent: list[tuple[str, Post]] = []
    used: set[tuple[str, int]] = set()
    for what, *how in steps:
        match what:
            # A serial that comes after a higher one is a late post, wherever it leads.
            case "post" if (how[0], how[1]) not in used:
                stage, serial, place, frames = how
                used.add((stage, serial))
                sent.append(desk.made(stage, serial, place, frames, ago=minutes[serial + 30 * STAGES.index(stage) - 1]))
                assert desk.post(*sent[-1]) == "counted"
            case "repeat" if sent:
                assert desk.post(*sent[how[0] % len(sent)]) == "repeated"
            case "restate":
                (shot, take), frames = how
                may = desk.book.restate((shot, take), frames)
                now = desk.clock()
                desk.correct(partial(restate, shot_id=desk.ids[shot], frames=frames, take=take, now=now), may=may)
            case "move":
                (shot, take), (to, to_take) = how
                may = desk.book.move((shot, take), (to, to_take))
                ids = {"shot_id": desk.ids[shot], "to_id": desk.ids[to]}
                desk.correct(partial(move, **ids, take=take, to_take=to_take, now=desk.clock()), may=may)
        desk.check()


def test_no_order_of_resends_and_older_counts_undoes_a_correction(database: Database) -> None:
    """A total that was restated, counts that were moved, and what comes after them, in every order."""
    furnish(database)
    found: set[tuple[int, int]] = set()
    for order in permutations(range(4)):
        desk = Desk(database)
        first, second = desk.made("mill", 3, (0, 1), 20, ago=60), desk.made("mill", 9, (0, 1), 31, ago=30)
        for each in (first, second):
            desk.post(*each)
        assert desk.book.restate((0, 1), 28)
        assert desk.book.move((0, 1), (1, 2))
        with database.writing() as session:
            restate(session, desk.ids[0], 28, take=1, now=desk.clock())
        with database.writing() as session:
            move(session, desk.ids[0], desk.ids[1], take=1, to_take=2, now=desk.clock())
        late = [
            second,
            first,
            # Older than what was moved by its serial, and captured late by a clock put forward.
            desk.made("mill", 5, (0, 1), 25, ago=1),
            # Of another terminal, which was not there when the move was made: it counts for what it says.
            desk.made("barn", 1, (0, 1), 7, ago=5),
        ]
        for place in order:
            desk.post(*late[place])
        desk.check()
        found.add(
            (figures_now(database, desk.ids[0])["shot_frames"], figures_now(database, desk.ids[1])["shot_frames"])
        )
    assert found == {(7, 28)}


@pytest.mark.parametrize("turn", range(2))
def test_counts_that_come_in_while_they_are_corrected_are_all_kept(database: Database, turn: int) -> None:
    """Two shots whose takes are moved to and fro while both are counted, each locked in the order of their ids."""
    desk = Desk(database)
    for number, stage in enumerate(STAGES):
        desk.post(*desk.made(stage, 1, (number, 1), 5, ago=400))
    there, back = (desk.ids[turn], desk.ids[1 - turn]), (desk.ids[1 - turn], desk.ids[turn])

    def count(number: int) -> None:
        for serial in range(2, 14):
            stage, post = desk.made(STAGES[number], serial, (number, 1), 5 + serial, ago=400 - serial)

            def record(session: Session, stage: str = stage, post: Post = post) -> None:
                desk.record(session, stage, post)

            write_again(database, record)

    def correct() -> int:
        made = 0
        for number in range(12):
            one, other = (there, back)[number % 2]
            try:
                write_again(
                    database, partial(move, shot_id=one, to_id=other, take=1, to_take=2 + number, now=desk.clock())
                )
                made += 1
            except TakeUnknown:
                # All of it was moved, and the next count has not come yet.
                continue
        return made

    with ThreadPoolExecutor(3) as pool:
        counting = [pool.submit(count, number) for number in range(2)]
        corrected = pool.submit(correct)
        for each in counting:
            each.result()
        made = corrected.result()
    with database.reading() as session:
        of_spool = col(CountRow.spool) == desk.spool
        assert session.exec(select(func.count(col(CountRow.id))).where(of_spool)).one() == 26
        assert session.exec(select(func.count(col(CorrectionRow.id)))).one() == made > 1
    recount(database, desk.ids)
    for shot_id in desk.ids:
        assert credit_in_journal(database, shot_id) == figures_now(database, shot_id)["credited_frames"]
