"""Frames shot against frames planned: cases from the stage, and the figures against a model that shares no code."""

from dataclasses import asdict
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.progress import Figures, ShotFacts, remaining, shot_figures
from service.domain.shots import Part, Plan
from tests import model
from tests.domain.shooting import (
    PLATE_MINIMUM_FRAMES,
    figures_of,
    heads_of,
    later,
    plan_of,
    post,
    series_of,
    totals,
    verdict,
)

SHOT: dict[str, Any] = {"cut_frames": 96}
NORTH, SOUTH = 1, 2


def figures(plan: dict[str, Any], posts: list[dict[str, Any]], said: list[dict[str, Any]] | None = None) -> Figures:
    """The domain's figures, held against the model's on the way."""
    found = figures_of(plan, posts, said or []).figures
    told = model.figures(plan, posts, said or [])
    assert {name: value for name, value in asdict(found).items() if name in told} == told
    return found


def credited(plan: dict[str, Any], posts: list[dict[str, Any]], said: list[dict[str, Any]] | None = None) -> int:
    return figures(plan, posts, said).credited_frames


def test_nothing_shot_is_nothing_credited() -> None:
    assert figures(SHOT, []) == Figures(
        planned_frames=96,
        shot_frames=0,
        credited_frames=0,
        credited_cut_frames=0,
        remaining_frames=96,
        overshoot_frames=0,
        provisional=False,
    )


def test_an_abandoned_take_is_not_credited_and_its_frames_were_shot_all_the_same() -> None:
    posts = [*totals(80, outcome="abandoned"), *totals(30, take=2, first_serial=2)]
    shot = {"cut_frames": 120}

    found = figures(shot, posts)
    assert (found.credited_frames, found.shot_frames, found.provisional) == (30, 110, True)

    circled = figures(shot, posts, [verdict("circle")])
    assert (circled.credited_frames, circled.provisional) == (80, False)


def test_a_finished_take_stands_in_until_its_retake_is_finished_too() -> None:
    shot = {"cut_frames": 120}
    finished = totals(120, outcome="finished")
    begun = totals(3, take=2, first_serial=2)

    assert credited(shot, [*finished, *begun]) == 120

    done = totals(100, take=2, first_serial=3, outcome="finished")
    assert credited(shot, [*finished, *begun, *done]) == 100


def test_of_open_takes_the_highest_stands_in() -> None:
    assert credited(SHOT, [*totals(90), *totals(10, take=2, first_serial=2)]) == 10


def test_mixed_holds_are_posted_as_frames_and_what_is_over_is_overshoot() -> None:
    # 47 captures on twos and one held for 12 frames: the terminal posts 106 frames.
    found = figures(SHOT, totals(47 * 2 + 12))
    assert (found.shot_frames, found.credited_frames, found.overshoot_frames) == (106, 96, 10)


def test_a_shot_cut_shorter_at_the_tail_is_finished() -> None:
    found = figures({"cut_frames": 80}, totals(90))
    assert (found.credited_frames, found.remaining_frames, found.overshoot_frames) == (80, 0, 10)


def test_a_shot_cut_shorter_at_the_head_still_needs_its_end() -> None:
    # Sixteen frames off the head leave 17 to 96 planned; 1 to 90 were shot.
    before = plan_of(SHOT)
    after = Plan(uses=((17, 96),), cameras=before.cameras, passes=before.passes)
    assert after.default_start("") == 17

    series = series_of(after, heads_of(after, totals(90)), began=before)
    found = shot_figures(ShotFacts(plan=after, series=series, plate_minimum_frames=PLATE_MINIMUM_FRAMES)).figures

    assert (found.credited_frames, found.remaining_frames, found.overshoot_frames) == (74, 6, 16)


def test_a_shot_cut_longer_opens_again() -> None:
    found = figures({"cut_frames": 110}, totals(90))
    assert (found.credited_frames, found.remaining_frames, found.overshoot_frames) == (90, 20, 0)


def test_a_series_keeps_its_frames_where_the_plan_grows_a_handle_before_it() -> None:
    """The frames were shot from 1 on; a handle asked for later is not shot by being asked for."""
    found = figures_of({**SHOT, "handle_in": 8}, totals(96), began=SHOT).figures
    assert (found.credited_frames, found.remaining_frames, found.credited_cut_frames) == (96, 8, 96)


def test_a_shot_split_over_two_stages_counts_the_join_once() -> None:
    split = {**SHOT, "parts": (Part("a", NORTH, 1, 60), Part("b", SOUTH, 55, 96)), "starts": {"a": 1, "b": 55}}
    posts = [
        *totals(60, stage=NORTH, part="a"),
        *totals(42, stage=SOUTH, part="b", terminal="bench"),
    ]

    found = figures_of(split, posts)

    assert figures(split, posts).credited_frames == 96
    assert found.figures.shot_frames == 102
    assert [(part.part, part.stage_id, part.figures.credited_frames) for part in found.parts] == [
        ("a", NORTH, 60),
        ("b", SOUTH, 42),
    ]


def test_what_was_shot_before_the_plan_was_split_is_in_the_sum_of_its_stage() -> None:
    whole = totals(70, stage=SOUTH, part="")
    split = {**SHOT, "parts": (Part("a", NORTH, 1, 60), Part("b", SOUTH, 55, 96)), "starts": {"": 1}}
    assert [
        (part.part, part.figures.shot_frames, part.figures.credited_frames) for part in figures_of(split, whole).parts
    ] == [("a", 0, 0), ("b", 70, 16)]
    # Where its stage has no part any more, in the first one's.
    elsewhere = {**split, "parts": (Part("a", NORTH, 1, 60), Part("b", NORTH, 55, 96))}
    assert [part.figures.shot_frames for part in figures_of(elsewhere, whole).parts] == [70, 0]


def test_two_cameras_at_the_same_frames_are_half_a_shot_and_not_a_whole_one() -> None:
    stereo = {**SHOT, "cameras": ["left", "right"]}
    posts = [*totals(50, camera="left"), *totals(50, first_serial=2, camera="right")]

    found = figures(stereo, posts)

    assert found.credited_frames == 50
    assert round(100 * found.credited_frames / found.planned_frames, 1) == 52.1
    assert found.shot_frames == 100


def test_two_cameras_at_different_ends_share_four_frames() -> None:
    stereo = {**SHOT, "cameras": ["left", "right"]}
    posts = [*totals(50, camera="left"), *totals(50, first_serial=2, camera="right", starts_at=47)]
    assert credited(stereo, posts) == 4


def test_a_camera_that_is_not_required_adds_nothing_and_holds_nothing_up() -> None:
    posts = [*totals(96), *totals(96, first_serial=2, camera="witness")]
    found = figures({**SHOT, "cameras": ["main"]}, posts)
    assert (found.credited_frames, found.overshoot_frames, found.shot_frames) == (96, 0, 192)


def test_a_required_camera_that_shot_nothing_leaves_nothing_credited() -> None:
    assert credited({**SHOT, "cameras": ["left", "right"]}, totals(96, camera="left")) == 0


def test_two_passes_of_forty_eight_frames_are_forty_eight_frames() -> None:
    layered = {"cut_frames": 48, "passes": ["main", "glow"]}
    posts = [*totals(48), *({**each, "pass": "glow"} for each in totals(48, first_serial=2))]
    found = figures(layered, posts)
    assert (found.credited_frames, found.remaining_frames) == (48, 0)


def test_overshoot_is_each_cameras_own() -> None:
    stereo = {**SHOT, "cameras": ["left", "right"]}
    posts = [*totals(100, camera="left"), *totals(106, first_serial=2, camera="right")]
    assert figures(stereo, posts).overshoot_frames == 14


def test_a_retake_from_frame_sixty_one_is_credited_beside_what_was_kept() -> None:
    take_one = totals(96)
    rejected = verdict("reject", first=61, last=96)

    found = figures(SHOT, take_one, [rejected])
    assert (found.credited_frames, found.remaining_frames, found.shot_frames) == (60, 36, 96)

    take_two = totals(36, take=2, first_serial=2, starts_at=61)
    found = figures(SHOT, [*take_one, *take_two], [rejected, verdict("circle", take=2)])
    assert (found.credited_frames, found.remaining_frames, found.shot_frames) == (96, 0, 132)


def test_plate_frames_never_add_to_the_shots() -> None:
    posts = [*totals(40), *totals(96, first_serial=2, purpose="plate")]

    found = figures_of(SHOT, posts)

    assert (found.figures.credited_frames, found.figures.shot_frames) == (40, 40)
    assert (found.plate_planned_frames, found.plate_shot_frames) == (PLATE_MINIMUM_FRAMES, 96)


def test_a_plate_of_a_moving_camera_needs_as_many_frames_as_the_shot() -> None:
    moving = {**SHOT, "handle_out": 4, "moving_camera": True}
    assert figures_of(moving, []).plate_planned_frames == 100
    assert figures_of({**moving, "omitted": True}, []).plate_planned_frames == 0


def test_a_plate_is_counted_before_anything_is_circled() -> None:
    found = figures_of(SHOT, totals(25, purpose="plate", outcome="finished"))
    assert found.plate_shot_frames == 25
    assert (found.figures.credited_frames, found.figures.provisional) == (0, False)


@pytest.mark.parametrize("purpose", ["rehearsal", "test", "reference", "plate"])
def test_takes_that_are_not_for_the_shot_never_count_circled_or_not(purpose: str) -> None:
    posts = totals(96, purpose=purpose, outcome="finished")
    found = figures(SHOT, posts, [verdict("circle", purpose=purpose)])
    assert (found.credited_frames, found.shot_frames) == (0, 0)


def test_an_ng_never_stands_in() -> None:
    posts = [*totals(96, outcome="finished"), *totals(20, take=2, first_serial=2, outcome="finished")]
    assert credited(SHOT, posts, [verdict("reject", take=2)]) == 96
    assert credited(SHOT, posts, [verdict("reject", take=2), verdict("reject")]) == 0


def test_a_take_rejected_frame_by_frame_is_as_much_an_ng_as_one_rejected_whole() -> None:
    posts = [*totals(96, outcome="finished"), *totals(20, take=2, first_serial=2, outcome="finished")]
    halves = [verdict("reject", take=2, first=1, last=10), verdict("reject", take=2, first=11, last=20)]
    assert credited(SHOT, posts, halves) == 96


def test_an_ng_on_one_camera_leaves_the_other_cameras_take() -> None:
    stereo = {**SHOT, "cameras": ["left", "right"]}
    posts = [
        *totals(96, camera="left"),
        *totals(96, first_serial=2, camera="right"),
        *totals(30, take=2, first_serial=3, camera="right"),
    ]
    assert credited(stereo, posts) == 30
    assert credited(stereo, posts, [verdict("reject", take=2, camera="right")]) == 96


def test_an_accepted_range_counts_from_whichever_take_it_is_in() -> None:
    posts = [*totals(40, outcome="abandoned"), *totals(96, take=2, first_serial=2)]
    said = [verdict("accept", first=1, last=20), verdict("accept", take=2, first=61, last=96)]
    found = figures(SHOT, posts, said)
    assert (found.credited_frames, found.provisional) == (56, False)


def test_what_is_shot_of_a_circled_take_later_is_circled_too() -> None:
    assert credited(SHOT, totals(40, 90), [verdict("circle")]) == 90


def test_a_later_verdict_replaces_an_earlier_one_and_a_withdrawn_one_is_gone() -> None:
    posts = totals(96, outcome="finished")
    circled, rejected, withdrawn = verdict("circle"), verdict("reject", first=1, last=10), verdict("withdraw")
    assert credited(SHOT, posts, [circled, rejected]) == 86
    assert credited(SHOT, posts, [rejected, circled]) == 96
    again = figures(SHOT, posts, [circled, rejected, withdrawn])
    assert (again.credited_frames, again.provisional) == (96, True)


def test_figures_are_provisional_while_a_credited_frame_rests_on_a_stand_in() -> None:
    posts = totals(96, outcome="finished")
    assert figures(SHOT, posts).provisional
    assert not figures(SHOT, posts, [verdict("circle")]).provisional
    stereo = {**SHOT, "cameras": ["left", "right"]}
    both = [*totals(96, camera="left"), *totals(96, first_serial=2, camera="right")]
    assert figures(stereo, both, [verdict("circle", camera="left")]).provisional
    assert not figures(stereo, both, [verdict("circle")]).provisional


def test_an_omitted_shot_leaves_with_its_plan_and_comes_back_whole() -> None:
    posts = totals(106)
    gone = figures({**SHOT, "omitted": True}, posts)
    assert (gone.planned_frames, gone.credited_frames, gone.overshoot_frames, gone.shot_frames) == (0, 0, 0, 106)
    assert credited(SHOT, posts) == 96


def test_handles_are_credited_and_left_out_of_the_programme() -> None:
    found = figures({"cut_frames": 50, "handle_in": 4, "handle_out": 6}, totals(57))
    assert (found.planned_frames, found.credited_frames, found.credited_cut_frames) == (60, 57, 50)


def test_a_shot_planned_nowhere_is_where_it_was_last_counted() -> None:
    posts = [post(5, serial=1, stage=NORTH), post(9, serial=2, stage=SOUTH)]
    assert [part.stage_id for part in figures_of(SHOT, posts).parts] == [SOUTH]
    assert [part.stage_id for part in figures_of(SHOT, []).parts] == [None]


def test_remaining_is_what_is_planned_and_not_credited() -> None:
    assert remaining(96, 60) == 36


CAMERAS = ["left", "right", "witness"]


@st.composite
def plans(draw: st.DrawFn) -> dict[str, Any]:
    return {
        "cut_frames": draw(st.integers(1, 60)),
        "handle_in": draw(st.integers(0, 6)),
        "handle_out": draw(st.integers(0, 6)),
        "cameras": draw(st.lists(st.sampled_from(CAMERAS[:2]), min_size=1, max_size=2, unique=True)),
        "passes": draw(st.lists(st.sampled_from(["main", "glow"]), min_size=1, max_size=2, unique=True)),
        "omitted": draw(st.sampled_from([False, False, False, True])),
    }


def posts_of_a_shot() -> st.SearchStrategy[list[dict[str, Any]]]:
    one = st.fixed_dictionaries(
        {
            "terminal": st.sampled_from(["bench", "rostrum"]),
            "spool": st.sampled_from(["one", "two"]),
            "serial": st.integers(1, 40),
            "take": st.integers(1, 3),
            "total": st.integers(0, 80),
            "captured_at": st.integers(0, 500).map(later),
            "part": st.sampled_from([None, "", "a", "b"]),
            "purpose": st.sampled_from([None, None, "shoot", "plate", "rehearsal"]),
            "camera": st.none() | st.sampled_from(CAMERAS),
            "pass": st.sampled_from([None, None, "main", "glow"]),
            "starts_at": st.none() | st.integers(-8, 60),
            "outcome": st.sampled_from([None, None, None, "finished", "abandoned"]),
        }
    )
    # A terminal never gives one serial to two posts.
    return st.lists(one, max_size=14, unique_by=lambda each: (each["terminal"], each["spool"], each["serial"]))


def decisions() -> st.SearchStrategy[list[dict[str, Any]]]:
    bounds = st.tuples(st.integers(-8, 80), st.integers(-8, 80)).map(sorted)
    one = st.builds(
        lambda words, span: words | ({} if span is None else {"first": span[0], "last": span[1]}),
        st.fixed_dictionaries(
            {
                "verdict": st.sampled_from(["accept", "reject", "circle", "withdraw"]),
                "take": st.integers(1, 3),
                "part": st.sampled_from(["", "", "a"]),
                "camera": st.none() | st.sampled_from(CAMERAS),
            }
        ),
        st.none() | bounds,
    )
    return st.lists(one, max_size=6)


@settings(max_examples=300)
@given(plans(), posts_of_a_shot(), decisions())
def test_figures_are_the_models(plan: dict[str, Any], posts: list[dict[str, Any]], said: list[dict[str, Any]]) -> None:
    found = figures(plan, posts, said)

    assert 0 <= found.credited_cut_frames <= found.credited_frames <= found.planned_frames
    assert found.credited_frames + found.remaining_frames == found.planned_frames
    assert found.overshoot_frames >= 0
    if found.credited_frames == 0:
        assert not found.provisional


@given(plans(), posts_of_a_shot(), decisions(), st.data())
def test_any_order_and_repetition_of_the_same_posts_gives_the_same_figures(
    plan: dict[str, Any], posts: list[dict[str, Any]], said: list[dict[str, Any]], data: st.DataObject
) -> None:
    repeated = [*posts, *data.draw(st.lists(st.sampled_from(posts), max_size=6))] if posts else []
    again = data.draw(st.permutations(repeated))
    assert figures_of(plan, again, said).figures == figures_of(plan, posts, said).figures


@given(posts_of_a_shot(), decisions(), st.integers(1, 59))
def test_the_figures_of_the_parts_and_of_the_shot_agree(
    posts: list[dict[str, Any]], said: list[dict[str, Any]], join: int
) -> None:
    plan: dict[str, Any] = {
        "cut_frames": 60,
        "parts": (Part("a", NORTH, None, join), Part("b", NORTH, join + 1, None)),
    }

    found = figures_of(plan, posts, said)

    assert sum(part.figures.planned_frames for part in found.parts) == found.figures.planned_frames
    assert sum(part.figures.shot_frames for part in found.parts) == found.figures.shot_frames
    # A stage may have shot into its neighbour's part, which counts for the shot and not for the part.
    assert sum(part.figures.credited_frames for part in found.parts) <= found.figures.credited_frames
    for part in found.parts:
        assert part.figures.credited_frames + part.figures.remaining_frames == part.figures.planned_frames
