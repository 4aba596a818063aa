"""The workers of a process: found once behind their entry points, at work unless an operator has them disabled."""

import logging
import time
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from importlib.metadata import EntryPoint
from typing import Any

from service.domain.workers import SWITCHED_OFF, State
from service.store import switches
from service.store.engine import Database
from workers import host
from workers.contract import Worker
from workers.host import Found

log = logging.getLogger("tiedown.roster")

PUBLISH_S = 3600.0


class Roster:
    """Who is at work in this process, and in the catalogue for this host."""

    def __init__(
        self,
        database: Database,
        settings: Mapping[str, Mapping[str, Any]],
        points: Iterable[EntryPoint] | None = None,
    ) -> None:
        """Find the workers. What is disabled is not imported: a package that kills whoever imports it is held off so.

        `settings` are given by worker name; `points` are those of this machine, where not given. Raises Busy where the
        database does not say who is disabled.
        """
        self._database, self._settings = database, settings
        self._points = tuple(host.installed() if points is None else points)
        self._off = self._switched_off()
        self._found = host.discover(settings, self._points, off=self._off)
        self._published_at = -PUBLISH_S
        for each in self._found:
            _tell(each)

    @property
    def workers(self) -> Sequence[Worker]:
        """Those at work."""
        return host.loaded(self.found)

    @property
    def found(self) -> Sequence[Found]:
        """All that was found, as it stands by now."""
        return [host.switched_off(each) if each.entry.worker in self._off else each for each in self._found]

    def look(self) -> None:
        """See who is disabled by now; what is enabled and was never imported here is imported now."""
        off = self._switched_off()
        if off == self._off:
            return
        log.info("other workers are disabled", extra={"disabled": sorted(off), "before": sorted(self._off)})
        for name in sorted(self._off - off):
            if any(each.entry.worker == name and each.entry.state is State.DISABLED for each in self._found):
                self._find_again(name)
        self._off, self._published_at = off, -PUBLISH_S

    def keep_up(self, *, now: datetime) -> None:
        """See who is disabled by now, and write into the catalogue what changed; without a change once an hour."""
        self.look()
        passed = time.monotonic()
        if passed - self._published_at >= PUBLISH_S:
            host.publish(self._database, host.this_host(), self.found, now=now)
            self._published_at = passed

    def _find_again(self, name: str) -> None:
        points = [each for each in self._points if each.name == name]
        own = {name: self._settings[name]} if name in self._settings else {}
        again = host.discover(own, points)
        self._found = (*(each for each in self._found if each.entry.worker != name), *again)
        for each in again:
            _tell(each)

    def _switched_off(self) -> frozenset[str]:
        with self._database.reading() as session:
            return frozenset(switches.disabled(session))


def _tell(found: Found) -> None:
    if found.entry.state in SWITCHED_OFF:
        log.info("a worker is disabled", extra={"worker": found.entry.worker, "error": found.entry.error})
    elif found.worker is None:
        log.error("a plugin cannot be used", extra={"worker": found.entry.worker, "error": found.entry.error})
