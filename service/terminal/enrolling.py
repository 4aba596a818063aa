"""Enrolling a computer: the connection tried, the stage's shots shown, a pattern made from an example file."""

import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from service.terminal import enrolment
from service.terminal.doors import Door, Known
from service.terminal.enrolment import SPOOL, Enrolment
from service.terminal.folders import Folder, examples
from service.terminal.patterns import ANY, FramePattern, below, marked
from service.terminal.spool import Spool
from service.terminal.troubles import (
    EnrolmentUnfit,
    EnrolmentUnreadable,
    FolderAway,
    MarkUnclear,
    NotEnrolled,
    OtherProduction,
    OtherStage,
)

Json = dict[str, Any]
Ask = Callable[[str], str]

QUESTIONS = (
    ("shot", "Which piece of it is the shot"),
    ("take", "Which number is the take (leave empty if it is always take 1)"),
    ("camera", "Which piece is the camera (leave empty for none)"),
    ("pass", "Which piece is the pass (leave empty for none)"),
    ("frame", "Which number is the frame"),
    (ANY, "Which piece may be anything, as a date (leave empty for none)"),
)


@dataclass(frozen=True, slots=True)
class Enrolled:
    """How the enrolling went: where it is kept, what the service said, and what a pattern finds in the folder."""

    path: Path
    enrolment: Enrolment
    known: Known | None
    shots: Sequence[Json]
    frames: int | None
    takes: int | None
    away: FolderAway | None


def proposed(home: Path, given: Json) -> Enrolment:
    """What is to be kept: what was given, and else what was kept before; raises EnrolmentUnfit, NotEnrolled."""
    said = {name: value for name, value in given.items() if value is not None}
    for name in ("stage", "production"):
        if name in said:
            said[name] = unicodedata.normalize("NFC", said[name])
    try:
        before = enrolment.read(home)
    except (NotEnrolled, EnrolmentUnreadable):
        missing = [name for name in ("server", "key", "stage") if name not in said]
        if missing:
            options = ", ".join(f"--{name}" for name in missing)
            raise EnrolmentUnfit("A first enrolment", "without " + ", ".join(missing), f"give {options} too") from None
        return Enrolment(**said)
    return replace(before, **said)


def pattern_shown(folder: str | None, example: str, *, marks: Sequence[str], ask: Ask | None) -> str:
    """The pattern of an example file, its pieces marked, or else asked for; raises MarkUnclear, PatternUnclear."""
    path = below(folder or ".", example)
    if not marks and ask is None:
        raise MarkUnclear("An example needs its pieces marked: --mark shot=… --mark take=… --mark frame=…")
    if not marks and ask is not None:
        marks = [f"{name}={said}" for name, question in QUESTIONS if (said := ask(f"{path}\n{question}? ").strip())]
    text = marked(path, marks)
    return FramePattern.of(text).text


def first_example(folder: str) -> str | None:
    """A file of the folder to show, the first of the deepest first folder; None where there is none."""
    return next(examples(Path(folder)), None)


def enrol(home: Path, wanted: Enrolment, *, untested: bool) -> Enrolled:
    """Try the connection (unless `untested`) and keep the enrolment; raises what keeps it from working.

    The spool is made where there is none, and otherwise left as it is.
    """
    if wanted.pattern is not None:
        wanted = replace(wanted, pattern=FramePattern.of(wanted.pattern).text)
    known: Known | None = None
    shots: list[Json] = []
    if not untested:
        with Spool(home / SPOOL) as spool, Door(wanted.server, wanted.key) as door:
            known = door.known(spool.id)
            wanted = _bound(wanted, known)
            if wanted.production is not None:
                shots = list(door.shots(wanted.production, wanted.stage))
    path = enrolment.write(home, wanted)
    try:
        frames, takes = _tried(wanted)
    except FolderAway as away:
        # A share may be away today.
        return Enrolled(path, wanted, known, shots, None, None, away)
    return Enrolled(path, wanted, known, shots, frames, takes, None)


def _bound(wanted: Enrolment, known: Known) -> Enrolment:
    if known.stage != wanted.stage:
        raise OtherStage(known.terminal, known.stage, wanted.stage)
    if known.production is not None and wanted.production not in {None, known.production}:
        raise OtherProduction(known.production, wanted.production or "")
    return replace(wanted, production=wanted.production or known.production)


def _tried(wanted: Enrolment) -> tuple[int | None, int | None]:
    if wanted.folder is None or wanted.pattern is None:
        return None, None
    look = Folder(Path(wanted.folder), FramePattern.of(wanted.pattern)).look()
    return sum(len(found.frames) for found in look.found.values()), len(look.found)
