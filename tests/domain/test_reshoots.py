"""Frames shot again after a rejection, by its cause."""

from dataclasses import replace
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from service.domain.causes import ReturnCause
from service.domain.frames import FrameSet, frames, run
from service.domain.reshoots import Histories, Reshoots, layers, reshoots, unrejected
from service.domain.takes import history
from service.domain.viewing import ShotTakes
from tests.domain.viewings import MONDAY, SHOT, TUESDAY, at, histories, said, series, shot, shot_frames, take


def over_both_days(of: ShotTakes, posts: Histories) -> Reshoots:
    return reshoots(of, posts, first_on=MONDAY, last_on=TUESDAY)


LIGHT, STORY = ReturnCause.LIGHT, ReturnCause.STORY
RETAKE = histories(t1=shot_frames((1, 96)), t2=shot_frames((24, 36)))


def test_a_retake_from_frame_61_shot_36_of_132_frames_again() -> None:
    first = take(series(1, 96, offered=1), decisions=[said(1, "reject", 2, first=61, last=96, cause=LIGHT)])
    found = over_both_days(shot(first, take(series(2, 36, starts_at=61))), RETAKE)
    assert found == Reshoots(132, {LIGHT: 36})
    assert found.ratio(found.reshot_frames) == Fraction(3, 11)


def test_of_a_shot_without_a_rejection_the_frames_that_live_are_those_shot() -> None:
    posts = histories(t1=shot_frames((1, 96), (3, 60)), t2=shot_frames((24, 36)))
    of = shot(
        take(series(1, 60), series(1, 9, camera="witness"), decisions=[said(1, "accept", 2)]), take(series(2, 36))
    )
    assert unrejected(of) == over_both_days(of, posts) == Reshoots(96, {})
    withdrawn = [said(1, "reject", 2), said(2, "withdraw", 3)]
    assert unrejected(shot(take(series(1, 60), decisions=withdrawn))) is None


def test_frames_count_on_the_production_day_of_their_capture() -> None:
    first = take(series(1, 96, offered=1), decisions=[said(1, "reject", 2, first=61, last=96, cause=LIGHT)])
    of = shot(first, take(series(2, 36, starts_at=61)))
    assert reshoots(of, RETAKE, first_on=MONDAY, last_on=MONDAY) == Reshoots(96, {})
    assert reshoots(of, RETAKE, first_on=TUESDAY, last_on=TUESDAY) == Reshoots(36, {LIGHT: 36})


def test_what_nobody_gave_a_cause_for_stands_apart_from_other() -> None:
    first = take(series(1, 96, offered=1), decisions=[said(1, "reject", 2)])
    assert over_both_days(shot(first, take(series(2, 36, starts_at=61))), RETAKE).causes == {None: 36}


def test_frames_captured_before_the_rejection_were_not_shot_because_of_it() -> None:
    first = take(series(1, 96, offered=1), decisions=[said(1, "reject", 5, cause=LIGHT)])
    posts = histories(t1=shot_frames((1, 96)), t2=shot_frames((4, 10), (6, 36)))
    assert over_both_days(shot(first, take(series(2, 36))), posts).causes == {LIGHT: 26}


def test_a_rejection_withdrawn_before_is_none_and_one_withdrawn_later_was_the_cause() -> None:
    back = [said(1, "reject", 2, cause=LIGHT), said(2, "withdraw", 3)]
    of = shot(take(series(1, 96, offered=1), decisions=back), take(series(2, 36)))
    assert over_both_days(of, RETAKE).causes == {}
    late = [said(1, "reject", 2, cause=LIGHT), said(2, "withdraw", 40)]
    of = shot(take(series(1, 96, offered=1), decisions=late), take(series(2, 36)))
    assert over_both_days(of, RETAKE).causes == {LIGHT: 36}


def test_the_latest_rejection_that_covers_a_frame_gives_the_cause() -> None:
    first = take(series(1, 96, offered=1), decisions=[said(1, "reject", 2, cause=LIGHT)])
    second = take(series(2, 40, offered=5), decisions=[said(2, "reject", 6, first=1, last=10, cause=STORY)])
    third = take(series(3, 96))
    posts = histories(t1=shot_frames((1, 96)), t2=shot_frames((4, 40)), t3=shot_frames((8, 96)))
    assert over_both_days(shot(first, second, third), posts) == Reshoots(232, {LIGHT: 40 + 86, STORY: 10})


def test_rejected_frames_that_were_deleted_before_they_were_shot_again_were_there() -> None:
    first = take(series(1, 60, offered=1), decisions=[said(1, "reject", 2, first=61, last=96, cause=LIGHT)])
    posts = histories(t1=shot_frames((1, 96), (3, 60)), t2=shot_frames((24, 36)))
    assert over_both_days(shot(first, take(series(2, 36, starts_at=61))), posts) == Reshoots(96, {LIGHT: 36})


def test_frames_the_rejected_take_never_had_are_not_shot_again() -> None:
    first = take(series(1, 60, offered=1), decisions=[said(1, "reject", 2, cause=LIGHT)])
    posts = histories(t1=shot_frames((1, 60)), t2=shot_frames((24, 96)))
    assert over_both_days(shot(first, take(series(2, 96))), posts).causes == {LIGHT: 60}


def test_other_parts_and_optional_cameras_do_not_count() -> None:
    first = take(series(1, 96, offered=1), decisions=[said(1, "reject", 2, cause=LIGHT)])
    assert over_both_days(shot(first, take(series(2, 36, part="left"))), RETAKE) == Reshoots(132, {})
    plan = replace(SHOT, cameras=("second",))
    assert over_both_days(shot(first, take(series(2, 36)), plan=plan), RETAKE) == Reshoots(0, {})


def test_nothing_shot_has_no_ratio_and_sums_add_up() -> None:
    assert Reshoots().ratio(0) is None
    assert Reshoots(10, {LIGHT: 4}) + Reshoots(5, {LIGHT: 1, None: 2}) == Reshoots(15, {LIGHT: 5, None: 2})


def test_deleted_frames_that_are_shot_anew_belong_to_the_post_that_did() -> None:
    # 45 to 52 of 60 deleted and shot again an hour later.
    steps = history(shot_frames((1, 60), (2, 44), (3, 60)))
    assert [(each.frames, each.captured_at) for each in layers(steps, 1)] == [
        (frames(1, 44), at(1)),
        (frames(45, 60), at(3)),
    ]


@given(st.lists(st.integers(0, 30), min_size=1, max_size=12))
def test_layers_are_the_live_frames_once_each(totals: list[int]) -> None:
    found = layers(history(shot_frames(*((hour, total) for hour, total in enumerate(totals)))), 5)
    assert FrameSet.union(each.frames for each in found) == run(5, totals[-1])
    assert sum(len(each.frames) for each in found) == totals[-1]
