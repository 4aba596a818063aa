"""A cut that changes while a shot is in each phase: what the next step waits for afterwards, and what no longer holds.

Common practice: a shot that becomes longer has frames to shoot and its comp is out of date; one that becomes shorter
needs neither, and only who approved the longer one has to look again. The phase stays whatever the cut does.
"""

from dataclasses import replace

import pytest

from service.domain.differences import InHand, in_hand
from service.domain.moves import Standing, approval_changed, blocked_by, no_longer, replanned, steps
from service.domain.phases import Fact, Phase
from service.domain.shots import Plan
from tests.domain.standings import READY, standing_of
from tests.domain.walks import Sheet

SHOT, ACCEPTED = Fact.FRAMES_SHOT, Fact.FRAMES_ACCEPTED
COMP, APPROVAL, IN_CUT = Fact.COMP_DELIVERED, Fact.APPROVAL_SIGNED, Fact.IN_LOCKED_CUT

IN_PHASE = {
    "planning": replace(READY, frames="none", plate=0, comp=None, approval=None),
    "set dressing": replace(READY, frames="none", plate=0, comp=None, approval=None),
    "shooting": replace(READY, frames="all", comp=None, approval=None),
    "background plate": replace(READY, comp=None, approval=None),
    "compositing": replace(READY, approval=None),
    "approval": READY,
    "approved": READY,
}
"""A shot that lacks nothing for its next phase, as far as it has come."""

RECUTS = {
    "longer": ((1, 110),),
    "shorter at the tail": ((1, 80),),
    "shorter at the head": ((17, 96),),
    "used twice, both within": ((1, 40), (61, 96)),
}
SHORTER = [name for name in RECUTS if name != "longer"]

# What a longer cut leaves to be done for the next phase, and what the phase rested on, written out by hand.
LONGER: dict[str, tuple[set[Fact], set[Fact]]] = {
    "planning": (set(), set()),
    "set dressing": (set(), set()),
    "shooting": ({SHOT}, set()),
    "background plate": ({ACCEPTED}, {SHOT}),
    "compositing": ({ACCEPTED, COMP}, {ACCEPTED}),
    "approval": ({ACCEPTED, COMP, APPROVAL}, {ACCEPTED, COMP}),
    "approved": (set(), {ACCEPTED, COMP, APPROVAL}),
}


def _in(phase: str) -> Standing:
    return standing_of(replace(IN_PHASE[phase], phase=phase))


def _plan(standing: Standing, recut: str) -> Plan:
    return replace(standing.facts.plan, uses=RECUTS[recut])


def _omitted(standing: Standing) -> Standing:
    gone = replanned(standing, replace(standing.facts.plan, omitted=True))
    return replace(gone, in_locked_cut=False)


def _facts(standing: Standing) -> tuple[set[Fact], set[Fact]]:
    """What the next step waits for, and what no longer holds."""
    return {lack.fact for lack in blocked_by(standing)}, {lack.fact for lack in no_longer(standing)}


def _hand(standing: Standing, plan: Plan) -> InHand:
    found = in_hand(standing, plan)
    assert found is not None
    return found


@pytest.mark.parametrize("phase", IN_PHASE)
def test_a_longer_cut_leaves_frames_to_shoot_and_a_comp_to_make(phase: str) -> None:
    before = _in(phase)
    assert _facts(before) == (set(), set())
    after = replanned(before, _plan(before, "longer"))
    assert (after.phase, _facts(after)) == (Phase(phase), LONGER[phase])
    said = " ".join(lack.detail for lack in (*blocked_by(after), *no_longer(after)))
    assert ("14 frames of 110 (97–110): not shot yet." in said) == bool({SHOT, ACCEPTED} & set().union(*LONGER[phase]))
    assert ("The comp is out of date, deliver it anew: frames 97–110 planned since." in said) == (
        COMP in set().union(*LONGER[phase])
    )


@pytest.mark.parametrize("recut", SHORTER)
@pytest.mark.parametrize("phase", IN_PHASE)
def test_a_shorter_cut_asks_only_its_director_to_look_again(phase: str, recut: str) -> None:
    before = _in(phase)
    after = replanned(before, _plan(before, recut))
    expected = {"approval": ({APPROVAL}, set()), "approved": (set(), {APPROVAL})}
    assert (after.phase, _facts(after)) == (Phase(phase), expected.get(phase, (set(), set())))


@pytest.mark.parametrize("phase", IN_PHASE)
def test_an_omitted_shot_keeps_its_phase_goes_nowhere_and_comes_back_as_it_was(phase: str) -> None:
    before = _in(phase)
    gone = _omitted(before)
    assert all(Fact.NOT_OMITTED in {lack.fact for lack in each.lacks} for each in steps(gone))
    # Before it is restored nobody can do anything about what its phase rests on.
    assert (gone.phase, _facts(gone)) == (Phase(phase), (set(), set()))
    back = replace(replanned(gone, before.facts.plan), in_locked_cut=True)
    assert back == before


@pytest.mark.parametrize("phase", ["compositing", "approval", "approved"])
@pytest.mark.parametrize("recut", RECUTS)
def test_a_difference_says_what_of_a_shot_in_hand_goes_out_of_date(phase: str, recut: str) -> None:
    before = _in(phase)
    found = _hand(before, _plan(before, recut))
    assert found.phase == phase
    assert found.comp_goes_out_of_date == found.reopens == (recut == "longer")
    assert found.approval_goes_out_of_date == (phase != "compositing")


def test_what_was_out_of_date_before_does_not_go_out_of_date() -> None:
    before = standing_of(replace(READY, phase="approved", generation=2))
    found = _hand(before, _plan(before, "longer"))
    assert (found.comp_goes_out_of_date, found.approval_goes_out_of_date) == (False, False)


def test_a_cut_that_comes_back_brings_an_approval_back() -> None:
    """Nothing is stored of it: what was approved is what there is."""
    before = _in("approved")
    longer = replanned(before, _plan(before, "longer"))
    assert approval_changed(longer) == ("planned frames 1–96 became 1–110",)
    assert approval_changed(replanned(longer, before.facts.plan)) == ()


def test_a_comp_nobody_made_does_not_go_out_of_date() -> None:
    before = standing_of(Sheet(phase="shooting", in_cut=True, needs=("rig",), frames="accepted"))
    found = _hand(before, _plan(before, "longer"))
    assert (found.phase, found.comp_goes_out_of_date, found.approval_goes_out_of_date) == (Phase.SHOOTING, False, False)
