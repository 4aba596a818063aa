"""Read an edit decision list (SMPTE ST 258:2004 by name; what its text says of lines is from memory).

The record side is the length of a use, and nothing is dropped, shifted or filled: what a list does not say clearly is a
fault with its line. Picture events alone are read; a dissolve or wipe of nnn frames needs nnn extra frames of the shot
it leaves. Comments after an event belong to it. Those that `service.domain.edl_text` writes are read too:
`* SCENE: …`, `* REMARK: …`, `* EXTRA FRAMES: …`, `* SOURCE REEL: …` and `* NO SOURCE`.
"""

import re
from collections.abc import Iterator
from typing import assert_never

from service.domain.codes import CODE_RULE
from service.domain.edl_clips import Clip, hear, left_names_of, names_of
from service.domain.edl_lines import Comment, CountingMode, Event, Key, Line, Note, Speed, Title, Unreadable, edl_lines
from service.domain.findings import FindingKind, Findings
from service.domain.labels import Labels
from service.domain.readings import NameFrom, Reading
from service.domain.speeds import FREEZE, speed_reel
from service.domain.uses import MOST_REMARKS, CutList, Use, cut_list

_OWN = re.compile(r"\*\s*(?:(SCENE|REMARK|EXTRA FRAMES|SOURCE REEL):\s*(.+)|NO SOURCE)", re.IGNORECASE)
_NUMBER = re.compile(r"[0-9]{1,9}")


def read_edl(text: str, reading: Reading, findings: Findings) -> CutList:
    """The uses of the shots in *text*.

    Raises ListUnreadable where there is any fault.
    """
    events = _Events(reading, findings)
    for line, said in edl_lines(text):
        events.take(line, said)
    return events.conclude()


class _Events:
    """The events of one list as they are read, line by line."""

    def __init__(self, reading: Reading, findings: Findings) -> None:
        self._reading = reading
        self._findings = findings
        self._labels = Labels(reading.frame_rate, findings)
        self._title: str | None = None
        self._clips: list[Clip] = []
        # A line of no length, until the dissolve it begins follows.
        self._cut_line: Clip | None = None
        # The picture event that comments belong to.
        self._current: Clip | None = None

    def take(self, line: int, said: Line) -> None:
        match said:
            case Event():
                self._take_event(line, said)
            case Comment():
                self._take_comment(line, said.text)
            case Speed():
                self._take_speed(line, said.text)
            case Title():
                self._take_title(line, said.text)
            case CountingMode():
                self._labels.state(line, drop_frame=said.drop_frame)
            case Note.STATEMENT:
                self._findings.add(FindingKind.STATEMENT_UNUSED, line, "a statement that says nothing of a use")
            case Note.PEOPLE:
                pass
            case Key():
                detail = (
                    "a key lays one picture over another; give the list of the picture below, or of the finished one"
                )
                self._findings.add(FindingKind.KEY, line, detail)
                self._current = None
            case Unreadable():
                self._findings.add(FindingKind.UNREADABLE_LINE, line, said.detail)
                self._current = None
            case _:
                assert_never(said)

    def conclude(self) -> CutList:
        self._end_cut_line()
        for clip in self._clips:
            self._name(clip)
        self._leave()
        return cut_list(
            self._uses(),
            self._findings,
            numbering=self._labels.numbering,
            title=self._title,
            black=[(clip.record_in, clip.record_out) for clip in self._clips if clip.event.black],
        )

    def _uses(self) -> Iterator[Use]:
        return (clip.use(clip.shot) for clip in self._clips if clip.shot is not None)

    def _take_event(self, line: int, event: Event) -> None:
        clip = self._clip(line, event)
        if not event.picture:
            if self._current is not None and self._current.event.number != event.number:
                self._current = None
            return
        self._current = clip
        if clip is None:
            self._cut_line = None
        elif event.dissolve_frames is None and clip.frames == 0:
            self._end_cut_line()
            self._cut_line = clip
        else:
            self._take_picture(clip)

    def _clip(self, line: int, event: Event) -> Clip | None:
        sides = [self._labels.frame(label, line) for label in event.labels]
        source_in, source_out, record_in, record_out = sides
        if source_in is None or source_out is None or record_in is None or record_out is None:
            return None
        for side, start, stop in (("source", source_in, source_out), ("record", record_in, record_out)):
            if stop < start:
                detail = f"the {side} side ends {start - stop} frames before it begins; no list runs past midnight"
                self._findings.add(FindingKind.BACKWARDS, line, detail)
                return None
        return Clip(
            event=event,
            line=line,
            source_in=source_in,
            source_frames=source_out - source_in,
            record_in=record_in,
            frames=record_out - record_in,
        )

    def _take_picture(self, clip: Clip) -> None:
        dissolve = clip.event.dissolve_frames
        if dissolve is not None and self._cut_line is not None and self._cut_line.event.number == clip.event.number:
            clip.cut_line, self._cut_line = self._cut_line, None
            if clip.cut_line.record_in != clip.record_in:
                detail = "the cut line of a dissolve stands where the dissolve begins on the record side"
                self._findings.add(FindingKind.OUTGOING_ELSEWHERE, clip.line, detail)
        self._end_cut_line()
        if clip.frames == 0:
            self._findings.add(FindingKind.NO_LENGTH, clip.line, "no frames on the record side; a use has at least one")
        elif dissolve is not None and dissolve > clip.frames:
            detail = f"a dissolve of {dissolve} frames into {clip.frames}; it ends with the event at the latest"
            self._findings.add(FindingKind.FIELD_OUT_OF_RANGE, clip.line, detail)
        else:
            self._clips.append(clip)

    def _end_cut_line(self) -> None:
        """A line of no length is the beginning of a dissolve of the same number, or nothing."""
        if self._cut_line is not None:
            detail = "no frames on the record side, and no dissolve of the same number follows"
            self._findings.add(FindingKind.NO_LENGTH, self._cut_line.line, detail)
            self._cut_line = None

    def _take_title(self, line: int, text: str) -> None:
        if self._title is not None:
            self._findings.add(FindingKind.STATEMENT_UNUSED, line, "a second title; the first is kept")
        elif text:
            self._title = text

    def _take_speed(self, line: int, text: str) -> None:
        clip = self._current
        if clip is None or clip.event.black:
            self._findings.add(FindingKind.STATEMENT_UNUSED, line, "a speed line that follows no picture event")
            return
        reel, left = (speed_reel(text) or "").upper(), clip.cut_line
        # The outgoing picture's speed is said again after the dissolve.
        if left is not None and reel == left.event.reel.upper() != clip.event.reel.upper():
            clip = left
        clip.remarks.append(text)

    def _take_comment(self, line: int, text: str) -> None:
        clip = self._current
        if clip is None:
            return
        hear(clip, text, self._reading)
        if FREEZE.fullmatch(text):
            clip.remarks.append(text)
        elif own := _OWN.fullmatch(text):
            self._take_own(line, clip, (own[1] or "").upper(), own[2] or "")

    def _take_own(self, line: int, clip: Clip, word: str, text: str) -> None:
        match word:
            case "SCENE" if clip.scene not in {None, text}:
                self._findings.add(FindingKind.SCENES_DIFFER, line, f"a second scene; {clip.scene} is kept")
            case "SCENE":
                clip.scene = text
            case "REMARK":
                clip.remarks.append(text)
            case "SOURCE REEL":
                clip.source_reel = text
            case "EXTRA FRAMES" if _NUMBER.fullmatch(text):
                clip.extra_frames = int(text)
            case "":
                clip.sourceless = True

    def _name(self, clip: Clip) -> None:
        if clip.event.black:
            return
        names = names_of(clip, self._reading)
        if len(names) == 1:
            (clip.shot,) = names
        elif names:
            detail = f"named {' and '.join(sorted(names))}; an event is of one shot"
            self._findings.add(FindingKind.TWO_NAMES, clip.line, detail)
        else:
            self._findings.add(FindingKind.NO_NAME, clip.line, self._naming_rule(clip))

    def _naming_rule(self, clip: Clip) -> str:
        pattern = self._reading.name_pattern
        if self._reading.name_from is NameFrom.REEL:
            right = f"a code is {CODE_RULE}, and AX no reel" if pattern is None else f"the pattern is {pattern.text}"
            return f"the reel {clip.event.reel} names no shot; {right}"
        word = "TO" if clip.event.dissolve_frames is not None else "FROM"
        right = f"* {word} CLIP NAME: and a code" if pattern is None else f"the pattern is {pattern.text}"
        return f"no comment after the event names its shot; {right}"

    def _leave(self) -> None:
        """Give the extra frames each dissolve needs to the use it leaves.

        Of pictures that lie over each other that is the one listed last before the dissolve.
        """
        every: dict[tuple[int, str | None], Clip] = {}
        for clip in self._clips:
            every |= _ending(clip)
        before: dict[tuple[int, str | None], Clip] = {}
        for clip in self._clips:
            if clip.event.dissolve_frames is not None and not (clip.cut_line and clip.cut_line.event.black):
                names = left_names_of(clip, self._reading)
                asked: list[str | None] = [*sorted(names)] or [None]
                keys = [(clip.record_in, name) for name in asked]
                left = next((ends[key] for ends in (before, every) for key in keys if key in ends), None)
                self._leave_one(clip, left, names)
            before |= _ending(clip)

    def _leave_one(self, clip: Clip, left: Clip | None, names: set[str]) -> None:
        if left is not None and not left.event.black:
            left.extra_frames = max(left.extra_frames, clip.event.dissolve_frames or 0)
            for remark in clip.cut_line.remarks if clip.cut_line is not None else []:
                if len(left.remarks) <= MOST_REMARKS and remark not in left.remarks:
                    left.remarks.append(remark)
        elif names:
            detail = f"a dissolve from {' or '.join(sorted(names))}, of which no use ends where the dissolve begins"
            self._findings.add(FindingKind.OUTGOING_ELSEWHERE, clip.line, detail)
        elif left is None:
            detail = "a dissolve where no use ends; read as one from black"
            self._findings.add(FindingKind.DISSOLVE_FROM_NOTHING, clip.line, detail, shot=clip.shot)


def _ending(clip: Clip) -> dict[tuple[int, str | None], Clip]:
    """Where *clip* ends, for those who ask by its shot and for those who ask for any."""
    return {(clip.record_out, clip.shot): clip, (clip.record_out, None): clip}
