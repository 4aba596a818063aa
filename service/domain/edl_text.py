"""Write a cut list as an edit decision list that reads back as the same uses, title and numbering.

Read it with shot names from comments and no pattern: every event has its code after `* FROM CLIP NAME:`, or after
`* TO CLIP NAME:` where a dissolve goes to it. What the lines of the standard have no place for stands in comments of
our own: `* SCENE: …`, `* REMARK: …`, `* SOURCE REEL: …` for a reel that is no single word, `* NO SOURCE` where the
source side is made up, `* EXTRA FRAMES: …` where no dissolve can say them. An edit decision list carries no frame rate.
"""

import re
from collections.abc import Iterator
from enum import Enum
from itertools import pairwise

from service.domain.edl_lines import BLACK
from service.domain.speeds import FREEZE, speed_reel
from service.domain.timecodes import Numbering
from service.domain.uses import CutList, Use

# Three digits are what the form has for a dissolve.
_LONGEST_DISSOLVE = 999
_WORD = re.compile(r"\S+")
_SOME_REEL = "REEL"


class _Left(Enum):
    """How the extra frames of a use are said."""

    NOT = "it has none"
    INTO_NEXT = "by a dissolve into the next use"
    INTO_BLACK = "by a dissolve into black"
    COMMENT = "by a comment"


def write_edl(cut: CutList) -> str:
    """The lines of *cut*, each ended by a line feed."""
    return "".join(f"{line}\n" for line in _Writer(Numbering(cut.frame_rate, cut.drop_frame)).lines(cut))


class _Writer:
    def __init__(self, numbering: Numbering) -> None:
        self._numbering = numbering
        self._number = 0

    def lines(self, cut: CutList) -> Iterator[str]:
        if cut.title is not None:
            yield f"TITLE: {cut.title}"
        yield f"FCM: {'' if cut.drop_frame else 'NON-'}DROP FRAME"
        before: Use | None = None
        for use, after in pairwise([*cut.uses, None]):
            if use is None:
                continue
            left = self._left(use, after)
            yield from self._use(use, before)
            if left is _Left.COMMENT:
                yield f"* EXTRA FRAMES: {use.extra_frames}"
            elif left is _Left.INTO_BLACK:
                yield from self._black(use)
            before = use if left is _Left.INTO_NEXT else None

    def _left(self, use: Use, after: Use | None) -> _Left:
        frames = use.extra_frames
        if frames == 0:
            return _Left.NOT
        follows = after is not None and after.record_in == use.record_out
        if frames > _LONGEST_DISSOLVE or (follows and after is not None and after.frames < frames):
            return _Left.COMMENT
        if follows:
            return _Left.INTO_NEXT
        return _Left.INTO_BLACK if use.record_out + frames < self._numbering.day_frames else _Left.COMMENT

    def _use(self, use: Use, left: Use | None) -> Iterator[str]:
        """The lines of a use, which a dissolve goes to from *left*."""
        self._number += 1
        source_in, source_frames = use.source_in or 0, use.source_frames
        if source_frames is None:
            source_frames = use.frames
        sides = (source_in, source_in + source_frames, use.record_in, use.record_out)
        if left is None:
            yield self._event(_reel(use), "C", *sides)
            yield f"* FROM CLIP NAME: {use.shot}"
        else:
            yield self._cut_line(left)
            yield self._event(_reel(use), f"D    {left.extra_frames:03}", *sides)
            yield f"* FROM CLIP NAME: {left.shot}"
            yield f"* TO CLIP NAME: {use.shot}"
        if use.source_in is None:
            yield "* NO SOURCE"
        if use.source is not None and (use.source_in is None or use.source != _reel(use)):
            yield f"* SOURCE REEL: {use.source}"
        if use.scene is not None:
            yield f"* SCENE: {use.scene}"
        for remark in use.remarks:
            yield remark if _stays(remark, use, left) else f"* REMARK: {remark}"

    def _black(self, use: Use) -> Iterator[str]:
        self._number += 1
        frames = use.extra_frames
        yield self._cut_line(use)
        yield self._event("BL", f"D    {frames:03}", 0, frames, use.record_out, use.record_out + frames)
        yield f"* FROM CLIP NAME: {use.shot}"

    def _cut_line(self, use: Use) -> str:
        source_out = 0
        if use.source_in is not None and use.source_frames is not None:
            source_out = use.source_in + use.source_frames
        return self._event(_reel(use), "C", source_out, source_out, use.record_out, use.record_out)

    def _event(self, reel: str, transition: str, *sides: int) -> str:
        labels = " ".join(self._numbering.label(frame) for frame in sides)
        return f"{self._number:03}  {reel:<8} V     {transition:<8} {labels}"


def _reel(use: Use) -> str:
    """What stands for the reel: the source where it is one word and not black, else the shot's code."""
    reel = use.source if use.source is not None else use.shot
    return reel if _WORD.fullmatch(reel) and reel.upper() not in BLACK else _SOME_REEL


def _stays(remark: str, use: Use, left: Use | None) -> bool:
    """Whether a remark is a line of the standard that is read back as this use's."""
    if FREEZE.fullmatch(remark):
        return True
    reel = speed_reel(remark)
    if reel is None:
        return False
    # After a dissolve the line would be taken for that of the picture left.
    return left is None or not reel.upper() == _reel(left).upper() != _reel(use).upper()
