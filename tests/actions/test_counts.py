"""Counts and decisions written through a sheet, one after another and at once, against a model that shares no code."""

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, replace
from datetime import timedelta
from itertools import permutations
from typing import Any
from uuid import uuid4

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import Session, col, func, select

from service.actions.counts import Poster, record_counts
from service.actions.sheets import Sheet
from service.domain.counts import Post
from service.domain.progress import Cause, Decision, Verdict
from service.domain.studio import Studio
from service.domain.takes import Heads, Outcome, Purpose
from service.store import counts as ledger
from service.store.engine import Database
from service.store.tables import CreditedChangeRow, ProductionRow, SeriesRow, ShotRow, TerminalRow
from tests import model
from tests.api.conftest import Clock
from tests.api.scenes import PRODUCTION, add_shot, add_stage, begin
from workers.attempts import write_again

STUDIO = Studio()
STAGES = ("mill", "barn")


def furnish(database: Database) -> None:
    """Two stages with a terminal each, once in a database."""
    with database.reading() as session:
        if session.exec(select(func.count(col(ProductionRow.id)))).one():
            return
    clock = Clock()
    begin(database, clock)
    for stage in STAGES:
        add_stage(database, clock, stage)


def poster_at(database: Database, stage: str) -> Poster:
    with database.reading() as session:
        row = session.exec(select(TerminalRow).where(TerminalRow.name == f"{stage}-capture")).one()
    return Poster(terminal_id=row.id or 0, terminal=row.name, stage_id=row.stage_id)


def credit_in_journal(database: Database, shot_id: int) -> int:
    with database.reading() as session:
        total = select(func.coalesce(func.sum(CreditedChangeRow.frames), 0))
        return int(session.exec(total.where(col(CreditedChangeRow.shot_id) == shot_id)).one())


def figures_now(database: Database, shot_id: int) -> dict[str, int]:
    with database.writing() as session:
        return asdict(Sheet(session, [shot_id], STUDIO).figures(shot_id))


class Shooting:
    """One shot under way: everything said so far, to the service and to the model."""

    def __init__(self, database: Database, code: str, *, studio: Studio = STUDIO) -> None:
        self.database, self.code, self.studio = database, code, studio
        self.shot_id = add_shot(database, code, cut_frames=40)
        self.plan: dict[str, Any] = {"cut_frames": 40, "omitted": False}
        self.posters = {stage: poster_at(database, stage) for stage in STAGES}
        self.posted: list[tuple[str, Post]] = []
        self.said: list[dict[str, Any]] = []
        self.clock = Clock()
        self.serials = dict.fromkeys(STAGES, 0)

    def post(self, *posts: tuple[str, Post]) -> None:
        """Post in one transaction each."""
        for stage, each in posts:
            with self.database.writing() as session:
                answers = record_counts(
                    session, [each], poster=self.posters[stage], studio=self.studio, sent_at=None, now=self.clock()
                )
            assert answers[0].said is not None, answers
            self.clock.pass_time(minutes=1)

    def new_post(self, stage: str, words: dict[str, Any]) -> tuple[str, Post]:
        """A post of a terminal's next serial."""
        self.serials[stage] += 1
        at = self.clock() - timedelta(minutes=words.pop("ago"))
        post = Post(serial=self.serials[stage], spool=self.code, production=PRODUCTION, shot=self.code, at=at, **words)
        return stage, post

    def decide(self, verdict: Verdict, number: int, scope: tuple[int, int] | None) -> None:
        """Say a verdict on a take that exists."""
        first, last = scope or (None, None)
        with self.database.writing() as session:
            sheet = Sheet(session, [self.shot_id], STUDIO)
            take = sheet.take(self.shot_id, ("", Purpose.SHOOT, number))
            if take is None:
                return
            decision = Decision(verdict=verdict, first=first, last=last)
            sheet.decide(take, decision, by="office", reason=None, now=self.clock())
            sheet.save(now=self.clock())
        self.said.append({"verdict": verdict.value, "take": number, "first": first, "last": last})

    def replan(self, cause: Cause, **changes: Any) -> None:  # noqa: ANN401 -- any field of the plan
        """Re-cut, omit or restore the shot."""
        self.plan |= changes
        with self.database.writing() as session:
            sheet = Sheet(session, [self.shot_id], STUDIO)
            row = session.get_one(ShotRow, self.shot_id)
            row.cut_frames, row.omitted = self.plan["cut_frames"], self.plan["omitted"]
            plan = replace(sheet.plan(self.shot_id), uses=((1, row.cut_frames),), omitted=row.omitted)
            sheet.replan(self.shot_id, plan, cause)
            sheet.save(now=self.clock())

    def check(self) -> None:
        """Figures, journal and series rows are what the model makes of everything said."""
        words = [
            {
                "terminal": self.posters[stage].terminal,
                "spool": each.spool,
                "serial": each.serial,
                "take": each.take,
                "total": each.total_frames,
                "captured_at": each.at,
                "purpose": each.purpose.value,
                "starts_at": each.starts_at,
                "outcome": each.outcome.value if each.outcome else None,
            }
            for stage, each in self.posted
        ]
        expected = model.figures(self.plan, words, self.said)
        found = figures_now(self.database, self.shot_id)
        assert {name: found[name] for name in expected} == expected
        assert credit_in_journal(self.database, self.shot_id) == expected["credited_frames"]
        with self.database.reading() as session:
            rows = session.exec(select(SeriesRow).where(SeriesRow.shot_id == self.shot_id)).all()
            kept = ledger.ledger(session, [row.id or 0 for row in rows])
        for row in rows:
            standing = Heads.of(kept[row.id or 0]).standing(row.default_starts_at)
            assert (row.total_frames, row.starts_at, row.outcome) == (
                standing.total_frames,
                standing.starts_at,
                standing.state.value,
            )


POSTS = st.fixed_dictionaries(
    {
        "take": st.integers(1, 2),
        "frames_total": st.integers(0, 50),
        "purpose": st.sampled_from([Purpose.SHOOT, Purpose.SHOOT, Purpose.PLATE]),
        "starts_at": st.sampled_from([None, None, 21]),
        "outcome": st.sampled_from([None, None, Outcome.FINISHED, Outcome.ABANDONED]),
        "ago": st.integers(0, 300),
    }
)
SCOPES = st.none() | st.tuples(st.integers(1, 50), st.integers(0, 30)).map(lambda span: (span[0], span[0] + span[1]))
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("post"), st.sampled_from(STAGES), POSTS),
        st.tuples(st.just("post"), st.sampled_from(STAGES), POSTS),
        st.tuples(st.just("repeat"), st.integers(0, 20)),
        st.tuples(st.just("decide"), st.sampled_from(Verdict), st.integers(1, 2), SCOPES),
        st.tuples(st.just("recut"), st.integers(1, 60)),
        st.tuples(st.just("omit")),
    ),
    min_size=1,
    max_size=9,
)


# The database is shared by the examples; each has a shot of its own in it.
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(steps=STEPS)
def test_whatever_is_posted_decided_and_planned_the_figures_are_the_models_and_the_journal_adds_up_to_them(
    database: Database, steps: list[tuple[Any, ...]]
) -> None:
    furnish(database)
    shooting = Shooting(database, f"s{uuid4().hex}")
    for what, *how in steps:
        match what:
            # A shot that is omitted keeps its counts for later, which the API's tests look at.
            case "post" if not shooting.plan["omitted"]:
                stage, words = how
                new = shooting.new_post(stage, dict(words))
                shooting.posted.append(new)
                shooting.post(new)
            case "repeat" if shooting.posted:
                shooting.post(shooting.posted[how[0] % len(shooting.posted)])
            case "decide":
                shooting.decide(*how)
            case "recut":
                shooting.replan(Cause.RECUT, cut_frames=how[0])
            case "omit":
                omitted = not shooting.plan["omitted"]
                shooting.replan(Cause.OMITTED if omitted else Cause.RESTORED, omitted=omitted)
        shooting.check()


@pytest.mark.parametrize("tracks", [({}, {}), ({}, {"camera": "witness"}), ({}, {"pass_": "glow"})], ids=str)
def test_what_terminals_decide_of_a_take_follows_its_capture_and_not_its_arrival(
    database: Database, tracks: tuple[dict[str, str], dict[str, str]]
) -> None:
    """The mill circles what it shot before the barn rejects it, on the same series or on two of one take."""
    furnish(database)
    outcomes: set[tuple[int, bool]] = set()
    for number, order in enumerate(permutations(range(4))):
        shooting = Shooting(database, f"order-{number}", studio=replace(STUDIO, terminals_may_decide=True))
        posts = [
            shooting.new_post(stage, {"take": 1, "frames_total": 40, "ago": ago, "outcome": outcome, **track})
            for stage, ago, outcome, track in (
                ("mill", 40, None, tracks[0]),
                ("mill", 30, Outcome.CIRCLED, tracks[0]),
                ("barn", 20, Outcome.NG, tracks[1]),
                ("mill", 10, Outcome.FINISHED, tracks[0]),
            )
        ]
        shooting.post(*(posts[place] for place in order))
        figures = figures_now(database, shooting.shot_id)
        outcomes.add((figures["credited_frames"], bool(figures["provisional"])))
    assert outcomes == {(0, False)}


def test_two_terminals_that_count_one_shot_at_the_same_moment_are_counted_one_after_the_other(
    database: Database,
) -> None:
    """Neither may compute from figures the other is about to change: the journal would be wrong for ever."""
    furnish(database)
    shooting = Shooting(database, "0120")
    mill, barn, mill_again, barn_again = (
        shooting.new_post(stage, {"take": 1, "frames_total": frames, "ago": ago})
        for stage, frames, ago in (("mill", 10, 4), ("barn", 12, 3), ("mill", 20, 2), ("barn", 22, 1))
    )
    shooting.post(mill, barn)
    done = threading.Event()

    def record(session: Session, stage: str, post: Post) -> None:
        poster = shooting.posters[stage]
        record_counts(session, [post], poster=poster, studio=STUDIO, sent_at=None, now=shooting.clock())

    with ThreadPoolExecutor(1) as pool:
        with database.writing() as session:
            record(session, *mill_again)
            other = pool.submit(write_again, database, lambda own: record(own, *barn_again))
            other.add_done_callback(lambda _done: done.set())
            # Long enough for it to have read what it computes from, unless it is kept from that.
            assert not done.wait(0.5)
        other.result()
    shooting.posted += [mill, barn, mill_again, barn_again]
    shooting.check()
