"""What a channel is, a way a notice leaves the house: the one file the author of a channel imports.

A channel takes one message to one target and says what came of it; it keeps no state between calls and reads no wall
clock. It is found by an entry point of the group `tiedown.channels.v1` whose name is the channel's name and whose
object is a class that is called with its settings. Tries, pauses, order and the record of them are the caller's. A
change of this file that would break a channel is a new group, `tiedown.channels.v2`; within the first, things are only
added.

Every instant is in UTC.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, ClassVar, Protocol

from pydantic import BaseModel, ConfigDict

from service.domain.channels import Receipt

__all__ = ["ENTRY_POINTS", "Channel", "Message", "NoSettings", "Receipt", "Sent", "Target"]

ENTRY_POINTS = "tiedown.channels.v1"
# They go into headers, file names and identifiers of mail, and so hold nothing that means something there.
_ID = re.compile(r"msg_[A-Za-z0-9_-]{1,64}")
_KIND = re.compile(r"[a-z0-9_]+(\.[a-z0-9_]+)*")


class NoSettings(BaseModel):
    """The settings of a channel that has none."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Target(BaseModel):
    """Where a watch sends to, as its owner wrote it; a channel's `Target` adds the fields. Any owner may be hostile."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What is to be told, the same at every try.

    `id` is `msg_` and up to 64 letters, digits, hyphens and underscores; a receiver that is sent one id twice was told
    once. `watch` is the name of the watch it is sent for, `kind` what it tells of (small words with dots between, such
    as `take.finished`), `made_at` when it was made. `subject` is one line, `text` the whole in plain text, `html` the
    same for a page, `data` the same for a machine, in plain JSON values. Raises ValueError for another `id` or `kind`,
    and for a time that is not in UTC.
    """

    id: str
    watch: str
    kind: str
    made_at: datetime
    subject: str
    text: str
    html: str
    data: Mapping[str, Any]

    def __post_init__(self) -> None:
        if not _ID.fullmatch(self.id):
            raise ValueError(
                f"the id of a message is `msg_` and letters, digits, hyphens, underscores, not {self.id!r}"
            )
        if not _KIND.fullmatch(self.kind):
            raise ValueError(f"the kind of a message is small words with dots between them, not {self.kind!r}")
        if self.made_at.utcoffset() != timedelta():
            raise ValueError(f"a message is made at an instant in UTC, not {self.made_at.isoformat()}")


@dataclass(frozen=True, slots=True)
class Sent:
    """What a try came to.

    `outcome` says what is done next. `detail` is a sentence or two for an operator at night: what happened and, unless
    it was delivered, what would be right; never a secret, never what the receiver's owner may not read. `status` is the
    receiver's code, of HTTP or SMTP, where it gave one. `retry_after_s` are the seconds it asked to be left alone.
    """

    outcome: Receipt
    detail: str
    status: int | None = None
    retry_after_s: float | None = None


class Channel(Protocol):
    """What a plugin provides. Subclass it, set `name`, `Settings` and `Target`, and write `send`.

    `name` is lower-case letters, digits and hyphens, 63 at most, and the name of its entry point. `Settings` is a
    pydantic model of the operator's part, `[channels.NAME]` in the settings file; `enabled` is no name for a field of
    it, since with `enabled = false` an operator keeps a channel from being imported at all. `Target` is a pydantic
    model of what a watch says about where its messages go.
    """

    name: ClassVar[str]
    Settings: ClassVar[type[BaseModel]] = NoSettings
    Target: ClassVar[type[BaseModel]] = Target

    def __init__(self, settings: BaseModel) -> None:
        """Make the channel with an instance of its `Settings`. Raise ValueError where they contradict each other."""

    def send(self, message: Message, target: BaseModel, *, secrets: Sequence[str], now: datetime) -> Sent:
        """Take a message to a target, an instance of the channel's `Target`; `now` is the instant of this try.

        It may be called from several threads at once, and again with the same message after a failure or a death of the
        process: say its id to the receiver, so that twice can be known as once. `secrets` are those of the watch,
        newest first, more than one while they change; none where it has none. It ends within a minute. Nothing a
        receiver does makes it raise; what it raises all the same counts as failed.
        """
        raise NotImplementedError
