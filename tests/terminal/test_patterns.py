"""Patterns: which frame a file is, what no pattern can be, and how one is made from an example."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.terminal.enrolment import is_code
from service.terminal.patterns import FramePattern, Series, below, marked
from service.terminal.troubles import MarkUnclear, PatternUnclear


@pytest.mark.parametrize(
    ("pattern", "path", "expected"),
    [
        ("{shot}/{frame}.png", "e1-quay-1/0014.png", (Series("e1-quay-1"), 14)),
        ("{shot}/take_{take}/{frame}.*", "e1-quay-1/take_02/0014.cr", (Series("e1-quay-1", 2), 14)),
        ("{shot}/{camera}/{pass}/{frame}.*", "s1/wide/lamp.on/7.x", (Series("s1", 1, "wide", "lamp.on"), 7)),
        ("*/{shot}_t{take}_{frame}.*", "monday/e1_quay_t3_0001.png", (Series("e1_quay", 3), 1)),
        ("{shot}/*{frame}.*", "s1/img0009.jpg", (Series("s1"), 9)),
        ("{shot}/*{frame}.*", "s1/10b0010.jpg", (Series("s1"), 10)),
        ("{shot}/{frame}*", "s1/0010", (Series("s1"), 10)),
        ("{shot}/{frame}*", "s1/0010_b2.jpg", (Series("s1"), 10)),
        # Letters match in either case, as file systems may have changed it; what stands twice is the same twice.
        ("{shot}/Take{take}/{shot}-{take}-{frame}.PNG", "Mill/take03/MILL-3-4.png", (Series("Mill", 3), 4)),
        # é as two characters, as some file systems write it, and as one.
        ("{shot}/{frame}.png", "caf\u0065\u0301/1.png", (Series("café"), 1)),
        ("{shot}\\{frame}.png", "s1/1.png", (Series("s1"), 1)),
        ("cam1{frame}_{shot}.png", "cam10007_s1.png", (Series("s1"), 7)),
    ],
)
def test_a_path_says_whose_frame_it_is(pattern: str, path: str, expected: tuple[Series, int]) -> None:
    assert FramePattern.of(pattern).frame_of(path) == expected


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("{shot}/take_{take}/{frame}.png", "s1/take_02/0001.jpg"),
        ("{shot}/take_{take}/{frame}.png", "s1/take_02/0001.png/x"),
        ("{shot}/take_{take}/{frame}.png", "s1/take_x/0001.png"),
        ("{shot}/take_{take}/{frame}.png", "s1/take_0/0001.png"),
        ("{shot}/take_{take}/{frame}.png", "s1/take_10000/0001.png"),
        ("{shot}/{shot}_{frame}.png", "s1/s2_0001.png"),
        ("{shot}_{take}/{take}_{frame}.png", "s1_2/3_0001.png"),
        ("{shot}/{frame}.png", "a b/0001.png"),
        # A run of digits is one number.
        ("{shot}/x*{frame}.png", "s1/x1234567890123.png"),
        # An asterisk does not reach into the next folder.
        ("*/{shot}/{frame}.png", "a/b/s1/1.png"),
    ],
)
def test_a_path_that_does_not_fit_is_no_frame(pattern: str, path: str) -> None:
    assert FramePattern.of(pattern).frame_of(path) is None


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("{shot}/x.png", "has no {frame}"),
        ("{take}/{frame}.png", "has no {shot}"),
        ("{frame}/{shot}.png", "in the name of the file"),
        ("{scene}/{shot}/{frame}.png", "knows no {scene}"),
        ("{shot}{take}/{frame}.png", "Between {shot} and {take} something must stand"),
        ("*{shot}/{frame}.png", "Between * and {shot}"),
        ("{take}{frame}_{shot}", "Between {take} and {frame}"),
        ("**/{shot}/{frame}.png", "Between * and *"),
        ("/{shot}/{frame}.png", "an empty name"),
        ("../{shot}/{frame}.png", "leads out of the folder"),
        ("{shot/{frame}.png", "without its other half"),
        ("x" * 401, "401 characters"),
        ("{shot}/{frame}" + ".*" * 9, "more than 8 times"),
    ],
)
def test_what_no_pattern_can_be_is_said_with_what_would_be_right(pattern: str, said: str) -> None:
    with pytest.raises(PatternUnclear) as refused:
        FramePattern.of(pattern)
    assert said in str(refused.value)
    assert "{shot}/take_{take}" in str(refused.value)


CODES = st.from_regex(r"[a-z0-9_][a-z0-9_.\-]{0,20}", fullmatch=True)


@given(shot=CODES, take=st.integers(1, 9999), camera=CODES, frame=st.integers(0, 99_999), width=st.integers(1, 6))
def test_what_is_written_by_a_pattern_is_read_by_it(shot: str, take: int, camera: str, frame: int, width: int) -> None:
    assert is_code(shot)
    path = f"{shot}/take {take:02}/{camera}/{shot} {frame:0{width}}.png"

    read = FramePattern.of("{shot}/take {take}/{camera}/{shot} {frame}.*").frame_of(path)

    assert read == (Series(shot, take, camera), frame)


EXAMPLE = "e1-quay-1/take_02/wide/e1-quay-1_t02_0001.png"
MARKS = ["shot=e1-quay-1", "take=02", "camera=wide", "frame=0001"]


def test_an_example_shows_the_pattern() -> None:
    pattern = marked(EXAMPLE, MARKS)

    assert pattern == "{shot}/take_{take}/{camera}/{shot}_t{take}_{frame}.*"
    assert FramePattern.of(pattern).frame_of(EXAMPLE) == (Series("e1-quay-1", 2, "wide"), 1)


@pytest.mark.parametrize(
    ("example", "marks", "pattern"),
    [
        ("s1/1/1.png", ["shot=s1", "take=1@1", "frame=1@1"], "{shot}/{take}/{frame}.*"),
        ("s1/1/1.png", ["shot=s1", "frame=1@2"], "{shot}/1/{frame}.*"),
        ("20261125/s1_0001", ["shot=s1", "frame=0001", "any=20261125"], "*/{shot}_{frame}"),
        ("s1/x12/0012.a.png", ["shot=s1", "frame=0012"], "{shot}/x12/{frame}.a.*"),
        ("mail@2/s1/7.png", ["shot=s1", "frame=7"], "mail@2/{shot}/{frame}.*"),
    ],
)
def test_places_are_told_apart(example: str, marks: list[str], pattern: str) -> None:
    assert marked(example, marks) == pattern


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        (["shot=quay-2"], "does not stand by itself"),
        (["camera=wid"], "does not stand by itself"),
        (["take=take_02"], "mark take=02"),
        (["take=two"], "is no whole number"),
        (["scene=quay"], "the names are shot, take"),
        (["shot="], "marks nothing"),
        (["take=02@3"], "3 times, but 2"),
    ],
)
def test_a_mark_that_cannot_be_found_is_said(marks: list[str], said: str) -> None:
    with pytest.raises(MarkUnclear, match=re.escape(said)):
        marked(EXAMPLE, marks)


@pytest.mark.parametrize(
    ("folder", "path", "windows", "expected"),
    [
        ("C:\\Frames", "C:\\Frames\\s1\\take_02\\0001.png", True, "s1/take_02/0001.png"),
        ("c:\\frames", "C:\\Frames\\s1\\0001.png", True, "s1/0001.png"),
        ("\\\\store\\frames", "\\\\store\\frames\\s1\\0001.png", True, "s1/0001.png"),
        ("C:\\Frames", "s1\\0001.png", True, "s1/0001.png"),
        ("/frames", "/frames/s1/0001.png", False, "s1/0001.png"),
        ("/frames", "s1/0001.png", False, "s1/0001.png"),
    ],
)
def test_an_example_lies_below_the_folder(folder: str, path: str, windows: bool, expected: str) -> None:  # noqa: FBT001 - a case
    assert below(folder, path, windows=windows) == expected


@pytest.mark.parametrize(
    ("folder", "path", "windows"), [("C:\\Frames", "D:\\s1\\1.png", True), ("/frames", "/other/s1/1.png", False)]
)
def test_an_example_elsewhere_is_refused(folder: str, path: str, windows: bool) -> None:  # noqa: FBT001 - a case
    with pytest.raises(MarkUnclear, match="does not lie in the folder"):
        below(folder, path, windows=windows)
