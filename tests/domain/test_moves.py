"""Moves judged from facts: against rules written out by hand, and each refusal read for what it says to do."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from random import Random
from typing import Any

import pytest

from service.domain.addresses import ADDRESSES, Place, told
from service.domain.moves import (
    CHECKS,
    Standing,
    approval_changed,
    blocked_by,
    no_longer,
    steps,
)
from service.domain.phases import MOVES, Fact, Move
from service.domain.signoffs import Matter, Role, standing
from service.domain.takes import Purpose
from tests.domain.standings import PLACE, READY, signoff, standing_of
from tests.domain.walks import WORK, Sheet, wander

WALKS = 10_000
STEPS = 12


def _free(found: Standing) -> set[str]:
    return {each.to.value for each in steps(found) if not each.lacks}


def test_ten_thousand_walks_go_where_rules_written_by_hand_let_them() -> None:
    """And none arrives where it should not: approved with frames nobody accepted, or a comp that is out of date."""
    random = Random(20260302)
    reached = dict.fromkeys(WORK, 0)
    for _ in range(WALKS):
        sheet = Sheet()
        for _ in range(STEPS):
            for _ in range(random.randrange(1, 5)):
                sheet = wander(sheet, random)
            free = _free(standing_of(sheet))
            assert free == {to for to in WORK if sheet.may(to)}, sheet
            on = [to for to in free if WORK.index(to) > WORK.index(sheet.phase)]
            if on or (free and random.random() < 0.1):
                sheet = replace(sheet, phase=random.choice(sorted(on or free)))
                reached[sheet.phase] += 1
                if sheet.phase == "approved":
                    assert sheet.frames == "accepted"
                    assert sheet.comp_current
                    assert sheet.approval == sheet.made_of
    assert all(reached.values()), reached


def test_every_fact_is_judged_and_has_an_address() -> None:
    assert set(CHECKS) == set(ADDRESSES) == set(Fact)


def test_a_shot_that_lacks_nothing_goes_all_the_way() -> None:
    for phase in WORK[:-1]:
        assert blocked_by(standing_of(replace(READY, phase=phase))) == ()
    assert no_longer(standing_of(replace(READY, phase="approved"))) == ()


WITHDRAWN: Mapping[Fact, Mapping[str, Any]] = {
    Fact.IN_LOCKED_CUT: {"in_cut": False},
    Fact.NEEDS_ENTERED: {"needs": None},
    Fact.SET_APPROVED: {"signed": READY.signed - {"set"}},
    Fact.FRAMING_APPROVED_BY_DIRECTOR: {"signed": READY.signed - {"framing director"}},
    Fact.FRAMING_APPROVED_BY_CAMERA_OPERATOR: {"signed": READY.signed - {"framing camera"}},
    Fact.ANIMATOR_NAMED: {"animator": False},
    Fact.DIALOGUE_CUT_IN: {"signed": READY.signed - {"dialogue"}},
    Fact.FRAMES_SHOT: {"frames": "some"},
    Fact.FRAMES_ACCEPTED: {"frames": "all"},
    Fact.PLATE_SHOT: {"plate": 24},
    Fact.PLATE_ACCEPTED: {"signed": READY.signed - {"plate"}},
    Fact.COMP_DELIVERED: {"comp": None},
    Fact.APPROVAL_SIGNED: {"approval": None},
}
"""How each fact goes again that a move on was guarded by; the others say which way is meant."""
ASKING = {Fact.PLATE_ASKED_FOR, Fact.COMP_ASKED_FOR, Fact.NO_COMP_ASKED_FOR}
GUARDS = [(move, fact) for move in MOVES for fact in move.needs if fact not in ASKING]


def test_every_guard_can_go_again() -> None:
    assert {fact for _, fact in GUARDS} == set(WITHDRAWN)


@pytest.mark.parametrize(("move", "fact"), GUARDS)
def test_a_fact_that_goes_after_the_move_shows_from_then_on(move: Move, fact: Fact) -> None:
    way = replace(READY, needs=("dialogue",)) if Fact.NO_COMP_ASKED_FOR in move.needs else READY
    for phase in WORK[WORK.index(move.to) :]:
        sheet = replace(way, phase=phase)
        assert no_longer(standing_of(sheet)) == ()
        missed = {lack.fact: lack for lack in no_longer(standing_of(replace(sheet, **WITHDRAWN[fact])))}
        # Frames that are not there are not accepted either, which is what later phases rest on.
        later = fact is Fact.FRAMES_SHOT and phase != "background plate"
        assert (Fact.FRAMES_ACCEPTED if later else fact) in missed, phase


@pytest.mark.parametrize(
    ("phase", "gone", "fact"),
    [
        ("approval", {"comp": ("accepted", 2)}, Fact.COMP_DELIVERED),
        ("approved", {"comp": ("accepted", 2)}, Fact.COMP_DELIVERED),
        ("approved", {"generation": 2}, Fact.APPROVAL_SIGNED),
        ("approval", {"needs": ("dialogue", "comp"), "comp": None}, Fact.COMP_DELIVERED),
    ],
)
def test_what_goes_out_of_date_or_is_asked_for_later_shows_too(phase: str, gone: Mapping[str, Any], fact: Fact) -> None:
    missed = no_longer(standing_of(replace(READY, phase=phase, **gone)))
    assert fact in {lack.fact for lack in missed}


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        (
            Sheet(),
            [
                "No locked cut of its episode shows the shot: lock a list that does.",
                "Nobody has entered what the shot needs",
            ],
        ),
        (replace(READY, phase="shooting", frames="some"), ["56 frames of 96 (41–96): not shot yet."]),
        (
            replace(READY, phase="background plate", frames="all", plate=10),
            [
                "96 frames of 96 (1–96): shot, and nobody has accepted them.",
                "The plate has 10 of 25 frames: shoot 15 more.",
            ],
        ),
        (
            replace(READY, phase="background plate", needs=("rig", "moving"), plate=90),
            ["The camera moves, so the plate is as long as the shot: 6 frames (91–96) not shot yet."],
        ),
        (
            replace(READY, phase="compositing", generation=2),
            ["The comp is out of date, deliver it anew: frames 86–96 of take 1 shot again since."],
        ),
        (replace(READY, phase="planning", suspended=True), ["suspended (the armature broke): resume it first."]),
    ],
)
def test_what_is_lacking_says_what_to_do(sheet: Sheet, said: list[str]) -> None:
    details = [lack.detail for lack in blocked_by(standing_of(sheet))]
    assert len(details) == len(said)
    assert all(wanted in detail for wanted, detail in zip(said, details, strict=True)), details


def test_every_lack_is_addressed() -> None:
    standings = [standing_of(sheet) for sheet in _bare()]
    found = [each for here in standings for way in steps(here) for each in told(way.lacks, here, PLACE)]
    assert {each.fact for each in found} == set(Fact)
    for each in found:
        assert each.who.startswith("the ")
        assert each.path == "/v1/counts" or each.path.startswith("/v1/productions/lantern-bay/")
        assert "{" not in each.path
        assert each.detail.endswith((".", ":"))


def _told(sheet: Sheet, **changed: Any) -> list[tuple[str, str]]:  # noqa: ANN401 -- fields of any type
    found = standing_of(sheet)
    found = replace(found, facts=replace(found.facts, **changed)) if changed else found
    return [(each.who, each.path) for each in told(blocked_by(found), found, PLACE)]


def test_frames_are_addressed_to_whoever_can_do_something_about_them() -> None:
    """Of frames shot in two parts the address is of the one to decide first, as its operation takes it."""
    needless = replace(READY, phase="shooting", needs=())
    director, at = "the director, or a coordinator for them", "/v1/productions/lantern-bay/shots/0120/takes"
    assert _told(replace(needless, frames="some")) == [("the animator, by the stage's terminal", "/v1/counts")]
    shot = replace(needless, frames="all")
    assert _told(shot) == [(director, f"{at}/1/decisions")]
    (one,) = [each for each in standing_of(shot).facts.series if each.purpose is Purpose.SHOOT]
    parts = [replace(one, part="b d", take=2), replace(one, part="c", take=1)]
    assert _told(shot, series=parts) == [(director, f"{at}/2/decisions?part=b%20d")]


def test_an_omitted_shot_is_not_said_to_lack_what_nobody_can_give() -> None:
    gone = standing_of(replace(READY, phase="approved", omitted=True))
    assert no_longer(gone) == ()
    assert blocked_by(gone) == ()


def _bare() -> Iterable[Sheet]:
    for phase in WORK:
        yield Sheet(phase=phase, omitted=True, suspended=True)
        yield Sheet(phase=phase)
        yield Sheet(phase=phase, needs=("rig", "dialogue"))
        yield Sheet(phase=phase, needs=())


def test_codes_are_quoted_in_addresses() -> None:
    bare = standing_of(Sheet())
    path = told(blocked_by(bare), bare, Place(production="лампа", episode="é", shot="12 B"))[1].path
    assert path == "/v1/productions/%D0%BB%D0%B0%D0%BC%D0%BF%D0%B0/shots/12%20B/needs"


def test_frames_counted_after_approval_are_said_to_be() -> None:
    approved = replace(READY, phase="approved")
    assert approval_changed(standing_of(approved)) == ()
    assert approval_changed(standing_of(replace(approved, generation=2))) == (
        "frames 86–96 of take 1 shot again since",
    )


def test_a_sign_off_withdrawn_does_not_bring_an_earlier_one_back() -> None:
    first = signoff((Matter.COMP_DELIVERED, Role.COMPOSITOR))
    second = replace(first, id=2, withdrawn_at=first.signed_at)
    assert standing([first]) == {(Matter.COMP_DELIVERED, Role.COMPOSITOR): first}
    assert standing([first, second]) == {}
