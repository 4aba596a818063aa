"""Lists in every format: nothing but a list or its findings comes of any bytes, and what is written is read back."""

from collections import Counter
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.domain.codes import is_code
from service.domain.cutlists import (
    CutList,
    Finding,
    FindingKind,
    ListFormat,
    ListUnreadable,
    NameFrom,
    Reading,
    Use,
    read,
    write,
)
from service.domain.findings import MOST_FAULTS, MOST_FINDINGS, Findings
from service.domain.texts import tidy
from service.domain.timecodes import DROP_FRAME_RATES, Numbering
from service.domain.uses import MOST_USES, cut_list
from tests.domain.lists import EUROPE, FILM, NTSC, event, reading, refusal, refused, taken

FORMATS = list(ListFormat)
RATES = [FILM, EUROPE, NTSC, Fraction(24_000, 1001), Fraction(60_000, 1001), Fraction(120)]


def how(form: ListFormat, rate: Fraction = EUROPE) -> Reading:
    return reading(rate, NameFrom.COMMENT, form=form)


# Round trips.

_CODES = st.sampled_from(["q1", "q2", "Q-3.b", "caf\u00e9", "BL", "AX", "REEL", "_"])
_TEXTS = (
    st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=30)
    | st.sampled_from(["=q1", '"a";b,c', "* x", "BL", "M2 q1 025.0", "* FREEZE FRAME at 7", "NO SOURCE", "00:00:00:00"])
).map(tidy)
_SPEEDS = st.sampled_from(["M2   q1  050.0  00:00:10:00", "m2 q2 -012.5 00:00:01:00", "M2 0 00:00:00:00", "M2 a b"])


@st.composite
def cuts(draw: st.DrawFn) -> CutList:
    rate = draw(st.sampled_from(RATES))
    numbering = Numbering(rate, drop_frame=rate in DROP_FRAME_RATES and draw(st.booleans()))
    uses: list[Use] = []
    follows = 0
    for line in range(draw(st.integers(1, 6))):
        record_in = draw(st.just(follows) | st.integers(0, 3000) | st.just(numbering.day_frames - 1000))
        frames = draw(st.integers(1, 40))
        source = draw(st.none() | _CODES | _TEXTS) or None
        source_in = draw(st.none() | st.integers(0, 50)) if source else None
        uses.append(
            Use(
                shot=draw(_CODES),
                record_in=record_in,
                frames=frames,
                source=source,
                source_in=source_in,
                source_frames=None if source_in is None else draw(st.just(frames) | st.integers(0, 99)),
                extra_frames=draw(st.just(0) | st.integers(0, 60) | st.sampled_from([998, 999, 1000])),
                scene=draw(st.none() | _TEXTS) or None,
                remarks=tuple(text for text in draw(st.lists(_TEXTS | _SPEEDS, max_size=2)) if text),
                line=line,
            )
        )
        follows = record_in + frames
    return cut_list(uses, Findings(), numbering=numbering, title=draw(st.none() | _TEXTS) or None)


@given(cuts())
def test_what_is_written_is_read_back(cut: CutList) -> None:
    for form in FORMATS:
        text = write(cut, form)
        expected = replace(cut, title=None) if form is ListFormat.CSV else cut
        assert read(text.encode(), how(form, cut.frame_rate)) == expected, text


@given(cuts())
def test_line_ends_and_a_byte_order_mark_change_nothing(cut: CutList) -> None:
    for form in FORMATS:
        text = write(cut, form).replace("\r\n", "\n")
        asked = how(form, cut.frame_rate)
        expected = read(text.encode(), asked)
        for end in ("\r\n", "\r"):
            again = read(b"\xef\xbb\xbf" + text.replace("\n", end).encode(), asked)
            assert again == expected
            assert again.findings == expected.findings
            assert [use.line for use in again.uses] == [use.line for use in expected.uses]


def test_a_list_of_one_format_is_the_same_cut_in_the_others() -> None:
    cut = taken(
        [
            "TITLE: The Teapot Leaks",
            event(1, "q1", (0, 50), (250, 350)),
            "* SCENE: quay",
            "M2   q1       050.0                00:00:10:00",
            event(2, "q1", (50, 50), (350, 350)),
            event(2, "q2", (50, 90), kind="V     D    012"),
            event(3, "q2", (90, 120), (0, 30)),
            event(4, "q3", (130, 140)),
        ]
    )
    assert [(use.extra_frames, use.source) for use in cut.uses] == [(12, "q1"), (0, None), (0, "q3")]
    table, document = (taken(write(cut, form), how(form)) for form in (ListFormat.CSV, ListFormat.JSON))
    assert document == cut
    assert replace(table, title=cut.title) == cut
    assert taken(write(table, ListFormat.EDL)) == table


# Whatever is sent.


@pytest.mark.parametrize("form", FORMATS)
@given(st.binary())
def test_any_bytes_are_a_list_or_unreadable(form: ListFormat, body: bytes) -> None:
    settled(body, how(form))


_EDL_PARTS = st.sampled_from(
    [
        *("001 ", "q1 ", "BL ", "AX ", "V ", "A ", "C ", "D 012 ", "W001 012 ", "K B ", "00:00:01:00 ", "00:00:02;00 "),
        *("01:00:00;00 ", "M2 ", "025.0 ", "\n", "\n", "* ", "FROM CLIP NAME: ", "TO CLIP NAME: ", "* SCENE: ", "\t"),
        *("* EXTRA FRAMES: ", "* NO SOURCE", "* SOURCE REEL: ", "* REMARK: ", "FCM: DROP FRAME\n", "TITLE: ", "\0"),
        *("001 q1 V C 00:00:00:00 00:00:01:00 00:00:00:00 00:00:01:00\n", "* FREEZE FRAME", "99999999999 "),
        *("002 q2 V D 012 00:00:00:00 00:00:01:00 00:00:01:00 00:00:02:00\n", "\u00e9", "24:00:00:00 "),
        "002 q1 V C 00:00:01:00 00:00:01:00 00:00:01:00 00:00:01:00\n",
    ]
)
_CSV_PARTS = st.sampled_from(
    [
        *(
            "shot,frames\n",
            "shot;frames\n",
            "shot,record_in,record_out\n",
            "shot,frames,remarks,scene\n",
            "q1",
            "62",
            ",",
        ),
        *("\n", '"', ";", "00:00:01:00", "00:00:01;00", "-1", "\0", " ", "1000001", "SHOT", "source_in,", "source,"),
    ]
)
_JSON_PARTS = st.sampled_from(
    [
        *(
            '{"frame_rate": "25/1", "uses": [',
            '{"shot": "q1", "record_in": 0, "frames": 5}',
            ",",
            "]}",
            "{",
            "}",
            "[",
            "]",
        ),
        *(
            '"uses":',
            '"title":',
            '"drop_frame":',
            "true",
            "null",
            "1.5",
            "NaN",
            "1e9",
            "9" * 5000,
            '"\\ud800"',
            "\n",
            '"q"',
        ),
    ]
)


@pytest.mark.parametrize(
    ("form", "parts"),
    [(ListFormat.EDL, _EDL_PARTS), (ListFormat.CSV, _CSV_PARTS), (ListFormat.JSON, _JSON_PARTS)],
    ids=FORMATS,
)
@given(st.data(), st.sampled_from([EUROPE, NTSC]), st.sampled_from(list(NameFrom)))
def test_what_looks_nearly_right_is_a_list_or_unreadable(
    form: ListFormat, parts: st.SearchStrategy[str], data: st.DataObject, rate: Fraction, name_from: NameFrom
) -> None:
    text = "".join(data.draw(st.lists(parts, max_size=30)))
    settled(text.encode(), reading(rate, name_from, form=form))


@given(cuts(), st.sampled_from(FORMATS), st.data())
def test_a_list_with_a_character_changed_is_a_list_or_unreadable(
    cut: CutList, form: ListFormat, data: st.DataObject
) -> None:
    text = write(cut, form)
    at = data.draw(st.integers(0, len(text) - 1))
    changed = text[:at] + data.draw(st.sampled_from(["", "0", ":", ";", '"', "\n", "x", "\0"])) + text[at + 1 :]
    settled(changed.encode(), how(form, cut.frame_rate))


def settled(body: bytes, asked: Reading) -> None:
    """Nothing but the two outcomes; what is read holds what the type promises, and can be written."""
    try:
        cut = read(body, asked)
    except ListUnreadable as unreadable:
        found, refused_it = unreadable.findings, True
    else:
        found, refused_it = cut.findings, False
        assert cut.uses
        assert all(is_code(use.shot) and use.frames >= 1 and use.record_in >= 0 for use in cut.uses)
        assert read(write(cut, ListFormat.JSON).encode(), how(ListFormat.JSON, asked.frame_rate)) == cut
    assert any(finding.fault for finding in found) == refused_it
    lines = body.replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n") + 1
    assert [finding.line for finding in found] == sorted(finding.line for finding in found)
    assert all(1 <= finding.line <= lines and finding.detail for finding in found)


_EVENTS = st.lists(
    st.tuples(st.sampled_from(["q1", "q2", "BL", "s1"]), st.integers(1, 60), st.integers(0, 3)), min_size=1
)


@given(_EVENTS)
@example([("q1", 5, 0), ("q1", 5, 0)])
def test_every_picture_event_is_in_exactly_one_use(events: list[tuple[str, int, int]]) -> None:
    """The frames of each shot in the list are those of its uses, whatever is joined, left or passed over."""
    lines, at = [], 0
    written: Counter[str] = Counter()
    for number, (reel, frames, gap) in enumerate(events, start=1):
        kind = "A C" if reel == "s1" else "V C"
        lines.append(event(number, reel, (at, at + frames), (at, at + frames), kind=kind))
        written[reel] += frames
        at += frames + gap
    del written["BL"], written["s1"]
    if not written:
        assert (FindingKind.NO_EVENT, 1) in refused(lines)
        return
    cut = taken(lines)
    kept: Counter[str] = Counter()
    for use in cut.uses:
        kept[use.shot] += use.frames
    assert kept == written
    assert set(cut.uses) == {use for use in cut.uses if use.source_frames in {use.frames, None}}


# Bounds.


def test_faults_end_where_nobody_reads_on() -> None:
    found = refusal("\n".join(["1"] * (MOST_FAULTS + 500)))
    assert len(found) == MOST_FAULTS + 1
    assert found[-1].kind is FindingKind.TOO_MUCH


def test_a_list_of_nothing_but_remarks_ends_where_nobody_reads_on() -> None:
    found = refusal("AUD  3 4\n" * (MOST_FINDINGS + 10))
    assert len(found) == MOST_FINDINGS + 1
    assert found[-1].kind is FindingKind.TOO_MUCH


@pytest.mark.parametrize("form", [ListFormat.CSV, ListFormat.JSON])
def test_a_list_of_more_uses_than_any_cut_has_is_refused(form: ListFormat) -> None:
    uses = tuple(
        Use(shot=f"q{at}", record_in=at, frames=1, source=None, source_in=None, source_frames=None, line=1)
        for at in range(MOST_USES + 1)
    )
    cut = CutList(frame_rate=EUROPE, drop_frame=False, title=None, uses=uses, findings=())
    assert [kind for kind, _ in refused(write(cut, form), how(form))] == [FindingKind.TOO_MUCH]
    fewer = replace(cut, uses=uses[:-1])
    assert len(taken(write(fewer, form), how(form)).uses) == MOST_USES


def test_a_finding_is_a_fault_by_its_kind() -> None:
    remarks = {kind for kind in FindingKind if not Finding(kind=kind, line=1, detail="").fault}
    assert remarks == {
        FindingKind.OVERLAP,
        FindingKind.GAP,
        FindingKind.LENGTHS_DIFFER,
        FindingKind.SOURCES_APART,
        FindingKind.SCENES_DIFFER,
        FindingKind.DISSOLVE_FROM_NOTHING,
        FindingKind.STATEMENT_UNUSED,
        FindingKind.NOT_UTF8,
        FindingKind.END_UNKNOWN,
    }


def test_an_unreadable_list_says_how_many_faults_and_the_first() -> None:
    with pytest.raises(ListUnreadable) as unreadable:
        read(b"AUD 1\n1\n2\n", reading())
    assert str(unreadable.value).startswith("The list has 2 faults, the first in line 2: no event; an event is")
