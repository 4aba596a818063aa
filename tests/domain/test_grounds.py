"""Why a figure is what it is: its inputs, put together again by plain sets, are the figure."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.frames import FrameSet
from service.domain.grounds import FORMULAS, RESTS_ON, Figure, Grounds, grounds, said, spoken
from service.domain.progress import ShotFacts
from service.domain.shots import Part, Plan
from service.domain.takes import StandIn
from tests import model
from tests.domain.shooting import PLATE_MINIMUM_FRAMES, decisions_of, heads_of, plan_of, series_of, totals, verdict
from tests.domain.test_progress import decisions, plans, posts_of_a_shot

Words = dict[str, Any]
SHOT: Words = {"cut_frames": 96}


def facts_of(plan: Plan, posts: Iterable[Words], decided: Sequence[Words] = ()) -> ShotFacts:
    return ShotFacts(
        plan=plan,
        series=series_of(plan, heads_of(plan, posts)),
        decisions=decisions_of(decided),
        plate_minimum_frames=PLATE_MINIMUM_FRAMES,
    )


def why(figure: Figure, words: Words, posts: Iterable[Words], decided: Sequence[Words] = ()) -> Grounds:
    return grounds(facts_of(plan_of(words), posts, decided), figure)


def numbers(frames: FrameSet) -> set[int]:
    return {number for first, last in frames.ranges for number in range(first, last + 1)}


def recomputed(facts: ShotFacts, found: Mapping[Figure, Grounds]) -> dict[Figure, int | bool]:
    """Every figure from the inputs its own explanation gives, on plain sets."""
    plan = facts.plan
    planned = numbers(found[Figure.PLANNED_FRAMES].planned)
    held: dict[tuple[str, str], set[int]] = {}
    accepted: dict[tuple[str, str], set[int]] = {}
    for track in found[Figure.CREDITED_FRAMES].tracks:
        key = (track.camera, track.pass_)
        accepted[key] = set[int]().union(*(numbers(each.share.accepted) for each in track.takes))
        held[key] = accepted[key].union(*(numbers(each.share.stand_in) for each in track.takes))
        assert numbers(track.missing) == planned - held[key]
    credited = planned.intersection(*held.values())
    over = {camera: set[int]().union(*(held[camera, pass_] for pass_ in plan.passes)) for camera in plan.cameras}
    return {
        Figure.PLANNED_FRAMES: len(planned),
        Figure.SHOT_FRAMES: sum(each.total_frames for each in found[Figure.SHOT_FRAMES].counted),
        Figure.CREDITED_FRAMES: len(credited),
        Figure.CREDITED_CUT_FRAMES: len(credited & numbers(found[Figure.CREDITED_CUT_FRAMES].cut)),
        Figure.REMAINING_FRAMES: len(planned - credited),
        Figure.OVERSHOOT_FRAMES: 0 if plan.omitted else sum(len(each - planned) for each in over.values()),
        Figure.PROVISIONAL: credited != planned.intersection(*accepted.values()),
        Figure.PLATE_PLANNED_FRAMES: _plate(facts, planned),
        Figure.PLATE_SHOT_FRAMES: sum(each.total_frames for each in found[Figure.PLATE_SHOT_FRAMES].counted),
    }


def _plate(facts: ShotFacts, planned: set[int]) -> int:
    if facts.plan.omitted:
        return 0
    return len(planned) if facts.plan.moving_camera else facts.plate_minimum_frames


@settings(max_examples=300)
@given(plans(), posts_of_a_shot(), decisions(), st.booleans())
def test_the_inputs_make_the_figures(plan: Words, posts: list[Words], decided: list[Words], moving: bool) -> None:  # noqa: FBT001 -- of hypothesis
    facts = facts_of(plan_of({**plan, "moving_camera": moving}), posts, decided)
    found = {figure: grounds(facts, figure) for figure in Figure}
    values = {figure: each.value for figure, each in found.items()}
    assert values == recomputed(facts, found)
    # And by the model, which shares no code with either.
    told = model.figures(plan, posts, decided)
    assert {figure: value for figure, value in values.items() if figure.value in told} == {
        Figure(name): value for name, value in told.items()
    }
    for each in found.values():
        assert numbers(each.credited) | numbers(each.missing) == numbers(each.planned)
        assert {camera: numbers(frames) - numbers(each.planned) for camera, frames in each.beyond.items()} == {
            camera: numbers(frames) for camera, frames in each.beyond.items()
        }
        assert all(take.said.endswith(".") for track in each.tracks for take in track.takes)
        assert said(each).endswith(".")


def test_two_required_cameras_hold_what_both_hold() -> None:
    stereo = {**SHOT, "cameras": ["left", "right"]}
    both = why(
        Figure.CREDITED_FRAMES, stereo, [*totals(50, camera="left"), *totals(50, first_serial=2, camera="right")]
    )
    assert (both.value, said(both)) == (50, "Every required camera and pass holds frames 1 to 50: 50 of 96.")
    ends = why(
        Figure.CREDITED_FRAMES,
        stereo,
        [*totals(50, camera="left"), *totals(50, first_serial=2, camera="right", starts_at=47)],
    )
    assert (ends.value, ends.credited.ranges) == (4, ((47, 50),))
    assert [(track.camera, track.missing.ranges) for track in ends.tracks] == [
        ("left", ((51, 96),)),
        ("right", ((1, 46),)),
    ]
    assert ends.missing.ranges == ((1, 46), (51, 96))


def test_a_split_shot_is_held_by_both_its_stages() -> None:
    split = {**SHOT, "parts": (Part("a", 1, 1, 60), Part("b", 2, 55, 96))}
    found = why(Figure.CREDITED_FRAMES, split, [*totals(60, stage=1, part="a"), *totals(42, stage=2, part="b")])
    assert found.value == 96
    (track,) = found.tracks
    highest = "no take was offered as finished, and it is the highest open one"
    assert [take.said for take in track.takes] == [
        f"Take 1 of part a brings frames 1 to 60 standing in, because {highest}.",
        f"Take 1 of part b brings frames 55 to 96 standing in, because {highest}.",
    ]
    shot = why(Figure.SHOT_FRAMES, split, [*totals(60, stage=1, part="a"), *totals(42, stage=2, part="b")])
    assert [(each.part, each.stage_id, each.total_frames) for each in shot.counted] == [("a", 1, 60), ("b", 2, 42)]
    assert (shot.value, said(shot)) == (102, "2 series added up: 102.")


def test_a_retake_from_frame_sixty_one() -> None:
    rejected = verdict("reject", first=61, last=96)
    kept = why(Figure.REMAINING_FRAMES, SHOT, totals(96, outcome="finished"), [rejected])
    assert (kept.value, kept.missing.ranges) == (36, ((61, 96),))
    posts = [*totals(96, outcome="finished"), *totals(36, take=2, first_serial=2, starts_at=61)]
    done = why(Figure.CREDITED_FRAMES, SHOT, posts, [rejected, verdict("circle", take=2)])
    (track,) = done.tracks
    assert [take.said for take in track.takes] == [
        "Take 1 brings frames 1 to 60 standing in, because only other frames of it were rejected.",
        "Take 2 brings frames 61 to 96 accepted.",
    ]
    assert done.value == 96
    provisional = why(Figure.PROVISIONAL, SHOT, posts, [rejected, verdict("circle", take=2)])
    assert (provisional.value, provisional.unit) == (True, "yes or no")
    assert said(provisional) == "Credited by a stand-in on some camera or pass: frames 1 to 60."


@pytest.mark.parametrize(
    ("posts", "decided", "standings"),
    [
        # Take 1 abandoned at 80 of 120, take 2 has 30.
        (
            [*totals(80, outcome="abandoned"), *totals(30, take=2, first_serial=2)],
            [],
            [StandIn.ABANDONED, StandIn.HIGHEST_OPEN],
        ),
        # Take 1 finished and undecided, take 2 just begun.
        (
            [*totals(120, outcome="finished"), *totals(3, take=2, first_serial=2)],
            [],
            [StandIn.FINISHED_LAST, StandIn.GIVES_WAY],
        ),
        ([*totals(96)], [verdict("reject")], [StandIn.REJECTED]),
        (
            [*totals(96), *totals(96, take=2, first_serial=2)],
            [verdict("circle")],
            [StandIn.GIVES_WAY, StandIn.GIVES_WAY],
        ),
        (
            [*totals(96), *totals(96, take=2, first_serial=2)],
            [verdict("reject", first=1, last=8), verdict("accept", take=2)],
            [StandIn.KEPT, StandIn.GIVES_WAY],
        ),
    ],
    ids=["abandoned", "finished", "ng", "circled", "kept"],
)
def test_each_take_says_why_it_stands_in_or_does_not(
    posts: list[Words], decided: list[Words], standings: list[StandIn]
) -> None:
    (track,) = why(Figure.CREDITED_FRAMES, {"cut_frames": 120}, posts, decided).tracks
    assert [take.share.standing for take in track.takes] == standings


def test_what_is_outside_the_plan_is_named_by_camera() -> None:
    found = why(Figure.OVERSHOOT_FRAMES, SHOT, totals(47 * 2 + 12))
    assert (found.value, said(found)) == (10, "Outside the plan are, camera main: frames 97 to 106: 10.")


def test_a_plate_is_as_long_as_the_shot_where_the_camera_moves() -> None:
    plate = [*totals(30, purpose="plate"), *totals(40, first_serial=2)]
    assert why(Figure.PLATE_PLANNED_FRAMES, SHOT, plate).value == PLATE_MINIMUM_FRAMES
    assert why(Figure.PLATE_PLANNED_FRAMES, {**SHOT, "moving_camera": True}, plate).value == 96
    assert [each.total_frames for each in why(Figure.PLATE_SHOT_FRAMES, SHOT, plate).counted] == [30]


def test_every_figure_has_its_formula_and_its_inputs() -> None:
    assert set(FORMULAS) == set(RESTS_ON) == set(Figure)


def test_frames_are_said_in_words() -> None:
    assert [spoken(FrameSet.of(ranges)) for ranges in ([], [(7, 7)], [(1, 2), (4, 4), (6, 9)])] == [
        "no frame",
        "frame 7",
        "frames 1 to 2, 4 and 6 to 9",
    ]
