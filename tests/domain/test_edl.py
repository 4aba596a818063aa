"""Edit decision lists are read strictly: lengths from the record side, no line passed over, faults with their line.

The form is that of SMPTE ST 258:2004 by name; its text was not at hand, so what these lists look like is from memory.
"""

from fractions import Fraction

import pytest

from service.domain.cutlists import FindingKind, NameFrom
from service.domain.patterns import NamePattern
from service.domain.timecodes import Numbering
from tests.domain.lists import (
    FILM,
    NTSC,
    event,
    lengths,
    reading,
    refusal,
    refused,
    remarked,
    taken,
)

COMMENTS = reading(name_from=NameFrom.COMMENT)
DROP = Numbering(NTSC, drop_frame=True)
THREE = """TITLE: The Teapot Leaks
FCM: NON-DROP FRAME

001  q1       V     C        00:00:10:00 00:00:12:12 00:59:58:00 01:00:00:12
002  q2       V     C        00:00:10:00 00:00:13:00 01:00:00:12 01:00:03:12
003  q3       V     C        00:00:10:00 00:00:12:00 01:00:03:12 01:00:05:12
"""


@pytest.mark.parametrize(("rate", "frames"), [(25, [62, 75, 50]), (24, [60, 72, 48]), (30, [72, 90, 60])])
def test_the_same_list_is_of_other_lengths_at_another_rate(rate: int, frames: list[int]) -> None:
    # Plain arithmetic on the labels, recomputed for 25 and 24 with the `timecode` package.
    cut = taken(THREE, reading(Fraction(rate)))
    assert lengths(cut) == list(zip(["q1", "q2", "q3"], frames, strict=True))
    assert cut.title == "The Teapot Leaks"
    assert cut.drop_frame is False
    assert cut.findings == ()
    assert [use.line for use in cut.uses] == [4, 5, 6]
    assert cut.uses[0].record_in == 3598 * rate
    assert (cut.uses[0].source, cut.uses[0].source_in, cut.uses[0].source_frames) == ("q1", 10 * rate, frames[0])


def test_drop_frame_labels_are_counted_as_the_frames_they_are() -> None:
    """From …59;28 to …00;04 are four frames, not six: two labels between them do not exist (SMPTE ST 12-1)."""
    lines = [
        "FCM: DROP FRAME",
        "001 q1 V C 00:00:00;00 00:00:59;28 01:00:00;00 01:00:59;28",
        "002 q2 V C 00:00:00;00 00:00:00;04 01:00:59;28 01:01:00;04",
    ]
    cut = taken(lines, reading(NTSC))
    assert lengths(cut) == [("q1", 1798), ("q2", 4)]
    assert cut.uses[0].record_in == 107_892
    assert cut.drop_frame is True
    assert cut.findings == ()


@pytest.mark.parametrize("stated", [True, False])
def test_labels_say_drop_frame_by_a_semicolon_or_by_the_statement(stated: bool) -> None:  # noqa: FBT001 -- a parameter
    label = "01:00:00:00" if stated else "01:00:00;00"
    zero, four = ("00:00:00:00", "00:00:00:04") if stated else ("00:00:00;00", "00:00:00;04")
    end = label[:-2] + "04"
    lines = ["FCM: DROP FRAME"] * stated + [f"001 q1 V C {zero} {four} {label} {end}"]
    cut = taken(lines, reading(NTSC))
    assert (cut.drop_frame, cut.uses[0].record_in, cut.uses[0].frames) == (True, 107_892, 4)


def test_the_numbering_may_change_between_events() -> None:
    lines = [
        "FCM: NON-DROP FRAME",
        "001 q1 V C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00",
        "FCM: DROP FRAME",
        "002 q2 V C 00:00:00;00 00:00:01;00 01:00:04;18 01:00:05;18",
    ]
    cut = taken(lines, reading(NTSC))
    assert [(use.record_in, use.frames) for use in cut.uses] == [(108_000, 30), (108_030, 30)]
    assert cut.drop_frame is False
    assert cut.findings == ()


@pytest.mark.parametrize(
    ("rate", "lines", "line", "right"),
    [
        (NTSC, ["FCM: NON-DROP FRAME", "001 q1 V C 00:00:00;00 00:00:01;00 01:00:00;00 01:00:01;00"], 2, "write :"),
        (NTSC, ["001 q1 V C 00:00:00:00 00:00:01:00 01:00:00;00 01:00:01;00"], 1, "states neither"),
        (
            NTSC,
            [
                "001 q1 V C 00:00:00;00 00:00:01;00 01:00:00;00 01:00:01;00",
                "002 q1 V C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00",
            ],
            2,
            "states neither",
        ),
        (FILM, ["001 q1 V C 00:00:00;00 00:00:01;00 01:00:00;00 01:00:01;00"], 1, "not defined at 24/1"),
        (FILM, ["FCM: DROP FRAME", "001 q1 V C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00"], 1, "NON-DROP"),
    ],
)
def test_a_list_that_contradicts_itself_on_drop_frame_is_refused(
    rate: Fraction, lines: list[str], line: int, right: str
) -> None:
    found = [finding for finding in refusal(lines, reading(rate)) if finding.line == line and finding.fault]
    assert [finding.kind for finding in found] == [FindingKind.DROP_FRAME]
    assert right in found[0].detail


def test_a_dropped_label_is_refused_with_the_one_that_exists() -> None:
    lines = ["001 q1 V C 00:00:00;00 00:00:01;00 01:01:00;00 01:01:02;00"]
    (finding,) = refusal(lines, reading(NTSC))
    assert (finding.kind, finding.line) == (FindingKind.FIELD_OUT_OF_RANGE, 1)
    assert "the first of that minute is 01:01:00;02" in finding.detail


def test_every_field_out_of_range_is_found_at_once() -> None:
    lines = [
        "001 q1 V C 00:00:00:25 00:00:61:00 01:00:00:00 01:00:01:00",
        "002 q2 V C 00:00:00:00 00:00:01:00 25:00:01:00 01:60:02:00",
    ]
    found = refusal(lines)
    assert {finding.kind for finding in found} == {FindingKind.FIELD_OUT_OF_RANGE}
    assert [finding.detail.split(" of ")[0] for finding in found] == [
        "the frames", "the seconds", "the hours", "the minutes",
    ]  # fmt: skip
    assert "from 0 to 24 at 25/1" in found[0].detail


# Picture and sound.


@pytest.mark.parametrize(
    ("channels", "picture"),
    [
        ("V", True),
        ("V2", True),
        ("B", True),
        ("AA/V", True),
        ("VA1A2", True),
        ("A", False),
        ("A2", False),
        ("AA", False),
        ("NONE", False),
    ],
)
def test_picture_is_what_has_picture(channels: str, picture: bool) -> None:  # noqa: FBT001 -- a parameter
    lines = [event(1, "q1", (0, 50)), event(2, "q2", (50, 90), kind=f"{channels} C")]
    assert [use.shot for use in taken(lines).uses] == ["q1"] + ["q2"] * picture


def test_sound_under_the_same_number_is_no_second_use_and_takes_no_comment_away() -> None:
    lines = [
        event(1, "AX", (0, 50)),
        event(1, "AX", (0, 50), kind="A C"),
        "* FROM CLIP NAME: q1",
        event(2, "AX", (50, 80)),
        "* FROM CLIP NAME: q2",
        event(3, "AX", (50, 80), kind="A C"),
        "* FROM CLIP NAME: sound",
    ]
    cut = taken(lines, COMMENTS)
    assert lengths(cut) == [("q1", 50), ("q2", 30)]
    assert cut.findings == ()


# Names.


def test_a_reel_that_is_no_reel_names_no_shot() -> None:
    """AX stands for a source that is no reel (common practice): taken as a name, a whole list would be one shot."""
    (finding,) = refusal([event(1, "AX", (0, 50))])
    assert finding.kind is FindingKind.NO_NAME
    assert "AX" in finding.detail


@pytest.mark.parametrize(
    ("pattern", "reel"), [("bt_{shot}_v*", "BT_q1_v003"), ("{shot}.*", "q1.mov"), ("{shot}", "q1")]
)
def test_a_pattern_says_where_the_reel_has_the_code(pattern: str, reel: str) -> None:
    (use,) = taken([event(1, reel, (0, 50))], reading(pattern=pattern)).uses
    assert (use.shot, use.source) == ("q1", reel)


@pytest.mark.parametrize("reel", ["x", "bt_q1", "bt_q/1_v1"])
def test_a_reel_the_pattern_does_not_fit_is_refused_with_the_pattern(reel: str) -> None:
    (finding,) = refusal([event(1, reel, (0, 50))], reading(pattern="bt_{shot}_v*"))
    assert (finding.kind, finding.line) == (FindingKind.NO_NAME, 1)
    assert "the pattern is bt_{shot}_v*" in finding.detail


def test_a_reel_that_is_no_code_is_refused_with_the_rule() -> None:
    (finding,) = refusal([event(1, "mill/q1", (0, 50))])
    assert finding.kind is FindingKind.NO_NAME
    assert "1 to 64 characters" in finding.detail


@pytest.mark.parametrize(
    ("pattern", "comment"),
    [
        (None, "* FROM CLIP NAME:  q1"),
        (None, "*from clip name: q1"),
        ("* FROM CLIP NAME: bt_{shot}_v*", "* FROM CLIP NAME:  bt_q1_v12"),
        ("FROM CLIP NAME: bt_{shot}_v*", "* FROM CLIP NAME:  bt_q1_v12"),
        ("* shot {shot}, *", "* Shot q1, the quay at dawn"),
    ],
)
def test_a_comment_after_the_event_names_the_shot(pattern: str | None, comment: str) -> None:
    lines = ["* FROM CLIP NAME: belongs_to_none", event(1, "A001", (0, 50)), "* the first light", comment, "* soft"]
    cut = taken(lines, reading(name_from=NameFrom.COMMENT, pattern=pattern))
    assert [(use.shot, use.source) for use in cut.uses] == [("q1", "A001")]


def test_an_event_that_no_comment_names_is_refused() -> None:
    lines = [
        event(1, "A001", (0, 50)),
        "* FROM CLIP NAME: q1",
        event(2, "A001", (50, 90)),
        "* FROM CLIP NAME: the quay",
    ]
    assert refused(lines, COMMENTS) == [(FindingKind.NO_NAME, 3)]


def test_an_event_named_twice_is_refused_with_both_names() -> None:
    (finding,) = refusal([event(1, "A001", (0, 50)), "* FROM CLIP NAME: q1", "* FROM CLIP NAME: q2"], COMMENTS)
    assert (finding.kind, finding.line) == (FindingKind.TWO_NAMES, 1)
    assert "q1 and q2" in finding.detail
    assert (
        taken([event(1, "A001", (0, 50)), "* FROM CLIP NAME: q1", "* FROM CLIP NAME: q1"], COMMENTS).uses[0].shot
        == "q1"
    )


# Dissolves.


def dissolve(frames: int = 12, cut_reel: str = "q1", reel: str = "q2", *, kind: str = "D") -> list[str]:
    return [
        event(2, cut_reel, (50, 50), (300, 300)),
        event(2, reel, (50, 90), kind=f"V     {kind}    {frames:03}"),
    ]


@pytest.mark.parametrize("kind", ["D", "W001"])
def test_a_dissolve_needs_frames_of_the_shot_it_leaves(kind: str) -> None:
    cut = taken([event(1, "q1", (0, 50)), *dissolve(kind=kind)])
    assert [(use.shot, use.frames, use.extra_frames) for use in cut.uses] == [("q1", 50, 12), ("q2", 40, 0)]
    assert cut.findings == ()


def test_a_dissolve_without_its_cut_line_leaves_the_use_that_ends_there() -> None:
    cut = taken([event(1, "q1", (0, 50)), dissolve()[1]])
    assert [(use.shot, use.extra_frames) for use in cut.uses] == [("q1", 12), ("q2", 0)]
    assert cut.findings == ()


@pytest.mark.parametrize("black", ["BL", "BLK", "black"])
def test_a_dissolve_to_black_and_one_from_black(black: str) -> None:
    lines = [
        event(1, black, (0, 0)),
        event(1, "q1", (0, 50), kind="V D 020"),
        *dissolve(15, reel=black),
        event(3, "q3", (90, 120)),
    ]
    cut = taken(lines)
    assert [(use.shot, use.frames, use.extra_frames) for use in cut.uses] == [("q1", 50, 15), ("q3", 30, 0)]
    assert cut.findings == ()


def test_from_and_to_name_the_two_sides_of_a_dissolve() -> None:
    """Common practice; read without it the incoming shot would be taken for the outgoing one."""
    lines = [
        event(1, "AX", (0, 50)),
        "* FROM CLIP NAME: q1",
        *dissolve(cut_reel="AX", reel="AX"),
        "* FROM CLIP NAME: q1",
        "* TO CLIP NAME: q2",
    ]
    cut = taken(lines, COMMENTS)
    assert [(use.shot, use.frames, use.extra_frames) for use in cut.uses] == [("q1", 50, 12), ("q2", 40, 0)]
    prefixed = [line.replace("NAME: ", "NAME: bt_") for line in lines]
    pattern = reading(name_from=NameFrom.COMMENT, pattern="* FROM CLIP NAME: bt_{shot}")
    assert taken(prefixed, pattern) == cut
    assert refused(lines[:-1], COMMENTS) == [(FindingKind.NO_NAME, 4)]


def test_a_comment_between_the_two_lines_of_a_dissolve_names_what_is_left() -> None:
    cut_line, into = dissolve(cut_reel="AX", reel="AX")
    lines = [event(1, "AX", (0, 50)), "* shot q1", cut_line, "* shot q1", into, "* shot q2"]
    cut = taken(lines, reading(name_from=NameFrom.COMMENT, pattern="* shot {shot}"))
    assert [(use.shot, use.extra_frames) for use in cut.uses] == [("q1", 12), ("q2", 0)]


def test_of_pictures_over_each_other_the_one_the_cut_line_names_is_left() -> None:
    lines = [event(1, "q1", (0, 50)), event(1, "q7", (0, 50), kind="V2 C"), *dissolve()]
    cut = taken(lines)
    assert [(use.shot, use.extra_frames) for use in cut.uses] == [("q1", 12), ("q7", 0), ("q2", 0)]
    assert remarked(cut) == [(FindingKind.OVERLAP, 2)]


def test_of_two_uses_that_end_alike_the_one_listed_before_the_dissolve_is_left() -> None:
    lines = [event(1, "q1", (0, 50)), *dissolve(), event(3, "q1", (10, 50))]
    assert [(use.record_in, use.extra_frames) for use in taken(lines).uses] == [(0, 12), (50, 0), (10, 0)]


def test_of_two_dissolves_from_one_use_the_longer_counts() -> None:
    over = event(3, "q3", (50, 90), kind="V2 D 005")
    for lines in ([*dissolve(12), over], [over, *dissolve(12)]):
        assert taken([event(1, "q1", (0, 50)), *lines]).uses[0].extra_frames == 12


def test_after_a_dissolve_from_black_from_names_what_comes() -> None:
    lines = [event(1, "BL", (0, 0)), event(1, "AX", (0, 50), kind="V D 012"), "* FROM CLIP NAME: q1"]
    assert lengths(taken(lines, COMMENTS)) == [("q1", 50)]
    assert taken([*lines[:2], "* TO CLIP NAME: q1"], COMMENTS) == taken(lines, COMMENTS)


def test_a_list_in_the_order_of_its_reels_is_read_alike() -> None:
    lines = [*dissolve(), event(1, "q1", (0, 50))]
    assert [(use.shot, use.extra_frames) for use in taken(lines).uses] == [("q2", 0), ("q1", 12)]


def test_a_dissolve_from_a_shot_that_ends_elsewhere_is_refused() -> None:
    lines = [event(1, "q1", (0, 50)), *dissolve(cut_reel="q9")]
    (finding,) = refusal(lines)
    assert (finding.kind, finding.line) == (FindingKind.OUTGOING_ELSEWHERE, 3)
    assert "q9" in finding.detail
    moved = [event(1, "q1", (0, 50)), event(2, "q1", (49, 49)), dissolve()[1]]
    assert refused(moved) == [(FindingKind.OUTGOING_ELSEWHERE, 3)]


def test_a_dissolve_where_nothing_ends_is_said() -> None:
    cut = taken([event(1, "q1", (0, 40)), dissolve()[1]])
    assert remarked(cut) == [(FindingKind.DISSOLVE_FROM_NOTHING, 2), (FindingKind.GAP, 2)]
    assert [use.extra_frames for use in cut.uses] == [0, 0]


def test_a_dissolve_longer_than_its_event_is_refused() -> None:
    assert refused([event(1, "q1", (0, 50)), *dissolve(41)]) == [(FindingKind.FIELD_OUT_OF_RANGE, 3)]
    assert taken([event(1, "q1", (0, 50)), *dissolve(40)]).uses[0].extra_frames == 40


def test_a_line_of_no_length_without_its_dissolve_is_refused() -> None:
    first, cut_line = event(1, "q1", (0, 50)), event(2, "q1", (50, 50))
    assert refused([first, cut_line]) == [(FindingKind.NO_LENGTH, 2)]
    assert refused([first, cut_line, event(3, "q2", (50, 90), kind="V D 012")]) == [(FindingKind.NO_LENGTH, 2)]
    assert refused([first, cut_line, event(2, "q2", (50, 90))]) == [(FindingKind.NO_LENGTH, 2)]
    assert refused([first, event(2, "q2", (50, 50), kind="V D 000")]) == [(FindingKind.NO_LENGTH, 2)]


@pytest.mark.parametrize("key", ["K B", "K", "KB", "K O", "K 012", "K B 024"])
def test_a_key_is_refused_by_name(key: str) -> None:
    lines = [event(1, "q1", (0, 50)), event(2, "q2", (0, 50), kind=f"V {key}")]
    assert refused(lines) == [(FindingKind.KEY, 2)]


# Speed and freeze lines.


def test_with_a_speed_line_the_length_is_the_record_side() -> None:
    speed = "M2   q1       050.0                00:00:10:00"
    cut = taken([event(1, "q1", (0, 50), (250, 350)), speed, event(2, "q2", (50, 60), (0, 1)), "* FREEZE FRAME"])
    assert [(use.frames, use.source_frames, use.remarks) for use in cut.uses] == [
        (50, 100, (speed,)),
        (10, 1, ("* FREEZE FRAME",)),
    ]
    assert cut.findings == ()


@pytest.mark.parametrize("speed", ["M2 q1 000.0 00:00:10:00", "m2 q1 -012.5 00:00:10:00", "M2 25 00:00:10:00"])
def test_speed_lines_are_kept_word_for_word(speed: str) -> None:
    assert taken([event(1, "q1", (0, 50)), speed]).uses[0].remarks == (speed,)


@pytest.mark.parametrize("speed", ["M2", "M2 q1", "M2 q1 fast 00:00:10:00", "M2 q1 025.0 00:00:10", "M2 q1 025.0 now"])
def test_a_speed_line_of_another_form_is_refused(speed: str) -> None:
    assert refused([event(1, "q1", (0, 50)), speed]) == [(FindingKind.UNREADABLE_LINE, 2)]


def test_another_length_of_the_source_without_a_speed_line_is_said() -> None:
    cut = taken([event(1, "q1", (0, 50), (250, 301))])
    assert lengths(cut) == [("q1", 50)]
    assert remarked(cut) == [(FindingKind.LENGTHS_DIFFER, 1)]
    assert cut.findings[0].shot == "q1"


def test_after_a_dissolve_each_speed_line_goes_to_the_side_of_its_reel() -> None:
    first, second = "M2 q1 050.0 00:00:10:00", "M2 q2 012.5 00:00:10:00"
    lines = [event(1, "q1", (0, 50), (250, 350)), first, *dissolve(), first, second]
    assert [use.remarks for use in taken(lines).uses] == [(first,), (second,)]


def test_a_speed_line_of_no_picture_is_said() -> None:
    speed = "M2 q1 050.0 00:00:10:00"
    cut = taken(
        [speed, event(1, "q1", (0, 50)), event(2, "s1", (0, 50), kind="A C"), speed, event(3, "BL", (50, 60)), speed]
    )
    assert remarked(cut) == [(FindingKind.STATEMENT_UNUSED, line) for line in (1, 4, 6)]


# Panels, reuse, trims.


def test_panels_of_one_shot_are_one_use() -> None:
    lines = [event(1, "q1", (0, 20), (0, 20)), event(2, "q1", (20, 50), (20, 50)), event(3, "q2", (50, 60))]
    cut = taken(lines)
    assert [(use.shot, use.frames, use.source_in, use.source_frames, use.line) for use in cut.uses] == [
        ("q1", 50, 0, 50, 1),
        ("q2", 10, 250, 10, 3),
    ]
    assert cut.findings == ()


def test_panels_whose_source_sides_do_not_follow_each_other_lose_the_source_and_say_so_once() -> None:
    lines = [event(n, "q1", (20 * n, 20 * n + 20), (100, 120)) for n in range(1, 5)]
    (use,) = (cut := taken(lines)).uses
    assert (use.frames, use.source, use.source_in, use.source_frames) == (80, None, None, None)
    assert remarked(cut) == [(FindingKind.SOURCES_APART, 1)]


def test_a_shot_that_comes_again_is_a_second_use() -> None:
    lines = [event(1, "q1", (0, 40), (0, 40)), event(2, "q2", (40, 60)), event(3, "q1", (60, 100), (60, 100))]
    assert [(use.shot, use.record_in, use.source_in) for use in taken(lines).uses] == [
        ("q1", 0, 0),
        ("q2", 40, 250),
        ("q1", 60, 60),
    ]


def test_a_dissolve_between_two_pieces_of_one_shot_keeps_them_two_uses() -> None:
    cut = taken([event(1, "q1", (0, 50)), *dissolve(reel="q1")])
    assert [(use.shot, use.frames, use.extra_frames) for use in cut.uses] == [("q1", 50, 12), ("q1", 40, 0)]


def test_a_trimmed_head_shows_in_the_source_side() -> None:
    (use,) = taken([event(1, "q1", (0, 34), (266, 300))]).uses
    assert (use.source_in, use.source_frames, use.frames) == (266, 34, 34)


# The record side.


def test_overlap_and_gap_are_said_with_their_frames_and_nothing_moves() -> None:
    lines = [event(1, "q1", (0, 50)), event(2, "q2", (45, 90)), event(3, "q3", (100, 120))]
    cut = taken(lines)
    assert [(use.record_in, use.frames) for use in cut.uses] == [(0, 50), (45, 45), (100, 20)]
    assert [(f.kind, f.line, f.shot, f.detail.split()[0]) for f in cut.findings] == [
        (FindingKind.OVERLAP, 2, "q2", "5"),
        (FindingKind.GAP, 3, "q3", "10"),
    ]


def test_black_fills_a_gap() -> None:
    lines = [event(1, "q1", (0, 50)), event(2, "BL", (50, 60), (0, 10)), event(3, "q3", (60, 80))]
    cut = taken(lines)
    assert lengths(cut) == [("q1", 50), ("q3", 20)]
    assert cut.findings == ()


@pytest.mark.parametrize("sides", [((0, 50), (60, 10)), ((60, 10), (0, 50))])
def test_an_event_that_ends_before_it_begins_is_refused(sides: tuple[tuple[int, int], tuple[int, int]]) -> None:
    source, record = sides
    assert refused([event(1, "q1", record, source)]) == [(FindingKind.BACKWARDS, 1)]


def test_a_list_that_runs_past_midnight_is_refused() -> None:
    (finding,) = refusal(["001 q1 V C 00:00:00:00 00:00:01:00 23:59:59:12 00:00:00:12"])
    assert finding.kind is FindingKind.BACKWARDS
    assert "midnight" in finding.detail


def test_a_use_of_hours_is_refused() -> None:
    (finding,) = refusal([event(1, "q1", (0, 1_000_001))])
    assert finding.kind is FindingKind.FIELD_OUT_OF_RANGE
    assert "1000000" in finding.detail
    assert taken([event(1, "q1", (0, 1_000_000))]).uses[0].frames == 1_000_000


# Lines that are no events.


@pytest.mark.parametrize(
    "line",
    [
        "AUD  3   4",
        "SPLIT:    AUDIO DELAY=  00:00:01:00",
        "GPI 1 on",
        "EFFECTS NAME IS SOFT EDGE",
        "Version 2 of the list",
    ],
)
def test_statements_are_said_to_be_unused(line: str) -> None:
    cut = taken([line, event(1, "q1", (0, 50))])
    assert remarked(cut) == [(FindingKind.STATEMENT_UNUSED, 1)]
    assert lengths(cut) == [("q1", 50)]


def test_notes_and_empty_lines_say_nothing() -> None:
    cut = taken(["", "  ", "\t", ">>> SOURCE q1 00:00:10:00", event(1, "q1", (0, 50)), "* 00:00:10:00", "*", ""])
    assert cut.findings == ()


@pytest.mark.parametrize(
    "line",
    [
        "002",
        "002  q2 V C 00:00:00:00 00:00:01:00 00:00:02:00",
        "002  q2 V C 00:00:00:00 00:00:01:00 00:00:02:00 00:00:03:00 00:00:04:00",
        "002  q2 V D 00:00:00:00 00:00:01:00 00:00:02:00 00:00:03:00",
        "002  q2 V W 012 00:00:00:00 00:00:01:00 00:00:02:00 00:00:03:00",
        "002  q2 X C 00:00:00:00 00:00:01:00 00:00:02:00 00:00:03:00",
        "002  the quay V C 00:00:00:00 00:00:01:00 00:00:02:00 00:00:03:00",
        "2nd reel",
        "q2 V C 00:00:00:00 00:00:01:00 00:00:02:00 00:00:03:00",
        "see 1:00:00:00",
        "FCM: FILM",
        "* NUL \0 here",
        "quay\x1a",
        "* " + "x" * 1_000,
    ],
)
def test_a_line_that_may_have_been_an_event_is_refused(line: str) -> None:
    assert refused([event(1, "q1", (0, 50)), line]) == [(FindingKind.UNREADABLE_LINE, 2)]


@pytest.mark.parametrize(
    "lines", ["", "TITLE: nothing", "* nothing", event(1, "BL", (0, 50)), event(1, "q1", (0, 50), kind="A C")]
)
def test_a_list_without_a_shot_is_refused(lines: str) -> None:
    assert (FindingKind.NO_EVENT, 1) in refused(lines)


def test_the_second_title_is_said_to_be_unused() -> None:
    cut = taken(["TITLE: one", event(1, "q1", (0, 50)), "TITLE: two"])
    assert cut.title == "one"
    assert remarked(cut) == [(FindingKind.STATEMENT_UNUSED, 3)]
    assert taken(["TITLE:", event(1, "q1", (0, 50))]).title is None


def test_a_scene_comes_by_a_comment() -> None:
    cut = taken([event(1, "q1", (0, 50)), "* SCENE: 12 quay", "* SCENE: 13"])
    assert cut.uses[0].scene == "12 quay"
    assert remarked(cut) == [(FindingKind.SCENES_DIFFER, 3)]


def test_faults_and_remarks_come_together_in_the_order_of_the_lines() -> None:
    lines = ["AUD 3", event(1, "q1", (0, 50)), "2nd", event(2, "q2", (60, 90)), "GPI", event(3, "AX", (90, 95))]
    assert refused(lines) == [
        (FindingKind.STATEMENT_UNUSED, 1),
        (FindingKind.UNREADABLE_LINE, 3),
        (FindingKind.GAP, 4),
        (FindingKind.STATEMENT_UNUSED, 5),
        (FindingKind.NO_NAME, 6),
    ]


def test_a_shot_called_by_a_pattern_is_called_by_its_code() -> None:
    how = reading(pattern="{shot}_*")
    assert how.name_pattern == NamePattern.of("{shot}_*")
    assert taken([event(1, "cafe\u0301_1", (0, 50))], how).uses[0].shot == "caf\u00e9"


def test_drop_frame_lists_have_the_frames_their_labels_stand_for() -> None:
    sides = [(0, 1790), (1790, 1805), (1805, 20_000)]
    lines = [
        event(number, f"q{number}", side, (0, side[1] - side[0]), numbering=DROP) for number, side in enumerate(sides)
    ]
    cut = taken(lines, reading(NTSC))
    assert [(use.record_in, use.record_out) for use in cut.uses] == sides
    assert cut.findings == ()
