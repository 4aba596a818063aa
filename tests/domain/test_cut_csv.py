"""Tables: the shortest is what a coordinator types, and every row that is wrong says what would be right."""

import pytest

from service.domain.cutlists import FindingKind, ListFormat, Use
from tests.domain.lists import NTSC, lengths, reading, refusal, refused, remarked, taken

CSV = reading(form=ListFormat.CSV)


def test_the_shortest_table_runs_on_from_the_beginning() -> None:
    cut = taken("shot,frames\nq1,62\nq2,75\n\nq3,50\n", CSV)
    assert [(use.shot, use.record_in, use.frames, use.line) for use in cut.uses] == [
        ("q1", 0, 62, 2),
        ("q2", 62, 75, 3),
        ("q3", 137, 50, 5),
    ]
    assert (cut.findings, cut.title, cut.drop_frame) == ((), None, False)


def test_a_table_in_any_order_with_semicolons_as_spreadsheets_of_other_countries_write_it() -> None:
    text = (
        "\ufeffScene;Record_Out; record_in ;SHOT;source;source_in;source_out;extra_frames;remarks\r\n"
        'quay;01:00:00:12;00:59:58:00;q1;A001;00:00:10:00;00:00:12:12;12;"M2 A001 025.0 00:00:10:00'
        '\r\nsoft; at the end"\r\n'
        ";;;;;;;;\r\n"
        ";01:00:03:12;01:00:00:12;q2;;;;;\r\n"
    )
    cut = taken(text, CSV)
    assert cut.uses[0] == Use(
        shot="q1",
        record_in=89_950,
        frames=62,
        source="A001",
        source_in=250,
        source_frames=62,
        extra_frames=12,
        scene="quay",
        remarks=("M2 A001 025.0 00:00:10:00", "soft; at the end"),
        line=2,
    )
    assert [(use.shot, use.frames, use.line) for use in cut.uses] == [("q1", 62, 2), ("q2", 75, 5)]


def test_a_row_without_record_labels_follows_the_one_before() -> None:
    cut = taken("shot,frames,record_in,record_out\nq1,,01:00:00:00,01:00:01:00\nq2,10,,\n", CSV)
    assert [(use.record_in, use.frames) for use in cut.uses] == [(90_000, 25), (90_025, 10)]


def test_rows_of_one_shot_that_follow_each_other_are_one_use() -> None:
    assert lengths(taken("shot,frames\nq1,20\nq1,30\nq2,5\nq1,6\n", CSV)) == [("q1", 50), ("q2", 5), ("q1", 6)]


def test_a_table_at_a_drop_frame_rate_is_what_its_labels_say() -> None:
    text = "shot,record_in,record_out\nq1,00:00:59;28,00:01:00;04\n"
    assert lengths(taken(text, reading(NTSC, form=ListFormat.CSV))) == [("q1", 4)]
    assert lengths(taken(text.replace(";", ":"), reading(NTSC, form=ListFormat.CSV))) == [("q1", 6)]


@pytest.mark.parametrize(
    ("text", "kind", "line", "right"),
    [
        ("", FindingKind.MISSING_COLUMN, 1, "shot"),
        ("frames\n5\n", FindingKind.MISSING_COLUMN, 1, "shot"),
        ("shot\nq1\n", FindingKind.MISSING_COLUMN, 1, "frames, or record_in and record_out"),
        ("shot,record_in\nq1,00:00:00:00\n", FindingKind.MISSING_COLUMN, 1, "record_in and record_out"),
        ("shot,frames,length\nq1,5,5\n", FindingKind.UNKNOWN_COLUMN, 1, "extra_frames"),
        ("shot,frames,\nq1,5,\n", FindingKind.UNKNOWN_COLUMN, 1, "there are shot"),
        ("shot,frames,shot\nq1,5,q1\n", FindingKind.REPEATED_COLUMN, 1, "'shot'"),
        ("shot,frames\n", FindingKind.NO_EVENT, 1, "at least one"),
        ("shot,frames\nq1\n", FindingKind.UNREADABLE_LINE, 2, "1 cells under 2 columns"),
        ("shot,frames\nq1,5,6\n", FindingKind.UNREADABLE_LINE, 2, "3 cells under 2 columns"),
        ('shot,frames\n"q1"x,5\n', FindingKind.UNREADABLE_LINE, 2, "doubled"),
        ('shot,frames\nq1,5\n"q2,5\n', FindingKind.UNREADABLE_LINE, 3, "doubled"),
        ("shot,frames\n,5\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "1 to 64 characters"),
        ("shot,frames\nq 1,5\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "1 to 64 characters"),
        ("shot,frames\nq1,0\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "from 1 to 1000000"),
        ("shot,frames\nq1,5.0\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "from 1 to 1000000"),
        ("shot,frames\nq1,1000001\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "from 1 to 1000000"),
        ("shot,frames\nq1,\u0665\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "from 1 to 1000000"),
        ("shot,frames\nq1,\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "a row has frames, or"),
        ("shot,frames,extra_frames\nq1,5,-1\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "from 0 to 1000000"),
        ('shot,frames,scene\nq1,5,"a\nb"\n', FindingKind.FIELD_OUT_OF_RANGE, 2, "line break"),
        ("shot,frames,scene\nq1,5,a\0b\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "U+0000"),
        ("shot,record_in,record_out\nq1,00:00:00:00,00:00:00:00\n", FindingKind.NO_LENGTH, 2, "at least one"),
        ("shot,record_in,record_out\nq1,00:00:01:00,00:00:00:00\n", FindingKind.BACKWARDS, 2, "midnight"),
        ("shot,record_in,record_out\nq1,00:00:01:00,\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "come together"),
        ("shot,record_in,record_out\nq1,00:00:00:00,5\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "hh:mm:ss:ff"),
        ("shot,record_in,record_out\nq1,00:00:00:00,00:00:00:25\n", FindingKind.FIELD_OUT_OF_RANGE, 2, "0 to 24"),
        ("shot,record_in,record_out\nq1,00:00:00;00,00:00:01;00\n", FindingKind.DROP_FRAME, 2, "not defined at 25/1"),
        (
            "shot,frames,source_in,source_out\nq1,25,00:00:00:00,00:00:01:00\n",
            FindingKind.FIELD_OUT_OF_RANGE,
            2,
            "reel",
        ),
        (
            "shot,frames,record_in,record_out\nq1,24,00:00:00:00,00:00:01:00\n",
            FindingKind.LENGTHS_DISAGREE,
            2,
            "25 from record_in",
        ),
    ],
)
def test_a_table_that_cannot_be_taken_says_what_would_be_right(
    text: str, kind: FindingKind, line: int, right: str
) -> None:
    found = [finding for finding in refusal(text, CSV) if finding.fault]
    assert [(finding.kind, finding.line) for finding in found] == [(kind, line)]
    assert right in found[0].detail


def test_labels_of_two_kinds_in_a_table_contradict_each_other() -> None:
    text = "shot,record_in,record_out\nq1,00:00:00:00,00:00:01:00\nq2,00:00:01;00,00:00:02;00\n"
    assert refused(text, reading(NTSC, form=ListFormat.CSV)) == [(FindingKind.DROP_FRAME, 3)]


def test_panels_keep_the_reel_they_share_and_the_scene_one_of_them_names() -> None:
    cut = taken("shot,frames,source,scene\nq1,20,A001,\nq1,30,A001,quay\nq1,5,A001,mill\n", CSV)
    assert [(use.frames, use.source, use.source_in, use.scene) for use in cut.uses] == [(55, "A001", None, "quay")]
    assert remarked(cut) == [(FindingKind.SCENES_DIFFER, 4)]


def test_panels_of_which_one_has_no_source_side_lose_it_and_say_so() -> None:
    head = "shot,frames,source,source_in,source_out\nq1,25,A001,00:00:00:00,00:00:01:00\n"
    for row in ("q1,25,A001,,\n", "q1,25,,,\n", "q1,25,A002,00:00:01:00,00:00:02:00\n"):
        cut = taken(head + row, CSV)
        assert [(use.frames, use.source, use.source_in, use.source_frames) for use in cut.uses] == [
            (50, None, None, None)
        ]
        assert remarked(cut) == [(FindingKind.SOURCES_APART, 2)]
