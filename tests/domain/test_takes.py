"""Which post of a series stands, and what each production day added."""

from datetime import date
from itertools import permutations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.takes import (
    DayFrames,
    Heads,
    LedgerPost,
    Outcome,
    SeriesState,
    Standing,
    by_day,
    history,
    rules_verdict,
)
from tests import model
from tests.domain.shooting import later, ledger_post, post, totals

MONDAY, TUESDAY = date(2026, 3, 2), date(2026, 3, 3)
PLAN = {"cut_frames": 96}


def ledger(*posts: dict[str, Any]) -> list[LedgerPost]:
    return [ledger_post(words) for words in posts]


def stands(*posts: dict[str, Any]) -> Standing:
    return Heads.of(ledger(*posts)).standing(1)


@st.composite
def a_days_posts(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Posts of one series from up to four spools, serials with gaps, clocks in any order, in any order."""
    posts = []
    spools = [("rostrum", "one"), ("rostrum", "two"), ("bench", "one"), ("attic", "")]
    for terminal, spool in draw(st.lists(st.sampled_from(spools), unique=True, min_size=1)):
        for serial in draw(st.sets(st.integers(1, 30), min_size=1, max_size=6)):
            minutes = draw(st.integers(0, 3000))
            posts.append(
                post(
                    draw(st.integers(0, 130)),
                    serial=serial,
                    terminal=terminal,
                    spool=spool,
                    captured_at=later(minutes),
                    day=later(minutes).date(),
                    outcome=draw(st.none() | st.sampled_from(list(Outcome)).map(str)),
                    starts_at=draw(st.none() | st.integers(-8, 90)),
                    stage=draw(st.integers(1, 2)),
                    animator=draw(st.none() | st.sampled_from(["Ottoline", "Bram"])),
                )
            )
    return list(draw(st.permutations(posts)))


def test_a_total_stands_and_is_never_added_up() -> None:
    posts = ledger(*totals(40, 52, 52, 49))

    assert Heads.of(posts).standing(1).total_frames == 49
    assert [step.change_frames for step in history(posts)] == [40, 12, 0, -3]
    (day,) = by_day(history(posts))
    assert (day.gross_frames, day.deleted_frames, day.net_frames) == (52, 3, 49)


def test_frames_deleted_in_the_middle_leave_the_rest_live_and_the_highest_in_the_history() -> None:
    # Frames 45 to 52 of 60 are deleted: the terminal posts the total that is left.
    posts = ledger(*totals(60, 52))

    assert Heads.of(posts).standing(1).total_frames == 52
    assert max(step.post.total_frames for step in history(posts)) == 60
    assert by_day(history(posts))[0].deleted_frames == 8


def test_a_terminal_six_hours_offline_sends_forty_posts_and_each_stands_where_it_was_captured() -> None:
    # Every ten minutes from nine on, two frames more each time; the last six hours come at once and out of order, among
    # them some older than what a second terminal had posted in the meantime.
    own = [post(2 * serial, serial=serial, minutes=10 * serial, day=MONDAY) for serial in range(1, 61)]
    other = [post(7, serial=1, terminal="bench", minutes=5, day=MONDAY)]
    online, held_back = own[:20], own[20:]
    arrived = [*online, *other, *held_back[::2], *held_back[::-2]]

    assert len(held_back) == 40
    assert stands(*arrived).total_frames == 120
    assert [step.post.serial for step in history(ledger(*own))] == list(range(1, 61))
    assert {day.day_on for day in by_day(history(ledger(*arrived)))} == {MONDAY}


def test_a_late_post_changes_the_day_it_was_captured_on() -> None:
    before = [post(10, serial=1, day=MONDAY), post(30, serial=3, minutes=2000, day=TUESDAY)]
    late = post(25, serial=2, day=MONDAY)

    assert nets(*before) == {MONDAY: 10, TUESDAY: 20}
    assert nets(*before, late) == {MONDAY: 25, TUESDAY: 5}


def nets(*posts: dict[str, Any]) -> dict[date, int]:
    return {day.day_on: day.net_frames for day in by_day(history(ledger(*posts)))}


def test_within_a_spool_the_serial_orders_whatever_the_clock_shows() -> None:
    # The clock was put back by an hour between the two.
    posts = [post(40, serial=1, minutes=60), post(52, serial=2, minutes=1)]

    assert stands(*posts).total_frames == 52
    assert [step.post.serial for step in history(ledger(*posts))] == [1, 2]


def test_across_spools_the_later_capture_rules() -> None:
    old = post(40, serial=90, spool="one", minutes=10)
    new = post(8, serial=1, spool="two", minutes=11)
    assert stands(old, new).total_frames == 8


def test_each_terminals_newest_post_stands_and_of_those_the_latest_rules() -> None:
    # The bench's older post was captured last of all, but its own newer one stands for it.
    posts = [
        post(30, serial=1, terminal="bench", minutes=50),
        post(33, serial=2, terminal="bench", minutes=20),
        post(41, serial=1, terminal="rostrum", minutes=30),
    ]
    assert stands(*posts).total_frames == 41


def test_a_tie_goes_by_the_terminals_name() -> None:
    bench, rostrum = (
        post(number, serial=1, terminal=name, minutes=1) for number, name in ((7, "bench"), (9, "rostrum"))
    )
    assert stands(bench, rostrum) == stands(rostrum, bench)
    assert stands(bench, rostrum).total_frames == 9


def test_what_a_later_post_leaves_unsaid_still_stands() -> None:
    found = stands(post(10, serial=1, starts_at=61), post(36, serial=2, outcome="finished"), post(35, serial=3))
    assert (found.total_frames, found.starts_at, found.state) == (35, 61, SeriesState.FINISHED)
    assert found.offered_at == later(2)


@pytest.mark.parametrize(
    ("outcome", "state"),
    [(None, "open"), ("finished", "finished"), ("circled", "finished"), ("ng", "finished"), ("abandoned", "abandoned")],
)
def test_the_state_of_a_series_follows_its_outcome(outcome: str | None, state: str) -> None:
    assert stands(post(1, serial=1, outcome=outcome)).state == state


def test_an_abandoned_take_may_be_taken_up_again() -> None:
    given_up = post(80, serial=1, outcome="abandoned")
    assert stands(given_up).state is SeriesState.ABANDONED
    assert stands(given_up, post(96, serial=2, outcome="finished")).state is SeriesState.FINISHED


def test_the_day_sheet_keeps_stages_and_animators_apart() -> None:
    posts = [
        post(10, serial=1, stage=1, animator="Ottoline", day=MONDAY),
        post(25, serial=2, stage=1, animator="Bram", day=MONDAY),
        post(21, serial=3, stage=2, animator="Bram", day=MONDAY),
    ]
    found = {
        (day.stage_id, day.animator): (day.gross_frames, day.deleted_frames) for day in by_day(history(ledger(*posts)))
    }
    assert found == {(1, "Ottoline"): (10, 0), (1, "Bram"): (15, 0), (2, "Bram"): (0, 4)}


def test_a_day_on_which_as_much_was_deleted_as_shot_is_not_left_out() -> None:
    (day,) = by_day(history(ledger(*totals(10, 0))))
    assert day == DayFrames(day_on=MONDAY, stage_id=1, animator=None, gross_frames=10, deleted_frames=10)


@given(a_days_posts(), st.data())
def test_the_order_and_number_of_arrivals_change_nothing(posts: list[dict[str, Any]], data: st.DataObject) -> None:
    again = data.draw(st.permutations([*posts, *data.draw(st.lists(st.sampled_from(posts), max_size=8))]))
    once = {(words["terminal"], words["spool"], words["serial"]): words for words in again}

    assert stands(*again) == stands(*posts)
    assert history(ledger(*once.values())) == history(ledger(*posts))


@given(a_days_posts())
def test_the_last_step_of_the_history_holds_what_stands(posts: list[dict[str, Any]]) -> None:
    steps = history(ledger(*posts))
    assert steps[-1].post.total_frames == stands(*posts).total_frames
    assert steps[-1].post.stage_id == stands(*posts).stage_id
    assert steps[0].before_frames == 0
    assert all(step.before_frames + step.change_frames == step.post.total_frames for step in steps)


@given(a_days_posts())
def test_the_days_add_up_to_the_standing_total(posts: list[dict[str, Any]]) -> None:
    days = by_day(history(ledger(*posts)))
    assert sum(day.net_frames for day in days) == stands(*posts).total_frames
    assert all(day.gross_frames >= 0 and day.deleted_frames >= 0 for day in days)
    sums: dict[date, tuple[int, int]] = {}
    for day in days:
        gross, deleted = sums.get(day.day_on, (0, 0))
        sums[day.day_on] = gross + day.gross_frames, deleted + day.deleted_frames
    assert sums == model.by_day(PLAN, posts)


@given(a_days_posts())
def test_within_each_spool_the_history_keeps_the_order_of_the_serials(posts: list[dict[str, Any]]) -> None:
    seen: dict[tuple[str, str], int] = {}
    for step in history(ledger(*posts)):
        spool = (step.post.terminal, step.post.spool)
        assert seen.get(spool, 0) < step.post.serial
        seen[spool] = step.post.serial


@given(a_days_posts())
def test_each_spools_newest_and_all_that_say_something_give_the_same_as_the_whole(posts: list[dict[str, Any]]) -> None:
    """What the door loads of a long ledger."""
    newest: dict[tuple[str, str], int] = {}
    for words in posts:
        spool = (words["terminal"], words["spool"])
        newest[spool] = max(newest.get(spool, 0), words["serial"])
    few = [
        words
        for words in posts
        if words["outcome"]
        or words["starts_at"] is not None
        or newest[words["terminal"], words["spool"]] == words["serial"]
    ]
    assert stands(*few) == stands(*posts)


def test_every_order_of_five_posts_gives_the_same() -> None:
    posts = [
        *totals(40, 52, 49, outcome="finished"),
        post(12, serial=4, terminal="bench", minutes=2, starts_at=61),
        post(50, serial=1, spool="two", minutes=3),
    ]
    assert len({stands(*each) for each in permutations(posts)}) == 1


def test_a_verdict_rules_where_it_is_the_latest_said_of_the_take() -> None:
    first, second = ledger(post(9, serial=1, outcome="circled"), post(9, serial=2, outcome="ng"))
    one_series = [Heads.of([second, first])]
    two_series = [Heads.of([second]), Heads.of([first])]
    for take in (one_series, two_series):
        assert rules_verdict(take, second)
        assert not rules_verdict(take, first)
    assert not rules_verdict([Heads()], first)


@pytest.mark.parametrize("said", ["finished", "abandoned", None])
def test_a_later_post_that_decides_nothing_takes_no_verdict_back(said: str | None) -> None:
    circled, later_one = ledger(post(96, serial=1, outcome="circled"), post(96, serial=2, outcome=said))
    # Whichever arrives first.
    assert rules_verdict([Heads.of([later_one, circled])], circled)
    assert not rules_verdict([Heads.of([later_one, circled])], later_one)
