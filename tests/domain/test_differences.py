"""What a new cut changes of a shot, and which shots it puts elsewhere."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.differences import Change, End, difference, in_hand, moved
from service.domain.progress import ShotFacts
from service.domain.shots import Plan
from tests.domain.shooting import PLATE_MINIMUM_FRAMES, heads_of, series_of, totals
from tests.domain.standings import bare


def plan(*uses: tuple[int, int], dissolves: tuple[tuple[int, int], ...] = (), omitted: bool = False) -> Plan:
    return Plan(uses=uses, dissolves=dissolves, cameras=("main",), passes=("main",), omitted=omitted)


def shot_of(standing: Plan, frames: int) -> ShotFacts:
    """What is known of a shot of which take 1 has so many frames."""
    series = series_of(standing, heads_of(standing, totals(frames))) if frames else []
    return ShotFacts(plan=standing, series=series, plate_minimum_frames=PLATE_MINIMUM_FRAMES)


@pytest.mark.parametrize(
    ("before", "after", "changes", "end", "ends"),
    [
        pytest.param(plan((1, 96)), plan((1, 80)), {Change.SHORTENED}, End.TAIL, (0, -16), id="tail off"),
        pytest.param(plan((1, 96)), plan((17, 96)), {Change.SHORTENED}, End.HEAD, (-16, 0), id="head off"),
        pytest.param(plan((1, 96)), plan((1, 110)), {Change.LENGTHENED}, End.TAIL, (0, 14), id="tail on"),
        pytest.param(plan((1, 96)), plan((-9, 90)), {Change.LENGTHENED}, End.BOTH, (10, -6), id="both"),
        pytest.param(plan((1, 96)), plan((11, 106)), {Change.SLIPPED}, End.BOTH, (-10, 10), id="slipped"),
        pytest.param(plan((1, 96)), plan((1, 40), (61, 96)), {Change.SHORTENED}, End.WITHIN, (0, 0), id="middle out"),
        pytest.param(plan((1, 96)), plan((1, 96)), set(), None, (0, 0), id="nothing"),
        pytest.param(
            plan((1, 96)), plan((1, 96), dissolves=((97, 108),)), {Change.REPLANNED}, None, (0, 0), id="a dissolve"
        ),
        pytest.param(None, plan((1, 96)), {Change.ADDED}, None, (0, 0), id="new"),
        pytest.param(plan((1, 96)), plan((1, 96), omitted=True), {Change.OMITTED}, None, (0, 0), id="omitted"),
        pytest.param(plan((1, 96), omitted=True), plan((1, 96)), {Change.RESTORED}, None, (0, 0), id="restored"),
    ],
)
def test_a_difference_names_what_befell_the_shot_and_at_which_end(
    before: Plan | None, after: Plan, changes: set[Change], end: End | None, ends: tuple[int, int]
) -> None:
    found = difference("0120", before, after)

    assert (set(found.changes), found.end, (found.head_frames, found.tail_frames)) == (changes, end, ends)
    assert found.planned_frames_after == len(after.planned_set)


def test_an_end_nobody_told_is_called_unknown() -> None:
    found = difference("0120", plan((1, 96)), plan((1, 80)), end_known=False)
    assert (found.end, found.tail_frames) == (End.UNKNOWN, -16)


# Common practice: T 96, 90 of them shot.
@pytest.mark.parametrize(
    ("after", "figures"),
    [
        pytest.param(plan((1, 80)), (80, 0, 10), id="16 off the tail"),
        pytest.param(plan((17, 96)), (74, 6, 16), id="16 off the head"),
        pytest.param(plan((1, 110)), (90, 20, 0), id="14 more"),
    ],
)
def test_a_shot_in_hand_says_what_the_cut_leaves_of_it(after: Plan, figures: tuple[int, int, int]) -> None:
    facts = shot_of(plan((1, 96)), 90)

    found = in_hand(bare(facts), after)

    assert found is not None
    assert found.credited_frames_before == 90
    assert (found.credited_frames_after, found.remaining_frames_after, found.overshoot_frames_after) == figures
    assert not found.reopens


def test_a_shot_that_was_all_there_is_reopened_by_a_longer_cut() -> None:
    facts = shot_of(plan((1, 96)), 96)
    found = in_hand(bare(facts), plan((1, 110)))
    assert found is not None
    assert found.reopens


def test_a_shot_nobody_shot_is_in_no_hand() -> None:
    facts = shot_of(plan((1, 96)), 0)
    assert in_hand(bare(facts), facts.plan) is None


class TestMoved:
    @pytest.mark.parametrize(
        ("before", "after", "found"),
        [
            ("abcd", "abcd", ""),
            ("abcd", "bcda", "a"),
            ("abcd", "abxcd", ""),
            ("abcd", "acd", ""),
            ("abcd", "badc", "bd"),
            ("", "ab", ""),
        ],
    )
    def test_as_few_as_leave_the_others_in_order(self, before: str, after: str, found: str) -> None:
        assert len(moved(before, after)) == len(found)
        rest = [shot for shot in after if shot in before and shot not in moved(before, after)]
        assert rest == sorted(rest)

    @given(st.permutations("abcdef"), st.permutations("abcdefgh"))
    def test_those_left_keep_their_order_and_one_more_would_not(self, before: list[str], after: list[str]) -> None:
        found = moved(before, after)
        still = [shot for shot in after if shot in before and shot not in found]
        assert [before.index(shot) for shot in still] == sorted(before.index(shot) for shot in still)
        common = [shot for shot in after if shot in before]
        # Checked against every subset: none that keeps the order is larger.
        best = max(
            (sum(1 for _ in each) for each in _subsets(common) if _rising([before.index(shot) for shot in each])),
        )
        assert len(still) == best


def _subsets(shots: list[str]) -> list[list[str]]:
    return [[shot for place, shot in enumerate(shots) if mask >> place & 1] for mask in range(2 ** len(shots))]


def _rising(places: list[int]) -> bool:
    return places == sorted(places)
