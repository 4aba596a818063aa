"""The nightly report as a computation: groups that add up, the same again from stored facts, the right differences.

Check values are worked out by hand from the arithmetic of the trade (common practice).
"""

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.causes import ReturnCause
from service.domain.dayfigures import BACK_BY_CAUSE, BY_CAUSE, FIGURES_OF, IN_PHASE, OF_PHASES, Figure, Grouping
from service.domain.daymoves import Moved, Signed
from service.domain.days import (
    Brought,
    CreditChange,
    DayFacts,
    Happened,
    PlanChange,
    Shooting,
    ShotAtClose,
    Silent,
    TakeNamed,
    Terms,
    Waiting,
    built,
    plain,
    terms_of,
    worked,
)
from service.domain.phases import Phase
from service.domain.progress import Cause
from service.domain.reports import (
    Differs,
    Nightly,
    difference,
    facts_of,
    nightly,
    report_of,
    says_the_same,
    stored,
    stored_facts,
)
from service.domain.signoffs import Matter, Role
from service.domain.studio import Studio, tz_data_version
from service.domain.takes import Purpose, history
from tests.domain.shooting import ledger_post, post

DAY = date(2026, 3, 2)
TERMS = terms_of(DAY, Studio())
CODES = st.sampled_from(["0120", "0130", "0140"])
STAGES = st.sampled_from(["barn", "mill"])
EPISODES = st.sampled_from(["101", "102"])
NAMES = st.sampled_from([None, "Ines", "Tariq"])
FRAMES = st.integers(0, 100)
INSTANTS = st.datetimes(datetime(2026, 3, 2), datetime(2026, 3, 3), timezones=st.just(UTC))  # noqa: DTZ001 -- the strategy wants them bare

SIGNED = st.builds(
    Signed,
    shot=CODES,
    episode=EPISODES,
    stage=STAGES | st.none(),
    matter=st.sampled_from(Matter),
    role=st.sampled_from(Role),
    given=st.booleans(),
    at=INSTANTS,
    by=CODES,
    reason=st.none() | CODES,
)


@st.composite
def day_facts(draw: st.DrawFn) -> DayFacts:
    """Facts of a day, as a database might have them."""
    shots = draw(
        st.lists(
            st.builds(
                ShotAtClose,
                shot=CODES,
                episode=EPISODES,
                stage=STAGES | st.none(),
                planned_frames=st.sampled_from([0, 40, 96]),
                credited_frames=st.sampled_from([0, 40, 96]),
                plate_needed_frames=st.sampled_from([25, 96]),
                plate_frames=st.sampled_from([0, 25, 96]),
                phase=st.sampled_from(Phase),
                suspended=st.none() | CODES,
                suspended_at=INSTANTS,
            ),
            unique_by=lambda shot: shot.shot,
        )
    )
    known = st.sampled_from([shot.shot for shot in shots] or [""])
    several = st.integers(-50, 50).filter(bool)
    takes = st.builds(
        TakeNamed, shot=CODES, episode=EPISODES, part=st.just(""), take=FRAMES, stage=STAGES, animator=NAMES
    )
    return DayFacts(
        terms=TERMS,
        shots=tuple(shots),
        credit_changes=tuple(
            draw(st.lists(st.builds(CreditChange, shot=known, cause=st.sampled_from(Cause), frames=several)))
            if shots
            else ()
        ),
        plan_changes=tuple(draw(st.lists(st.builds(PlanChange, shot=known, frames=several))) if shots else ()),
        shooting=tuple(
            draw(
                st.lists(
                    st.builds(
                        Shooting,
                        series_id=FRAMES,
                        shot_id=FRAMES,
                        shot=CODES,
                        episode=EPISODES,
                        purpose=st.sampled_from(Purpose),
                        stage_id=FRAMES,
                        stage=STAGES,
                        animator=NAMES,
                        counts=FRAMES,
                        gross_frames=FRAMES,
                        deleted_frames=FRAMES,
                        late_counts=FRAMES,
                        late_net_frames=several,
                    ),
                    max_size=8,
                )
            )
        ),
        finished=tuple(draw(st.lists(takes, max_size=4))),
        circled=tuple(draw(st.lists(takes, max_size=4))),
        silent=tuple(
            draw(st.lists(st.builds(Silent, terminal=CODES, stage=STAGES, last_heard_at=INSTANTS), max_size=3))
        ),
        brought=tuple(draw(st.lists(st.builds(Brought, stage=STAGES, episode=EPISODES, counts=FRAMES), max_size=3))),
        waiting=tuple(draw(st.lists(st.builds(Waiting, stage=STAGES, counts=FRAMES), max_size=3))),
        happened=tuple(
            draw(
                st.lists(
                    st.builds(Happened, kind=CODES, at=INSTANTS, by=CODES, day=st.none() | st.just(DAY)), max_size=3
                )
            )
        ),
        happenings=draw(st.dictionaries(CODES, FRAMES)),
        moved=tuple(draw(st.lists(moves(), max_size=4))),
        signed=tuple(draw(st.lists(SIGNED, max_size=3))),
    )


@st.composite
def moves(draw: st.DrawFn) -> Moved:
    """A move ahead or, with a cause, back."""
    one, other = draw(st.lists(st.sampled_from(Phase), min_size=2, max_size=2, unique=True))
    order = list(Phase)
    return Moved(
        shot=draw(CODES),
        episode=draw(EPISODES),
        stage=draw(STAGES | st.none()),
        origin=one,
        to=other,
        at=draw(INSTANTS),
        by="office",
        cause=draw(st.sampled_from(ReturnCause)) if order.index(other) < order.index(one) else None,
        reason=draw(st.none() | CODES),
        lacked=tuple(draw(st.lists(CODES, max_size=2))),
    )


def figures(report: Nightly, scope: Grouping, code: str | None = None) -> dict[str, int]:
    """The figures of a group that are not 0."""
    (group,) = [each for each in report.groups if (each.scope, each.code) == (scope, code)]
    return {figure.value: value for figure, value in group.figures.items() if value}


def standing(planned: int, credited: int, *, shot: str = "0120", plate: int = 0) -> ShotAtClose:
    return ShotAtClose(
        shot=shot,
        episode="101",
        stage="barn",
        planned_frames=planned,
        credited_frames=credited,
        plate_needed_frames=25,
        plate_frames=plate,
    )


@given(day_facts())
def test_a_report_is_the_same_again_from_its_stored_facts(facts: DayFacts) -> None:
    kept = json.loads(json.dumps(stored_facts(facts)))
    shown = json.loads(json.dumps(stored(nightly(facts))))

    assert facts_of(kept) == facts
    assert stored(nightly(facts_of(kept))) == shown
    assert report_of(shown) == nightly(facts)


@given(day_facts())
def test_episodes_stages_and_animators_add_up_to_the_production(facts: DayFacts) -> None:
    report = nightly(facts)

    for scope in (Grouping.EPISODE, Grouping.STAGE, Grouping.ANIMATOR):
        for figure in FIGURES_OF[scope]:
            parts = [group.figures[figure] for group in report.groups if group.scope is scope]
            assert sum(parts) == report.total.figures[figure], (scope, figure)


@given(day_facts())
def test_the_causes_add_up_to_the_credited_change_and_gross_less_deleted_to_net(facts: DayFacts) -> None:
    for group in nightly(facts).groups:
        found = group.figures
        assert found[Figure.NET_FRAMES] == found[Figure.GROSS_FRAMES] - found[Figure.DELETED_FRAMES]
        if group.scope is not Grouping.ANIMATOR:
            assert found[Figure.CREDITED_CHANGE_FRAMES] == sum(found[each] for each in BY_CAUSE.values())


@given(day_facts(), day_facts())
def test_a_difference_leads_from_one_report_to_the_other(one: DayFacts, other: DayFacts) -> None:
    before, after = nightly(one), nightly(other)
    values = {(each.scope, each.code, figure): n for each in before.groups for figure, n in each.figures.items()}

    found = difference(before, after)

    for each in found:
        assert (each.before or 0) != (each.after or 0)
        assert values.get((each.scope, each.code, each.figure)) == each.before
        values[each.scope, each.code, each.figure] = each.after or 0
    expected = {(each.scope, each.code, figure): n for each in after.groups for figure, n in each.figures.items()}
    assert {key: n for key, n in values.items() if n} == {key: n for key, n in expected.items() if n}
    assert difference(after, after) == ()


@given(day_facts())
def test_groups_are_in_the_order_of_their_names_never_of_their_figures(facts: DayFacts) -> None:
    keys = [(each.scope, each.code is None, each.code or "") for each in nightly(facts).groups]
    order = list(Grouping)
    assert keys == sorted(keys, key=lambda key: (order.index(key[0]), *key[1:]))
    assert keys[0][0] is Grouping.PRODUCTION


@pytest.mark.parametrize(
    ("planned", "credited", "planned_today", "credited_today", "finished", "in_all"),
    [
        (96, 96, 0, 36, 1, 1),
        (96, 96, 0, 0, 0, 1),
        (96, 95, 0, 95, 0, 0),
        # Re-cut to what was there already: finished by the new plan.
        (80, 80, -16, 0, 1, 1),
        # Re-cut and shot to its new length, both times whole: it was finished before.
        (110, 110, 14, 14, 0, 1),
        # An omitted shot plans nothing and finishes nothing.
        (0, 0, -96, -96, 0, 0),
    ],
)
def test_a_shot_is_finished_when_all_that_is_planned_is_credited(  # noqa: PLR0917 - one column of the table each
    planned: int, credited: int, planned_today: int, credited_today: int, finished: int, in_all: int
) -> None:
    facts = DayFacts(
        terms=TERMS,
        shots=(standing(planned, credited),),
        plan_changes=(PlanChange(shot="0120", frames=planned_today),) if planned_today else (),
        credit_changes=(CreditChange(shot="0120", cause=Cause.COUNTED, frames=credited_today),)
        if credited_today
        else (),
    )

    total = nightly(facts).total.figures

    assert (total[Figure.SHOTS_FINISHED], total[Figure.SHOTS_FINISHED_IN_ALL]) == (finished, in_all)


def test_a_plate_is_missing_where_its_shot_is_finished_and_in_where_it_has_what_it_needs() -> None:
    shots = (
        standing(96, 96, shot="0140"),
        standing(96, 96, shot="0130", plate=24),
        standing(96, 96, shot="0120", plate=25),
        standing(96, 40, shot="0150", plate=25),
        standing(96, 40, shot="0160"),
        standing(0, 0, shot="0170", plate=25),
    )

    report = nightly(DayFacts(terms=TERMS, shots=shots))

    total = report.total.figures
    assert (total[Figure.PLATES_IN], total[Figure.PLATES_MISSING]) == (2, 2)
    assert report.missing_plates == ("0130", "0140")


def test_frames_of_plates_rehearsals_tests_and_references_are_no_frames_shot_and_their_counts_are_counts() -> None:
    shot = Shooting(
        series_id=1,
        shot_id=1,
        shot="0120",
        episode="101",
        purpose=Purpose.SHOOT,
        stage_id=1,
        stage="barn",
        animator="Ines",
        counts=2,
        gross_frames=40,
        deleted_frames=3,
        late_counts=1,
        late_net_frames=-3,
    )
    others = (replace(shot, purpose=each) for each in Purpose if each is not Purpose.SHOOT)

    report = nightly(DayFacts(terms=TERMS, shooting=(shot, *others)))

    frames = {"net_frames": 37, "gross_frames": 40, "deleted_frames": 3}
    assert figures(report, Grouping.ANIMATOR, "Ines") == frames
    assert figures(report, Grouping.STAGE, "barn") == {**frames, "late_counts": 5, "late_net_frames": -3}


def test_every_cause_has_its_figure_and_every_figure_is_somebodys() -> None:
    assert BY_CAUSE.keys() == set(Cause)
    assert len(set(BY_CAUSE.values())) == len(Cause)
    assert BACK_BY_CAUSE.keys() == set(ReturnCause)
    assert IN_PHASE.keys() == set(Phase)
    assert len({*BACK_BY_CAUSE.values(), *IN_PHASE.values()}) == len(ReturnCause) + len(Phase)
    assert frozenset().union(*FIGURES_OF.values()) == set(Figure)


def test_a_history_is_worked_by_day_stage_and_animator_with_what_came_late() -> None:
    """45–52 of 60 deleted: 52 live, the history shows 60 reached; the second day's count came after its close."""
    words = [
        post(60, serial=1, animator="Ines"),
        post(52, serial=2, animator="Ines"),
        post(70, serial=3, animator="Tariq", day=date(2026, 3, 3)),
        post(70, serial=4, animator="Tariq", day=date(2026, 3, 3)),
    ]
    steps = history([ledger_post(each) for each in words])

    found = worked(steps, late={("rostrum", "one", 3)})

    rows = [(each.day_on.day, each.animator, each.counts, each.gross_frames, each.deleted_frames) for each in found]
    assert rows == [(2, "Ines", 2, 60, 8), (3, "Tariq", 2, 18, 0)]
    assert [(each.late_counts, each.late_net_frames) for each in found] == [(0, 0), (1, 18)]


def test_terms_say_the_days_hours_and_the_rules_they_follow() -> None:
    terms = terms_of(date(2026, 10, 24), Studio(time_zone="Europe/London", plate_minimum_frames=40))

    assert terms == Terms(
        day=date(2026, 10, 24),
        opened_at=datetime(2026, 10, 24, 4, tzinfo=UTC),
        closes_at=datetime(2026, 10, 25, 5, tzinfo=UTC),
        plate_minimum_frames=40,
        tz_data_version=tz_data_version(),
    )


def test_a_row_that_does_not_fit_its_columns_is_not_read() -> None:
    kept = plain(DayFacts(terms=TERMS, shots=(standing(96, 0),)))
    kept["shots"]["rows"][0].pop()
    with pytest.raises(ValueError, match="zip"):
        built(DayFacts, kept)


def test_a_difference_names_a_group_that_only_one_report_has() -> None:
    nobody = nightly(DayFacts(terms=TERMS))
    somebody = nightly(DayFacts(terms=TERMS, waiting=(Waiting(stage="barn", counts=2),)))

    assert difference(nobody, somebody) == (
        Differs(scope=Grouping.PRODUCTION, code=None, figure=Figure.UNMATCHED_COUNTS, before=0, after=2),
        Differs(scope=Grouping.STAGE, code="barn", figure=Figure.UNMATCHED_COUNTS, before=None, after=2),
    )


def moved(origin: Phase, to: Phase, *, shot: str = "0120", cause: ReturnCause | None = None, **more: Any) -> Moved:  # noqa: ANN401 -- fields of a move
    return Moved(
        shot=shot,
        episode="101",
        stage="barn",
        origin=origin,
        to=to,
        at=datetime(2026, 3, 2, 10, tzinfo=UTC),
        by="office",
        cause=cause,
        **more,
    )


def test_a_day_of_moves_is_told_by_move_cause_and_shot() -> None:
    """A reshoot that was approved again on the same day is one shot approved, and five moves."""
    shots = (
        replace(standing(96, 96), phase=Phase.APPROVED),
        replace(standing(96, 0, shot="0130"), phase=Phase.SHOOTING, suspended="armature", suspended_at=TERMS.opened_at),
        # Omitted: it stands nowhere, but what was done with it before was done.
        replace(standing(0, 0, shot="0140"), phase=Phase.COMPOSITING, suspended="cut", suspended_at=TERMS.opened_at),
    )
    day = (
        moved(Phase.APPROVAL, Phase.APPROVED),
        moved(Phase.APPROVED, Phase.SHOOTING, cause=ReturnCause.LIGHT),
        moved(Phase.SHOOTING, Phase.APPROVAL, lacked=("planned frames accepted",), reason="the plate follows"),
        moved(Phase.APPROVAL, Phase.APPROVED),
        moved(Phase.APPROVAL, Phase.COMPOSITING, shot="0140", cause=ReturnCause.RECUT),
    )

    report = nightly(DayFacts(terms=TERMS, shots=shots, moved=day))

    assert {name: n for name, n in figures(report, Grouping.STAGE, "barn").items() if Figure(name) in OF_PHASES} == {
        "moves": 5,
        "moves_overridden": 1,
        "moves_back": 2,
        "moves_back_light": 1,
        "moves_back_recut": 1,
        "shots_approved": 1,
        "shots_in_shooting": 1,
        "shots_approved_in_all": 1,
        "shots_suspended": 1,
    }
    assert [(each.shot, each.reason) for each in report.suspended] == [("0130", "armature")]
    assert report.moved == day


def test_a_report_names_the_first_hundred_moves_and_counts_all() -> None:
    day = tuple(moved(Phase.PLANNING, Phase.SET_DRESSING, shot=f"{number:04d}") for number in range(130))

    report = nightly(DayFacts(terms=TERMS, moved=day))

    assert (report.moved, report.total.figures[Figure.MOVES]) == (day[:100], 130)


@given(day_facts())
def test_a_report_of_the_time_before_phases_says_the_same_until_something_else_is_other(facts: DayFacts) -> None:
    bare = replace(facts, moved=None, signed=(), shots=tuple(replace(each, phase=None) for each in facts.shots))
    old, new = stored(nightly(bare)), stored(nightly(facts))
    for name in ("moved", "signed", "suspended"):
        del old[name]

    assert not any(figure in OF_PHASES for group in report_of(old).groups for figure in group.figures)
    assert facts_of(stored_facts(bare)) == bare
    assert says_the_same(old, new)
    late = stored(nightly(replace(facts, waiting=(*facts.waiting, Waiting(stage="barn", counts=1)))))
    assert not says_the_same(old, late)
    told = {each.figure: each for each in difference(report_of(old), report_of(new)) if each.code is None}
    assert told.keys() <= OF_PHASES
    assert all(each.before is None for each in told.values())
