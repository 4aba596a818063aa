"""What the door makes of a post: when it was captured, whether it counts, and where."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.counts import (
    CountConflict,
    Counted,
    DecisionNotAllowed,
    DoorFacts,
    Echo,
    Kept,
    Known,
    OtherProduction,
    Post,
    Refused,
    Repeated,
    Target,
    TimeBasis,
    Unmatched,
    capture_time,
    judge,
)
from service.domain.shots import Part
from service.domain.takes import Outcome, Purpose
from tests.domain.shooting import plan_of

RECEIVED = datetime(2026, 3, 2, 15, tzinfo=UTC)
HERE, THERE = 1, 2
POST = Post(serial=1, spool="one", production="pond", shot="010", take=1, captures_total=40)
INSTANTS = st.datetimes(
    timezones=st.one_of(
        st.just(UTC), st.integers(-1439, 1439).map(lambda minutes: timezone(timedelta(minutes=minutes)))
    )
)


def facts(**more: Any) -> DoorFacts:  # noqa: ANN401 -- any field of the facts
    shots: dict[str, dict[str, Any]] = {
        "010": {"parts": (Part("", HERE),)},
        "020": {"parts": (Part("", THERE),)},
        "030": {"omitted": True},
        "040": {},
    }
    targets = {
        ("pond", code): Target(number, plan_of({"cut_frames": 96, **words}))
        for number, (code, words) in enumerate(shots.items(), start=1)
    }
    usual: dict[str, Any] = {
        "stage_id": HERE,
        "terminals_may_decide": False,
        "known": {},
        "targets": targets,
        "productions": frozenset({"pond"}),
    }
    return DoorFacts(**(usual | more))


def test_a_terminal_seventy_minutes_fast_is_put_right_by_its_sending_time() -> None:
    fast = timedelta(minutes=70)
    captured = RECEIVED - timedelta(hours=6)
    post = replace(POST, at=captured + fast)

    time = capture_time(post, sent_at=RECEIVED + fast, received_at=RECEIVED)

    assert (time.captured_at, time.basis, time.adjusted) == (captured, TimeBasis.SENT_AT, True)


def test_the_age_of_a_capture_is_believed_before_any_wall_clock() -> None:
    post = replace(POST, at=RECEIVED + timedelta(minutes=70), age_s=90.0)

    time = capture_time(post, sent_at=RECEIVED + timedelta(days=1), received_at=RECEIVED)

    assert (time.captured_at, time.basis) == (RECEIVED - timedelta(seconds=90), TimeBasis.AGE)
    assert time.adjusted


def test_a_bare_clock_in_the_future_is_cut_at_receipt_and_marked() -> None:
    time = capture_time(replace(POST, at=RECEIVED + timedelta(minutes=70)), sent_at=None, received_at=RECEIVED)
    assert (time.captured_at, time.basis, time.adjusted) == (RECEIVED, TimeBasis.AT, True)


def test_a_bare_clock_in_the_past_is_taken_as_it_is() -> None:
    captured = RECEIVED - timedelta(hours=6)
    time = capture_time(replace(POST, at=captured), sent_at=None, received_at=RECEIVED)
    assert (time.captured_at, time.basis, time.adjusted) == (captured, TimeBasis.AT, False)


def test_a_right_clock_is_not_marked_for_the_time_a_post_is_on_its_way() -> None:
    captured = RECEIVED - timedelta(minutes=5)
    time = capture_time(
        replace(POST, at=captured), sent_at=RECEIVED - timedelta(milliseconds=300), received_at=RECEIVED
    )
    assert time.captured_at == captured + timedelta(milliseconds=300)
    assert not time.adjusted


def test_a_post_without_any_time_was_captured_at_receipt() -> None:
    time = capture_time(POST, sent_at=RECEIVED - timedelta(hours=1), received_at=RECEIVED)
    assert (time.captured_at, time.basis, time.adjusted) == (RECEIVED, TimeBasis.RECEIPT, False)


@given(st.none() | INSTANTS, st.none() | INSTANTS, st.none() | st.floats(0, 1e18))
def test_no_well_formed_time_is_refused_or_later_than_receipt(
    at: datetime | None, sent_at: datetime | None, age_s: float | None
) -> None:
    time = capture_time(replace(POST, at=at, age_s=age_s), sent_at=sent_at, received_at=RECEIVED)

    assert time.captured_at <= RECEIVED
    assert time.captured_at.year >= 1970
    assert time.captured_at.utcoffset() == timedelta(0)


def test_the_same_post_again_gets_the_first_answer() -> None:
    first = {"outcome": "counted", "series_total_frames": 40}
    known = {("one", 1): Known(POST.digest, first)}

    assert judge([POST, POST], facts(known=known)) == (Repeated(first), Repeated(first))


def test_the_same_serial_with_other_content_is_refused() -> None:
    known = {("one", 1): Known(POST.digest, {})}

    (judgement,) = judge([replace(POST, captures_total=41)], facts(known=known))

    assert isinstance(judgement, Refused)
    assert isinstance(judgement.refusal, CountConflict)
    assert judgement.refusal.facts() == {"spool": "one", "serial": 1}


def test_a_reinstalled_terminal_begins_anew_under_a_new_spool() -> None:
    known = {("one", 1): Known(POST.digest, {})}

    (judgement,) = judge([replace(POST, spool="two", captures_total=1)], facts(known=known))

    assert judgement == Counted(1, "")


def test_the_same_post_twice_in_one_body_is_kept_once() -> None:
    later = replace(POST, serial=2, captures_total=52)
    assert judge([POST, later, POST], facts()) == (Counted(1, ""), Counted(1, ""), Echo(0))


def test_a_serial_used_twice_in_one_body_with_other_content_is_refused_the_second_time() -> None:
    first, second = judge([POST, replace(POST, captures_total=52)], facts())
    assert first == Counted(1, "")
    assert isinstance(second, Refused)


def test_what_a_resend_says_of_its_sending_makes_no_other_content() -> None:
    assert replace(POST, age_s=5.0).digest == replace(POST, age_s=3600.0).digest


@pytest.mark.parametrize(
    "change",
    [
        {"shot": "020"},
        {"take": 2},
        {"captures_total": None, "frames_total": 40},
        {"frames_per_capture": 2},
        {"camera": "left"},
        {"pass_": "glow"},
        {"part": "a"},
        {"purpose": Purpose.PLATE},
        {"starts_at": 61},
        {"animator": "Ottoline"},
        {"at": RECEIVED},
        {"outcome": Outcome.FINISHED},
    ],
    ids=" ".join,
)
def test_whatever_a_post_says_of_the_capture_is_its_content(change: dict[str, Any]) -> None:
    assert replace(POST, **change).digest != POST.digest


def test_an_instant_is_the_same_content_however_its_offset_is_written() -> None:
    elsewhere = RECEIVED.astimezone(timezone(timedelta(hours=9)))
    assert replace(POST, at=elsewhere).digest == replace(POST, at=RECEIVED).digest


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"shot": "999"}, Unmatched.UNKNOWN_SHOT),
        ({"production": "brook"}, Unmatched.UNKNOWN_PRODUCTION),
        ({"shot": "030"}, Unmatched.OMITTED),
        ({"shot": "020"}, Unmatched.OTHER_STAGE),
    ],
)
def test_a_days_frames_are_never_turned_away(change: dict[str, Any], reason: Unmatched) -> None:
    assert judge([replace(POST, **change)], facts()) == (Kept(reason),)


def test_a_shot_planned_for_no_stage_is_counted_by_any() -> None:
    assert judge([replace(POST, shot="040")], facts()) == (Counted(4, ""),)


@pytest.mark.parametrize("purpose", list(Purpose))
def test_a_count_of_any_purpose_is_taken_at_any_time(purpose: Purpose) -> None:
    """A plate comes at once, the lamps still hot, before anything is circled."""
    assert judge([replace(POST, purpose=purpose)], facts()) == (Counted(1, ""),)


@pytest.mark.parametrize("outcome", [Outcome.CIRCLED, Outcome.NG])
def test_a_terminal_decides_only_where_the_studio_lets_it(outcome: Outcome) -> None:
    deciding = replace(POST, outcome=outcome)

    (judgement,) = judge([deciding], facts())

    assert isinstance(judgement, Refused)
    assert isinstance(judgement.refusal, DecisionNotAllowed)
    assert judge([deciding], facts(terminals_may_decide=True)) == (Counted(1, ""),)


def test_a_key_of_another_production_does_not_count_and_spends_no_serial() -> None:
    (refused,) = judge([POST], facts(only_production="moor"))
    assert isinstance(refused, Refused)
    assert isinstance(refused.refusal, OtherProduction)
    assert str(refused.refusal).startswith("The key counts for the production moor alone, not for pond.")
    assert judge([POST], facts(only_production="pond")) == judge([POST], facts())


def test_a_refused_post_spends_no_serial_and_leaves_its_neighbours_alone() -> None:
    refused = replace(POST, outcome=Outcome.NG)
    neighbour = replace(POST, serial=2, captures_total=41)

    judgements = judge([refused, neighbour, POST], facts())

    assert isinstance(judgements[0], Refused)
    assert judgements[1:] == (Counted(1, ""), Counted(1, ""))


def test_captures_on_twos_are_two_frames_each_and_mixed_holds_a_posted_total() -> None:
    assert replace(POST, captures_total=47, frames_per_capture=2).total_frames == 94
    assert replace(POST, captures_total=None, frames_total=106).total_frames == 106
