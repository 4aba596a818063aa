"""What comps and approvals rest on: the same numbers, other frames."""

from hypothesis import example, given
from hypothesis import strategies as st

from service.domain.bases import Basis, changed_since, generations, made_since
from service.domain.frames import NOTHING, FrameSet, frames
from service.domain.progress import ShotFacts
from service.domain.takes import history
from tests.domain import shooting


def _times(totals: list[int]) -> dict[int, int]:
    """How many times each live frame was captured, frame by frame."""
    captured: dict[int, int] = {}
    before = 0
    for total in totals:
        for frame in range(before + 1, total + 1):
            captured[frame] = captured.get(frame, 0) + 1
        before = total
    return {frame: times for frame, times in captured.items() if frame <= before}


@given(st.lists(st.integers(0, 40), max_size=12))
def test_each_live_frame_is_counted_as_often_as_it_was_captured(totals: list[int]) -> None:
    posts = [shooting.ledger_post(each) for each in shooting.totals(*totals)]
    found = {
        frame: times
        for here, times in generations(history(posts))
        for first, last in here.ranges
        for frame in range(first, last + 1)
    }
    assert found == _times(totals)


def test_eleven_frames_deleted_and_shot_again_are_other_frames() -> None:
    posts = [shooting.ledger_post(each) for each in shooting.totals(96, 85, 96)]
    assert generations(history(posts)) == ((frames(1, 85), 1), (frames(86, 96), 2))


def _basis(*words: shooting.Words, cut: int = 96, decisions: tuple[shooting.Words, ...] = ()) -> Basis:
    plan = {"cut_frames": cut}
    facts: ShotFacts = shooting.facts(plan, words, decisions)
    by_series: dict[shooting.Track, list[shooting.Words]] = {}
    for each in words:
        by_series.setdefault(shooting.track_of(each, facts.plan), []).append(each)
    histories = {
        (part, number, camera, pass_): history(shooting.ledger_post(each) for each in posts)
        for ((part, _, number), camera, pass_), posts in by_series.items()
    }
    return Basis.of(facts, histories)


CIRCLED = (shooting.verdict("circle", take=1),)


def test_a_basis_is_read_as_it_was_written() -> None:
    basis = _basis(*shooting.totals(96, 85, 96), decisions=CIRCLED)
    assert Basis.read(basis.document()) == basis
    assert Basis.read(basis.document()).digest == basis.digest


def test_frames_deleted_and_shot_again_change_an_approval_and_a_comp() -> None:
    approved = _basis(*shooting.totals(96), decisions=CIRCLED)
    now = _basis(*shooting.totals(96, 85, 96), decisions=CIRCLED)
    assert changed_since(approved, now) == ("frames 86–96 of take 1 shot again since",)
    assert made_since(approved, now) == ("frames 86–96 of take 1 shot again since",)
    assert approved.digest != now.digest


def test_frames_deleted_for_good_and_others_shot_again_are_both_told() -> None:
    approved = _basis(*shooting.totals(96), decisions=CIRCLED)
    now = _basis(*shooting.totals(96, 85, 94), decisions=CIRCLED)
    assert changed_since(approved, now) == (
        "frames 95–96 of take 1 deleted since",
        "frames 86–94 of take 1 shot again since",
    )


def test_a_take_begun_after_approval_changes_it_and_not_the_comp() -> None:
    approved = _basis(*shooting.totals(96), decisions=CIRCLED)
    now = _basis(*shooting.totals(96), *shooting.totals(3, take=2, first_serial=9), decisions=CIRCLED)
    assert changed_since(approved, now) == ("frames 1–3 of take 2 shot since",)
    assert made_since(approved, now) == ()


LATER = st.tuples(st.integers(1, 4), st.integers(0, 120), st.sampled_from([None, "finished", "abandoned"]))


@given(st.lists(LATER, max_size=6))
@example([(1, 0, None), (2, 1, None)])
def test_what_is_counted_after_approval_adds_no_credit(later: list[tuple[int, int, str | None]]) -> None:
    """Whatever is posted of any take: what was approved is credited already, and what goes below it only takes away.

    Where nothing is left of the circled take, another stands in, provisionally.
    """
    posts = shooting.totals(96)
    posts += [
        shooting.post(total, serial=9 + index, take=take, outcome=outcome)
        for index, (take, total, outcome) in enumerate(later)
    ]
    found = shooting.figures_of({"cut_frames": 96}, posts, CIRCLED).figures
    last = next((total for take, total, _ in reversed(later) if take == 1), 96)
    if last:
        assert (found.credited_frames, found.provisional) == (min(96, last), False)
    else:
        assert found.provisional == bool(found.credited_frames)


def test_a_shorter_cut_changes_an_approval_and_leaves_the_comp_as_it_is() -> None:
    approved = _basis(*shooting.totals(96), decisions=CIRCLED)
    now = _basis(*shooting.totals(96), cut=80, decisions=CIRCLED)
    assert changed_since(approved, now) == ("planned frames 1–96 became 1–80",)
    assert made_since(approved, now) == ()


def test_a_longer_cut_whose_frames_are_there_puts_both_out_of_date() -> None:
    approved = _basis(*shooting.totals(110), decisions=CIRCLED)
    now = _basis(*shooting.totals(110), cut=110, decisions=CIRCLED)
    assert changed_since(approved, now) == ("planned frames 1–96 became 1–110",)
    assert made_since(approved, now) == ("frames 97–110 of take 1 accepted since",)


def test_another_take_circled_puts_the_comp_out_of_date() -> None:
    both = (*shooting.totals(96), *shooting.totals(96, take=2, first_serial=9))
    made = _basis(*both, decisions=CIRCLED)
    now = _basis(*both, decisions=(shooting.verdict("reject", take=1), shooting.verdict("circle", take=2)))
    assert made_since(made, now) == ("frames 1–96 of take 2 accepted since",)


def test_nothing_changed_says_nothing() -> None:
    basis = _basis(*shooting.totals(96), decisions=CIRCLED)
    assert changed_since(basis, basis) == ()
    assert made_since(basis, basis) == ()


@given(st.lists(st.integers(0, 30), min_size=1, max_size=6), st.lists(st.integers(0, 30), min_size=1, max_size=6))
def test_bases_are_equal_where_and_only_where_nothing_is_said_to_have_changed(one: list[int], other: list[int]) -> None:
    then, now = _basis(*shooting.totals(*one), cut=20), _basis(*shooting.totals(*other), cut=20)
    assert (changed_since(then, now) == ()) == (then == now) == (then.digest == now.digest)


def test_an_empty_series_has_no_frames() -> None:
    assert generations(()) == ()
    assert FrameSet() == NOTHING
