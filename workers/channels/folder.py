"""Notices as files: one JSON document each, in a folder below the operator's.

A file appears whole or not at all, under a name made of the message's time and id, so that a second try finds the first
one's file and makes no other.
"""

import contextlib
import errno
import json
import os
import stat
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from secrets import token_hex
from typing import Annotated, ClassVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from service.domain.channels import Receipt
from workers.channels.contract import Channel, Message, Sent, Target

LONGEST_NAME_BYTES = 200
# Never through a link, so that nobody who may write below the root leads a notice out of it.
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_NEW_FILE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
# Right at the next try, once somebody has done this.
_REMEDIES = {
    errno.ENOSPC: "The disk is full: make room.",
    errno.EDQUOT: "The quota is used up: make room, or raise it.",
    errno.EROFS: "The disk can only be read: mount it for writing.",
    errno.EACCES: "Give the account that Tiedown runs under the right to write there.",
    errno.EPERM: "Give the account that Tiedown runs under the right to write there.",
    errno.ESTALE: "The server of this disk has lost it: mount it again.",
    errno.EIO: "The disk cannot be written: look at it.",
}


def _absolute(path: Path) -> Path:
    if not path.is_absolute():
        raise ValueError("write the whole path, from / on")
    return path


class FolderSettings(BaseModel):
    """The operator's part."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    root: Annotated[Path, AfterValidator(_absolute)] = Field(
        description=(
            "The folder that notices are written below, by its whole path. It is not made, so that a disk that is not "
            "mounted is noticed."
        )
    )


def _inside(folder: str) -> str:
    for part in folder.split("/") if folder else ():
        if part in {"", ".", ".."}:
            raise ValueError("it is a folder below the operator's: names with / between them, none of them . or ..")
        if not part.isprintable() or "\\" in part or part.startswith(".") or len(part.encode()) > LONGEST_NAME_BYTES:
            raise ValueError(
                f"the name of a folder is {LONGEST_NAME_BYTES} bytes at most, begins with no dot, and has no backslash "
                "or control character"
            )
    return folder


class FolderTarget(Target):
    """What a watch says."""

    folder: Annotated[str, AfterValidator(_inside)] = Field(
        default="",
        max_length=1000,
        description="A folder below the operator's, such as `stages/north`; it is made. Empty for that folder itself.",
    )


class Folder(Channel):
    """Writes messages into files."""

    name: ClassVar[str] = "folder"
    Settings: ClassVar[type[BaseModel]] = FolderSettings
    Target: ClassVar[type[BaseModel]] = FolderTarget

    def __init__(self, settings: FolderSettings) -> None:
        self._root = settings.root

    def send(self, message: Message, target: FolderTarget, *, secrets: Sequence[str], now: datetime) -> Sent:  # type: ignore[override]  # noqa: ARG002 - the host makes targets of this channel's own Target; it signs nothing and dates nothing
        """Write it. Refused is a target that leads through a link or a file."""
        name = f"{message.made_at:%Y%m%dT%H%M%SZ}-{message.id}.json"
        shown = self._root / target.folder / name
        try:
            with _opened(self._root, target.folder) as folder:
                if _is_there(folder, name):
                    return Sent(Receipt.DELIVERED, f"{shown} was written before.")
                _write(folder, name, content_of(message))
        except NotADirectoryError:
            return Sent(
                Receipt.REFUSED,
                f"On the way to {shown.parent} is a file, or a link, which is never followed. Give the watch another "
                "folder, or put a real one there and send this again.",
            )
        except FileNotFoundError:
            detail = f"There is no folder {self._root}. Mount its disk, or make it; Tiedown does not."
            return Sent(Receipt.FAILED, detail)
        except OSError as error:
            what = os.strerror(error.errno) if error.errno else type(error).__name__
            remedy = _REMEDIES.get(error.errno or 0, "Look at the disk.")
            return Sent(Receipt.FAILED, f"{shown} could not be written ({what}). {remedy}")
        return Sent(Receipt.DELIVERED, f"{shown} was written.")


def content_of(message: Message) -> bytes:
    """The document: `id`, `watch`, `kind`, `made_at`, `subject`, `text` and `data` of the message."""
    said = {
        "id": message.id,
        "watch": message.watch,
        "kind": message.kind,
        "made_at": message.made_at.isoformat().replace("+00:00", "Z"),
        "subject": message.subject,
        "text": message.text,
        "data": dict(message.data),
    }
    written = json.dumps(said, ensure_ascii=False, allow_nan=False, indent=2)
    # Half a character, which JSON may carry, is no text that a file can hold.
    return written.encode(errors="backslashreplace") + b"\n"


@contextlib.contextmanager
def _opened(root: Path, below: str) -> Iterator[int]:
    """The folder below the root, made where it is not there, each step taken from the one before."""
    # The root is the operator's own, and may be a link.
    folder = os.open(root, _FOLDER & ~os.O_NOFOLLOW)
    try:
        for part in below.split("/") if below else ():
            with contextlib.suppress(FileExistsError):
                os.mkdir(part, dir_fd=folder)
                os.fsync(folder)
            following = os.open(part, _FOLDER, dir_fd=folder)
            os.close(folder)
            folder = following
        yield folder
    finally:
        os.close(folder)


def _is_there(folder: int, name: str) -> bool:
    try:
        there = os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return False
    # A link of that name is none of ours, and gives way.
    return stat.S_ISREG(there.st_mode)


def _write(folder: int, name: str, content: bytes) -> None:
    # A name of its own for each try, since one that was taken for dead may still be writing.
    unfinished = f".{name}.{token_hex(4)}.part"
    try:
        with open(os.open(unfinished, _NEW_FILE, 0o666, dir_fd=folder), "wb") as file:  # noqa: PTH123 - a path cannot be opened below an open folder
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.rename(unfinished, name, src_dir_fd=folder, dst_dir_fd=folder)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(unfinished, dir_fd=folder)
        raise
    os.fsync(folder)
