"""Troubles: what a terminal cannot do, each a type whose docstring is what the person at the stage reads.

Each is explained in README.md beside this file, under the name that `--json` gives it.
"""

import inspect
import re
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import ClassVar


class Exit(IntEnum):
    """What the command's exit code says to a script."""

    DONE = 0
    """Done; of a count: it is in the spool for good, whether or not it is sent already."""
    FAILED = 1
    """Not done, and nothing was entered or changed; what is printed says what would be right."""
    USAGE = 2
    """The command line is not as it should be."""
    UNSENT = 3
    """Entries wait, because the service does not answer; nothing is lost."""
    SHUT_OUT = 4
    """The service answers, but does not take this terminal's key; entries wait, nothing is lost."""
    REJECTED = 5
    """Entries lie in `rejected` and need somebody to look at them."""
    NOT_KEPT = 6
    """The entry is not in the spool: write it down, it is nowhere else."""


# Not frozen: contextlib assigns __traceback__ to an exception that passes through it, which a frozen class forbids.
@dataclass(eq=False)
class Trouble(Exception):
    """Something cannot be done."""

    EXIT: ClassVar[Exit] = Exit.FAILED

    def __str__(self) -> str:
        text = " ".join(inspect.cleandoc(type(self).__doc__ or "").split())
        return text.format_map({field.name: getattr(self, field.name) for field in fields(self)})

    @classmethod
    def slug(cls) -> str:
        """Its stable name: the class's, in lower case with hyphens."""
        return re.sub(r"(?<!^)(?=[A-Z])", "-", cls.__name__).lower()


@dataclass(eq=False)
class NotEnrolled(Trouble):
    """There is no enrolment {path} on this computer: run `tiedown-terminal enrol` first."""

    path: str


@dataclass(eq=False)
class EnrolmentUnreadable(Trouble):
    """The enrolment {path} cannot be read ({reason}): run `tiedown-terminal enrol` again; the spool is not touched."""

    path: str
    reason: str


@dataclass(eq=False)
class EnrolmentUnfit(Trouble):
    """{what} {text!r} cannot be: {rule}."""

    what: str
    text: str
    rule: str


@dataclass(eq=False)
class NoProduction(Trouble):
    """Which production? Say --production CODE, or enrol again with one."""


@dataclass(eq=False)
class NothingToFollow(Trouble):
    """{missing} is not known: give it to `follow`, or to `enrol` once and for all."""

    missing: str


@dataclass(eq=False)
class OtherStage(Trouble):
    """The key is of terminal {terminal} of stage {stage}, not of stage {wanted}: use that one's key or name."""

    terminal: str
    stage: str
    wanted: str


@dataclass(eq=False)
class OtherProduction(Trouble):
    """The key counts for the production {production} alone, not for {wanted}."""

    production: str
    wanted: str


@dataclass(eq=False)
class NoAnswer(Trouble):
    """{server} does not answer ({reason}): what waits is sent when it does."""

    EXIT = Exit.UNSENT

    server: str
    reason: str
    retry_after_s: float = 0.0


@dataclass(eq=False)
class NotTheService(Trouble):
    """What answers at {server} is not Tiedown ({reason}): look at the address, and at what lies between."""

    EXIT = Exit.UNSENT

    server: str
    reason: str


@dataclass(eq=False)
class KeyNotTaken(Trouble):
    """The service does not take this terminal's key: {reason} Enrol again with a new key; what waits is kept."""

    EXIT = Exit.SHUT_OUT

    reason: str


@dataclass(eq=False)
class Refused(Trouble):
    """The service refuses this: {reason}."""

    kind: str
    reason: str
    status: int = 0


@dataclass(eq=False)
class NotKept(Trouble):
    """NOT KEPT: the spool {path} cannot be written ({reason}). Write the total down, make room, and enter it again."""

    EXIT = Exit.NOT_KEPT

    path: str
    reason: str


@dataclass(eq=False)
class SpoolStuck(Trouble):
    """The spool {path} cannot be written ({reason}): make room; what is in it is kept, and is sent when it can be."""

    EXIT = Exit.UNSENT

    path: str
    reason: str


@dataclass(eq=False)
class SpoolUnreadable(Trouble):
    """The spool {path} cannot be read ({reason}): move it aside and keep it; a new one is begun, folders count anew."""

    EXIT = Exit.NOT_KEPT

    path: str
    reason: str


@dataclass(eq=False)
class Unfit(Trouble):
    """{what} {text!r} cannot be: it is {rule}."""

    what: str
    text: str
    rule: str


@dataclass(eq=False)
class NotSpoken(Trouble):
    """The service does not take {kind!r} in a stage's log: nothing was entered."""

    kind: str


@dataclass(eq=False)
class NotRejected(Trouble):
    """There is no rejected entry {serial}: `tiedown-terminal rejected` lists them."""

    serial: int


@dataclass(eq=False)
class NotACount(Trouble):
    """The rejected entry {serial} is no count, so it has no shot and no take: send it again or drop it."""

    serial: int


@dataclass(eq=False)
class PatternUnclear(Trouble):
    """{reason}. A pattern is a path below the followed folder, as {example}; it has {{shot}} and {{frame}} at least."""

    reason: str
    example: str = "{shot}/take_{take}/{camera}/*{frame}.*"


@dataclass(eq=False)
class MarkUnclear(Trouble):
    """{reason}. A mark is NAME=TEXT of the example, as shot=e1-quay-1; frame=0001@2 is the second place of 0001."""

    reason: str


@dataclass(eq=False)
class FolderAway(Trouble):
    """The folder {path} cannot be read ({reason}): it is looked for again; nothing counts as deleted meanwhile."""

    EXIT = Exit.UNSENT

    path: str
    reason: str


@dataclass(eq=False)
class AlreadyFollowed(Trouble):
    """Another process of this computer follows folders already: end that one first."""


@dataclass(eq=False)
class BeingSent(Trouble):
    """Another process of this computer is sending just now; it takes everything that waits."""

    EXIT = Exit.UNSENT
