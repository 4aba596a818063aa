"""Moves judged from facts: against rules written out by hand, and each refusal read for what it says to do."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from random import Random

import pytest

from service.domain.bases import Basis
from service.domain.moves import (
    ADDRESSES,
    CHECKS,
    Place,
    Standing,
    approval_changed,
    blocked_by,
    no_longer,
    steps,
    told,
)
from service.domain.needs import Needs
from service.domain.phases import Fact, Phase
from service.domain.progress import ShotFacts
from service.domain.signoffs import Matter, Role, Signature, SignOff, standing
from service.domain.takes import history
from tests.domain import shooting
from tests.domain.walks import WORK, Sheet, wander

WALKS = 10_000
STEPS = 12
SIGNATURES = {
    "set": (Matter.SET_APPROVED, Role.DIRECTOR),
    "framing director": (Matter.FRAMING_APPROVED, Role.DIRECTOR),
    "framing camera": (Matter.FRAMING_APPROVED, Role.CAMERA_OPERATOR),
    "dialogue": (Matter.DIALOGUE_CUT_IN, Role.EDITOR),
    "plate": (Matter.PLATE_ACCEPTED, Role.CAMERA_OPERATOR),
}
PLACE = Place(production="lantern-bay", episode="101", shot="0120")


@cache
def _shot(frames: str, generation: int, plate: int, *, moving: bool, omitted: bool) -> tuple[ShotFacts, Basis]:
    totals = {"none": [], "some": [40], "all": [96], "accepted": [96]}[frames]
    if generation > 1 and totals:
        totals = [*totals, totals[0] - 11, *totals]
    posts = shooting.totals(*totals)
    posts += shooting.totals(*([plate] if plate else []), take=1, first_serial=50, purpose="plate")
    said = [shooting.verdict("circle", take=1)] if frames == "accepted" else []
    words = {"cut_frames": 96, "moving_camera": moving, "omitted": omitted}
    facts = shooting.facts(words, posts, said)
    steps_of = history(shooting.ledger_post(each) for each in posts if each.get("purpose") is None)
    return facts, Basis.of(facts, {("", 1, "main", "main"): steps_of} if totals else {})


def _signoff(signature: Signature, basis: Basis | None = None) -> SignOff:
    matter, role = signature
    at = datetime(2026, 3, 2, 9, tzinfo=UTC)
    return SignOff(id=1, matter=matter, role=role, by="office", signer=None, basis=basis, signed_at=at)


def _standing(sheet: Sheet) -> Standing:
    asked = set(sheet.needs or ())
    moving = "moving" in asked
    facts, basis = _shot(sheet.frames, sheet.generation, sheet.plate, moving=moving, omitted=sheet.omitted)

    def given_for(made_of: tuple[str, int]) -> Basis:
        # A sheet's comps and approvals speak of the shot as planned, whatever became of the plan since.
        return _shot(*made_of, sheet.plate, moving=moving, omitted=sheet.omitted)[1]

    signed = {SIGNATURES[name]: _signoff(SIGNATURES[name]) for name in sheet.signed}
    if sheet.comp is not None:
        signature = (Matter.COMP_DELIVERED, Role.COMPOSITOR)
        signed[signature] = _signoff(signature, given_for(sheet.comp))
    if sheet.approval is not None:
        signature = (Matter.APPROVAL, Role.DIRECTOR)
        signed[signature] = _signoff(signature, given_for(sheet.approval))
    return Standing(
        phase=Phase(sheet.phase),
        suspended="the armature broke" if sheet.suspended else None,
        in_locked_cut=sheet.in_cut,
        animator="Ilse" if sheet.animator else None,
        needs=None
        if sheet.needs is None
        else Needs(rig="rig" in asked, plate="plate" in asked, comp="comp" in asked, dialogue="dialogue" in asked),
        facts=facts,
        signed=signed,
        basis=basis,
    )


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
            free = _free(_standing(sheet))
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


READY = Sheet(
    in_cut=True,
    needs=("rig", "dialogue"),
    animator=True,
    signed=frozenset(SIGNATURES),
    frames="accepted",
    plate=25,
    comp=("accepted", 1),
    approval=("accepted", 1),
)


def test_a_shot_that_lacks_nothing_goes_all_the_way() -> None:
    for phase in WORK[:-1]:
        assert blocked_by(_standing(replace(READY, phase=phase))) == ()
    assert no_longer(_standing(replace(READY, phase="approved"))) == ()


@pytest.mark.parametrize(
    ("phase", "gone", "fact"),
    [
        ("set dressing", {"in_cut": False}, Fact.IN_LOCKED_CUT),
        ("set dressing", {"needs": None}, Fact.NEEDS_ENTERED),
        ("shooting", {"signed": READY.signed - {"set"}}, Fact.SET_APPROVED),
        ("shooting", {"signed": READY.signed - {"framing director"}}, Fact.FRAMING_APPROVED_BY_DIRECTOR),
        ("shooting", {"signed": READY.signed - {"framing camera"}}, Fact.FRAMING_APPROVED_BY_CAMERA_OPERATOR),
        ("shooting", {"animator": False}, Fact.ANIMATOR_NAMED),
        ("shooting", {"signed": READY.signed - {"dialogue"}}, Fact.DIALOGUE_CUT_IN),
        ("background plate", {"frames": "some"}, Fact.FRAMES_SHOT),
        ("compositing", {"frames": "all"}, Fact.FRAMES_ACCEPTED),
        ("compositing", {"plate": 24}, Fact.PLATE_SHOT),
        ("compositing", {"signed": READY.signed - {"plate"}}, Fact.PLATE_ACCEPTED),
        ("approved", {"comp": None}, Fact.COMP_DELIVERED),
        ("approved", {"comp": ("accepted", 2)}, Fact.COMP_DELIVERED),
        ("approved", {"approval": None}, Fact.APPROVAL_SIGNED),
        ("approved", {"generation": 2}, Fact.APPROVAL_SIGNED),
    ],
)
def test_a_fact_that_goes_shows_in_the_phase_that_rested_on_it(phase: str, gone: dict[str, object], fact: Fact) -> None:
    sheet = replace(READY, phase=phase)
    assert no_longer(_standing(sheet)) == ()
    missed = no_longer(_standing(replace(sheet, **gone)))  # type: ignore[arg-type]
    assert fact in {lack.fact for lack in missed}


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        (Sheet(), ["No locked cut of its episode shows the shot.", "Nobody has entered what the shot needs"]),
        (replace(READY, phase="shooting", frames="some"), ["56 frames of 96 (41–96): not shot yet."]),
        (
            replace(READY, phase="background plate", frames="all", plate=10),
            ["96 frames of 96 (1–96): shot, and nobody has accepted them.", "The plate has 10 of 25 frames."],
        ),
        (
            replace(READY, phase="background plate", needs=("rig", "moving"), plate=90),
            ["The camera moves, so the plate is as long as the shot: 6 frames (91–96) not shot yet."],
        ),
        (
            replace(READY, phase="compositing", generation=2),
            ["The comp is out of date: frames 86–96 of take 1 shot again since."],
        ),
        (replace(READY, phase="planning", suspended=True), ["suspended (the armature broke): resume it first."]),
    ],
)
def test_what_is_lacking_says_what_to_do(sheet: Sheet, said: list[str]) -> None:
    details = [lack.detail for lack in blocked_by(_standing(sheet))]
    assert len(details) == len(said)
    assert all(wanted in detail for wanted, detail in zip(said, details, strict=True)), details


def test_every_lack_is_addressed() -> None:
    lacks = {lack.fact: lack for sheet in _bare() for each in steps(_standing(sheet)) for lack in each.lacks}
    assert set(lacks) == set(Fact)
    for each in told(lacks.values(), PLACE):
        assert each.who.startswith("the ")
        assert each.path == "/v1/counts" or each.path.startswith("/v1/productions/lantern-bay/")
        assert "{shot}" not in each.path
        assert each.detail.endswith((".", ":"))


def _bare() -> Iterable[Sheet]:
    for phase in WORK:
        yield Sheet(phase=phase, omitted=True, suspended=True)
        yield Sheet(phase=phase)
        yield Sheet(phase=phase, needs=("rig", "dialogue"))
        yield Sheet(phase=phase, needs=())


def test_codes_are_quoted_in_addresses() -> None:
    lacks = blocked_by(_standing(Sheet()))
    path = told(lacks, Place(production="лампа", episode="é", shot="12 B"))[1].path
    assert path == "/v1/productions/%D0%BB%D0%B0%D0%BC%D0%BF%D0%B0/shots/12%20B/needs"


def test_frames_counted_after_approval_are_said_to_be() -> None:
    approved = replace(READY, phase="approved")
    assert approval_changed(_standing(approved)) == ()
    assert approval_changed(_standing(replace(approved, generation=2))) == ("frames 86–96 of take 1 shot again since",)


def test_a_sign_off_withdrawn_does_not_bring_an_earlier_one_back() -> None:
    first = _signoff((Matter.COMP_DELIVERED, Role.COMPOSITOR))
    second = replace(first, id=2, withdrawn_at=first.signed_at)
    assert standing([first]) == {(Matter.COMP_DELIVERED, Role.COMPOSITOR): first}
    assert standing([first, second]) == {}
