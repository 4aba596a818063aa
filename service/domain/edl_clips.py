"""Picture events of an edit decision list with what the lines after them say, until each becomes a use of a shot."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from service.domain.codes import is_code
from service.domain.edl_lines import Event
from service.domain.readings import NameFrom, Reading
from service.domain.uses import Use

# An auxiliary source: it says only that the picture came from no reel (common practice).
_NO_REEL = "AX"
_CLIP_NAME = re.compile(r"\*\s*(FROM|TO) CLIP NAME:\s*(.*)", re.IGNORECASE)


@dataclass(slots=True)
class Clip:
    """A picture event. `cut_line` is the line of no length before a dissolve, which says what is left by it.

    `names` are the codes that comments after it gave, those of `from_names` and `to_names` after the words FROM and TO.
    """

    event: Event
    line: int
    source_in: int
    source_frames: int
    record_in: int
    frames: int
    cut_line: "Clip | None" = None
    names: list[str] = field(default_factory=list)
    from_names: list[str] = field(default_factory=list)
    to_names: list[str] = field(default_factory=list)
    shot: str | None = None
    extra_frames: int = 0
    scene: str | None = None
    source_reel: str | None = None
    sourceless: bool = False
    remarks: list[str] = field(default_factory=list)

    @property
    def record_out(self) -> int:
        """The frame number after the last."""
        return self.record_in + self.frames

    def use(self, shot: str) -> Use:
        """The use of *shot* that this event is."""
        known = not self.sourceless
        return Use(
            shot=shot,
            record_in=self.record_in,
            frames=self.frames,
            source=self.source_reel or (self.event.reel if known else None),
            source_in=self.source_in if known else None,
            source_frames=self.source_frames if known else None,
            extra_frames=self.extra_frames,
            scene=self.scene,
            remarks=tuple(self.remarks),
            line=self.line,
        )


def hear(clip: Clip, comment: str, reading: Reading) -> None:
    """Keep the code of a shot that a comment after *clip* gives, if it gives one."""
    if reading.name_from is not NameFrom.COMMENT:
        return
    clip_name = _CLIP_NAME.fullmatch(comment)
    if reading.name_pattern is None:
        code = clip_name[2] if clip_name and is_code(clip_name[2]) else None
    else:
        # A pattern is written for FROM, and TO names in the same way what a dissolve goes to.
        asked = f"* FROM CLIP NAME: {clip_name[2]}" if clip_name else comment
        code = reading.name_pattern.shot_in(asked) or reading.name_pattern.shot_in(asked.lstrip("* "))
    if code is None:
        return
    match clip_name and clip_name[1].upper():
        case "FROM":
            clip.from_names.append(code)
        case "TO":
            clip.to_names.append(code)
        case _:
            clip.names.append(code)


def names_of(clip: Clip, reading: Reading) -> set[str]:
    """The codes a clip is given: one, if all is well.

    After a dissolve `FROM CLIP NAME` is what it leaves, `TO CLIP NAME` what it goes to (common practice).
    """
    if reading.name_from is NameFrom.REEL:
        return set(_reel_names(clip.event.reel, reading))
    if clip.event.dissolve_frames is None:
        return {*clip.names, *clip.from_names}
    if clip.to_names:
        return set(clip.to_names)
    left = clip.cut_line is not None and not clip.cut_line.event.black
    return set(clip.names) if left else {*clip.names, *clip.from_names}


def left_names_of(clip: Clip, reading: Reading) -> set[str]:
    """The codes given to what the dissolve of *clip* leaves, none where nothing names it."""
    if clip.cut_line is None:
        return set(clip.from_names) if clip.to_names else set()
    if reading.name_from is NameFrom.REEL:
        return set(_reel_names(clip.cut_line.event.reel, reading))
    return {*clip.cut_line.names, *clip.cut_line.from_names, *clip.from_names}


def _reel_names(reel: str, reading: Reading) -> Iterator[str]:
    if reading.name_pattern is not None:
        shot = reading.name_pattern.shot_in(reel)
        if shot is not None:
            yield shot
    elif is_code(reel) and reel.upper() != _NO_REEL:
        yield reel
