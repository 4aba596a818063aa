"""Which takes wait for a decision, and since when."""

from dataclasses import replace

import pytest

from service.domain.frames import FrameSet, frames
from service.domain.progress import SeriesFacts
from service.domain.viewing import ShotTakes, Waiting, waiting
from tests.domain.viewings import SHOT, at, said, series, shot, take


def only(of: ShotTakes) -> Waiting:
    (found,) = waiting(of)
    return found


def numbers(of: ShotTakes) -> list[int]:
    return [each.take.number for each in waiting(of)]


def test_a_finished_take_waits_from_its_offer_until_it_is_decided() -> None:
    undecided = only(shot(take(series(1, 96, offered=2))))
    assert (undecided.since, undecided.undecided, undecided.partly_decided) == (at(2), frames(1, 96), False)
    for verdict in ("accept", "reject", "circle"):
        assert numbers(shot(take(series(1, 96, offered=2), decisions=[said(1, verdict, 3)]))) == []


@pytest.mark.parametrize(
    "tracks",
    [
        (series(1, 96),),
        (series(1, 96, abandoned=True),),
        (series(1, 0, offered=1),),
        (series(1, 96, offered=1, camera="witness"),),
        (series(1, 96, offered=1), series(1, 90, camera="second")),
    ],
    ids=["open", "abandoned", "empty", "optional camera alone", "one required camera open"],
)
def test_what_is_not_offered_does_not_wait(tracks: tuple[SeriesFacts, ...]) -> None:
    plan = replace(SHOT, cameras=("main", "second"))
    assert numbers(shot(take(*tracks), plan=plan)) == []


def test_a_take_on_two_cameras_is_offered_with_the_later_and_waits_until_both_are_decided() -> None:
    plan = replace(SHOT, cameras=("main", "second"))
    tracks = series(1, 96, offered=1), series(1, 96, offered=4, camera="second")
    assert only(shot(take(*tracks), plan=plan)).since == at(4)
    half = only(shot(take(*tracks, decisions=[said(1, "circle", 5, camera="main")]), plan=plan))
    assert (half.partly_decided, half.undecided) == (True, frames(1, 96))
    assert numbers(shot(take(*tracks, decisions=[said(1, "circle", 5)]), plan=plan)) == []


def test_a_take_of_which_a_range_is_rejected_waits_for_the_rest_of_its_planned_frames() -> None:
    partly = only(shot(take(series(1, 100, offered=1), decisions=[said(1, "reject", 2, first=61, last=100)])))
    assert (partly.partly_decided, partly.undecided, partly.since) == (True, frames(1, 60), at(1))
    rest = [said(1, "reject", 2, first=61, last=96), said(2, "accept", 3, first=1, last=60)]
    # Frames 97 to 100 are in no plan: nobody has to judge them.
    assert numbers(shot(take(series(1, 100, offered=1), decisions=rest))) == []


def test_a_withdrawn_verdict_lets_a_take_wait_from_the_withdrawal_on() -> None:
    again = [said(1, "circle", 2), said(2, "withdraw", 9)]
    assert only(shot(take(series(1, 96, offered=1), decisions=again))).since == at(9)


def test_a_withdrawal_of_some_frames_does_not_shorten_the_wait_of_the_others() -> None:
    partly = [said(1, "reject", 2, first=61, last=96), said(2, "withdraw", 9)]
    found = only(shot(take(series(1, 96, offered=1), decisions=partly)))
    assert (found.since, found.undecided, found.partly_decided) == (at(1), frames(1, 96), False)


def test_a_withdrawal_before_the_offer_starts_no_wait() -> None:
    early = [said(1, "reject", 2), said(2, "withdraw", 3)]
    assert only(shot(take(series(1, 96, offered=5), decisions=early))).since == at(5)


def test_nothing_waits_of_an_omitted_shot() -> None:
    assert numbers(shot(take(series(1, 96, offered=1)), plan=replace(SHOT, omitted=True))) == []


def test_a_choice_between_takes_decides_on_the_one_that_was_not_chosen() -> None:
    passed_over = take(series(1, 96, offered=1))
    assert numbers(shot(passed_over, take(series(2, 96, offered=2), decisions=[said(1, "circle", 3)]))) == []


def test_a_take_that_comes_after_the_choice_waits() -> None:
    chosen = take(series(1, 96, offered=1), decisions=[said(1, "circle", 3)])
    assert numbers(shot(chosen, take(series(2, 96, offered=4)))) == [2]
    # Captured before the choice, but the terminal was offline: nobody could choose it.
    assert numbers(shot(chosen, take(series(2, 96, offered=2), heard=5))) == [2]


def test_a_choice_of_other_frames_leaves_the_rest_waiting() -> None:
    first = take(series(1, 96, offered=1), decisions=[said(1, "reject", 2, first=61, last=96)])
    second = take(series(2, 36, offered=4, starts_at=61), decisions=[said(2, "circle", 5)])
    found = only(shot(first, second))
    assert (found.take.number, found.undecided) == (1, frames(1, 60))


def test_the_takes_before_it_are_counted_within_the_part() -> None:
    of = shot(
        take(series(1, 96, abandoned=True)),
        take(series(2, 96, offered=2)),
        take(series(3, 96, offered=3, part="left")),
    )
    assert {each.take.number: each.earlier_takes for each in waiting(of)} == {2: 1, 3: 0}


def test_what_waited_at_an_instant_is_what_was_undecided_then() -> None:
    decided = shot(take(series(1, 96, offered=1), decisions=[said(1, "circle", 5)]))
    assert numbers(decided.as_of(at(5))) == [1]
    assert numbers(decided.as_of(at(6))) == []
    assert only(decided.as_of(at(5))).undecided == FrameSet.of([(1, 96)])


def test_each_camera_says_what_of_it_waits() -> None:
    plan = replace(SHOT, cameras=("main", "second"))
    tracks = series(1, 96, offered=1), series(1, 90, offered=1, camera="second")
    decisions = [said(1, "circle", 5, camera="second", first=1, last=60), said(2, "circle", 5, camera="main")]
    assert only(shot(take(*tracks, decisions=decisions), plan=plan)).undecided_on == {
        ("second", "main"): frames(61, 90)
    }
