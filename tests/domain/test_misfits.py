"""What about a booking does not fit its shot: judged rule by rule, over every activity and phase."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest

from service.domain.bookings import Activity
from service.domain.lengths import Expected
from service.domain.misfits import Misfit, Promise, Remark, released_by_an_omission, remarks
from service.domain.moves import Standing
from service.domain.needs import Needs
from service.domain.phases import Phase
from service.domain.spans import Span
from tests.domain import shooting
from tests.domain.standings import bare

NINE = datetime(2026, 3, 3, 9, tzinfo=UTC)
DAY = Span(NINE, NINE + timedelta(hours=9))
SPLIT = {"left": "mill", "right": "barn"}


def shot(phase: Phase = Phase.SHOOTING, *, frames: int = 0, **plan: object) -> Standing:
    posts = shooting.totals(frames) if frames else []
    said = [shooting.verdict("circle", take=1)] if frames else []
    return replace(bare(shooting.facts({"cut_frames": 96, **plan}, posts, said), phase=phase), needs=Needs())


def told(
    activity: Activity,
    standing: Standing,
    *,
    stage: str | None = "mill",
    part: str | None = None,
    stages: dict[str, str] | None = None,
    expected: Expected | None = None,
    spare: Fraction = Fraction(0),
) -> tuple[Remark, ...]:
    promise = Promise(activity=activity, span=DAY, stage=stage, part=part)
    return remarks(promise, standing, stages=stages or {}, expected=expected, spare=spare)


def kinds(found: tuple[Remark, ...]) -> list[Misfit]:
    return [each.misfit for each in found]


@pytest.mark.parametrize(
    ("activity", "fits"),
    [
        (Activity.DRESSING, {"planning", "set dressing"}),
        (Activity.LIGHTING, {"planning", "set dressing", "shooting"}),
        (Activity.SHOOTING, {"planning", "set dressing", "shooting"}),
        (Activity.PLATE, {"planning", "set dressing", "shooting", "background plate"}),
        (Activity.HOLDING, set(Phase) - {"approved"}),
        (Activity.UPKEEP, set(Phase)),
    ],
)
def test_what_a_shot_has_behind_it_needs_no_stage(activity: Activity, fits: set[str]) -> None:
    # Common practice: a stage is booked ahead of the phase, and is not wanted once the phase is over.
    found = {phase for phase in Phase if Misfit.PHASE_PAST not in kinds(told(activity, shot(phase)))}

    assert found == fits
    (said,) = told(Activity.SHOOTING, shot(Phase.COMPOSITING))
    assert said.detail == "It is booked for shooting, and the shot is in compositing."


def test_an_omission_takes_back_all_but_what_is_still_to_be_done_on_the_stage() -> None:
    omitted = shot(omitted=True)

    assert {each for each in Activity if not released_by_an_omission(each)} == {Activity.STRIKE, Activity.UPKEEP}
    assert kinds(told(Activity.SHOOTING, omitted)) == [Misfit.OMITTED]
    assert told(Activity.STRIKE, omitted) == ()


def test_a_set_that_is_still_needed_is_struck_too_soon() -> None:
    half = told(Activity.STRIKE, shot(frames=48))
    assert kinds(half) == [Misfit.STRUCK_TOO_SOON]
    assert "49–96" in half[0].detail
    assert told(Activity.STRIKE, shot(frames=96)) == ()
    rigged = replace(shot(frames=96), needs=Needs(rig=True))
    assert kinds(told(Activity.STRIKE, rigged)) == [Misfit.STRUCK_TOO_SOON]


def test_a_plate_nobody_asked_for_and_a_suspended_shot_are_said() -> None:
    assert kinds(told(Activity.PLATE, shot())) == [Misfit.NO_PLATE]
    assert told(Activity.PLATE, replace(shot(), needs=Needs(plate=True))) == ()
    held = told(Activity.SHOOTING, replace(shot(), suspended="the fox is broken"))
    assert [each.detail for each in held] == ["The shot is suspended (the fox is broken)."]


def test_a_booking_is_where_its_part_is_planned() -> None:
    assert told(Activity.SHOOTING, shot(), part="left", stages=SPLIT) == ()
    assert told(Activity.SHOOTING, shot(), stages={}) == ()
    elsewhere = told(Activity.SHOOTING, shot(), part="right", stages=SPLIT)
    assert [each.detail for each in elsewhere] == ["Part right is planned to be shot on barn."]
    assert kinds(told(Activity.DRESSING, shot(), stage="loft", stages=SPLIT)) == [
        Misfit.PHASE_PAST,
        Misfit.OTHER_STAGE,
    ]
    assert kinds(told(Activity.SHOOTING, shot(), part="top", stages=SPLIT)) == [Misfit.NO_SUCH_PART]
    assert told(Activity.SHOOTING, shot(), stage=None, stages=SPLIT) == ()


def expected(frames: int, usual_h: float, late_h: float) -> Expected:
    return Expected(
        start_at=NINE,
        remaining_frames=frames,
        usual_at=NINE + timedelta(hours=usual_h),
        late_at=NINE + timedelta(hours=late_h),
    )


def test_a_booking_is_too_short_too_long_or_for_nothing() -> None:
    def of(what: Expected, spare: int = 0) -> list[tuple[Misfit, str]]:
        found = told(Activity.SHOOTING, shot(), expected=what, spare=Fraction(spare))
        return [(each.misfit, each.detail) for each in found]

    assert of(expected(0, 0, 0)) == [(Misfit.NOTHING_REMAINS, "Every planned frame is credited.")]
    assert of(expected(36, 9, 12)) == []
    assert of(expected(36, 10, 12)) == [
        (Misfit.TOO_SHORT, "36 frames remain: at the usual pace they are there at 2026-03-03T19:00:00Z, after it ends.")
    ]
    assert of(expected(1, 1, 2)) == []
    assert of(expected(1, 1, 2), spare=1) == [
        (
            Misfit.TOO_LONG,
            "1 frame remains: even at a slow pace they are there at 2026-03-03T11:00:00Z, a day or more before.",
        )
    ]
    assert of(Expected(start_at=NINE, remaining_frames=36)) == []
