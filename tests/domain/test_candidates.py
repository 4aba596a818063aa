"""What shots could be on a stage for, phase by phase, and in which order they are offered."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.domain.addresses import Place
from service.domain.bookings import Activity
from service.domain.candidates import Candidate, Chance, Elsewhere, Held, Whose, chance, elsewhere, in_order
from service.domain.moves import Lack, Standing
from service.domain.needs import Needs
from service.domain.phases import Fact, Phase
from service.domain.shots import Part
from service.domain.spans import Span
from tests.domain import shooting
from tests.domain.standings import SIGNATURES, bare, signoff

NINE = datetime(2026, 3, 3, 9, tzinfo=UTC)
DAY = Span(NINE, NINE + timedelta(hours=9))
HERE, THERE = 1, 2


def shot(phase: Phase, *, frames: int = 0, **more: object) -> Standing:
    facts = shooting.facts({"cut_frames": 96}, shooting.totals(frames) if frames else [], [])
    changes: dict[str, object] = {"needs": Needs(), "in_locked_cut": True, "animator": "Ilse", **more}
    return replace(bare(facts, phase=phase), **changes)  # type: ignore[arg-type]


def offered(standing: Standing) -> tuple[Activity, list[Fact], int] | None:
    found = chance(standing, HERE)
    return None if found is None else (found.activity, [lack.fact for lack in found.lacks], found.remaining_frames)


def test_what_a_shot_could_be_on_a_stage_for_follows_from_its_phase() -> None:
    assert offered(shot(Phase.PLANNING)) == (Activity.DRESSING, [], 96)
    assert offered(shot(Phase.PLANNING, needs=None)) == (Activity.DRESSING, [Fact.NEEDS_ENTERED], 96)
    # What it lacks for shooting is signed off on the stage, where it is dressed.
    assert offered(shot(Phase.SET_DRESSING)) == (Activity.DRESSING, [], 96)
    assert offered(shot(Phase.SHOOTING, frames=40)) == (Activity.SHOOTING, [], 56)
    assert offered(shot(Phase.SHOOTING, frames=40, suspended="broken")) == (
        Activity.SHOOTING,
        [Fact.NOT_SUSPENDED],
        56,
    )
    assert offered(shot(Phase.COMPOSITING)) is None


def test_a_dressed_shot_can_be_shot_once_it_lacks_nothing() -> None:
    signed = {SIGNATURES[name]: signoff(SIGNATURES[name]) for name in ("set", "framing director", "framing camera")}
    assert offered(shot(Phase.SET_DRESSING, signed=signed)) == (Activity.SHOOTING, [], 96)
    assert offered(shot(Phase.SET_DRESSING, signed=signed, animator=None)) == (Activity.DRESSING, [], 96)


@pytest.mark.parametrize("phase", [Phase.SHOOTING, Phase.BACKGROUND_PLATE])
def test_what_is_shot_waits_for_a_plate_alone(phase: Phase) -> None:
    assert offered(shot(phase, frames=96, needs=Needs(rig=True))) == (Activity.PLATE, [], 0)
    assert offered(shot(phase, frames=96)) is None


def test_an_omitted_shot_is_no_candidate() -> None:
    facts = shooting.facts({"cut_frames": 96, "omitted": True}, [], [])

    assert chance(bare(facts), HERE) is None


def held(booking: int, **more: object) -> Held:
    values: dict[str, object] = {"shot_id": 7, "stage_id": THERE, "stage": "barn", "animator": None, **more}
    return Held(booking=booking, activity=Activity.SHOOTING, span=DAY, **values)  # type: ignore[arg-type]


def test_a_shot_or_its_animator_that_is_booked_elsewhere_is_not_free() -> None:
    standing = shot(Phase.SHOOTING)
    several = [
        held(1),
        held(2, stage_id=HERE),
        held(3, shot_id=8, animator="Ilse"),
        held(4, shot_id=8, animator="Tove"),
        held(5, stage_id=None, stage=None, animator="Ilse"),
    ]

    found = elsewhere(standing, 7, HERE, several)
    assert [(each.booking, each.whose) for each in found] == [
        (1, Whose.SHOT),
        (3, Whose.ANIMATOR),
        (5, Whose.ANIMATOR),
    ]
    parts = (Part("left", HERE, 1, 60), Part("right", THERE, 55, 96))
    split = replace(standing, facts=replace(standing.facts, plan=replace(standing.facts.plan, parts=parts)))
    assert [each.booking for each in elsewhere(split, 7, HERE, several)] == [3, 5]
    assert chance(split, HERE) == Chance(activity=Activity.SHOOTING, lacks=(), remaining_frames=60)


def candidate(code: str, phase: Phase, *, lacks: int = 0, taken: bool = False, since_h: int = 0) -> Candidate:
    lacking = tuple(Lack(fact, "missing") for fact in tuple(Fact)[:lacks])
    away = Elsewhere(booking=1, whose=Whose.SHOT, stage="barn", activity=Activity.SHOOTING, span=DAY)
    return Candidate(
        place=Place(production="lantern-bay", episode="101", shot=code),
        phase=phase,
        since=NINE + timedelta(hours=since_h),
        animator="Ilse",
        chance=Chance(activity=Activity.SHOOTING, lacks=lacking, remaining_frames=96),
        lacks=(),
        elsewhere=(away,) if taken else (),
    )


def test_who_can_go_comes_first_and_of_these_the_furthest_on() -> None:
    several = [
        candidate("blocked much", Phase.SHOOTING, lacks=3),
        candidate("blocked little", Phase.PLANNING, lacks=1),
        candidate("taken", Phase.SHOOTING, taken=True),
        candidate("early", Phase.PLANNING),
        candidate("late", Phase.SHOOTING, since_h=2),
        candidate("later", Phase.SHOOTING, since_h=3),
    ]

    found = [each.place.shot for each in in_order(several)]
    assert found == ["late", "later", "early", "taken", "blocked little", "blocked much"]
