"""What an engine does at each sign of life, beside its work: say what it has, enter what is due, clear away."""

import logging
from datetime import datetime, timedelta
from typing import Protocol

from service.actions import cleaning
from service.store import catalogue, spent
from service.store.engine import Database
from workers import host, schedule
from workers.roster import Roster

log = logging.getLogger("tiedown.upkeep")


class UpkeepSettings(Protocol):
    """The settings the upkeep goes by."""

    @property
    def keep_events_days(self) -> int | None:
        """For how many days every event is kept; None keeps all for ever."""


def pulse(database: Database, roster: Roster, *, settings: UpkeepSettings, now: datetime) -> None:
    """Give a sign of life, enter the jobs whose time has come, and clear a little of what nobody needs any more."""
    roster.keep_up(now=now)
    with database.writing() as session:
        catalogue.beat(session, catalogue.ENGINE, host=host.this_host(), now=now)
        spent.sweep(session, now=now)
    schedule.enter(database, roster.workers, now=now)
    if settings.keep_events_days is not None:
        _clean(database, timedelta(days=settings.keep_events_days), now)


def _clean(database: Database, keep: timedelta, now: datetime) -> None:
    try:
        with database.writing() as session:
            taken = cleaning.clean(session, keep=keep, now=now)
    except Exception:
        # Nothing of it was done, and what workers do must not wait for it.
        log.exception("the log could not be cleaned; it is tried again")
    else:
        if taken:
            log.info("old events were taken out of the log", extra={"events": taken})
