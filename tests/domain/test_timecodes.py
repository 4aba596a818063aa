"""Timecode labels and frame numbers are each other's, at every rate, drop-frame exactly.

Drop-frame values are those of SMPTE ST 12-1, whose text was not at hand: the rule was read on davidheidelberger.com and
liquisearch.com, and every value is computed again here by the `timecode` package.
"""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from timecode.timecode import Timecode

from service.domain.timecodes import NoSuchLabel, Numbering

NTSC = Fraction(30_000, 1001)
DROP = Numbering(NTSC, drop_frame=True)
RATES = [Fraction(24), Fraction(25), Fraction(30), Fraction(24_000, 1001), NTSC, Fraction(50), Fraction(60_000, 1001)]


@pytest.mark.parametrize(
    ("frame", "label"),
    [
        (0, "00:00:00;00"),
        (1799, "00:00:59;29"),
        (1800, "00:01:00;02"),
        (17_981, "00:09:59;29"),
        (17_982, "00:10:00;00"),
        (107_892, "01:00:00;00"),
        (2_589_407, "23:59:59;29"),
    ],
)
def test_drop_frame_values_of_the_standard(frame: int, label: str) -> None:
    assert DROP.label(frame) == label
    assert DROP.frame(label) == frame
    assert Timecode("29.97", label).frame_number == frame


def test_a_drop_frame_day_has_as_many_frames_as_the_standard_says() -> None:
    assert DROP.day_frames == 2_589_408


@pytest.mark.parametrize("label", ["00:01:00;00", "00:01:00;01", "00:59:00;00", "10:09:00;01"])
def test_a_label_that_was_dropped_is_refused_with_the_one_to_write(label: str) -> None:
    with pytest.raises(NoSuchLabel, match=rf"no label {label}; the first of that minute is {label[:8]};02"):
        DROP.frame(label)
    # The outside check is wrong here: it takes the label for the frame of another one.
    assert Timecode("29.97", label).frame_number == DROP.frame(
        label[:3] + f"{int(label[3:5]) - 1:02}:59;{28 + int(label[-2:])}"
    )


@pytest.mark.parametrize("label", ["00:00:00;00", "00:10:00;00", "00:50:00;01", "00:01:01;00", "00:01:00;02"])
def test_a_label_beside_the_dropped_ones_is_kept(label: str) -> None:
    assert DROP.label(DROP.frame(label)) == label


@pytest.mark.parametrize(("rate", "frames"), [(24, 86_400), (25, 90_000), (30, 108_000)])
def test_an_hour_at_whole_rates(rate: int, frames: int) -> None:
    # Plain multiplication, and again by the `timecode` package.
    assert Numbering(Fraction(rate)).frame("01:00:00:00") == frames
    assert Timecode(str(rate), "01:00:00:00").frame_number == frames


@given(st.sampled_from(RATES), st.data())
def test_every_frame_of_the_day_has_a_label_of_its_own(rate: Fraction, data: st.DataObject) -> None:
    numbering = Numbering(rate)
    frame = data.draw(st.integers(0, numbering.day_frames - 2))
    label, after = numbering.label(frame), numbering.label(frame + 1)
    assert numbering.frame(label) == frame
    assert label < after


@given(st.sampled_from([NTSC, Fraction(60_000, 1001)]), st.data())
def test_every_drop_frame_label_stands_for_one_frame(rate: Fraction, data: st.DataObject) -> None:
    numbering = Numbering(rate, drop_frame=True)
    frame = data.draw(st.integers(0, numbering.day_frames - 2))
    label, after = numbering.label(frame), numbering.label(frame + 1)
    assert numbering.frame(label) == frame
    assert label < after
    seconds = sum(60**place * int(part) for place, part in enumerate(reversed(label[:8].split(":"))))
    # The point of dropping labels: about two frames away from the clock at most, and 86 ms at the end of the day.
    assert Fraction(-2, 10) < frame / rate - seconds < Fraction(12, 10)


@given(st.integers(0, DROP.day_frames - 1))
def test_drop_frame_labels_are_those_of_the_timecode_package(frame: int) -> None:
    outside = Timecode("29.97", frames=frame + 1)
    assert outside.drop_frame
    assert str(outside) == DROP.label(frame)


@given(st.sampled_from([24, 25, 30, 50, 60]), st.integers(0, 86_400 * 24 - 1))
def test_plain_labels_are_those_of_the_timecode_package(rate: int, frame: int) -> None:
    assert str(Timecode(str(rate), frames=frame + 1)) == Numbering(Fraction(rate)).label(frame)


@pytest.mark.parametrize(
    ("label", "rate", "message"),
    [
        ("00:00:00:25", Fraction(25), "the frames of 00:00:00:25 run from 0 to 24 at 25/1"),
        ("00:00:60:00", Fraction(25), "the seconds of 00:00:60:00 run from 0 to 59"),
        ("00:60:00:00", Fraction(25), "the minutes of"),
        ("24:00:00:00", Fraction(25), "the hours of 24:00:00:00 run from 0 to 23"),
        ("00:00:00:30", NTSC, "from 0 to 29 at 30000/1001"),
        ("00:00:00:24", Fraction(24_000, 1001), "from 0 to 23 at 24000/1001"),
        ("00:00:00:00", Fraction(120), "have 2 digits; at 120/1 they have 3"),
        ("00:00:00:000", Fraction(25), "have 3 digits"),
        ("1:00:00:00", Fraction(25), "is no timecode"),
        ("01:00:00.00", Fraction(25), "is no timecode"),
        ("".join(chr(0x660 + int(c)) if c.isdigit() else c for c in "01:00:00:00"), Fraction(25), "is no timecode"),
    ],
)
def test_a_field_out_of_range_is_named_with_its_range(label: str, rate: Fraction, message: str) -> None:
    with pytest.raises(NoSuchLabel, match=message):
        Numbering(rate).frame(label)


def test_fast_rates_have_three_digits() -> None:
    assert Numbering(Fraction(120)).label(119) == "00:00:00:119"
    assert Numbering(Fraction(100)).label(99) == "00:00:00:99"


@pytest.mark.parametrize("frame", [-1, 2_589_408])
def test_a_frame_outside_the_day_has_no_label(frame: int) -> None:
    with pytest.raises(ValueError, match="outside a day of 2589408 frames"):
        DROP.label(frame)


@pytest.mark.parametrize("rate", [24, 25, 30, Fraction(24_000, 1001), 60])
def test_drop_frame_is_refused_where_it_is_not_defined(rate: Fraction) -> None:
    # From memory: no drop-frame at 24 or 25.
    with pytest.raises(ValueError, match="30000/1001 and 60000/1001 alone"):
        Numbering(Fraction(rate), drop_frame=True)
