"""Folders: a frame once however many files it has; what is temporary, empty, away."""

import os
from pathlib import Path

import pytest

from service.terminal.folders import Folder, examples, temporary
from service.terminal.patterns import FramePattern, Series
from service.terminal.troubles import FolderAway

PATTERN = FramePattern.of("{shot}/take_{take}/*/*{frame}.*")


def put(folder: Path, *paths: str, content: bytes = b"frame") -> None:
    for path in paths:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)


def totals(folder: Folder) -> dict[tuple[str, int], int]:
    return {(series.shot, series.take): len(found.frames) for series, found in folder.look().found.items()}


def test_a_frame_counts_once_however_many_files_it_lands_as(tmp_path: Path) -> None:
    put(tmp_path, *(f"s1/take_1/raw/{number:04}.raw" for number in range(1, 13)))
    put(tmp_path, *(f"s1/take_1/small/x_{number}.jpg" for number in range(5, 15)))
    put(tmp_path, "s1/take_2/raw/0001.raw", "s2/take_1/raw/0001.raw", "notes.txt", "s1/notes/take.txt")

    assert totals(Folder(tmp_path, PATTERN)) == {("s1", 1): 14, ("s1", 2): 1, ("s2", 1): 1}


def test_where_the_pattern_names_a_pass_each_is_counted_by_itself(tmp_path: Path) -> None:
    put(tmp_path, "s1/lamp/1.png", "s1/lamp/2.png", "s1/dark/1.png")

    found = Folder(tmp_path, FramePattern.of("{shot}/{pass}/{frame}.*")).look().found

    assert {series.pass_: len(each.frames) for series, each in found.items()} == {"lamp": 2, "dark": 1}


@pytest.mark.parametrize(
    "name",
    [".0001.png", "~0001.png", "$0001.png", "0001.png~", "0001.png.tmp", "0001.PNG.TMP", "0001.part", "0001.partial"],
)
def test_a_temporary_file_is_no_frame(tmp_path: Path, name: str) -> None:
    assert temporary(name)
    put(tmp_path, f"s1/take_1/raw/{name}", "s1/take_1/raw/0002.png", ".trash/take_1/raw/0003.png")

    assert totals(Folder(tmp_path, PATTERN)) == {("s1", 1): 1}


def test_an_empty_file_is_a_frame_as_soon_as_something_is_in_it(tmp_path: Path) -> None:
    folder = Folder(tmp_path, PATTERN)
    put(tmp_path, "s1/take_1/raw/0001.png")
    put(tmp_path, "s1/take_1/raw/0002.png", content=b"")
    assert totals(folder) == {("s1", 1): 1}

    put(tmp_path, "s1/take_1/raw/0002.png")

    assert totals(folder) == {("s1", 1): 2}


def test_a_folder_called_like_a_frame_is_none(tmp_path: Path) -> None:
    (tmp_path / "s1/take_1/raw/0001.png").mkdir(parents=True)

    assert totals(Folder(tmp_path, PATTERN)) == {}


def test_deletions_and_new_numbers_are_seen(tmp_path: Path) -> None:
    folder = Folder(tmp_path, PATTERN)
    put(tmp_path, *(f"s1/take_1/raw/{number:04}.png" for number in range(1, 61)))
    assert totals(folder) == {("s1", 1): 60}

    for number in range(45, 53):
        (tmp_path / f"s1/take_1/raw/{number:04}.png").unlink()
    for number in range(53, 61):
        (tmp_path / f"s1/take_1/raw/{number:04}.png").rename(tmp_path / f"s1/take_1/raw/{number - 8:04}.png")

    (found,) = folder.look().found.values()
    assert found.frames == set(range(1, 53))


def test_a_folder_that_is_not_there_is_away_and_found_again(tmp_path: Path) -> None:
    folder = Folder(tmp_path / "share", PATTERN)
    with pytest.raises(FolderAway, match="share"):
        folder.look()

    put(tmp_path, "share/s1/take_1/raw/0001.png")

    assert totals(folder) == {("s1", 1): 1}


def test_a_look_says_that_it_could_not_look_everywhere(tmp_path: Path, failing: set[Path]) -> None:
    put(tmp_path, "s1/take_1/raw/0001.png", "s2/take_1/raw/0001.png")
    folder = Folder(tmp_path, PATTERN)
    assert folder.look().whole

    failing.add(tmp_path / "s2" / "take_1")
    look = folder.look()

    assert ({series.shot for series in look.found}, look.whole) == ({"s1"}, False)
    assert "s2/take_1" not in look.folders


def test_what_lies_there_is_as_old_as_its_newest_file_or_folder(tmp_path: Path) -> None:
    put(tmp_path, "s1/take_1/raw/0001.png", "s1/take_1/raw/0002.png")
    raw = tmp_path / "s1/take_1/raw"
    os.utime(raw / "0001.png", (1_000, 1_000))
    os.utime(raw / "0002.png", (2_000, 2_000))
    os.utime(raw, (3_000, 3_000))
    folder = Folder(tmp_path, PATTERN)

    assert folder.look().found[Series("s1")].newest_s == 3_000.0
    assert folder.look().found[Series("s1")].newest_s == 3_000.0


def test_an_example_is_the_first_file_that_is_meant_to_last(tmp_path: Path) -> None:
    put(tmp_path, "b/.hidden", "b/0002.png", "b/0001.png", ".a/0001.png")

    assert list(examples(tmp_path)) == ["b/0001.png"]
    assert list(examples(tmp_path / "nowhere")) == []
