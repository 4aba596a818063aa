"""The uses of shots in a cut: what a cut list says, whichever format it came in."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from service.domain.codes import CODE_RULE, is_code
from service.domain.findings import Finding, FindingKind, Findings
from service.domain.speeds import explains_length
from service.domain.texts import fault_of
from service.domain.timecodes import Numbering

MOST_USE_FRAMES = 1_000_000
MOST_USES = 20_000
MOST_REMARKS = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """One unbroken use of a shot in the cut.

    `record_in` is the frame number of its first frame in the programme, counted from 00:00:00:00, `frames` its length
    there. `source` is the reel it comes from, `source_in` the frame number there and `source_frames` the length there,
    other than `frames` under a speed line; both or neither are known. `extra_frames` are the frames beyond the use that
    a dissolve at its end needs. `remarks` are speed and freeze lines as they stand in the list. `line` is where the use
    begins in the list, from 1.
    """

    shot: str
    record_in: int
    frames: int
    source: str | None
    source_in: int | None
    source_frames: int | None
    extra_frames: int = 0
    scene: str | None = None
    remarks: tuple[str, ...] = ()
    line: int = field(compare=False)

    @property
    def record_out(self) -> int:
        """The frame number after the last."""
        return self.record_in + self.frames


@dataclass(frozen=True, slots=True, kw_only=True)
class CutList:
    """A list as it was read: its uses in the order of the list, and the remarks of the reading."""

    frame_rate: Fraction
    drop_frame: bool
    title: str | None
    uses: tuple[Use, ...]
    findings: tuple[Finding, ...] = field(compare=False)


def cut_list(
    uses: Iterable[Use],
    findings: Findings,
    *,
    numbering: Numbering,
    title: str | None,
    black: Iterable[tuple[int, int]] = (),
) -> CutList:
    """The list of *uses*, panels of one shot joined; *black* are record sides (in, out) that hold no shot.

    Raises ListUnreadable where there is any fault.
    """
    written = list(uses)
    title_fault = fault_of(title or "")
    if title_fault is not None:
        findings.add(FindingKind.FIELD_OUT_OF_RANGE, 1, f"the title {title_fault}")
    for use in written:
        _check(use, numbering, findings)
    kept = _joined(written, findings)
    for use in kept:
        for size, most, what in (
            (use.frames, MOST_USE_FRAMES, "frames"),
            (len(use.remarks), MOST_REMARKS, "remarks"),
        ):
            if size > most:
                detail = f"{size} {what} in one use; it has at most {most}"
                findings.add(FindingKind.FIELD_OUT_OF_RANGE, use.line, detail, shot=use.shot)
    if len(kept) > MOST_USES:
        detail = f"{len(kept)} uses; a list has at most {MOST_USES}"
        findings.add(FindingKind.TOO_MUCH, kept[MOST_USES].line, detail)
    if not kept and not findings.faults:
        findings.add(FindingKind.NO_EVENT, 1, "no shot is used in this list; a list has at least one picture event")
    _compare_neighbours(kept, black, findings)
    return CutList(
        frame_rate=numbering.frame_rate,
        drop_frame=numbering.drop_frame,
        title=title,
        uses=tuple(kept),
        findings=findings.settle(),
    )


def _check(use: Use, numbering: Numbering, findings: Findings) -> None:
    for detail in _faults(use, numbering.day_frames):
        findings.add(FindingKind.FIELD_OUT_OF_RANGE, use.line, detail, shot=use.shot)
    if use.source_frames not in {None, use.frames} and not any(map(explains_length, use.remarks)):
        detail = f"{use.source_frames} frames of source for {use.frames} of record, and no speed line; record counts"
        findings.add(FindingKind.LENGTHS_DIFFER, use.line, detail, shot=use.shot)


def _faults(use: Use, day_frames: int) -> Iterable[str]:
    if not is_code(use.shot):
        yield f"{use.shot!r} is no code of a shot; one is {CODE_RULE}"
    texts = (("source", use.source), ("scene", use.scene), *(("remark", remark) for remark in use.remarks))
    for name, text in texts:
        fault = fault_of(text or "")
        if fault is not None:
            yield f"the {name} {fault}"
    if use.frames < 1:
        yield f"{use.frames} frames; a use has at least one"
    if not 0 <= use.extra_frames <= MOST_USE_FRAMES:
        yield f"{use.extra_frames} extra frames; a dissolve needs 0 to {MOST_USE_FRAMES}"
    # The label after the last frame has to be written too, and no label is later than the day's last.
    if not 0 <= use.record_in <= use.record_out < day_frames:
        yield f"the record side runs from frame {use.record_in} to {use.record_out}; a day ends with {day_frames - 1}"
    if use.source_in is None or use.source_frames is None:
        return
    source_out = use.source_in + use.source_frames
    if not 0 <= use.source_in <= source_out < day_frames:
        yield f"the source side runs from frame {use.source_in} to {source_out}; a day ends with {day_frames - 1}"


def _joined(uses: Iterable[Use], findings: Findings) -> list[Use]:
    """The uses, those of one shot that follow each other on the record and in the list made one.

    A dissolve between two of them keeps them apart, since the first needs frames that the second does not show.
    """
    panels: list[list[Use]] = []
    for use in uses:
        last = panels[-1][-1] if panels else None
        if last is None or last.shot != use.shot or last.extra_frames or last.record_out != use.record_in:
            panels.append([])
        panels[-1].append(use)
    return [_one(each, findings) if len(each) > 1 else each[0] for each in panels]


def _one(panels: Sequence[Use], findings: Findings) -> Use:
    first = panels[0]
    scene = next((panel.scene for panel in panels if panel.scene is not None), None)
    for panel in panels:
        if panel.scene not in {None, scene}:
            detail = f"scene {panel.scene} for a shot that began in scene {scene}, which is kept"
            findings.add(FindingKind.SCENES_DIFFER, panel.line, detail, shot=panel.shot)
    source, source_in, source_frames = first.source, first.source_in, _source_frames(panels)
    if source_frames is None:
        known = {(panel.source, panel.source_in) for panel in panels}
        source_in = None
        if known != {(source, None)}:
            source = None
            detail = "panels of one shot whose source sides do not follow each other; the use is kept without a source"
            findings.add(FindingKind.SOURCES_APART, first.line, detail, shot=first.shot)
    return replace(
        first,
        frames=sum(panel.frames for panel in panels),
        source=source,
        source_in=source_in,
        source_frames=source_frames,
        extra_frames=panels[-1].extra_frames,
        scene=scene,
        remarks=tuple(remark for panel in panels for remark in panel.remarks),
    )


def _source_frames(panels: Sequence[Use]) -> int | None:
    """How long the source side of all *panels* is, None where they do not follow each other on one reel."""
    first = panels[0]
    follows = first.source_in
    for panel in panels:
        if panel.source_in is None or panel.source_frames is None:
            return None
        if panel.source != first.source or panel.source_in != follows:
            return None
        follows = panel.source_in + panel.source_frames
    return None if follows is None or first.source_in is None else follows - first.source_in


def _compare_neighbours(uses: Iterable[Use], black: Iterable[tuple[int, int]], findings: Findings) -> None:
    """Note where the record sides of two uses overlap, and where neither a use nor black lies between them."""
    sides: list[tuple[int, int, Use | None]] = [(use.record_in, use.record_out, use) for use in uses]
    sides += [(start, stop, None) for start, stop in black]
    shown_until = covered_until = -1
    for start, stop, use in sorted(sides, key=lambda side: side[:2]):
        if use is not None and start < shown_until:
            common = min(stop, shown_until) - start
            detail = f"{common} frames of the record side are those of another use too; all are kept as written"
            findings.add(FindingKind.OVERLAP, use.line, detail, shot=use.shot)
        if use is not None and shown_until >= 0 and start > covered_until:
            detail = f"{start - covered_until} frames of the record side before it hold nothing"
            findings.add(FindingKind.GAP, use.line, detail, shot=use.shot)
        covered_until = max(covered_until, stop)
        if use is not None:
            shown_until = max(shown_until, stop)
