"""Cut lists for tests, written the plain way: numbers of frames in, the text of an edit decision list out."""

from collections.abc import Iterable


def label(frame: int, fps: int = 25) -> str:
    """A frame number as hours, minutes, seconds and frames at a whole rate."""
    seconds, frames = divmod(frame, fps)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}:{frames:02d}"


def event(number: int, reel: str, *, source_in: int, record_in: int, frames: int, fps: int = 25) -> str:
    """A straight cut of so many frames."""
    sides = (source_in, source_in + frames, record_in, record_in + frames)
    return f"{number:03d}  {reel:<8} V     C        " + " ".join(label(side, fps) for side in sides)


def edl(*shots: tuple[str, int] | tuple[str, int, int], start: int = 90_000, fps: int = 25) -> bytes:
    """A list of (reel, length) or (reel, length, first source frame) one after the other from this frame of the record.

    The source side begins at frame 1000 where nothing else is said.
    """
    return ("TITLE: LANTERN BAY 101\nFCM: NON-DROP FRAME\n" + "\n".join(_events(shots, start, fps)) + "\n").encode()


def _events(shots: Iterable[tuple[str, int] | tuple[str, int, int]], start: int, fps: int) -> Iterable[str]:
    at = start
    for number, (reel, frames, *source) in enumerate(shots, start=1):
        yield event(number, reel, source_in=source[0] if source else 1000, record_in=at, frames=frames, fps=fps)
        at += frames
