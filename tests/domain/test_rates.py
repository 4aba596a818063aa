"""Frame rates are rationals, written and read exactly."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.rates import rate_of, rate_text


# The rates in use: film, European television, and the television rates that are no whole number (common practice).
@pytest.mark.parametrize("text", ["24/1", "25/1", "30/1", "24000/1001", "30000/1001"])
def test_the_usual_rates_are_kept_exactly(text: str) -> None:
    rate = rate_of(text)
    assert rate is not None
    assert rate_text(rate) == text


def test_twenty_five_frames_are_one_second_at_twenty_five() -> None:
    rate = rate_of("25/1")
    assert rate is not None
    assert 25 / rate == 1


def test_an_hour_has_exactly_the_frames_its_rate_says() -> None:
    # One hour at 24, 25 and 30: plain multiplication. At 30000/1001 the 107 892 labels of a drop-frame hour
    # (SMPTE ST 12-1, recomputed with the `timecode` package) end 3.6 ms before the hour does.
    hours = {"24/1": 86_400, "25/1": 90_000, "30/1": 108_000}
    assert {text: 3600 * (rate_of(text) or 0) for text in hours} == hours
    ntsc = rate_of("30000/1001")
    assert ntsc is not None
    assert 107_892 / ntsc - 3600 == Fraction(-36, 10_000)


@given(st.fractions(min_value=1, max_value=1000, max_denominator=999_999))
def test_a_rate_written_and_read_is_the_same(rate: Fraction) -> None:
    if rate.numerator <= 999_999:
        assert rate_of(rate_text(rate)) == rate


@pytest.mark.parametrize(
    "text",
    ["25", "25.0", "25/0", "0/1", "-25/1", "25/1 ", " 25/1", "25/1\n", "1/2", "1001/1", "2500000/1", "٢٥/1", "", "/"],
)
def test_what_is_no_rate_is_none(text: str) -> None:
    assert rate_of(text) is None
