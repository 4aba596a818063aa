"""What a list makes of an episode, before anything of it is written."""

from collections.abc import Mapping

import pytest

from service.domain.cuts import CutShot, ShotCut
from service.domain.differences import Change
from service.domain.findings import FindingKind
from service.domain.progress import Cause, ShotFacts
from service.domain.proposals import EpisodeFacts, Handles, propose
from service.domain.shots import Part, Plan
from service.domain.uses import Use
from tests.domain.shooting import PLATE_MINIMUM_FRAMES
from tests.domain.standings import bare
from tests.domain.test_cuts import use

AS_THEY_ARE = Handles()


def plan(frames: int, *, parts: tuple[Part, ...] = (), omitted: bool = False, handle_in: int = 0) -> Plan:
    return Plan(
        uses=((1, frames),),
        handle_in=handle_in,
        cameras=("main",),
        passes=("main",),
        parts=parts,
        omitted=omitted,
    )


def episode(plans: Mapping[str, Plan], *current: Use, elsewhere: frozenset[str] = frozenset()) -> EpisodeFacts:
    shots = {
        shot: bare(ShotFacts(plan=each, series=(), plate_minimum_frames=PLATE_MINIMUM_FRAMES))
        for shot, each in plans.items()
    }
    cuts = {
        shot: CutShot(
            cut=ShotCut(uses=each.uses, source="board", source_zero=1000), listed=bool(current), counted=False
        )
        for shot, each in plans.items()
    }
    return EpisodeFacts(shots=shots, cuts=cuts, current=current, elsewhere=elsewhere)


def test_every_shot_is_either_in_the_new_cut_or_omitted() -> None:
    found = propose(
        [use("b", at=0), use("c", at=96, frames=80)],
        episode({"a": plan(50), "b": plan(96), "gone": plan(10, omitted=True)}, use("a", at=0, frames=50)),
        covers="episode",
        handles=AS_THEY_ARE,
    )

    changes = {recut.shot: recut.difference.changes for recut in found.recuts}
    assert changes == {"a": (Change.OMITTED,), "b": (), "c": (Change.ADDED,)}
    assert {recut.shot: recut.cause for recut in found.recuts} == {
        "a": Cause.OMITTED,
        "b": Cause.RECUT,
        "c": Cause.RECUT,
    }


def test_handles_are_the_lists_where_it_asks_for_any_and_else_the_shots_own() -> None:
    known = episode({"a": plan(96, handle_in=3)})
    asked = propose([use("a"), use("b", at=91_000)], known, covers="episode", handles=Handles(before=2, after=6))
    kept = propose([use("a"), use("b", at=91_000)], known, covers="episode", handles=AS_THEY_ARE)

    assert [(each.after.handle_in, each.after.handle_out) for each in asked.recuts] == [(2, 6), (2, 6)]
    assert [(each.after.handle_in, each.after.handle_out) for each in kept.recuts] == [(3, 0), (0, 0)]


def test_parts_cover_the_new_plan() -> None:
    split = plan(96, parts=(Part("a", 1, 1, 60), Part("b", 2, 55, 96)))

    (recut,) = propose(
        [use("s", source_in=990, frames=120)], episode({"s": split}, use("s")), covers="episode", handles=AS_THEY_ARE
    ).recuts

    assert recut.after.parts == (Part("a", 1, None, 60), Part("b", 2, 55, None))
    assert recut.after.planned_set.ranges == ((-9, 110),)


@pytest.mark.parametrize("shown", [((1, 40), (61, 96)), ((1, 96),)])
def test_a_hole_that_is_filled_goes_to_the_part_before_it(shown: tuple[tuple[int, int], ...]) -> None:
    holed = Plan(
        uses=((1, 40), (61, 96)),
        cameras=("main",),
        passes=("main",),
        parts=(Part("a", 1, None, 40), Part("b", 2, 61, None)),
    )
    facts = ShotFacts(plan=holed, series=(), plate_minimum_frames=PLATE_MINIMUM_FRAMES)
    cut = CutShot(cut=ShotCut(uses=holed.uses, source="board", source_zero=1000), listed=True, counted=False)
    known = EpisodeFacts(shots={"s": bare(facts)}, cuts={"s": cut}, current=())
    listed = [use("s", at=90_000 + first, source_in=999 + first, frames=last - first + 1) for first, last in shown]

    (recut,) = propose(listed, known, covers="episode", handles=AS_THEY_ARE).recuts

    assert recut.after.parts[0].last == (40 if len(shown) > 1 else 60)


def test_what_is_wrong_or_worth_saying_is_said_in_the_order_of_the_list() -> None:
    found = propose(
        [use("a", frames=80, reel="other", line=3), use("b", at=90_080, line=4)],
        episode({"a": plan(96)}, use("a"), elsewhere=frozenset({"b"})),
        covers="episode",
        handles=AS_THEY_ARE,
    )

    assert [(each.kind, each.line, each.shot, each.fault) for each in found.findings] == [
        (FindingKind.END_UNKNOWN, 3, "a", False),
        (FindingKind.ELSEWHERE, 4, "b", True),
    ]
