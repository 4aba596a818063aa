"""Plans: which frames are asked for, and which stage a count belongs to."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.frames import FrameSet
from service.domain.shots import Part, Plan, PlanRefused, check_parts
from tests.domain.shooting import plan_of

NORTH, SOUTH, ATTIC = 1, 2, 3
SPLIT = (Part("a", NORTH, None, 60), Part("b", SOUTH, 55, None))


def test_a_shot_used_twice_is_planned_once_where_its_uses_have_gaps() -> None:
    plan = Plan(uses=((1, 40), (61, 100)), handle_in=4, handle_out=4, cameras=("main",), passes=("main",))

    assert plan.planned_set.ranges == ((-3, 44), (57, 104))
    assert len(plan.planned_set) == 96
    assert plan.cut_set.ranges == ((1, 40), (61, 100))


@pytest.mark.parametrize(("dissolve", "planned"), [((97, 108), ((-1, 108),)), ((97, 100), ((-1, 102),))])
def test_a_dissolve_asks_for_frames_beyond_the_cut_once(
    dissolve: tuple[int, int], planned: tuple[tuple[int, int], ...]
) -> None:
    # The handle and the frames a dissolve needs begin at the same frame; common practice counts what both hold once.
    plan = Plan(uses=((1, 96),), dissolves=(dissolve,), handle_in=2, handle_out=6, cameras=("main",), passes=("main",))

    assert plan.planned_set.ranges == planned
    assert plan.cut_set.ranges == ((1, 96),)


@given(
    st.lists(st.tuples(st.integers(1, 60), st.integers(0, 30)), min_size=1, max_size=4),
    st.integers(0, 12),
    st.integers(0, 12),
)
def test_the_planned_set_is_every_frame_of_every_use_with_its_handles(
    uses: list[tuple[int, int]], handle_in: int, handle_out: int
) -> None:
    spans = tuple((first, first + more) for first, more in uses)
    plan = Plan(uses=spans, handle_in=handle_in, handle_out=handle_out, cameras=("main",), passes=("main",))

    asked = {frame for first, last in spans for frame in range(first - handle_in, last + handle_out + 1)}

    assert {frame for first, last in plan.planned_set.ranges for frame in range(first, last + 1)} == asked
    assert plan.default_start("") == min(asked)
    assert not plan.cut_set - plan.planned_set


def test_an_omitted_shot_plans_nothing_and_keeps_its_first_frame() -> None:
    plan = plan_of({"cut_frames": 96, "handle_in": 4, "omitted": True})
    assert not plan.planned_set
    assert not plan.cut_set
    assert plan.default_start("") == -3


@pytest.mark.parametrize("field", ["cameras", "passes"])
def test_a_shot_that_requires_no_camera_or_pass_is_refused(field: str) -> None:
    """It would be complete before it began, since every planned frame is in each of no tracks."""
    required: dict[str, tuple[str, ...]] = {"cameras": ("main",), "passes": ("main",), field: ()}
    with pytest.raises(PlanRefused) as refused:
        Plan(uses=((1, 96),), cameras=required["cameras"], passes=required["passes"])
    assert refused.value.field == field


def test_parts_that_overlap_at_the_join_cover_the_shot() -> None:
    plan = plan_of({"cut_frames": 96, "parts": SPLIT})
    check_parts(plan, [part.part for part in plan.parts])
    assert [plan.part_set(part).ranges for part in SPLIT] == [((1, 60),), ((55, 96),)]


def test_parts_reach_to_the_handles_where_they_name_no_end() -> None:
    plan = plan_of({"cut_frames": 96, "handle_in": 4, "handle_out": 6, "parts": SPLIT})
    assert [plan.part_set(part).ranges for part in SPLIT] == [((-3, 60),), ((55, 102),)]


def test_parts_that_leave_frames_out_are_refused_and_the_frames_named() -> None:
    plan = plan_of({"cut_frames": 96, "parts": (Part("a", NORTH, 3, 50), Part("b", SOUTH, 55, 90))})
    with pytest.raises(PlanRefused, match="1 to 2, 51 to 54, 91 to 96"):
        check_parts(plan, ["a", "b"])


def test_two_parts_of_one_name_are_refused() -> None:
    with pytest.raises(PlanRefused, match="name of its own"):
        check_parts(plan_of({"cut_frames": 96, "parts": SPLIT}), ["a", "a"])


def test_parts_of_an_omitted_shot_need_cover_nothing() -> None:
    check_parts(plan_of({"cut_frames": 96, "omitted": True, "parts": SPLIT[:1]}), ["a"])


@given(st.integers(1, 120), st.integers(0, 12), st.integers(0, 12), st.data())
def test_accepted_parts_cover_the_parent(cut: int, handle_in: int, handle_out: int, data: st.DataObject) -> None:
    ends = st.one_of(st.none(), st.integers(-15, 140))
    parts = tuple(
        Part(name, NORTH, data.draw(ends), data.draw(ends))
        for name in data.draw(st.lists(st.sampled_from("abc"), max_size=3))
    )
    plan = plan_of({"cut_frames": cut, "handle_in": handle_in, "handle_out": handle_out, "parts": parts})
    try:
        check_parts(plan, [part.part for part in parts])
    except PlanRefused:
        return
    union = FrameSet.union(plan.part_set(part) for part in parts)
    assert union == plan.planned_set or not parts


@pytest.mark.parametrize(
    ("posted", "stage", "expected"),
    [
        (None, NORTH, "a"),
        (None, SOUTH, "b"),
        ("a", NORTH, "a"),
        ("b", NORTH, None),
        (None, ATTIC, None),
        ("a", ATTIC, None),
        # A part nobody planned, from a stage that has one of its own: counted beside it, so that no frame is lost.
        ("c", NORTH, "c"),
        ("c", ATTIC, None),
    ],
)
def test_a_count_of_a_split_shot_belongs_to_its_stages_part(
    posted: str | None, stage: int, expected: str | None
) -> None:
    assert plan_of({"cut_frames": 96, "parts": SPLIT}).part_counted(posted, stage) == expected


def test_a_shot_planned_for_no_stage_may_be_counted_by_any() -> None:
    plan = plan_of({"cut_frames": 96})
    assert plan.part_counted(None, ATTIC) == ""
    assert plan.part_counted("left", ATTIC) == "left"


def test_a_part_begins_where_it_was_planned_to() -> None:
    plan = plan_of({"cut_frames": 96, "handle_in": 4, "parts": SPLIT})
    assert [plan.default_start(part) for part in ("a", "b")] == [-3, 55]
