"""Which sets may be struck: nothing of them is needed any more. Common practice."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from service.domain.addresses import Place
from service.domain.bookings import Activity
from service.domain.needs import Needs
from service.domain.phases import Phase
from service.domain.spans import Span
from service.domain.strikes import SetBooking, SetShot, strikes
from tests.domain import shooting
from tests.domain.standings import bare

NOW = datetime(2026, 3, 3, 9, tzinfo=UTC)
TODAY = Span(NOW - timedelta(hours=1), NOW + timedelta(hours=8))
YESTERDAY = Span(NOW - timedelta(hours=25), NOW - timedelta(hours=16))


def shot(
    code: str, *, set_code: str = "quay", accepted: int = 96, phase: Phase = Phase.APPROVAL, **plan: object
) -> SetShot:
    posts = shooting.totals(accepted) if accepted else []
    facts = shooting.facts({"cut_frames": 96, **plan}, posts, [shooting.verdict("circle", take=1)] if posts else [])
    return SetShot(
        shot_id=int(code),
        set_code=set_code,
        place=Place(production="lantern-bay", episode="101", shot=code),
        standing=replace(bare(facts, phase=phase), needs=Needs(set_=set_code)),
    )


def booking(number: int, activity: Activity, span: Span = TODAY) -> SetBooking:
    return SetBooking(booking=number, shot_id=120, stage="mill", activity=activity, span=span, note=None)


def test_a_set_may_be_struck_when_every_frame_of_every_shot_is_accepted() -> None:
    (done,) = strikes([shot("120"), shot("130")], {}, now=NOW)
    assert (done.may_be_struck, done.shots) == (True, 2)

    (half,) = strikes([shot("120"), shot("130", accepted=60)], {}, now=NOW)
    ((code, lack),) = half.lacks
    assert (half.may_be_struck, code, lack.path) == (False, "130", "/v1/counts")
    assert "61–96" in lack.detail


def test_a_plate_that_is_asked_for_has_to_be_in() -> None:
    rigged = shot("120")
    needing = replace(rigged, standing=replace(rigged.standing, needs=Needs(set_="quay", rig=True)))

    (found,) = strikes([needing], {}, now=NOW)
    assert [lack.fact.value for _, lack in found.lacks] == [
        "plate shot, or none asked for",
        "plate accepted, or none asked for",
    ]


def test_what_is_booked_on_a_set_keeps_it_until_it_is_over() -> None:
    for activity in (Activity.HOLDING, Activity.SHOOTING, Activity.PLATE, Activity.LIGHTING, Activity.DRESSING):
        (found,) = strikes([shot("120")], {120: [booking(1, activity)]}, now=NOW)
        assert (found.may_be_struck, [each.booking for each in found.wanted_by]) == (False, [1])
        (over,) = strikes([shot("120")], {120: [booking(1, activity, YESTERDAY)]}, now=NOW)
        assert over.may_be_struck
    (found,) = strikes([shot("120")], {120: [booking(1, Activity.STRIKE), booking(2, Activity.UPKEEP)]}, now=NOW)
    assert (found.may_be_struck, [each.booking for each in found.strikes]) == (True, [1])


def test_an_omitted_shot_needs_its_set_no_more_and_a_set_that_was_never_put_in_is_left_out() -> None:
    (found,) = strikes([shot("120"), shot("130", accepted=0, omitted=True)], {}, now=NOW)
    assert (found.may_be_struck, found.shots) == (True, 1)
    assert strikes([shot("120", accepted=0, phase=Phase.PLANNING)], {}, now=NOW) == []


def test_those_that_may_be_struck_come_first() -> None:
    several = [
        shot("120", set_code="quay", accepted=0, phase=Phase.SHOOTING),
        shot("130", set_code="attic"),
        shot("140", set_code="barn", accepted=40),
        shot("150", set_code="barn", accepted=40),
    ]

    assert [each.set_code for each in strikes(several, {}, now=NOW)] == ["attic", "quay", "barn"]
