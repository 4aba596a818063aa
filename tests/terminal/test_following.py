"""Following: totals, when they are entered, and what is no deletion."""

import os
import shutil
from pathlib import Path

import pytest

from service.terminal.folders import Folder
from service.terminal.following import Follower
from service.terminal.patterns import FramePattern
from service.terminal.spool import Entry, Spool, State
from service.terminal.troubles import FolderAway, NotKept
from tests.terminal.conftest import Clocks

PATTERN = FramePattern.of("{shot}/take_{take}/{frame}.png")
TAKE = "s1/take_1"


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    folder = tmp_path / "frames"
    folder.mkdir()
    return folder


@pytest.fixture
def follower(spool: Spool, frames: Path, clocks: Clocks) -> Follower:
    return following(spool, frames, clocks)


def following(spool: Spool, frames: Path, clocks: Clocks, pattern: FramePattern = PATTERN) -> Follower:
    return Follower(spool, Folder(frames, pattern), production="p", clock=clocks)


def shoot(frames: Path, first: int, last: int, take: str = TAKE) -> None:
    (frames / take).mkdir(parents=True, exist_ok=True)
    for number in range(first, last + 1):
        (frames / take / f"{number:04}.png").write_bytes(b"frame")


def delete(frames: Path, first: int, last: int) -> None:
    for number in range(first, last + 1):
        (frames / TAKE / f"{number:04}.png").unlink()


def entered(spool: Spool) -> list[int]:
    return [entry.content["captures_total"] for entry in spool.entries(State.WAITING)]


def last(spool: Spool) -> Entry:
    return spool.entries(State.WAITING)[-1]


def test_totals_are_entered_never_what_was_added(spool: Spool, frames: Path, follower: Follower) -> None:
    for reached in (1, 3, 10):
        shoot(frames, 1, reached)
        (change,) = follower.look()
        assert change.captures == reached
        assert follower.look() == []

    assert entered(spool) == [1, 3, 10]
    assert last(spool).content == {
        "production": "p",
        "shot": "s1",
        "take": 1,
        "captures_total": 10,
        "at": "2026-03-02T14:00:00.000000Z",
    }


def test_frames_held_for_two_say_so(spool: Spool, frames: Path, clocks: Clocks) -> None:
    shoot(frames, 1, 12)
    Follower(spool, Folder(frames, PATTERN), production="p", frames_per_capture=2, clock=clocks).look()

    assert last(spool).content["frames_per_capture"] == 2


def test_what_lands_while_looking_is_of_this_moment_by_both_clocks(
    spool: Spool, frames: Path, clocks: Clocks, follower: Follower
) -> None:
    follower.look()
    clocks.pass_s(60)
    shoot(frames, 1, 1)
    follower.look()

    assert (last(spool).content["at"], last(spool).run_s) == ("2026-03-02T14:01:00.000000Z", 1_060.0)


def test_what_lay_there_before_is_of_the_time_of_its_files(spool: Spool, frames: Path, follower: Follower) -> None:
    shoot(frames, 1, 1)
    for path in (frames / TAKE / "0001.png", frames / TAKE):
        os.utime(path, (1_772_359_200, 1_772_359_200))

    follower.look()

    assert (last(spool).content["at"], last(spool).run_s) == ("2026-03-01T10:00:00.000000Z", None)


def test_files_from_the_future_are_of_this_moment(spool: Spool, frames: Path, follower: Follower) -> None:
    shoot(frames, 1, 1)
    os.utime(frames / TAKE / "0001.png", (1e11, 1e11))

    follower.look()

    assert last(spool).content["at"] == "2026-03-02T14:00:00.000000Z"


def test_a_deletion_is_a_lower_total_once_a_second_look_finds_it_again(
    spool: Spool, frames: Path, follower: Follower
) -> None:
    shoot(frames, 1, 60)
    follower.look()
    delete(frames, 45, 52)

    assert follower.look() == []
    assert follower.waits
    (change,) = follower.look()

    assert (change.captures, change.before) == (52, 60)
    assert entered(spool) == [60, 52]


def test_a_program_that_renumbers_deletes_nothing(spool: Spool, frames: Path, follower: Follower) -> None:
    shoot(frames, 1, 60)
    follower.look()
    for reached in (20, 35, 51):
        shutil.rmtree(frames / TAKE)
        shoot(frames, 1, reached)
        follower.look()
    shoot(frames, 1, 60)
    follower.look()
    follower.look()

    assert entered(spool) == [60]


def test_a_take_emptied_in_its_folder_was_deleted(spool: Spool, frames: Path, follower: Follower) -> None:
    shoot(frames, 1, 5)
    follower.look()
    delete(frames, 1, 5)
    follower.look()
    follower.look()

    assert entered(spool) == [5, 0]


def test_a_take_whose_folder_is_gone_was_moved_not_deleted(spool: Spool, frames: Path, follower: Follower) -> None:
    shoot(frames, 1, 5)
    shoot(frames, 1, 7, "s2/take_1")
    follower.look()
    shutil.rmtree(frames / TAKE)
    for _ in range(3):
        follower.look()

    assert entered(spool) == [5, 7]


def test_a_followed_folder_that_is_suddenly_empty_is_a_share_that_is_away(
    spool: Spool, frames: Path, clocks: Clocks
) -> None:
    flat = following(spool, frames, clocks, FramePattern.of("{shot}_{take}_{frame}.png"))
    (frames / "s1_1_0001.png").write_bytes(b"frame")
    flat.look()
    (frames / "s1_1_0001.png").unlink()
    for _ in range(3):
        flat.look()

    assert entered(spool) == [1]


def test_a_folder_that_vanishes_and_returns_loses_nothing(spool: Spool, frames: Path, follower: Follower) -> None:
    shoot(frames, 1, 5)
    follower.look()
    frames.rename(frames.with_name("away"))
    for _ in range(3):
        with pytest.raises(FolderAway):
            follower.look()
    frames.with_name("away").rename(frames)
    shoot(frames, 6, 9)
    follower.look()

    assert entered(spool) == [5, 9]
    # Nobody saw them land.
    assert last(spool).run_s is None


def test_where_a_folder_does_not_open_nothing_falls(
    spool: Spool, frames: Path, clocks: Clocks, failing: set[Path]
) -> None:
    two = following(spool, frames, clocks, FramePattern.of("{shot}/*/{frame}.png"))
    shoot(frames, 1, 5, "s1/raw")
    shoot(frames, 1, 9, "s1/small")
    two.look()
    failing.add(frames / "s1" / "small")
    for _ in range(3):
        two.look()
    shoot(frames, 10, 12, "s1/raw")
    two.look()
    failing.clear()
    two.look()

    assert entered(spool) == [9, 12]


def test_a_terminal_started_again_enters_what_changed_meanwhile_and_nothing_else(
    spool: Spool, frames: Path, clocks: Clocks, follower: Follower
) -> None:
    shoot(frames, 1, 5)
    shoot(frames, 1, 7, "s2/take_1")
    follower.look()
    shoot(frames, 6, 6)

    assert [change.captures for change in following(spool, frames, clocks).look()] == [6]


def test_what_could_not_be_kept_is_entered_by_the_next_look(
    spool: Spool, frames: Path, follower: Follower, clocks: Clocks
) -> None:
    shoot(frames, 1, 5)
    (pages,) = spool._database.execute("PRAGMA page_count").fetchone()
    spool._database.execute(f"PRAGMA max_page_count = {pages}")
    for number in range(400):
        shoot(frames, 1, 1, f"s2/take_{number + 1}")
    with pytest.raises(NotKept, match="full"):
        follower.look()
    assert entered(spool) == []

    spool._database.execute("PRAGMA max_page_count = 100000")

    assert len(follower.look()) == 401


def test_thousands_of_folders(spool: Spool, frames: Path, follower: Follower) -> None:
    for number in range(3_000):
        shoot(frames, 1, 1, f"s{number}/take_1")

    assert len(follower.look()) == 3_000
    assert follower.look() == []
