"""The words of notices: whole without opening anything, in the reader's time, and harmless whatever names hold."""

import html
from datetime import UTC, datetime
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.notices import MEANINGS, Notice, NoticeKind
from service.domain.shifts import POWER_CAUTION
from service.domain.wording import MOST_TOLD, message, words

SINCE = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
BOOKING = {
    "booking": 7,
    "stage": "barn",
    "animator": "Ilse",
    "shot": "0120",
    "activity": "shooting",
    "firmness": "confirmed",
    "start": "2026-10-26T09:00:00+00:00",
    "end": "2026-10-26T17:00:00+00:00",
}
FACTS: dict[str, Any] = {
    "production": "lantern-bay",
    "episode": "101",
    "shot": "0120",
    "stages": ["barn", "mill"],
    "stage": "barn",
    "animator": "Ilse",
    "phase": "shooting",
    "planned_frames": 96,
    "take": 2,
    "part": "",
    "frames": 96,
    "captured_at": "2026-10-25T00:20:00+00:00",
    "waits_since": "2026-10-24T20:30:00+00:00",
    "signers": ["director"],
    "lacks": "Frames 1–12 of take 2 shot again since.",
    "changed": {"cut_frames": {"before": 96, "after": 80}},
    "reason": "cut revision 5",
    "by": "office",
    "behind_frames": 12,
    "behind_tenths": 15,
    "frees_at": "2026-10-26T17:00:00+00:00",
    "next_at": "2026-10-27T09:00:00+00:00",
    "next_shot": "0130",
    "next_activity": "dressing",
    "idle_since": "2026-10-24T17:00:00+00:00",
    "terminal": "barn-capture",
    "heard_at": "2026-10-24T23:30:00+00:00",
    "counts": 40,
    "captured_from": "2026-10-24T10:00:00+00:00",
    "captured_to": "2026-10-24T16:00:00+00:00",
    "shots": ["0120", "0130"],
    "brought": [{"kind": "take finished", "over": False, "shot": "0120", "take": 2}],
    "day": "2026-10-24",
    "revision": 2,
    "shared": ["stage"],
    "bookings": [BOOKING, {**BOOKING, "booking": 9, "firmness": "pencilled"}],
    "wrapped_at": "2026-10-24T17:00:00+00:00",
    "worker": "progress",
    "event": 41,
    "error": "ValueError: no",
    "text": "The lamps of the barn have burnt 400 hours.",
}


def notice(kind: str, *, over: bool = False, **facts: Any) -> Notice:  # noqa: ANN401 - facts of a notice
    threshold = 4 if kind in MEANINGS and MEANINGS[kind].unit else 0
    return Notice(
        kind=kind,
        threshold=threshold,
        subject="bookings/7/9",
        occasion="1",
        since=SINCE,
        over=over,
        shot_id=3,
        facts={**FACTS, **facts},
    )


@pytest.mark.parametrize("kind", NoticeKind)
def test_each_kind_says_what_where_and_since_when(kind: NoticeKind) -> None:
    for over in (False, True) if MEANINGS[kind].lasts else (False,):
        told = words(notice(kind, over=over), "Europe/London")
        said = " ".join((told.headline, *told.sentences))

        assert "None" not in said
        assert "\n" not in said
        # 00:30 UTC on the night the clock goes back is 01:30 in London, still by summer time.
        assert "(Europe/London)" in said
        assert told.path.startswith("/v1/")
        subject = {NoticeKind.CLASH: "7", NoticeKind.EVENT_SET_ASIDE: "progress"}
        named = [subject[kind]] if kind in subject else ["0120", "barn", "2026-10-24"]
        assert any(name in said for name in named)
        assert over == (told.headline != words(notice(kind), "Europe/London").headline)


def test_the_time_is_the_readers() -> None:
    told = words(notice(NoticeKind.APPROVED), "Europe/London")

    assert told.sentences[0].endswith("on Sunday 25 October 2026, 01:30 (Europe/London).")


def test_a_power_down_is_never_called_done() -> None:
    sent = message([notice(NoticeKind.POWER_DOWN_UNCONFIRMED)], time_zone="UTC", root="https://tiedown.example")

    assert POWER_CAUTION in sent.text
    assert html.escape(POWER_CAUTION) in sent.html
    assert "safe" not in sent.text.lower()


def test_a_kind_of_another_worker_brings_its_own_words() -> None:
    told = words(notice("lamp-hours/lamps due"), "UTC")

    assert told.headline == "lamp-hours/lamps due: The lamps of the barn have burnt 400 hours."


def test_of_very_many_notices_the_rest_is_counted() -> None:
    sent = message([notice(NoticeKind.APPROVED)] * (MOST_TOLD + 30), time_zone="UTC", root="https://tiedown.example")

    assert sent.subject == "80 notices: 0120 is approved, and others"
    assert "30 more are not spelt out here: https://tiedown.example/v1/notices" in sent.text


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, _attributes: object) -> None:
        self.seen.append(tag)


@given(st.sampled_from(NoticeKind), st.text(max_size=40))
def test_no_name_becomes_markup(kind: NoticeKind, name: str) -> None:
    strange: dict[str, Any] = {
        key: name for key, value in FACTS.items() if isinstance(value, str) and not key.endswith(("_at", "_to"))
    }
    strange = {
        key: value for key, value in strange.items() if key not in {"captured_from", "waits_since", "idle_since"}
    }

    sent = message([notice(kind, **strange)], time_zone="UTC", root="https://tiedown.example")

    tags = _Tags()
    tags.feed(sent.html)
    assert set(tags.seen) <= {"html", "body", "h3", "p", "br", "strong", "a"}
    assert len(sent.subject) <= 200
    assert len(sent.subject.splitlines()) <= 1


@given(
    st.dictionaries(
        st.sampled_from(("production", "shot", "stage", "worker", "day")), st.integers() | st.lists(st.none())
    )
)
def test_what_another_worker_keeps_under_our_names_hinders_nobody_who_reads(facts: dict[str, Any]) -> None:
    of_another = Notice(
        kind="props/glue dry", subject="glue", occasion="1", since=SINCE, shot_id=1, facts={"text": "Dry.", **facts}
    )

    assert words(of_another, "UTC").path == "/v1/notices"
