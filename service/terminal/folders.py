"""Folders of frame files: what lies in one, as a pattern reads it.

A look reads the folders the pattern leads to and no others, and remembers of each the names it has read already, so
that the next look asks the file system for little more than the names.
"""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from service.terminal.patterns import FramePattern, Series, frame_said
from service.terminal.troubles import FolderAway

# What programs call a file before it is whole, or while it is thrown away (common practice).
TEMPORARY_STARTS = (".", "~", "$")
TEMPORARY_ENDS = ("~", ".tmp", ".temp", ".part", ".partial")


def temporary(name: str) -> bool:
    """Whether a file or folder of this name is not meant to last, or hidden."""
    return name.startswith(TEMPORARY_STARTS) or name.lower().endswith(TEMPORARY_ENDS)


@dataclass(slots=True)
class Found:
    """What lies of a series.

    `frames` by number, each once however many files it has; `folders` they lie in, as paths below the followed one;
    `newest_s` the newest time of its files and folders, in seconds since 1970 by whatever clock wrote them.
    """

    frames: set[int] = field(default_factory=set)
    folders: set[str] = field(default_factory=set)
    newest_s: float = 0.0


@dataclass(slots=True)
class Look:
    """What one look found. `whole` unless a folder could not be read; `folders` those that were."""

    found: dict[Series, Found] = field(default_factory=dict)
    folders: set[str] = field(default_factory=set)
    files: int = 0
    whole: bool = True


@dataclass(frozen=True, slots=True)
class _File:
    series: Series
    frame: int
    changed_s: float


@dataclass(slots=True)
class _Remembered:
    """The frame files of one folder, and the newest time of these and of the folder itself."""

    files: dict[str, _File | None]
    newest_s: float


class Folder:
    """A folder whose frame files are counted as a pattern says."""

    def __init__(self, path: Path, pattern: FramePattern) -> None:
        self.path = path
        self._pattern = pattern
        self._remembered: dict[str, _Remembered] = {}

    def look(self) -> Look:
        """What lies in it now; raises FolderAway where it cannot be read."""
        look = Look()
        remembered: dict[str, _Remembered] = {}
        try:
            names = _names(self.path)
        except OSError as error:
            raise FolderAway(str(self.path), error.strerror or str(error)) from None
        self._enter(look, remembered, "", names=names, said={}, depth=0)
        # Only what was there this time is worth remembering.
        self._remembered = remembered
        return look

    def _enter(
        self,
        look: Look,
        remembered: dict[str, _Remembered],
        below: str,
        *,
        names: list[os.DirEntry[str]],
        said: Mapping[str, str],
        depth: int,
    ) -> None:
        look.folders.add(below)
        if depth == self._pattern.depth - 1:
            remembered[below] = self._read(look, below, names, said)
            return
        for entry in names:
            if temporary(entry.name) or (deeper := self._pattern.read(depth, entry.name, said)) is None:
                continue
            try:
                if not entry.is_dir():
                    continue
                inside = _names(Path(entry.path))
            except OSError:
                look.whole = False
                continue
            path = f"{below}/{entry.name}" if below else entry.name
            self._enter(look, remembered, path, names=inside, said=deeper, depth=depth + 1)

    def _read(self, look: Look, below: str, names: list[os.DirEntry[str]], said: Mapping[str, str]) -> _Remembered:
        before = self._remembered.get(below)
        known = before.files if before else {}
        files = {entry.name: known.get(entry.name) for entry in names}
        for entry in names:
            # A file that was empty or no frame is looked at again only where it might have become one.
            if files[entry.name] is None:
                files[entry.name] = self._file(entry, said)
        kept = [file for file in files.values() if file is not None]
        if before is not None and before.files.keys() == files.keys():
            newest_s = max(before.newest_s, max((file.changed_s for file in kept), default=0.0))
        else:
            newest_s = max([_changed_s(self.path / below), *(file.changed_s for file in kept)])
        for file in kept:
            found = look.found.setdefault(file.series, Found())
            found.frames.add(file.frame)
            found.folders.add(below)
            found.newest_s = max(found.newest_s, newest_s)
        look.files += len(kept)
        return _Remembered(files, newest_s)

    def _file(self, entry: os.DirEntry[str], said: Mapping[str, str]) -> _File | None:
        """The frame a file is; None of one that is none, or is empty as yet."""
        if temporary(entry.name):
            return None
        told = self._pattern.read(self._pattern.depth - 1, entry.name, said)
        frame = None if told is None else frame_said(told)
        if frame is None:
            return None
        try:
            stat = entry.stat()
            if not entry.is_file() or stat.st_size == 0:
                return None
        except OSError:
            # Gone between the listing and the look, as temporary files go.
            return None
        return _File(*frame, stat.st_mtime)


def _names(path: Path) -> list[os.DirEntry[str]]:
    with os.scandir(path) as entries:
        return list(entries)


def _changed_s(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def examples(path: Path, *, most: int = 1) -> Iterator[str]:
    """Paths of files below a folder, with `/` between names, to show a pattern with: the first of each folder."""
    given = 0
    for folder, names, files in os.walk(path):
        names[:] = sorted(name for name in names if not temporary(name))
        for name in sorted(name for name in files if not temporary(name))[:1]:
            yield (Path(folder) / name).relative_to(path).as_posix()
            given += 1
            if given == most:
                return
