"""Following a folder: what a look finds becomes counts, totals always, never what was added."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from service.terminal.clocks import Clock, Moment, now, spelt
from service.terminal.folders import Folder, Found, Look
from service.terminal.patterns import Series
from service.terminal.spool import Kind, Said, Spool
from service.terminal.troubles import FolderAway

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Change:
    """A total that a look entered: of what, how many captures now, and how many were entered before, if any."""

    series: Series
    captures: int
    before: int | None


def series_name(content: Mapping[str, Any]) -> str:
    """What tells one total from another, as text: production, shot, part, purpose, take, camera, pass."""
    kept = ("production", "shot", "part", "purpose", "take", "camera", "pass")
    return json.dumps([content.get(name) for name in kept], ensure_ascii=False)


class Follower:
    """Enters in the spool what the folder's totals have become since they were entered last.

    A total that grew is entered at once, one that fell when a second look finds it again, since a program that
    renumbers frames has them away for a moment. A take of which no frame is left counts as deleted only where its
    folder is still there; a folder that is gone was moved, or lies on a share that is away.
    """

    def __init__(
        self,
        spool: Spool,
        folder: Folder,
        *,
        production: str,
        frames_per_capture: int = 1,
        clock: Clock = now,
    ) -> None:
        self._spool = spool
        self._folder = folder
        self._production = production
        self._frames_per_capture = frames_per_capture
        self._clock = clock
        self._fallen: dict[Series, int] = {}
        self._seen: dict[Series, Found] = {}
        self._watching = False

    def look(self) -> list[Change]:
        """Look once, and enter what changed; raises FolderAway, and NotKept with nothing entered."""
        try:
            look = self._folder.look()
        except FolderAway:
            self._watching = False
            raise
        entered = self._spool.followed()
        moment = self._clock()
        changes: list[Change] = []
        fallen: dict[Series, int] = {}
        for series, captures in self._totals(look):
            before = entered.get(self._name(series))
            if before is None or captures > before or self._fallen.get(series) == captures:
                changes.append(Change(series, captures, before))
            elif captures < before and look.whole:
                fallen[series] = captures
        # A directory names its files in no order worth keeping.
        changes.sort(key=lambda change: self._name(change.series))
        said = [self._said(change, look.found.get(change.series), moment) for change in changes]
        if said:
            self._spool.enter(*said, now=moment.wall)
        self._fallen = fallen
        self._seen |= look.found
        self._watching = True
        return changes

    @property
    def waits(self) -> bool:
        """Whether a total seems to have fallen, which the next look decides."""
        return bool(self._fallen)

    def _totals(self, look: Look) -> Iterator[tuple[Series, int]]:
        """The series whose total this look can tell, with it."""
        for series, found in look.found.items():
            yield series, len(found.frames)
        for series, found in self._seen.items():
            # Where a folder could not be read, what seems to be missing may lie in it.
            if look.whole and series not in look.found and "" not in found.folders and found.folders <= look.folders:
                yield series, 0

    def _said(self, change: Change, found: Found | None, moment: Moment) -> Said:
        content = self._content(change.series)
        name = series_name(content)
        content["captures_total"] = change.captures
        if self._frames_per_capture != 1:
            content["frames_per_capture"] = self._frames_per_capture
        if self._watching or found is None:
            content["at"] = spelt(moment.wall)
            return Said(Kind.COUNT, content, moment.boot, moment.run_s, name, change.captures)
        # It was there before anybody looked: the files know better than this moment when it came, but no clock that
        # only runs was read then.
        came_s = min(max(found.newest_s, 0.0), moment.wall.timestamp())
        content["at"] = spelt(datetime.fromtimestamp(came_s, UTC))
        return Said(Kind.COUNT, content, None, None, name, change.captures)

    def _content(self, series: Series) -> Json:
        said: Json = {"production": self._production, "shot": series.shot, "take": series.take}
        if series.camera is not None:
            said["camera"] = series.camera
        if series.pass_ is not None:
            said["pass"] = series.pass_
        return said

    def _name(self, series: Series) -> str:
        return series_name(self._content(series))
