"""An edit decision list is written in lines of the standard, and in comments of our own where it has no place."""

from dataclasses import replace

import pytest

from service.domain.cutlists import CutList, ListFormat, NameFrom, Use, write
from tests.domain.lists import EUROPE, NTSC, reading, taken

COMMENTS = reading(name_from=NameFrom.COMMENT)


def use(shot: str, record_in: int, frames: int, extra_frames: int = 0, *, source: str | None = "A001") -> Use:
    """A use whose source side, on one reel, begins where the record side does."""
    known = source is not None
    return Use(
        shot=shot,
        record_in=record_in,
        frames=frames,
        source=source,
        source_in=record_in if known else None,
        source_frames=frames if known else None,
        extra_frames=extra_frames,
        line=1,
    )


def cut(*uses: Use) -> CutList:
    return CutList(frame_rate=EUROPE, drop_frame=False, title=None, uses=uses, findings=())


def written(*uses: Use) -> list[str]:
    """The lines, which read back as the same."""
    text = write(cut(*uses), ListFormat.EDL)
    assert taken(text, COMMENTS) == cut(*uses)
    return text.splitlines()


def test_a_dissolve_is_a_cut_line_of_no_length_and_the_event_it_goes_to() -> None:
    assert written(use("q1", 0, 25, 12), use("q2", 25, 12)) == [
        "FCM: NON-DROP FRAME",
        "001  A001     V     C        00:00:00:00 00:00:01:00 00:00:00:00 00:00:01:00",
        "* FROM CLIP NAME: q1",
        "002  A001     V     C        00:00:01:00 00:00:01:00 00:00:01:00 00:00:01:00",
        "002  A001     V     D    012 00:00:01:00 00:00:01:12 00:00:01:00 00:00:01:12",
        "* FROM CLIP NAME: q1",
        "* TO CLIP NAME: q2",
    ]


@pytest.mark.parametrize("after", [(), (use("q2", 30, 25),), (use("q2", 10, 25),)])
def test_where_nothing_follows_directly_the_dissolve_is_into_black(after: tuple[Use, ...]) -> None:
    lines = written(use("q1", 0, 25, 12), *after)
    assert lines[3:6] == [
        "002  A001     V     C        00:00:01:00 00:00:01:00 00:00:01:00 00:00:01:00",
        "002  BL       V     D    012 00:00:00:00 00:00:00:12 00:00:01:00 00:00:01:12",
        "* FROM CLIP NAME: q1",
    ]


@pytest.mark.parametrize(
    "uses",
    [
        (use("q1", 0, 25, 13), use("q2", 25, 12)),
        (use("q1", 0, 25, 1000), use("q2", 25, 2000)),
        (use("q1", 2_159_900, 90, 12),),
    ],
    ids=["longer than what follows", "more than three digits", "past midnight"],
)
def test_extra_frames_no_dissolve_can_say_stand_in_a_comment(uses: tuple[Use, ...]) -> None:
    lines = written(*uses)
    assert lines[3] == f"* EXTRA FRAMES: {uses[0].extra_frames}"
    assert not [line for line in lines if " D " in line]


def test_what_the_standard_has_no_place_for_stands_in_comments() -> None:
    odd = replace(use("q1", 0, 25), source="the quay, reel 2", scene="quay", remarks=("soft", "* FREEZE FRAME"))
    assert written(odd, use("q2", 25, 25, source=None)) == [
        "FCM: NON-DROP FRAME",
        "001  REEL     V     C        00:00:00:00 00:00:01:00 00:00:00:00 00:00:01:00",
        "* FROM CLIP NAME: q1",
        "* SOURCE REEL: the quay, reel 2",
        "* SCENE: quay",
        "* REMARK: soft",
        "* FREEZE FRAME",
        "002  q2       V     C        00:00:00:00 00:00:01:00 00:00:01:00 00:00:02:00",
        "* FROM CLIP NAME: q2",
        "* NO SOURCE",
    ]


def test_a_shot_or_reel_called_like_black_is_none() -> None:
    assert written(use("BL", 0, 25, source=None), use("q2", 25, 25, source="black"))[1].startswith("001  REEL ")


def test_a_speed_line_stays_one_unless_it_would_be_taken_for_that_of_the_picture_left() -> None:
    speed = "M2   A001  050.0  00:00:10:00"
    first = use("q1", 0, 25, 12)
    other = replace(use("q2", 25, 25, source="A002"), remarks=(speed,))
    assert written(first, other)[-1] == f"* REMARK: {speed}"
    assert written(replace(first, extra_frames=0), other)[-1] == speed
    assert written(first, replace(other, source="A001"))[-1] == speed


def test_drop_frame_is_stated_and_marked() -> None:
    drop = CutList(frame_rate=NTSC, drop_frame=True, title="The Teapot Leaks", uses=(use("q1", 1790, 20),), findings=())
    text = write(drop, ListFormat.EDL)
    assert text.splitlines()[:3] == [
        "TITLE: The Teapot Leaks",
        "FCM: DROP FRAME",
        "001  A001     V     C        00:00:59;20 00:01:00;12 00:00:59;20 00:01:00;12",
    ]
    assert taken(text, reading(NTSC, NameFrom.COMMENT)) == drop
