"""Shots as moves are judged by them, from a sheet of plain marks."""

from datetime import UTC, datetime
from functools import cache

from service.domain.addresses import Place
from service.domain.bases import Basis
from service.domain.moves import Standing
from service.domain.needs import Needs
from service.domain.phases import Phase
from service.domain.progress import ShotFacts
from service.domain.signoffs import Matter, Role, Signature, SignOff
from service.domain.takes import history
from tests.domain import shooting
from tests.domain.walks import Sheet

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


def signoff(signature: Signature, basis: Basis | None = None) -> SignOff:
    """A sign-off that was given, perhaps for these frames."""
    matter, role = signature
    at = datetime(2026, 3, 2, 9, tzinfo=UTC)
    return SignOff(id=1, matter=matter, role=role, by="office", signer=None, basis=basis, signed_at=at)


def standing_of(sheet: Sheet) -> Standing:
    """How the shot of a sheet stands."""
    asked = set(sheet.needs or ())
    moving = "moving" in asked
    facts, basis = _shot(sheet.frames, sheet.generation, sheet.plate, moving=moving, omitted=sheet.omitted)

    def given_for(made_of: tuple[str, int]) -> Basis:
        # A sheet's comps and approvals speak of the shot as planned, whatever became of the plan since.
        return _shot(*made_of, sheet.plate, moving=moving, omitted=sheet.omitted)[1]

    signed = {SIGNATURES[name]: signoff(SIGNATURES[name]) for name in sheet.signed}
    if sheet.comp is not None:
        signature = (Matter.COMP_DELIVERED, Role.COMPOSITOR)
        signed[signature] = signoff(signature, given_for(sheet.comp))
    if sheet.approval is not None:
        signature = (Matter.APPROVAL, Role.DIRECTOR)
        signed[signature] = signoff(signature, given_for(sheet.approval))
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
"""A shot that lacks nothing anywhere."""


def bare(facts: ShotFacts, *, phase: Phase = Phase.PLANNING) -> Standing:
    """A shot with these facts, of which nothing was entered or signed."""
    return Standing(
        phase=phase,
        suspended=None,
        in_locked_cut=False,
        animator=None,
        needs=None,
        facts=facts,
        signed={},
        basis=None,
    )
