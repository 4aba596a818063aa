"""Sets of frames against Python's own sets."""

from hypothesis import given
from hypothesis import strategies as st

from service.domain.frames import EVERYTHING, NOTHING, FrameSet, frames, run

RANGES = st.lists(st.tuples(st.integers(-40, 40), st.integers(-40, 40)), max_size=8)


def listed(ranges: list[tuple[int, int]]) -> set[int]:
    return {frame for first, last in ranges for frame in range(first, last + 1)}


def members(found: FrameSet) -> set[int]:
    return listed(list(found.ranges))


def as_few_ranges_as_will_do(found: FrameSet) -> bool:
    bounds = [bound for span in found.ranges for bound in span]
    apart = all(later - sooner > 1 for sooner, later in zip(bounds[1::2], bounds[2::2], strict=False))
    return bounds == sorted(bounds) and apart


@given(RANGES)
def test_a_set_holds_the_frames_of_its_ranges_in_as_few_as_will_do(ranges: list[tuple[int, int]]) -> None:
    found = FrameSet.of(ranges)

    assert members(found) == listed(ranges)
    assert as_few_ranges_as_will_do(found)
    assert len(found) == len(listed(ranges))
    assert bool(found) == bool(listed(ranges))
    assert (found.first, found.last) == (min(listed(ranges), default=None), max(listed(ranges), default=None))


@given(RANGES, RANGES)
def test_sets_are_joined_met_and_taken_away_as_python_does_it(
    left: list[tuple[int, int]], right: list[tuple[int, int]]
) -> None:
    here, there = FrameSet.of(left), FrameSet.of(right)
    made = {
        "or": (here | there, listed(left) | listed(right)),
        "and": (here & there, listed(left) & listed(right)),
        "without": (here - there, listed(left) - listed(right)),
    }
    for name, (found, expected) in made.items():
        assert members(found) == expected, name
        assert as_few_ranges_as_will_do(found), name
    assert (here == there) == (listed(left) == listed(right))


@given(st.lists(RANGES, max_size=4))
def test_a_union_of_many_is_each_joined_to_the_next(many: list[list[tuple[int, int]]]) -> None:
    assert members(FrameSet.union(FrameSet.of(each) for each in many)) == set().union(*map(listed, many))


@given(st.integers(-40, 40), st.integers(0, 40))
def test_a_series_covers_as_many_frames_as_it_has(starts_at: int, total: int) -> None:
    assert members(run(starts_at, total)) == set(range(starts_at, starts_at + total))


def test_a_range_that_ends_before_it_begins_is_empty() -> None:
    assert frames(5, 4) == NOTHING
    assert not frames(5, 4)
    assert frames(5, 5).ranges == ((5, 5),)


def test_ranges_that_touch_become_one() -> None:
    assert FrameSet.of([(1, 40), (41, 60), (62, 70)]).ranges == ((1, 60), (62, 70))


@given(RANGES)
def test_everything_has_every_frame_a_shot_can_have(ranges: list[tuple[int, int]]) -> None:
    found = FrameSet.of(ranges)
    assert found & EVERYTHING == found
    assert found - EVERYTHING == NOTHING
    assert EVERYTHING - (EVERYTHING - found) == found
