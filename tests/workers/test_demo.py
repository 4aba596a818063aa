"""The demo's script: repeatable, different for each seed, and with every hard case it promises in it."""

import itertools
import subprocess
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.served import TIEDOWN, environment
from workers.demo.run import last_two_days
from workers.demo.scenario import EPISODES, SHOTS, STAGES, Habit
from workers.demo.script import Sending, terminals

DAYS = (date(2026, 3, 2), date(2026, 3, 3))
# What must hold for every seed is looked at for these.
SEEDS = range(1, 41)


def counts_of(seed: int, *, days: tuple[date, date] = DAYS) -> Iterator[tuple[str, Sending, Mapping[str, Any]]]:
    for stage, both in terminals(days, seed).items():
        for sendings in both:
            for sending in sendings:
                for count in sending.counts:
                    yield stage, sending, count


def series_of(seed: int, shot: str) -> list[Mapping[str, Any]]:
    return [count for _, _, count in counts_of(seed) if count["shot"] == shot]


def shot_with(habit: Habit) -> str:
    return next(shot.code for shot in SHOTS if habit in shot.habits)


def test_a_seed_gives_the_same_script_again() -> None:
    assert terminals(DAYS, 7) == terminals(DAYS, 7)


def test_another_seed_varies_the_counts_of_every_stage() -> None:
    one, other = terminals(DAYS, 7), terminals(DAYS, 8)
    assert [stage for stage in one for day in (0, 1) if one[stage][day] and one[stage][day] == other[stage][day]] == []


def test_production_is_of_the_promised_size() -> None:
    assert (len(SHOTS), len(STAGES), len(EPISODES)) == (60, 8, 2)
    assert len({shot.code for shot in SHOTS}) == len(SHOTS)
    assert Counter(shot.episode for shot in SHOTS) == {"e1": 30, "e2": 30}
    assert sum(len(shot.parts) > 1 for shot in SHOTS) == 1
    assert sum(len(shot.cameras) > 1 for shot in SHOTS) == 1
    assert sum(shot.moving_camera for shot in SHOTS) == 1
    assert {habit for shot in SHOTS for habit in shot.habits} == set(Habit)


@pytest.mark.parametrize("seed", SEEDS)
def test_serials_rise_within_a_spool_and_are_used_once(seed: int) -> None:
    serials: dict[tuple[str, str], list[int]] = {}
    for stage, sending, count in counts_of(seed):
        serials.setdefault((stage, sending.spool), []).append(count["serial"])
    assert all(used == list(range(1, len(used) + 1)) for used in serials.values())
    spools = {stage.code: 1 + (stage.code == "boiler") for stage in STAGES if stage.code != "porch"}
    assert Counter(stage for stage, _ in serials) == spools


@pytest.mark.parametrize("seed", SEEDS)
def test_captures_lie_between_call_and_wrap_on_their_day(seed: int) -> None:
    fast = {stage.code: timedelta(minutes=stage.clock_fast_min) for stage in STAGES}
    for stage, both in terminals(DAYS, seed).items():
        for day, sendings in zip(DAYS, both, strict=True):
            times = [
                datetime.fromisoformat(count["at"]) - fast[stage] for sending in sendings for count in sending.counts
            ]
            assert times == sorted(times)
            if (stage, day) == ("cellar", DAYS[0]):
                # Shot in the night after it.
                assert datetime(2026, 3, 2, 20, tzinfo=times[0].tzinfo) <= times[0]
                assert times[-1] < datetime(2026, 3, 3, 4, 30, tzinfo=times[0].tzinfo)
            elif (stage, day) in {("cellar", DAYS[1]), ("yard", DAYS[0]), ("porch", DAYS[0]), ("porch", DAYS[1])}:
                assert times == []
            else:
                assert {at.date() for at in times} == {day}
                assert all(9 <= at.hour < 18 for at in times)
                assert stage != "yard" or times[-1].hour <= 10


@pytest.mark.parametrize("seed", SEEDS)
def test_every_hard_case_is_played_with_every_seed(seed: int) -> None:
    bursts = {(stage, sending.spool) for stage, sending, _ in counts_of(seed) if len(sending.counts) > 1}
    assert {stage for stage, _ in bursts} == {"attic", "north", "shed"}
    assert any(sending.repeated for _, sending, _ in counts_of(seed))
    played: dict[Habit, dict[str, object]] = {
        Habit.ABANDONED: {"take": 1, "outcome": "abandoned"},
        Habit.LATE: {"take": 1},
        Habit.PLATED: {"purpose": "plate"},
        Habit.REHEARSED: {"purpose": "rehearsal"},
        Habit.RETAKEN: {"take": 2, "starts_at": 61, "captures_total": 36, "outcome": "finished"},
        Habit.TOUCHED_UP: {"take": 1, "outcome": "finished"},
        Habit.TRIMMED: {"purpose": "plate"},
        Habit.TWOS: {"frames_per_capture": 2},
        Habit.WANTED: {"outcome": "circled"},
    }
    for habit, fields in played.items():
        assert any(fields.items() <= count.items() for count in series_of(seed, shot_with(habit))), habit
    assert all("frames_total" in count for count in series_of(seed, shot_with(Habit.MIXED)))
    split = [stage for stage, _, count in counts_of(seed) if count["shot"] == "e1-quay-6"]
    assert set(split) == {"north", "south"}
    assert {count["camera"] for count in series_of(seed, "e1-lamp-room-1")} == {"wide", "close"}


@pytest.mark.parametrize("seed", SEEDS)
def test_frames_are_deleted_where_the_animator_thinks_better_of_them(seed: int) -> None:
    totals = [count["captures_total"] for count in series_of(seed, shot_with(Habit.DELETING))]
    assert sum(later < earlier for earlier, later in itertools.pairwise(totals)) == 2


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_to_be_circled_on_the_first_evening_is_finished_by_then(seed: int) -> None:
    first_day = [count for first, _ in terminals(DAYS, seed).values() for each in first for count in each.counts]
    finished = {
        count["shot"]
        for count in first_day
        if count.get("outcome") == "finished" and count.get("purpose", "shoot") == "shoot"
    }
    due = {Habit.PLATED, Habit.TOUCHED_UP, Habit.TRIMMED, Habit.RETAKEN}
    assert {shot.code for shot in SHOTS if shot.habits & due} <= finished


@pytest.mark.parametrize("seed", SEEDS)
def test_approved_frames_are_deleted_and_shot_again_on_the_second_day(seed: int) -> None:
    touched_up = next(shot for shot in SHOTS if Habit.TOUCHED_UP in shot.habits)
    totals = [count["captures_total"] for count in series_of(seed, touched_up.code)]
    deleted = next(place for place, (before, after) in enumerate(itertools.pairwise(totals)) if after < before)
    assert totals[deleted] == totals[-1] == touched_up.last


@pytest.mark.parametrize(
    ("now", "days"),
    [
        (datetime(2026, 3, 4, 12, tzinfo=UTC), DAYS),
        (datetime(2026, 3, 4, 4, 59, tzinfo=UTC), (date(2026, 3, 1), date(2026, 3, 2))),
        (datetime(2026, 3, 4, 5, 0, tzinfo=UTC), DAYS),
    ],
)
def test_days_are_the_two_production_days_before_today(now: datetime, days: tuple[date, date]) -> None:
    """A production day begins at the studio's hour: what is shot before it belongs to the day before."""
    assert last_two_days(now) == days


def run_demo(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [TIEDOWN, "demo", "--once", "--port", "0", *options],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("option", ["--database", "--export"])
def test_a_file_that_holds_anything_is_refused_and_left_alone(tmp_path: Path, option: str) -> None:
    kept = tmp_path / "kept"
    kept.write_text("not to be lost")
    ended = run_demo(tmp_path, option, str(kept))
    assert ended.returncode == 1
    assert str(kept) in ended.stderr
    assert "Traceback" not in ended.stderr
    assert kept.read_text() == "not to be lost"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kept"]


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    ended = run_demo(tmp_path, "--database", str(tmp_path / "nowhere" / "demo.db"))
    assert ended.returncode == 1
    assert f"there is no folder {tmp_path / 'nowhere'}" in ended.stderr
