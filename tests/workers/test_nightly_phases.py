"""The worker *nightly* tells what a day did to phases, from dated rows: the same whenever it is made."""

from typing import Any

from sqlalchemy import update
from sqlmodel import col, select

from service.domain.dayfigures import OF_PHASES
from service.domain.reports import facts_of, nightly, says_the_same, stored
from service.store.tables import CursorRow, NightlyReportRow
from tests.nights import Nights
from tests.workers.test_nightly import MONDAY, TUESDAY, assert_nothing_is_outdated, differs
from tests.workers.test_nightly import nights as nights  # noqa: PLC0414 -- a fixture


def test_a_day_of_moves_is_told_and_stays_what_it_was(nights: Nights) -> None:
    """One shot shot, sent back once and approved; one taken up and suspended. What follows revises nothing."""
    nights.at("2026-03-02T09:00:00Z").go("0130", "set dressing")
    nights.suspend("0130")
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 96, outcome="finished")
    nights.decide("0120", "circle")
    for phase in ("set dressing", "shooting", "compositing"):
        nights.go("0120", phase)
    nights.go("0120", "shooting", cause="light")
    nights.go("0120", "approval")
    assert nights.sign("0120", "approval")
    assert nights.go("0120", "approved")
    nights.at("2026-03-03T05:00:00Z").work()

    monday = nights.report(MONDAY)
    of_phases = {each.value for each in OF_PHASES}
    assert {name: n for name, n in nights.total(MONDAY).items() if name in of_phases} == {
        "moves": 7,
        "moves_overridden": 6,
        "moves_back": 1,
        "moves_back_light": 1,
        "signoffs_given": 1,
        "shots_approved": 1,
        "shots_in_set_dressing": 1,
        "shots_approved_in_all": 1,
        "shots_suspended": 1,
    }
    assert monday.moved is not None
    assert [(each.shot, each.to.value, bool(each.lacked)) for each in monday.moved] == [
        ("0130", "set dressing", True),
        ("0120", "set dressing", True),
        ("0120", "shooting", True),
        ("0120", "compositing", True),
        ("0120", "shooting", False),
        ("0120", "approval", True),
        ("0120", "approved", True),
    ]
    assert [(each.matter.value, each.given) for each in monday.signed] == [("approval", True)]
    assert [(each.shot, each.phase.value, each.reason) for each in monday.suspended] == [
        ("0130", "set dressing", "the armature broke")
    ]

    (signed,) = [each["id"] for each in nights.record if each["said"] == "sign"]
    nights.at("2026-03-03T09:00:00Z").suspend("0130", suspended=False)
    nights.withdraw("0120", signed)
    nights.go("0120", "compositing", cause="other")
    nights.at("2026-03-04T05:00:00Z").work()

    assert (nights.days(), nights.report(MONDAY)) == ({MONDAY: 1, TUESDAY: 1}, monday)
    assert (nights.total(TUESDAY)["signoffs_withdrawn"], nights.total(TUESDAY)["moves_back_other"]) == (1, 1)
    assert_nothing_is_outdated(nights)


def test_a_move_of_the_day_that_is_committed_after_the_report_is_not_lost(nights: Nights) -> None:
    nights.at("2026-03-03T05:00:00Z").work()

    nights.at("2026-03-03T04:59:59Z").go("0120", "set dressing")
    nights.suspend("0130")
    nights.at("2026-03-03T05:00:01Z").work()

    assert nights.days() == {MONDAY: 2}
    changed = differs(nights.rows(MONDAY)[1])
    assert changed["production", None, "moves"] == changed["stage", "barn", "moves"] == (0, 1)
    assert (nights.total(MONDAY)["shots_in_set_dressing"], nights.total(MONDAY)["shots_suspended"]) == (1, 1)


def test_a_report_of_the_time_before_phases_is_revised_only_when_something_changes(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").go("0120", "set dressing")
    nights.at("2026-03-03T05:00:00Z").work()
    forget_phases(nights)
    with nights.database.writing() as session:
        session.exec(update(CursorRow).values(position=0))
    nights.work()
    assert nights.days() == {MONDAY: 1}

    nights.at("2026-03-03T09:00:00Z").count("barn", "0120", 12, captured="2026-03-02T12:00:00Z")
    nights.work()

    assert nights.days() == {MONDAY: 2}
    changed = differs(nights.rows(MONDAY)[1])
    assert changed["production", None, "net_frames"] == (0, 12)
    assert changed["production", None, "moves"] == (None, 1)


def forget_phases(nights: Nights) -> None:
    """Make the reports those of a service that told nothing of phases."""
    new = {each.value for each in OF_PHASES}
    with nights.database.writing() as session:
        for row in session.exec(select(NightlyReportRow)).all():
            groups: dict[str, Any] = row.figures["groups"]
            place = groups["columns"].index("figures")
            for values in groups["rows"]:
                values[place] = {name: value for name, value in values[place].items() if name not in new}
            figures = {name: said for name, said in row.figures.items() if name not in {"moved", "signed", "suspended"}}
            inputs = {name: said for name, said in row.inputs.items() if name not in {"moved", "signed"}}
            shots = inputs["shots"]
            for values in shots["rows"]:
                del values[shots["columns"].index("phase") :]
            del shots["columns"][shots["columns"].index("phase") :]
            statement = update(NightlyReportRow).where(col(NightlyReportRow.id) == row.id)
            session.exec(statement.values(figures=figures, inputs=inputs))
            assert says_the_same(figures, stored(nightly(facts_of(inputs))))
