"""Corrections in the nightly reports: past days are revised, and what is corrected is neither shot nor deleted."""

import random
from datetime import date
from typing import Any

import pytest
from sqlalchemy import update
from sqlmodel import col, select

from service.actions.corrections import TakeHasFrames, TotalStands
from service.actions.takes import TakeUnknown
from service.domain.events import EventKind
from service.store.engine import Database
from service.store.tables import CreditedChangeRow, EventRow, NightlyReportRow, ShotRow
from tests import nightly_model
from tests.nights import Nights
from tests.workers.strangers import Limits
from tests.workers.test_nightly import (
    MONDAY,
    SHOTS,
    TUESDAY,
    assert_nothing_is_outdated,
    differs,
    live_through,
    told,
    utc_day,
)
from workers import schedule


@pytest.fixture
def nights(database: Database) -> Nights:
    """A studio in UTC whose days begin at five, on Monday 2 March 2026, with two shots of 96 frames in two episodes."""
    here = Nights(database, "2026-03-02T08:00:00Z")
    here.shot("0120", stage="barn")
    here.shot("0130", stage="mill", episode="102")
    return here


def credit(nights: Nights, shot: str) -> list[tuple[str, str, int]]:
    """The journal of a shot's credited frames."""
    with nights.database.reading() as session:
        rows = session.exec(
            select(CreditedChangeRow)
            .join(ShotRow, col(ShotRow.id) == col(CreditedChangeRow.shot_id))
            .where(col(ShotRow.code) == shot)
            .order_by(col(CreditedChangeRow.id))
        )
        return [(row.changed_on.isoformat(), row.cause, row.frames) for row in rows]


def test_totals_40_52_52_49_hold_49_and_a_correction_is_no_deletion(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z")
    for total in (40, 52, 52, 49):
        nights.count("barn", "0120", total, animator="Ines")
    nights.at("2026-03-03T05:00:00Z").work()
    frames = {"net_frames": 49, "gross_frames": 52, "deleted_frames": 3}
    assert {name: nights.total(MONDAY)[name] for name in frames} == frames

    nights.at("2026-03-03T10:00:00Z").restate("0120", 47)
    nights.work()

    assert nights.days() == {MONDAY: 2}
    groups = [("production", None), ("episode", "101"), ("stage", "barn"), ("animator", "Ines")]
    # What was gained and what was deleted stay, and so does what was credited by the close.
    assert differs(nights.rows(MONDAY)[1]) == {
        **{(*group, "net_frames"): (49, 47) for group in groups},
        **{(*group, "corrected_frames"): (0, -2) for group in groups},
    }
    assert credit(nights, "0120")[-1] == (TUESDAY, "corrected", -2)
    nights.at("2026-03-04T05:00:00Z").work()
    tuesday = nights.total(TUESDAY)
    assert (tuesday["credited_change_corrected_frames"], tuesday["credited_frames"]) == (-2, 47)
    assert [each.shot for each in nights.report(TUESDAY).happened if each.kind == EventKind.FRAMES_CORRECTED] == [
        "0120"
    ]
    assert_nothing_is_outdated(nights)


def test_a_wrong_shot_day_moved_is_right_in_every_report(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 30, animator="Ines")
    nights.at("2026-03-03T05:00:00Z").work()
    # The right shot on Monday, the wrong one all Tuesday, which was only seen on Thursday.
    nights.at("2026-03-03T09:00:00Z").count("mill", "0120", 20, take=2, animator="Tariq")
    nights.match("0120")
    nights.at("2026-03-03T15:00:00Z").count("mill", "0120", 44, take=2, animator="Tariq", outcome="finished")
    nights.match("0120")
    nights.at("2026-03-04T05:00:00Z").work()
    nights.at("2026-03-05T05:00:00Z").work()
    before = nights.total(TUESDAY)
    monday = told(nights.report(MONDAY))

    nights.at("2026-03-05T10:00:00Z").move("0120", "0130", take=2, to_take=1)
    nights.work()

    assert nights.days() == {MONDAY: 1, TUESDAY: 2, "2026-03-04": 1}
    assert told(nights.report(MONDAY)) == monday
    after = nights.total(TUESDAY)
    assert {name: after[name] for name in ("net_frames", "gross_frames")} == {"net_frames": 44, "gross_frames": 44}
    assert "corrected_frames" not in after
    assert before["gross_frames"] == after["gross_frames"]
    episodes = {key[1]: figures for key, figures in told(nights.report(TUESDAY)).items() if key[0] == "episode"}
    assert "net_frames" not in episodes["101"]
    assert (episodes["102"]["net_frames"], episodes["102"]["takes_finished"]) == (44, 1)
    # Each shot's journal says what changed and when: Tuesday's credit was undone on Thursday.
    assert credit(nights, "0120")[-1] == ("2026-03-05", "corrected", 30 - 44)
    assert credit(nights, "0130") == [("2026-03-05", "corrected", 44)]
    # What comes later under the same code counts for what it says.
    nights.count("barn", "0120", 36)
    nights.work()
    assert credit(nights, "0120")[-1] == ("2026-03-05", "counted", 6)
    assert_nothing_is_outdated(nights)


def test_a_report_of_the_time_before_corrections_is_revised_only_when_something_changes(nights: Nights) -> None:
    nights.at("2026-03-02T10:00:00Z").count("barn", "0120", 30)
    nights.at("2026-03-03T05:00:00Z")
    schedule.enter(nights.database, [nights.worker], now=nights.now)
    limits = Limits(engine_batch=500)
    schedule.run(nights.database, [nights.worker], settings=limits, owner="one", now=nights.now, beat=lambda: None)
    age(nights)
    # That it was filed makes nightly look at the day once more, and nothing of it has changed.
    nights.work()
    assert nights.days()[MONDAY] == 1

    nights.restate("0120", 28)
    nights.work()

    assert nights.days()[MONDAY] == 2
    production = {key[2]: change for key, change in differs(nights.rows(MONDAY)[1]).items() if key[0] == "production"}
    assert production == {"net_frames": (30, 28), "corrected_frames": (0, -2)}


def age(nights: Nights) -> None:
    """Make the reports those of a service that knew no corrections."""
    new = {"corrected_frames", "credited_change_corrected_frames"}
    with nights.database.writing() as session:
        for row in session.exec(select(NightlyReportRow)).all():
            groups: dict[str, Any] = row.figures["groups"]
            place = groups["columns"].index("figures")
            for values in groups["rows"]:
                values[place] = {name: value for name, value in values[place].items() if name not in new}
            shooting = row.inputs["shooting"]
            column = shooting["columns"].index("corrected_frames")
            for values in (shooting["columns"], *shooting["rows"]):
                del values[column]
            statement = update(NightlyReportRow).where(col(NightlyReportRow.id) == row.id)
            session.exec(statement.values(figures=dict(row.figures), inputs=dict(row.inputs)))


def correct(nights: Nights, chance: random.Random) -> None:
    """Now and then put something right, or try to."""
    if chance.random() > 0.15:
        return
    shot, take = chance.choice(SHOTS[:3]), chance.randint(1, 2)
    purpose = chance.choice(["shoot", "shoot", "plate"])
    try:
        if chance.random() < 0.5:
            nights.restate(shot, chance.randint(0, 120), take=take, purpose=purpose)
        else:
            nights.move(shot, chance.choice(SHOTS[:3]), take=take, to_take=chance.randint(1, 4), purpose=purpose)
    except (TakeUnknown, TakeHasFrames, TotalStands):
        # What is not there cannot be put right, and is the same as if nobody had tried.
        return


@pytest.mark.parametrize("seed", range(2))
def test_every_report_is_what_the_corrected_record_adds_up_to(nights: Nights, seed: int) -> None:
    """Recomputed from the record by arithmetic that shares nothing with the service."""
    live_through(nights, random.Random(seed), also=correct)

    said = {each["said"] for each in nights.record}
    assert {"restate", "move"} <= said
    for day in nights.days():
        expected = nightly_model.report(nights.record, utc_day(date.fromisoformat(day)))
        assert told(nights.report(day)) == expected, day
    assert_nothing_is_outdated(nights)
    assert_no_frames_appear_from_nothing(nights)


def assert_no_frames_appear_from_nothing(nights: Nights) -> None:
    """The journals add up to what is credited, and every event of a correction says what it moved."""
    with nights.database.reading() as session:
        for row in session.exec(select(EventRow).where(col(EventRow.kind) == EventKind.FRAMES_CORRECTED.value)):
            assert {
                "shot",
                "correction",
                "what",
                "reason",
                "series",
                "before_frames",
                "total_frames",
            } <= row.data.keys()
    past = nightly_model.Past(utc_day(date(2026, 3, 2)).of).replay(nights.record)
    for shot in past.plans:
        assert sum(frames for _, _, frames in credit(nights, shot)) == past.credited(shot)
