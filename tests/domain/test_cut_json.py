"""Documents of our own are read strictly, and what is wrong is said with the line of its use."""

import pytest

from service.domain.cutlists import FindingKind, ListFormat, Use
from tests.domain.lists import reading, refusal, refused, remarked, taken

JSON = reading(form=ListFormat.JSON)
ONE = '{"frame_rate": "25/1", "uses": [\n{"shot": "q1", "record_in": 90000, "frames": 62}\n]}'


def test_the_shortest_document() -> None:
    cut = taken(ONE, JSON)
    assert cut.uses == (
        Use(shot="q1", record_in=90_000, frames=62, source=None, source_in=None, source_frames=None, line=2),
    )
    assert (cut.uses[0].line, cut.title, cut.drop_frame, cut.findings) == (2, None, False, ())


def test_a_use_may_end_with_the_last_label_of_the_day() -> None:
    (use,) = taken(ONE.replace("90000", "2159937"), JSON).uses
    assert use.record_out == 25 * 86_400 - 1


def test_uses_of_a_document_have_the_lines_they_begin_in() -> None:
    use = '{"shot": "%s", "record_in": %d, "frames": 2,\n "scene": null}'
    uses = ",\n\n".join(use % (f"q{at}", at * 5) for at in range(3))
    cut = taken('{\r\n"uses":\r\n[' + uses + '],\n"title": "\\u0063af\\u00e9", "frame_rate": "50/2"}', JSON)
    assert [use.line for use in cut.uses] == [3, 6, 9]
    assert cut.title == "caf\u00e9"
    assert remarked(cut) == [(FindingKind.GAP, 6), (FindingKind.GAP, 9)]


@pytest.mark.parametrize(
    ("change", "kind", "line"),
    [
        (("25/1", "24/1"), FindingKind.OTHER_RATE, 1),
        (("25/1", "25"), FindingKind.FIELD_OUT_OF_RANGE, 1),
        (('"25/1"', "25"), FindingKind.OTHER_TYPE, 1),
        (('"frame_rate": "25/1", ', ""), FindingKind.MISSING_MEMBER, 1),
        (('"frame_rate"', '"frame rate"'), FindingKind.UNKNOWN_MEMBER, 1),
        (("{", '{"drop_frame": true, '), FindingKind.DROP_FRAME, 1),
        (("{", '{"drop_frame": 0, '), FindingKind.OTHER_TYPE, 1),
        (("{", '{"title": 7, '), FindingKind.OTHER_TYPE, 1),
        (("{", '{"title": "a\\nb", '), FindingKind.FIELD_OUT_OF_RANGE, 1),
        (("{", '{"frame_rate": "25/1", '), FindingKind.REPEATED_MEMBER, 1),
        (('"q1"', '"q1", "shot": "q2"'), FindingKind.REPEATED_MEMBER, 2),
        (('"q1"', '"q1", "length": 5'), FindingKind.UNKNOWN_MEMBER, 2),
        (('"q1"', "null"), FindingKind.MISSING_MEMBER, 2),
        (('"q1"', '""'), FindingKind.FIELD_OUT_OF_RANGE, 2),
        (('"q1"', '"q\\ud800"'), FindingKind.FIELD_OUT_OF_RANGE, 2),
        (('"q1"', '"q1", "source_in": 5'), FindingKind.MISSING_MEMBER, 2),
        (('"q1"', '"q1", "source_in": 5, "source_frames": 62'), FindingKind.MISSING_MEMBER, 2),
        (('"q1"', '"q1", "remarks": "soft"'), FindingKind.OTHER_TYPE, 2),
        (('"q1"', '"q1", "remarks": [7]'), FindingKind.OTHER_TYPE, 2),
        (("62", "true"), FindingKind.OTHER_TYPE, 2),
        (("62", '"62"'), FindingKind.OTHER_TYPE, 2),
        (("62", "62.0"), FindingKind.OTHER_TYPE, 2),
        (("62", "1e3"), FindingKind.OTHER_TYPE, 2),
        (("62", "NaN"), FindingKind.OTHER_TYPE, 2),
        (("62", "0"), FindingKind.FIELD_OUT_OF_RANGE, 2),
        (("62", "-5"), FindingKind.FIELD_OUT_OF_RANGE, 2),
        (("62", "1000001"), FindingKind.FIELD_OUT_OF_RANGE, 2),
        (("62", "9" * 5000), FindingKind.FIELD_OUT_OF_RANGE, 2),
        (("90000", "2159938"), FindingKind.FIELD_OUT_OF_RANGE, 2),
        (("{", "["), FindingKind.UNREADABLE_LINE, 1),
        (("]}", "]}}"), FindingKind.UNREADABLE_LINE, 3),
        (("]}", ",]}"), FindingKind.UNREADABLE_LINE, 3),
        (("]}", "]"), FindingKind.UNREADABLE_LINE, 3),
        (('"uses"', "uses"), FindingKind.UNREADABLE_LINE, 1),
        (('"uses"', "5"), FindingKind.UNREADABLE_LINE, 1),
        (("62", "[" * 100_000), FindingKind.UNREADABLE_LINE, 2),
        (("\n{", "\n7, {"), FindingKind.OTHER_TYPE, 2),
    ],
    ids=lambda value: str(value)[:40],
)
def test_a_document_that_cannot_be_taken(change: tuple[str, str], kind: FindingKind, line: int) -> None:
    found = refusal(ONE.replace(*change, 1), JSON)
    assert (kind, line) in [(finding.kind, finding.line) for finding in found]
    assert len([finding for finding in found if finding.fault]) <= 2


@pytest.mark.parametrize(
    ("uses", "kind"),
    [("[]", FindingKind.NO_EVENT), ("{}", FindingKind.OTHER_TYPE), ("null", FindingKind.MISSING_MEMBER)],
)
def test_a_document_without_uses_is_refused(uses: str, kind: FindingKind) -> None:
    assert refused(f'{{"frame_rate": "25/1", "uses": {uses}}}', JSON) == [(kind, 1)]
