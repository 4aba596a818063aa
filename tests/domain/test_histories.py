"""What a shot's history says: a sentence for each kind of event that befalls a shot, and runs of counts told as one."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.events import Event, EventKind
from service.domain.histories import Entry, Seen, entries, general, sentence

START = datetime(2026, 3, 2, 9, tzinfo=UTC)
PLAN: dict[str, Any] = {
    "episode": "101",
    "scene": None,
    "cut_frames": 88,
    "uses": None,
    "dissolves": [],
    "handle_in": 0,
    "handle_out": 0,
    "cameras": ["main"],
    "passes": ["main"],
    "moving_camera": False,
    "parts": [],
}
SERIES: dict[str, Any] = {
    "series": 7,
    "part": "",
    "purpose": "shoot",
    "take": 2,
    "camera": "main",
    "pass": "main",
    "before_frames": 84,
    "total_frames": 96,
    "state": "open",
}
BOOKED: dict[str, Any] = {
    "booking": 7,
    "stage": "mill",
    "animator": "Ilse",
    "activity": "shooting",
    "start": "2026-03-03T08:00Z",
    "end": "2026-03-03T17:00Z",
}
TAKE: dict[str, Any] = {"part": "", "purpose": "shoot", "take": 1}
DECISION: dict[str, Any] = {
    **TAKE,
    "verdict": "reject",
    "camera": None,
    "first": 61,
    "last": 96,
    "reason": "the light flickers",
}
OF_A_SHOT: dict[EventKind, tuple[dict[str, Any], str]] = {
    EventKind.SHOT_ADDED: (PLAN, "Added to episode 101: 88 frames of cut."),
    EventKind.SHOT_CHANGED: (
        {"changed": {"cut_frames": {"before": 88, "after": 80}}, "reason": "cut revision 5"},
        "Cut length went from 88 to 80 frames: cut revision 5.",
    ),
    EventKind.SHOT_OMITTED: (
        {"changed": {"omitted": {"before": False, "after": True}}, "reason": "the scene plays without it"},
        "Removed from the cut: the scene plays without it.",
    ),
    EventKind.SHOT_RESTORED: (
        {"changed": {"omitted": {"before": True, "after": False}}, "reason": None},
        "Brought back into the cut.",
    ),
    EventKind.NEEDS_ENTERED: (
        {
            "changed": {
                "rig": {"before": False, "after": True},
                "characters": {"before": [], "after": [{"character": "Nell", "copies": 2}]},
                "difficulty": {"before": None, "after": 3},
            },
            "draft": 4,
        },
        (
            "Rig went from no to yes; characters went from none to Nell (2 copies); its difficulty went from none to 3 "
            "(needs draft 4)."
        ),
    ),
    EventKind.NOTICE_RAISED: (
        {"kind": "decision waited for", "threshold": 4, "subject": "take/7", "occasion": "81", "over": True},
        "Noticed: decision waited for (4), which ended.",
    ),
    EventKind.SHOT_MOVED: (
        {
            "origin": "shooting",
            "to": "set dressing",
            "cause": "light",
            "lacked": None,
            "reason": "the window moved",
        },
        "The shot went from shooting to set dressing again, for light: the window moved.",
    ),
    EventKind.SHOT_SUSPENDED: ({"reason": "the armature broke"}, "Work on the shot was suspended: the armature broke."),
    EventKind.SHOT_RESUMED: (
        {"suspended_at": "2026-03-02T09:00:00+00:00", "suspended_for": "the armature broke", "reason": None},
        "Work was taken up again; it had been suspended for: the armature broke.",
    ),
    EventKind.SIGNOFF_GIVEN: (
        {"matter": "framing approved", "role": "director", "signer": "Ada Quill", "note": "a hair wider"},
        "Framing approved, by the director Ada Quill: a hair wider.",
    ),
    EventKind.SIGNOFF_WITHDRAWN: (
        {"matter": "plate accepted", "role": "camera operator", "signer": None, "reason": "a lamp had moved"},
        "Plate accepted, by the camera operator, was withdrawn: a lamp had moved.",
    ),
    EventKind.FRAMES_COUNTED: (SERIES, "Take 2 reached 96 frames (12 more)."),
    EventKind.FRAMES_MATCHED: (
        SERIES,
        "Counts that had waited without a shot were matched: take 2 reached 96 frames (12 more).",
    ),
    EventKind.FRAMES_REDATED: (
        {"stage": "mill"},
        "A call or wrap of stage mill moved frames to another production day.",
    ),
    EventKind.FRAMES_CORRECTED: (
        {**SERIES, "origin": None, "goal": None, "left": False, "reason": "miscounted"},
        "Take 2 was put right from 84 to 96 frames: miscounted.",
    ),
    EventKind.SHOT_MERGED: (
        {"into": "0130", "take_offset": 2, "reason": "entered twice"},
        "Merged into shot 0130, whose takes' numbers rose by 2: entered twice.",
    ),
    EventKind.TAKE_DECIDED: (DECISION, "Frames 61 to 96 of take 1 were rejected: the light flickers."),
    EventKind.TAKE_NOTED: (
        {**TAKE, "note": 1, "camera": None, "first": 40, "last": 52, "text": "hold the look"},
        "Note 1 on frames 40 to 52 of take 1: hold the look.",
    ),
    EventKind.BOOKING_MADE: (
        {**BOOKED, "firmness": "pencilled", "note": None},
        "Pencilled booking 7 of stage mill and Ilse for shooting, 2026-03-03T08:00Z to 2026-03-03T17:00Z.",
    ),
    EventKind.BOOKING_CHANGED: (
        {
            "booking": 7,
            "changed": {
                "firmness": {"before": "pencilled", "after": "confirmed"},
                "asked_by": {"before": None, "after": "Ada"},
            },
        },
        "Booking 7 was changed: firmness went from pencilled to confirmed; who asked for it went from none to Ada.",
    ),
    EventKind.BOOKING_CANCELLED: (
        {**BOOKED, "stage": None, "reason": "the set is not dry"},
        "Cancelled: booking 7 of Ilse for shooting, 2026-03-03T08:00Z to 2026-03-03T17:00Z: the set is not dry.",
    ),
    EventKind.BOOKING_RESTORED: (
        {**BOOKED, "reason": "free"},
        "Back, pencilled: booking 7 of stage mill and Ilse for shooting, 2026-03-03T08:00Z to 2026-03-03T17:00Z: free.",
    ),
    EventKind.BOOKING_LOST: (
        {**BOOKED, "animator": None, "reason": "gone by"},
        "Did not come back: booking 7 of stage mill for shooting, 2026-03-03T08:00Z to 2026-03-03T17:00Z: gone by.",
    ),
    EventKind.NOTE_STRUCK: (
        {**TAKE, "note": 1, "reason": "said of the wrong take"},
        "Note 1 on take 1 was struck: said of the wrong take.",
    ),
}
OF_NO_SHOT = {
    EventKind.STUDIO_SET,
    EventKind.PRODUCTION_ADDED,
    EventKind.PRODUCTION_CHANGED,
    EventKind.EPISODE_ADDED,
    EventKind.EPISODE_CHANGED,
    EventKind.STAGE_ADDED,
    EventKind.STAGE_CHANGED,
    EventKind.STAGE_CALLED,
    EventKind.STAGE_WRAPPED,
    EventKind.STAGE_WAITED,
    EventKind.STAGE_RESUMED,
    EventKind.STAGE_POWERED_OFF,
    EventKind.CALENDAR_SET,
    EventKind.TERMINAL_ADDED,
    EventKind.TERMINAL_MOVED,
    EventKind.KEY_MADE,
    EventKind.KEY_CHANGED,
    EventKind.KEY_ROTATED,
    EventKind.KEY_REVOKED,
    EventKind.CUT_DRAFTED,
    EventKind.CUT_LOCKED,
    EventKind.FRAMES_UNMATCHED,
    EventKind.TOTALS_RECOUNTED,
    EventKind.REPORT_FILED,
    EventKind.REBUILD_ASKED,
    EventKind.REBUILD_GIVEN_UP,
    EventKind.QUARANTINE_RETRIED,
    EventKind.QUARANTINE_SKIPPED,
    EventKind.WATCH_ADDED,
    EventKind.WATCH_CHANGED,
    EventKind.WATCH_REMOVED,
    EventKind.WATCH_DISABLED,
    EventKind.WATCH_ROTATED,
    EventKind.WATCH_TESTED,
    EventKind.DELIVERY_RENEWED,
    EventKind.REMINDER_CAME,
    EventKind.WORKER_DISABLED,
    EventKind.WORKER_ENABLED,
}


def test_counts_that_were_moved_are_told_at_both_ends() -> None:
    ends = {"origin": {"shot": "0120", "part": "", "take": 2}, "goal": {"shot": "0130", "part": "left", "take": 5}}
    left = {**SERIES, **ends, "left": True, "total_frames": 0}
    assert sentence(EventKind.FRAMES_CORRECTED, left) == (
        "84 frames of take 2 went to take 5 of part left of shot 0130."
    )
    got = {**SERIES, **ends, "left": False, "take": 5, "part": "left", "before_frames": 0}
    assert sentence(EventKind.FRAMES_CORRECTED, got) == (
        "Take 5 of part left got 96 frames that were counted for take 2 of shot 0120."
    )
    merged = {**got, "origin": {"shot": "0120", "part": None, "take": None}}
    assert sentence(EventKind.FRAMES_CORRECTED, merged).endswith("that were counted for shot 0120.")


def test_each_kind_is_of_a_shot_or_of_none() -> None:
    """A new kind: give one that carries a shot its sentence in domain/histories.py and an example here."""
    assert set(EventKind) == OF_A_SHOT.keys() | OF_NO_SHOT
    assert not OF_A_SHOT.keys() & OF_NO_SHOT


@pytest.mark.parametrize("kind", OF_A_SHOT, ids=str)
def test_each_kind_that_befalls_a_shot_has_a_sentence_of_its_own(kind: EventKind) -> None:
    data, said = OF_A_SHOT[kind]
    assert sentence(kind, data) == said != general(kind)


def test_what_has_no_sentence_is_said_by_its_meaning_or_by_its_name() -> None:
    assert sentence(EventKind.CUT_LOCKED, {}) == "A cut was locked."
    assert sentence("puppet.sneezed", {}) == "Something of the kind puppet.sneezed happened."
    for kind in EventKind:
        assert "`" not in general(kind)
        assert general(kind).endswith(".")


@pytest.mark.parametrize(
    ("data", "stage", "said"),
    [
        ({}, "mill", "Take 2 on stage mill reached 96 frames (12 more)."),
        ({"before_frames": 0, "total_frames": 1}, "mill", "Take 2 on stage mill reached 1 frame (1 more)."),
        # Forty, fifty-two, fifty-two, forty-nine: the last is three fewer.
        ({"before_frames": 52, "total_frames": 49}, "mill", "Take 2 on stage mill fell to 49 frames (3 fewer)."),
        ({"before_frames": 52, "total_frames": 52}, None, "Take 2 stayed at 52 frames."),
        ({"state": "finished"}, None, "Take 2 reached 96 frames (12 more), offered as finished."),
        ({"state": "abandoned"}, None, "Take 2 reached 96 frames (12 more), given up."),
        ({"after_approval": False}, None, "Take 2 reached 96 frames (12 more)."),
        (
            {"state": "finished", "after_approval": True},
            None,
            "Take 2 reached 96 frames (12 more), offered as finished, after the shot was approved.",
        ),
        ({"purpose": "plate", "take": 1}, None, "Plate take 1 reached 96 frames (12 more)."),
        (
            {"part": "left", "camera": "wide", "pass": "glow"},
            "mill",
            "Take 2 of part left on camera wide in pass glow on stage mill reached 96 frames (12 more).",
        ),
    ],
)
def test_a_count_says_what_it_moved(data: dict[str, Any], stage: str | None, said: str) -> None:
    assert sentence(EventKind.FRAMES_COUNTED, {**SERIES, **data}, stage=stage) == said


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({"verdict": "circle", "first": None, "last": None, "reason": None}, "Take 1 was circled."),
        (
            {"verdict": "reject", "first": None, "last": None, "reason": "a hand in frame."},
            "Take 1 was rejected: a hand in frame.",
        ),
        ({"cause": "light", "reason": None}, "Frames 61 to 96 of take 1 were rejected (cause: light)."),
        ({"verdict": "accept", "first": 7, "last": 7, "reason": None}, "Frame 7 of take 1 was accepted."),
        (
            {"verdict": "withdraw", "reason": None, "camera": "left"},
            "What had been decided of frames 61 to 96 of take 1 on camera left was withdrawn.",
        ),
        (
            {"purpose": "plate", "verdict": "accept", "first": None, "last": None, "reason": None},
            "Plate take 1 was accepted.",
        ),
    ],
)
def test_a_decision_says_of_what(data: dict[str, Any], said: str) -> None:
    assert sentence(EventKind.TAKE_DECIDED, {**DECISION, **data}) == said


SPLIT = [
    {"part": "a", "stage": "mill", "first": None, "last": 60},
    {"part": "b", "stage": "barn", "first": 55, "last": None},
]
WHOLE = [{"part": "", "stage": "mill", "first": None, "last": None}]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        # The tail came off: what the cut uses follows from its length.
        ({"cut_frames": [88, 80], "uses": [[[1, 88]], [[1, 80]]]}, "Cut length went from 88 to 80 frames."),
        (
            {"cut_frames": [96, 80], "uses": [None, [[17, 96]]]},
            "Cut length went from 96 to 80 frames; the frames the cut uses went from the whole to 17 to 96.",
        ),
        (
            {"uses": [[[1, 40]], [[1, 40], [61, 100]]]},
            "The frames the cut uses went from 1 to 40 to 1 to 40 and 61 to 100.",
        ),
        (
            {"handle_in": [0, 4], "dissolves": [[], [[97, 102]]]},
            (
                "The handle before the cut went from 0 to 4 frames; "
                "the frames dissolves need beyond the cut went from none to 97 to 102."
            ),
        ),
        ({"cameras": [["main"], ["left", "right"]]}, "The required cameras went from main to left and right."),
        ({"moving_camera": [False, True]}, "Its camera moves, so that its plate is as long."),
        ({"moving_camera": [True, False]}, "Its camera stands still."),
        ({"parts": [[], WHOLE]}, "Where it is shot went from any stage to stage mill."),
        (
            {"parts": [WHOLE, SPLIT]},
            (
                "Where it is shot went from stage mill to part a (up to frame 60) on stage mill and "
                "part b (from frame 55) on stage barn."
            ),
        ),
        (
            {"scene": [None, "quay"], "weather": ["dry", "wet"]},
            "Its scene went from none to quay; weather went from dry to wet.",
        ),
        ({"animator": [None, "Ilse"]}, "Its animator went from none to Ilse."),
        ({}, "The plan was changed."),
    ],
)
def test_a_change_says_what_was_and_what_is(changed: dict[str, list[Any]], said: str) -> None:
    fields = {name: {"before": before, "after": after} for name, (before, after) in changed.items()}
    assert sentence(EventKind.SHOT_CHANGED, {"changed": fields, "reason": None}) == said


def test_a_shot_that_is_added_says_what_is_not_usual_of_it() -> None:
    plan = {**PLAN, "handle_in": 4, "handle_out": 6, "cameras": ["left", "right"], "passes": ["glow"], "parts": SPLIT}
    assert sentence(EventKind.SHOT_ADDED, plan) == (
        "Added to episode 101: 88 frames of cut, handles of 4 before and 6 after, cameras left and right and "
        "pass glow; part a (up to frame 60) on stage mill and part b (from frame 55) on stage barn."
    )


def event(
    id_: int, kind: EventKind = EventKind.FRAMES_COUNTED, *, actor: str = "mill-capture", **data: object
) -> Event:
    return Event(id_, START + timedelta(minutes=id_), kind, actor, 1, 1, data)


def counted(id_: int, before: int, total: int, *, series: int = 7, actor: str = "mill-capture") -> Event:
    return event(id_, actor=actor, **{**SERIES, "series": series, "before_frames": before, "total_frames": total})


DAY = date(2026, 3, 2)
SEEN = {id_: Seen("mill", ("Ilse",), DAY) for id_ in range(100)}


def test_a_run_of_counts_is_told_as_one() -> None:
    # Two cameras are counted in turn; each has its own run.
    log = [counted(1, 0, 4), counted(2, 0, 4, series=8), counted(3, 4, 9), counted(4, 4, 9, series=8)]
    found, told = entries(log, SEEN, limit=10, folded=True)
    assert [[each.id for each in entry.events] for entry in found] == [[1, 3], [2, 4]]
    assert found[0].said == "Take 2 on stage mill reached 9 frames in 2 postings (9 more)."
    assert (found[0].data["before_frames"], found[0].data["total_frames"], told) == (0, 9, 4)

    backwards, _ = entries(reversed(log), SEEN, limit=10, folded=True)
    assert [[each.id for each in entry.events] for entry in backwards] == [[2, 4], [1, 3]]
    assert [entry.said for entry in backwards] == [entry.said for entry in reversed(found)]


@pytest.mark.parametrize(
    ("between", "after", "seen"),
    [
        (event(2, EventKind.TAKE_DECIDED, **DECISION), counted(3, 4, 9), Seen("mill", (), DAY)),
        (counted(2, 0, 4, series=8), counted(3, 4, 9, actor="barn-capture"), Seen("mill", (), DAY)),
        (counted(2, 0, 4, series=8), counted(3, 4, 9), Seen("barn", (), DAY)),
        (counted(2, 0, 4, series=8), counted(3, 4, 9), Seen("mill", (), DAY + timedelta(days=1))),
    ],
    ids=["a decision", "another terminal", "another stage", "another day"],
)
def test_a_run_ends_where_something_else_begins(between: Event, after: Event, seen: Seen) -> None:
    found, _ = entries([counted(1, 0, 4), between, after], {**SEEN, 3: seen}, limit=10, folded=True)
    assert [[each.id for each in entry.events] for entry in found] == [[1], [2], [3]]


def test_a_run_names_all_who_animated() -> None:
    seen = {1: Seen("mill", ("Pim",), DAY), 2: Seen("mill", ("Ilse",), DAY), 3: Seen("mill", (), DAY)}
    (entry,), _ = entries([counted(1, 0, 4), counted(2, 4, 9), counted(3, 9, 9)], seen, limit=1, folded=True)
    assert entry.seen == Seen("mill", ("Ilse", "Pim"), DAY)


@given(st.lists(st.sampled_from(["a", "b", "decided"]), max_size=30), st.integers(1, 5), st.booleans(), st.booleans())
def test_pages_tell_every_event_once(kinds: list[str], limit: int, folded: bool, newest: bool) -> None:  # noqa: FBT001 -- of hypothesis
    log = [
        event(id_, EventKind.TAKE_DECIDED, **DECISION) if kind == "decided" else counted(id_, 0, 1, series=ord(kind))
        for id_, kind in enumerate(kinds, start=1)
    ]
    left, pages = log[::-1] if newest else log, list[list[Entry]]()
    while left:
        found, told = entries(left, SEEN, limit=limit, folded=folded)
        assert 0 < len(found) <= limit
        assert sorted(each.id for entry in found for each in entry.events) == sorted(each.id for each in left[:told])
        pages, left = [*pages, found], left[told:]
    assert sum(len(entry.events) for page in pages for entry in page) == len(log)
    assert all(len(entry.events) == 1 for page in pages for entry in page) or folded
