"""The enrolment: the small file that says which service, which key, which stage, and how frame files are named."""

import json
import os
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from urllib.parse import urlsplit
from uuid import uuid4

from service.terminal.troubles import EnrolmentUnfit, EnrolmentUnreadable, NotEnrolled, NotKept

HOME_VARIABLE = "TIEDOWN_TERMINAL_HOME"
KEY_VARIABLE = "TIEDOWN_TERMINAL_KEY"
FILE = "enrolment.json"
SPOOL = "spool.db"
CODE_RULE = "1 to 64 characters: a letter, a digit or '_' first, then also '.' and '-'"

_CODE = re.compile(r"\w[\w.\-]{0,63}")


@dataclass(frozen=True, slots=True)
class Enrolment:
    """What a terminal knows of its place. `frames_per_capture`: 1 on ones, 2 on twos."""

    server: str
    key: str = field(repr=False)
    stage: str
    production: str | None = None
    folder: str | None = None
    pattern: str | None = None
    frames_per_capture: int = 1

    def __post_init__(self) -> None:
        parts = urlsplit(self.server)
        if parts.scheme not in {"http", "https"} or not parts.hostname:
            raise EnrolmentUnfit(
                "The address", self.server, "it begins with http:// or https://, then names the service"
            )
        if not self.key.isascii() or not self.key.strip() or self.key != self.key.strip():
            raise EnrolmentUnfit("The key", "…", "it is td_, 8 characters, _ and 43 more, as it was shown once")
        for what, code in (("The stage", self.stage), ("The production", self.production)):
            if code is not None and not is_code(code):
                raise EnrolmentUnfit(what, code, f"a code is {CODE_RULE}")
        if not 1 <= self.frames_per_capture <= 1000:  # noqa: PLR2004 - what the service takes
            raise EnrolmentUnfit("Frames per capture", str(self.frames_per_capture), "it is 1 to 1000")


def is_code(text: str) -> bool:
    """Whether the service takes *text* as a code."""
    return _CODE.fullmatch(text) is not None


def home(given: str | None, environment: Mapping[str, str]) -> Path:
    """The folder of this terminal's files: the one given, or named in the environment, or `~/.tiedown-terminal`."""
    named = given or environment.get(HOME_VARIABLE)
    return Path(named).expanduser() if named else Path.home() / ".tiedown-terminal"


def read(folder: Path) -> Enrolment:
    """The enrolment kept in a folder; raises NotEnrolled and EnrolmentUnreadable."""
    path = folder / FILE
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        known = {each.name for each in fields(Enrolment)}
        return Enrolment(**{name: value for name, value in said.items() if name in known})
    except FileNotFoundError:
        raise NotEnrolled(str(path)) from None
    except (OSError, ValueError, TypeError, AttributeError, EnrolmentUnfit) as error:
        raise EnrolmentUnreadable(str(path), str(error)) from None


def write(folder: Path, enrolment: Enrolment) -> Path:
    """Keep an enrolment in a folder, whole or not at all, and for this user's eyes; raises NotKept."""
    path = folder / FILE
    fresh = folder / f".{FILE}.{uuid4().hex}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # The key is in it; where a system knows no such mode, the folder of the user's must do.
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(asdict(enrolment), file, indent=2)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError as error:
        with suppress(OSError):
            fresh.unlink()
        raise NotKept(str(path), error.strerror or str(error)) from error
    return path
