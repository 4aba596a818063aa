"""Have a worker's rows made anew beside those that are shown, or give that up."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.events import EventKind
from service.domain.refusals import Clash
from service.domain.workers import State
from service.store import catalogue, editions, switches
from service.store.editions import Edition
from service.store.events import append


@dataclass(eq=False)
class NotLoaded(Clash):
    """No host has the worker {worker}, so that nothing can make its rows anew: GET /v1/workers says what to do."""

    worker: str


@dataclass(eq=False)
class WorkerDisabled(Clash):
    """The worker {worker} was disabled by {by}: {reason}. Enable it first; until then nothing makes its rows."""

    worker: str
    by: str
    reason: str


@dataclass(eq=False)
class Underway(Clash):
    """A new version of the worker {worker} is making its rows: once it has caught up, all of these are shown."""

    worker: str


@dataclass(eq=False)
class NothingToGiveUp(Clash):
    """No rebuild of the worker {worker} that somebody asked for is under way: nothing is left to be done."""

    worker: str


@dataclass(eq=False)
class NoRows(Clash):
    """The worker {worker} has no rows yet, or makes them by its jobs alone: there is nothing to make anew."""

    worker: str


def ask(session: Session, worker: str, *, by: str, now: datetime) -> Edition:
    """Have all rows of a worker made anew; asking twice is asking once.

    Raises WorkerDisabled, NotLoaded, NoRows, Underway.
    """
    if off := switches.find(session, worker):
        raise WorkerDisabled(worker, off.by, off.reason)
    there = next((each for each in catalogue.newest(session, state=State.LOADED) if each.worker == worker), None)
    if there is None:
        raise NotLoaded(worker)
    shown = editions.ruling(session, worker, lock=True)
    if asked := _asked(session, worker):
        return asked
    if shown is None or not (there.events or there.rebuilds):
        raise NoRows(worker)
    wanted = editions.planned(session, worker, there.version, kinds=there.events, rebuilds=there.rebuilds, asked_by=by)
    if (
        shown.version != there.version
        or editions.filling(session, worker)
        or not editions.begin(session, wanted, now=now)
    ):
        raise Underway(worker)
    _tell(session, EventKind.REBUILD_ASKED, wanted, by=by, now=now)
    return wanted


def give_up(session: Session, worker: str, *, by: str, now: datetime) -> Edition:
    """Give up the rebuild that somebody asked for; its rows are never shown. Raises NothingToGiveUp."""
    editions.ruling(session, worker, lock=True)
    asked = _asked(session, worker)
    if asked is None:
        raise NothingToGiveUp(worker)
    editions.give_up(session, asked, now=now)
    _tell(session, EventKind.REBUILD_GIVEN_UP, asked, by=by, now=now)
    return asked


def _asked(session: Session, worker: str) -> Edition | None:
    return next((each for each in editions.filling(session, worker) if each.asked_by is not None), None)


def _tell(session: Session, kind: EventKind, edition: Edition, *, by: str, now: datetime) -> None:
    data = {"worker": edition.worker, "version": edition.version, "edition": edition.number}
    append(session, kind=kind, at=now, actor=by, data=data)
