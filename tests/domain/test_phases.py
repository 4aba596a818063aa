"""The table of phases: what no sequence of moves may reach, said apart from the table."""

from itertools import pairwise

import pytest

from service.domain.phases import ALWAYS, FIRM, MOVES, Fact, Phase, diagram, is_back, rests_on, way, ways_back, ways_on

# Common practice: a set is dressed before it is lit and shot, a plate follows the frames, a comp needs both.
WORK = ["planning", "set dressing", "shooting", "background plate", "compositing", "approval", "approved"]


def test_phases_stand_in_the_order_of_the_work() -> None:
    assert [phase.value for phase in Phase] == WORK


def test_every_way_on_leads_on_and_every_phase_is_reached() -> None:
    assert all(WORK.index(move.origin) < WORK.index(move.to) for move in MOVES)
    assert {move.to for move in MOVES} == set(Phase) - {Phase.PLANNING}
    assert len({(move.origin, move.to) for move in MOVES}) == len(MOVES)


def test_no_way_on_leads_past_dressing_shooting_or_approval() -> None:
    def past(phase: Phase) -> bool:
        place = WORK.index(phase)
        return any(WORK.index(move.origin) < place < WORK.index(move.to) for move in MOVES)

    assert not any(past(phase) for phase in (Phase.SET_DRESSING, Phase.SHOOTING, Phase.APPROVAL))


def test_approved_is_reached_from_approval_alone_and_leads_only_back() -> None:
    assert [move.origin for move in MOVES if move.to is Phase.APPROVED] == [Phase.APPROVAL]
    assert ways_on(Phase.APPROVED) == ()


def test_work_goes_back_to_every_earlier_phase_the_nearest_first() -> None:
    assert ways_back(Phase.PLANNING) == ()
    assert ways_back(Phase.SHOOTING) == (Phase.SET_DRESSING, Phase.PLANNING)
    for phase in Phase:
        for earlier, nearer in pairwise(reversed(ways_back(phase))):
            assert WORK.index(earlier) < WORK.index(nearer)


@pytest.mark.parametrize("origin", list(Phase))
@pytest.mark.parametrize("to", list(Phase))
def test_a_way_is_on_by_the_table_back_by_order_or_none(origin: Phase, to: Phase) -> None:
    found = way(origin, to)
    on = [move for move in MOVES if (move.origin, move.to) == (origin, to)]
    if WORK.index(to) < WORK.index(origin):
        assert found is not None
        assert is_back(found)
        assert found.needs == ()
    else:
        assert found == (on[0] if on else None)


def test_what_every_move_needs_is_in_no_move_of_its_own() -> None:
    assert not any(set(ALWAYS) & set(move.needs) for move in MOVES)
    assert {*ALWAYS, Fact.APPROVAL_SIGNED} == FIRM


def test_a_shoot_with_a_rig_cannot_reach_approval_without_plate_and_comp() -> None:
    """Whatever way is taken: each either asks that no comp is asked for, or has plate and comp behind it."""

    def needed(phase: Phase, had: frozenset[Fact]) -> list[frozenset[Fact]]:
        if phase is Phase.APPROVAL:
            return [had]
        return [each for move in ways_on(phase) for each in needed(move.to, had | set(move.needs))]

    for had in needed(Phase.PLANNING, frozenset()):
        assert Fact.FRAMES_ACCEPTED in had
        assert Fact.NO_COMP_ASKED_FOR in had or {Fact.PLATE_SHOT, Fact.PLATE_ACCEPTED, Fact.COMP_DELIVERED} <= had


def test_a_phase_rests_on_what_every_way_to_it_needs() -> None:
    assert rests_on(Phase.PLANNING) == ()
    assert rests_on(Phase.SET_DRESSING) == (Fact.IN_LOCKED_CUT, Fact.NEEDS_ENTERED)
    assert Fact.SET_APPROVED in rests_on(Phase.COMPOSITING)
    assert Fact.PLATE_SHOT in rests_on(Phase.COMPOSITING)
    # A shot without a comp came past compositing, and had `none asked for`.
    assert {Fact.PLATE_SHOT, Fact.PLATE_ACCEPTED, Fact.COMP_DELIVERED} <= set(rests_on(Phase.APPROVAL))
    assert Fact.FRAMES_SHOT not in rests_on(Phase.COMPOSITING)
    assert not {Fact.PLATE_ASKED_FOR, Fact.COMP_ASKED_FOR, Fact.NO_COMP_ASKED_FOR} & set(rests_on(Phase.APPROVED))
    assert {Fact.FRAMES_ACCEPTED, Fact.COMP_DELIVERED, Fact.APPROVAL_SIGNED} <= set(rests_on(Phase.APPROVED))


def test_the_diagram_has_an_arrow_a_move_with_what_it_needs() -> None:
    drawn = diagram()
    assert drawn.startswith("flowchart TD\n")
    assert drawn.count("-->") == len(MOVES)
    assert 'planning -->|"in the locked cut<br/>needs entered"| set_dressing' in drawn
