"""The worker *nightly*: a report when the day closes, a revision when the past changes, and none for anything else."""

import random
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import update
from sqlmodel import select

from service.domain.events import Event, EventKind
from service.domain.reports import Nightly as Report
from service.domain.reports import facts_of, nightly, report_of, stored
from service.store import editions, figures, productions, reports
from service.store.engine import Database
from service.store.tables import CursorRow, NightlyReportRow, ReportedFramesRow
from tests import nightly_model
from tests.nights import STAGES, Nights
from tests.workers.strangers import Limits
from workers.builtin.nightly import Nightly
from workers.contract import Change, Context, NoSettings
from workers.engine import step

MONDAY, TUESDAY, WEDNESDAY = "2026-03-02", "2026-03-03", "2026-03-04"


@pytest.fixture
def nights(database: Database) -> Nights:
    """A studio in UTC whose days begin at five, on Monday 2 March 2026, with two shots of 96 frames."""
    here = Nights(database, "2026-03-02T08:00:00Z")
    here.shot("0120", stage="barn")
    here.shot("0130", stage="mill", episode="102")
    return here


def told(report: Report) -> dict[tuple[str, str | None], dict[str, int]]:
    """The figures of a report that are not 0, by group."""
    groups = {
        (each.scope.value, each.code): {name.value: n for name, n in each.figures.items() if n}
        for each in report.groups
    }
    return {key: figures for key, figures in groups.items() if figures}


def differs(row: NightlyReportRow) -> dict[tuple[str, str | None, str], tuple[int | None, int | None]]:
    return {
        (each["scope"], each["code"], each["figure"]): (each["before"], each["after"]) for each in row.difference or ()
    }


def utc_day(on: date) -> nightly_model.Day:
    """A production day of a studio in UTC, cut at five."""
    opened = datetime(on.year, on.month, on.day, 5, tzinfo=UTC)
    return nightly_model.Day(on, opened, opened + timedelta(days=1), lambda at: (at - timedelta(hours=5)).date())


def test_the_day_that_closed_is_filed_at_the_studios_hour(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40, animator="Ines")
    nights.at("2026-03-02T15:00:00Z").count("barn", "0120", 37, animator="Ines")
    nights.at("2026-03-03T04:59:59Z").work()
    assert nights.days() == {}

    nights.at("2026-03-03T05:00:00Z").work()

    assert nights.days() == {MONDAY: 1}
    assert nights.total(MONDAY) == {
        "net_frames": 37,
        "gross_frames": 40,
        "deleted_frames": 3,
        "credited_change_frames": 37,
        "credited_change_counted_frames": 37,
        "credited_frames": 37,
        "planned_frames": 192,
        "shots_in_planning": 2,
    }
    assert nights.job_results()[-1] == {"day": TUESDAY, "filed": [MONDAY], "left": 0}


def test_late_counts_make_a_second_revision_and_leave_the_first_readable(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40, animator="Ines")
    nights.at("2026-03-03T05:00:00Z").work()
    nights.at("2026-03-04T05:00:00Z").work()
    first_told = told(nights.report(MONDAY))

    # Two days later.
    nights.at("2026-03-04T09:00:00Z").count("barn", "0120", 52, captured="2026-03-02T16:00:00Z", animator="Ines")
    nights.work()

    assert nights.days() == {MONDAY: 2, TUESDAY: 1}
    first, second = nights.rows(MONDAY)
    assert (first.difference, told(report_of(first.figures))) == (None, first_told)
    groups = [("production", None), ("episode", "101"), ("stage", "barn")]
    # What was credited for them was credited on the day they came, and stays there.
    assert differs(second) == {
        **{(*group, "net_frames"): (40, 52) for group in [*groups, ("animator", "Ines")]},
        **{(*group, "gross_frames"): (40, 52) for group in [*groups, ("animator", "Ines")]},
        **{(*group, "late_counts"): (0, 1) for group in groups},
        **{(*group, "late_net_frames"): (0, 12) for group in groups},
    }
    nights.at("2026-03-05T05:00:00Z").work()
    wednesday = nights.total(WEDNESDAY)
    assert (wednesday["credited_change_frames"], wednesday["earlier_days_counts"]) == (12, 1)
    assert "net_frames" not in wednesday
    filed = [each for each in nights.report(WEDNESDAY).happened if each.kind == EventKind.REPORT_FILED]
    assert [(each.day, each.revision) for each in filed] == [(date(2026, 3, 3), 1), (date(2026, 3, 2), 2)]


def test_decisions_and_new_plans_revise_no_day_that_has_closed(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 96, outcome="finished")
    nights.at("2026-03-02T11:00:00Z").count("mill", "0130", 30)
    nights.at("2026-03-03T05:00:00Z").work()
    before = told(nights.report(MONDAY))

    nights.at("2026-03-03T10:00:00Z").decide("0120", "reject")
    nights.change("0130", omitted=True)
    nights.change("0120", cut_frames=60, stage="mill", episode="102", moving_camera=True)
    nights.work()
    assert nights.days() == {MONDAY: 1}

    # And where a late count makes a revision, all but the frames shot is as it was, in every group.
    nights.count("mill", "0120", 97, captured="2026-03-02T12:00:00Z")
    nights.work()
    assert nights.days() == {MONDAY: 2}
    changed = {figure for _, _, figure in differs(nights.rows(MONDAY)[1])}
    assert changed == {"net_frames", "gross_frames", "late_counts", "late_net_frames"}
    assert told(nights.report(MONDAY))["stage", "barn"] == before["stage", "barn"]
    assert before["stage", "barn"]["shots_finished"] == 1


SHOTS = ["0120", "0130", "0140", "0150"]
AHEAD = {
    "planning": ["set dressing"],
    "set dressing": ["shooting"],
    "shooting": ["background plate", "compositing", "approval"],
    "background plate": ["compositing", "approval"],
    "compositing": ["approval"],
    "approval": ["approved"],
}
HOURS = [timedelta(hours=hour) for hour in (0, 0, 0, 1, 5, 22, 40)]
CHANGES: list[dict[str, Any]] = [
    {"omitted": True},
    {"omitted": False},
    {"cut_frames": 50},
    {"stage": "mill"},
    {"episode": "102"},
    {"moving_camera": True},
]


def live_through(
    nights: Nights, chance: random.Random, *, days: int = 4, also: Callable[[Nights, random.Random], None] | None = None
) -> None:
    """Some days of work at random: counts on time and late, takes, plates, decisions, plans changed, shots omitted."""
    totals: Counter[tuple[str, str, int, str]] = Counter()
    nights.shot("0140", cut_frames=40, episode="102", moving_camera=True)
    for hour in range(1, 24 * days):
        nights.at(nights.now + timedelta(hours=1))
        if hour == 30:
            # Counted before it was entered.
            nights.shot("0150", cut_frames=24)
        for _ in range(chance.randrange(3)):
            code, stage, take = chance.choice(SHOTS), chance.choice(STAGES), chance.randint(1, 2)
            purpose = chance.choice(["shoot", "shoot", "shoot", "plate"])
            key = code, stage, take, purpose
            totals[key] = max(totals[key] + chance.choice([5, 20, 40, -3]), 0)
            nights.count(
                stage,
                code,
                totals[key],
                take=take,
                purpose=purpose,
                captured=nights.now - chance.choice(HOURS),
                animator=chance.choice([None, "Ines", "Tariq"]),
                outcome=chance.choice([None, None, "finished"]),
            )
        decide(nights, chance)
        if also is not None:
            also(nights, chance)
        if chance.random() < 0.15:
            nights.change(chance.choice(["0120", "0130", "0140"]), **chance.choice(CHANGES))
        if chance.random() < 0.5:
            nights.work()
    nights.work()


def decide(nights: Nights, chance: random.Random) -> None:
    counted = [
        (each["shot"], each["take"])
        for each in nights.record
        if each["said"] == "count" and each["answer"]["outcome"] == "counted" and each["purpose"] == "shoot"
    ]
    if counted and chance.random() < 0.2:
        shot, take = chance.choice(counted)
        nights.decide(shot, chance.choice(["circle", "accept", "reject", "withdraw"]), take=take)


def walk(nights: Nights, chance: random.Random) -> None:
    """Now and then lead a shot on or back, sign or withdraw, suspend or resume."""
    if chance.random() > 0.4:
        return
    shot = chance.choice(SHOTS[:3])
    done = [each for each in nights.record if each["shot"] == shot]
    phase = (["planning"] + [each["to"] for each in done if each["said"] == "go"])[-1]
    gone = {each["id"] for each in done if each["said"] == "withdraw"}
    stand = [each["id"] for each in done if each["said"] == "sign" and each["id"] not in gone]
    match chance.choice(["go", "go", "go", "sign", "withdraw", "suspend", "resume"]):
        case "go" if phase == "planning" or chance.random() < 0.7:
            nights.sign(shot, "approval")
            nights.go(shot, chance.choice(AHEAD.get(phase, ["approved"])))
        case "go":
            earlier = nightly_model.PHASES[: nightly_model.PHASES.index(phase)]
            nights.go(shot, chance.choice(earlier), cause=chance.choice(["light", "rig seen", "re-cut", "other"]))
        case "sign":
            nights.sign(shot, *chance.choice([("set approved",), ("framing approved", "camera operator")]))
        case "withdraw" if stand:
            nights.withdraw(shot, chance.choice(stand))
        case "suspend" if chance.random() < 0.5:
            nights.suspend(shot)
        case _:
            nights.suspend(shot, suspended=False)


@pytest.mark.parametrize("seed", range(2))
def test_every_report_is_what_the_record_adds_up_to(nights: Nights, seed: int) -> None:
    """Recomputed from the record by arithmetic that shares nothing with the service."""
    live_through(nights, random.Random(seed), also=walk)

    reported = nights.days()

    assert set(reported) >= {MONDAY, TUESDAY, WEDNESDAY, "2026-03-05"}
    assert max(reported.values()) > 1
    for day in reported:
        expected = nightly_model.report(nights.record, utc_day(date.fromisoformat(day)))
        assert told(nights.report(day)) == expected, day
        for row in nights.rows(day):
            # What is stored beside a revision is what it was made from.
            assert stored(nightly(facts_of(row.inputs))) == row.figures
    assert_nothing_is_outdated(nights)


def assert_nothing_is_outdated(nights: Nights) -> None:
    """Each report made again from the facts as they now stand says what its latest revision says."""
    with nights.database.reading() as session:
        (production,) = productions.every(session)
        for day in nights.days():
            facts = reports.facts(session, production, date.fromisoformat(day), studio=nights.studio)
            assert stored(nightly(facts)) == nights.rows(day)[-1].figures, day


def test_after_a_standstill_every_day_with_work_is_filed_and_yesterday_in_any_case(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40)
    nights.at("2026-03-04T10:00:00Z").count("barn", "0120", 52)

    nights.at("2026-03-10T06:00:00Z").work()

    assert nights.days() == {MONDAY: 1, WEDNESDAY: 1, "2026-03-09": 1}
    assert_nothing_is_outdated(nights)


def test_a_long_standstill_is_made_up_for_a_few_days_at_a_time(nights: Nights, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("workers.builtin.nightly.DAYS_AT_ONCE", 2)
    for number in range(7):
        nights.at(f"2026-03-{2 + number:02d}T10:00:00Z").count("barn", "0120", 10 + number)

    nights.at("2026-03-09T06:00:00Z").work()

    assert nights.days() == {f"2026-03-{2 + number:02d}": 1 for number in range(7)}
    assert nights.job_results() == [{"day": "2026-03-09", "filed": ["2026-03-07", "2026-03-08"], "left": 5}]


def test_a_production_added_today_has_no_older_days(database: Database) -> None:
    nights = Nights(database, "2026-03-02T08:00:00Z")

    nights.work()
    assert nights.days() == {}

    nights.at("2026-03-03T05:00:00Z").work()
    assert nights.days() == {MONDAY: 1}
    assert nights.total(MONDAY) == {}


def test_counts_captured_before_the_production_was_added_are_reported_with_the_rest(nights: Nights) -> None:
    nights.work()
    nights.count("barn", "0120", 40, captured="2026-02-27T15:00:00Z")
    nights.work()
    # No report has been filed yet, and each count of a replay would make a revision of its own.
    assert nights.days() == {}

    nights.at("2026-03-03T05:00:00Z").work()

    assert nights.days() == {"2026-02-27": 1, MONDAY: 1}
    assert nights.total("2026-02-27") == {"net_frames": 40, "gross_frames": 40, "late_counts": 1, "late_net_frames": 40}


def test_a_closed_day_nobody_reported_gets_its_first_report_from_a_late_count(nights: Nights) -> None:
    nights.at("2026-03-03T05:00:00Z").work()
    nights.count("barn", "0120", 40, captured="2026-02-27T15:00:00Z")

    nights.work()

    assert nights.days() == {"2026-02-27": 1, MONDAY: 1}


def test_the_same_events_again_file_nothing(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40)
    nights.at("2026-03-03T05:00:00Z").work()
    nights.count("barn", "0120", 52, captured="2026-03-02T12:00:00Z")
    nights.work()
    with nights.database.writing() as session:
        session.exec(update(CursorRow).values(position=0))

    nights.work()

    assert nights.days() == {MONDAY: 2}


class Interrupted(Nightly):
    """Does something else between making its reports and handing them over."""

    def __init__(self, meanwhile: Any) -> None:  # noqa: ANN401 - anything that can be called
        super().__init__(NoSettings())
        self.meanwhile = meanwhile

    def scheduled(self, name: str, day: date, context: Context) -> Sequence[Change]:
        changes = super().scheduled(name, day, context)
        self.meanwhile()
        return changes


def test_a_count_that_comes_while_the_report_is_made_is_not_lost(nights: Nights) -> None:
    """Even where another engine, whose clock is a little behind, takes the count for one of a day still open."""
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40)
    nights.work()

    def meanwhile() -> None:
        nights.count("barn", "0120", 52, captured="2026-03-03T04:59:58Z")
        slow = datetime.fromisoformat("2026-03-03T04:59:59Z")
        step(nights.database, Nightly(NoSettings()), settings=Limits(), owner="two", now=slow)

    nights.at("2026-03-03T05:00:00Z").work(worker=Interrupted(meanwhile))

    assert nights.days() == {MONDAY: 2}
    assert nights.total(MONDAY)["net_frames"] == 52


def test_a_decision_of_the_day_that_is_committed_after_the_report_is_not_lost(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40)
    nights.at("2026-03-03T05:00:00Z").work()

    nights.at("2026-03-03T04:59:59Z").decide("0120", "circle")
    nights.at("2026-03-03T05:00:01Z").work()

    assert nights.days() == {MONDAY: 2}
    assert differs(nights.rows(MONDAY)[1])["production", None, "takes_circled"] == (0, 1)


def test_a_report_that_rests_on_older_facts_takes_no_ones_place(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40)

    def meanwhile() -> None:
        nights.work()
        nights.count("barn", "0120", 52, captured="2026-03-02T12:00:00Z")
        nights.work()

    nights.at("2026-03-03T05:00:00Z").work(worker=Interrupted(meanwhile))

    assert nights.total(MONDAY)["net_frames"] == 52
    assert_nothing_is_outdated(nights)


def test_unmatched_counts_are_told_of_and_count_for_their_day_when_the_shot_arrives(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0990", 30)
    nights.at("2026-03-03T05:00:00Z").work()
    assert nights.total(MONDAY) == {"planned_frames": 192, "shots_in_planning": 2, "unmatched_counts": 1}
    nights.count("barn", "0990", 36, captured="2026-03-02T11:00:00Z")
    nights.work()
    assert (nights.days(), nights.total(MONDAY)["unmatched_counts"]) == ({MONDAY: 2}, 2)

    nights.at("2026-03-04T09:00:00Z").shot("0990", stage="barn")
    nights.work()

    assert nights.days() == {MONDAY: 3, TUESDAY: 1}
    monday = nights.total(MONDAY)
    assert (monday["net_frames"], monday["late_counts"], monday["planned_frames"]) == (36, 1, 192)
    assert "unmatched_counts" not in monday
    assert_nothing_is_outdated(nights)


def test_a_count_matched_by_hand_moves_from_the_waiting_to_the_frames(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120x", 30)
    nights.at("2026-03-03T05:00:00Z").work()

    nights.at("2026-03-03T10:00:00Z").match("0120")
    nights.work()

    assert nights.days() == {MONDAY: 2}
    assert differs(nights.rows(MONDAY)[1])["production", None, "unmatched_counts"] == (1, 0)
    assert_nothing_is_outdated(nights)


def test_a_call_that_is_entered_late_moves_frames_from_one_report_to_another(nights: Nights) -> None:
    nights.at("2026-03-03T05:30:00Z").count("barn", "0120", 40)
    nights.count("barn", "0990", 5)
    nights.at("2026-03-04T05:00:00Z").work()
    assert nights.days() == {MONDAY: 1, TUESDAY: 1}

    nights.at("2026-03-04T10:00:00Z")
    assert nights.signal("barn", "call", "2026-03-02T22:00:00Z") == 2
    nights.signal("barn", "wrap", "2026-03-03T06:00:00Z")
    nights.work()

    assert nights.days() == {MONDAY: 2, TUESDAY: 2}
    assert (nights.total(MONDAY)["net_frames"], nights.total(MONDAY)["unmatched_counts"]) == (40, 1)
    assert "net_frames" not in nights.total(TUESDAY)
    assert_nothing_is_outdated(nights)


def test_a_plate_that_comes_late_is_in_on_all_days_since(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 96)
    nights.at("2026-03-03T05:00:00Z").work()
    nights.at("2026-03-04T05:00:00Z").work()
    nights.at("2026-03-05T05:00:00Z").work()
    assert [nights.total(day)["plates_missing"] for day in (MONDAY, TUESDAY, WEDNESDAY)] == [1, 1, 1]
    assert nights.report(MONDAY).missing_plates == ("0120",)

    nights.at("2026-03-05T09:00:00Z").count("barn", "0120", 25, purpose="plate", captured="2026-03-03T10:00:00Z")
    nights.work()

    assert nights.days() == {MONDAY: 1, TUESDAY: 2, WEDNESDAY: 2}
    assert [nights.total(day).get("plates_in", 0) for day in (MONDAY, TUESDAY, WEDNESDAY)] == [0, 1, 1]
    # A plate's frames are no frames shot.
    assert "net_frames" not in nights.total(TUESDAY)


def test_a_terminal_is_silent_unless_it_counts_calls_or_wraps(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40)
    nights.at("2026-03-02T12:00:00Z").count("mill", "0130", 10)
    nights.at("2026-03-03T07:00:00Z").signal("mill", "call", "2026-03-03T07:00:00Z")
    nights.at("2026-03-04T05:00:00Z").work()

    assert nights.report(MONDAY).silent == ()
    (silent,) = nights.report(TUESDAY).silent
    assert (silent.terminal, silent.stage) == ("barn-capture", "barn")
    assert silent.last_heard_at == datetime(2026, 3, 2, 10, tzinfo=UTC)
    assert told(nights.report(TUESDAY))["stage", "barn"]["silent_terminals"] == 1


def test_counting_today_looks_at_no_day_and_changes_no_row(nights: Nights, monkeypatch: pytest.MonkeyPatch) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40)
    nights.at("2026-03-03T05:00:00Z").work()
    changes: list[Change] = []

    class Watched(Nightly):
        def handle(self, batch: Sequence[Event], context: Context) -> Sequence[Change]:
            with monkeypatch.context() as patched:
                patched.setattr(context, "day_facts", None)
                changes.extend(made := super().handle(batch, context))
            return made

    for minute in range(10):
        nights.at(f"2026-03-03T10:{minute:02d}:00Z").count("barn", "0120", 41 + minute)
        nights.work(worker=Watched(NoSettings()))

    assert changes == []
    assert nights.days() == {MONDAY: 1}


@pytest.mark.parametrize(
    ("time_zone", "day", "opened", "closes"),
    [
        # Summer Time Order 2002 (UK Statutory Instrument 2002 No. 262): back at 01:00Z on 25 October 2026, forward at
        # 01:00Z on 29 March 2026.
        ("Europe/London", "2026-10-24", "2026-10-24T04:00:00Z", "2026-10-25T05:00:00Z"),  # 25 hours
        ("Europe/London", "2026-03-28", "2026-03-28T05:00:00Z", "2026-03-29T04:00:00Z"),  # 23 hours
        # The time zone database's file `australasia`: half an hour, back on 5 April and forward on 4 October 2026.
        ("Australia/Lord_Howe", "2026-04-04", "2026-04-03T18:00:00Z", "2026-04-04T18:30:00Z"),  # 24.5 hours
        ("Australia/Lord_Howe", "2026-10-03", "2026-10-02T18:30:00Z", "2026-10-03T18:00:00Z"),  # 23.5 hours
    ],
)
def test_a_night_in_which_the_clock_changes_belongs_to_its_day_whole(
    database: Database, time_zone: str, day: str, opened: str, closes: str
) -> None:
    begins, ends = datetime.fromisoformat(opened), datetime.fromisoformat(closes)
    second = timedelta(seconds=1)
    nights = Nights(database, (begins - timedelta(hours=3)).isoformat(), time_zone=time_zone)
    nights.shot("0120", stage="barn")
    nights.at(begins - second).count("barn", "0120", 1)
    nights.at(begins).count("barn", "0120", 3)
    nights.at(ends - second).count("barn", "0120", 7)
    nights.at(ends - second).work()
    assert day not in nights.days()
    nights.at(ends).count("barn", "0120", 15)

    nights.work()

    report = nights.report(day)
    assert (report.terms.opened_at, report.terms.closes_at) == (begins, ends)
    assert nights.total(day)["gross_frames"] == 2 + 4
    assert nights.total(day)["credited_change_frames"] == 2 + 4


def test_a_reported_day_keeps_its_hours_whatever_the_studio_sets_later(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 96)
    nights.at("2026-03-03T05:00:00Z").work()
    terms = nights.report(MONDAY).terms

    nights.set_studio(time_zone="Europe/Berlin", plate_minimum_frames=1)
    nights.at("2026-03-03T10:00:00Z").count("barn", "0120", 97, captured="2026-03-02T12:00:00Z")
    nights.work()

    assert nights.days() == {MONDAY: 2}
    assert nights.report(MONDAY).terms == terms


def test_a_rebuild_remembers_what_was_filed_and_files_nothing_itself(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 40, animator="Ines")
    nights.at("2026-03-03T05:00:00Z").work()
    nights.at("2026-03-03T10:00:00Z").count("mill", "0130", 30)
    nights.at("2026-03-04T05:00:00Z").work()
    with nights.database.writing() as session:
        wanted = editions.planned(session, "nightly", 1, kinds=(), rebuilds=True, asked_by="office")
        assert editions.begin(session, wanted, now=nights.now)
    # It comes after the report and before the new rows, and is still to revise the day.
    nights.count("barn", "0120", 52, captured="2026-03-02T16:00:00Z", animator="Ines")
    nights.work()

    assert nights.days() == {MONDAY: 2, TUESDAY: 1}
    with nights.database.reading() as session:
        ids = [row.shot_id for row in session.exec(select(ReportedFramesRow))]
        assert editions.shown(session, "nightly") == 2
        old, new = (figures.of_shots(session, "reported_frames", edition=each, shot_ids=ids) for each in (1, 2))
    assert sum(row["gross_frames"] for rows in new.values() for row in rows) == 82
    assert old.keys() == new.keys()
