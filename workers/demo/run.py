"""`tiedown demo`: an embedded database, the service of one machine on it, and a studio of our own at work."""

import os
import shutil
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import TextIO

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from service.actions import keys
from service.client import ApiError, Client, Unanswered
from service.domain.keys import Scope
from service.domain.studio import Studio as StudioSettings
from service.domain.studio import production_day
from service.settings import Settings
from service.store.engine import Database
from service.store.schema import migrate
from workers import logs, onebox
from workers.demo import show, show_floor
from workers.demo.clock import PlayClock
from workers.demo.desk import CODE
from workers.demo.play import Keys, Stopped, Studio
from workers.demo.record import Record
from workers.demo.scenario import STUDIO
from workers.demo.script import OFFICE_OPENS, instant, terminals

FOLLOW_LIMIT_S = 30.0
LOOK_S = 0.05
WORKER = "progress"


class DemoRefused(Exception):
    """The demo cannot run as asked; the message says what would be right."""


class DemoFailed(Exception):
    """The demo did not come through; the message says what happened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the command line asks for; `database` is a file to make, None for one that is thrown away in the end."""

    once: bool
    seed: int
    export: Path | None
    database: Path | None
    host: str | None
    port: int | None


def demo(wanted: Wanted) -> None:
    """Run the demo, then go on serving until SIGTERM or Ctrl-C, or end where `once` was asked for.

    Raises DemoRefused, DemoFailed, and what `workers.onebox.serve` raises.
    """
    # The engine's process reads its settings from the environment; a progress bar and log lines do not go together.
    os.environ.setdefault("TIEDOWN_LOG_LEVEL", "warning")
    with _told_to_end(), _database(wanted.database) as path, _export(wanted.export) as export:
        usual = Settings.read()
        logs.start(usual.log_level)
        settings = usual.model_copy(
            update={
                "database_url": f"sqlite:///{path}",
                "host": wanted.host or usual.host,
                "port": usual.port if wanted.port is None else wanted.port,
            }
        )
        if wanted.port is None and not _free(settings.host, settings.port):
            settings = settings.model_copy(update={"port": 0})
        console, days = Console(), last_two_days(datetime.now(UTC))
        clock = PlayClock(instant(days[0], OFFICE_OPENS))
        admin = _first_key(settings.database_url, now=clock())
        showing = Showing(wanted, admin, Record(export), console, days, clock)
        try:
            onebox.serve(settings, ready=showing.begin, clock=clock, held=showing.over)
        finally:
            showing.end()
        showing.account()


@dataclass(slots=True)
class Showing:
    """The play in a thread of its own, beside the service it plays with."""

    wanted: Wanted
    admin: str
    record: Record
    console: Console
    days: tuple[date, date]
    clock: PlayClock
    over: threading.Event = field(default_factory=threading.Event)
    stop: threading.Event = field(default_factory=threading.Event)
    failure: Exception | None = None
    through: bool = False
    _thread: threading.Thread | None = None

    def begin(self, address: str, _path: Path) -> None:
        """Start the play against the service at `address`, which is about to answer."""
        self._thread = threading.Thread(target=self._show, args=(address,), name="demo", daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Let no terminal post any more."""
        self.stop.set()
        if self._thread is not None:
            self._thread.join()

    def account(self) -> None:
        """Raise DemoFailed where the play broke off by itself."""
        if self.failure is not None:
            raise DemoFailed(f"the demo broke off: {self.failure}") from self.failure

    def _show(self, address: str) -> None:
        try:
            self._play(address)
        except Stopped:
            return
        except (ApiError, Unanswered, DemoFailed) as failure:
            # Once it was told to end the service is gone, and that nobody answers is no failure.
            if not self.stop.is_set():
                self.failure = failure
        except Exception as failure:
            self.failure = failure
            raise
        finally:
            if (self.wanted.once or not self.through) and not self.stop.is_set():
                # How everybody else ends the service, too.
                os.kill(os.getpid(), signal.SIGTERM)

    def _play(self, address: str) -> None:
        steps = sum(len(day) for both in terminals(self.days, self.wanted.seed).values() for day in both) + 2
        with Client(address, self.admin) as office, _bar(steps) as moved:
            _await_service(office, self.stop)
            studio = Studio(address, self.record, seed=self.wanted.seed, clock=self.clock, moved=moved, stop=self.stop)
            keys = studio.open(self.admin)
            studio.run(keys, self.days)
            # Only now the engine: by its clock, the machine's, both days were over before they began.
            self.clock.end()
            self.over.set()
            for day in self.days:
                _await_report(office, day, self.stop)
            # A late count makes a new revision of a report that was filed, and leaves the old one readable.
            studio.find(keys, self.days)
            _await_report(office, self.days[0], self.stop, revision=2)
            _await_worker(office, self.stop)
            shown = show.read(office)
            on_stages = show_floor.read(office, self.days)
            nights = [office.nightly(CODE, day.isoformat()).body for day in self.days]
        self.through = True
        show.result(self.console, shown, seed=self.wanted.seed)
        show.nights(self.console, nights)
        show.whereabouts(self.console, shown)
        show_floor.floor(self.console, on_stages)
        self._say_goodbye(address, keys)

    def _say_goodbye(self, address: str, keys: Keys) -> None:
        if self.wanted.export is not None:
            self.console.print(f"Every post stands in {self.wanted.export}.")
        if not self.wanted.once:
            show.onward(self.console, address, keys.read)


def last_two_days(now: datetime) -> tuple[date, date]:
    """The two production days before that of `now`, in the demo's studio."""
    hours, minutes = map(int, str(STUDIO["day_starts_at"]).split(":"))
    studio = StudioSettings(time_zone=str(STUDIO["time_zone"]), day_starts_at_min=hours * 60 + minutes)
    today = production_day(now, studio)
    return today - timedelta(days=2), today - timedelta(days=1)


@contextmanager
def _told_to_end() -> Iterator[None]:
    """Let SIGTERM and Ctrl-C end what is inside in an orderly way; while it serves, the web side hears them itself."""

    def end(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        with suppress(KeyboardInterrupt):
            yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def _database(wanted: Path | None) -> Iterator[Path]:
    """The file for the database: the one wanted, or one of ours that is gone afterwards. Raises DemoRefused."""
    if wanted is not None:
        if wanted.exists() and wanted.stat().st_size:
            raise DemoRefused(
                f"{wanted} is not empty, and the demo fills a database of its own only: "
                "name a file that does not exist yet, or leave --database out"
            )
        if not wanted.absolute().parent.is_dir():
            raise DemoRefused(f"there is no folder {wanted.absolute().parent}: make it, or name another file")
        # What is empty was no database yet.
        wanted.unlink(missing_ok=True)
        yield wanted.absolute()
        return
    folder = Path(tempfile.mkdtemp(prefix="tiedown-demo-"))
    try:
        yield folder / "demo.db"
    finally:
        shutil.rmtree(folder)


@contextmanager
def _export(wanted: Path | None) -> Iterator[TextIO | None]:
    if wanted is None:
        yield None
        return
    try:
        file = wanted.open("x", encoding="utf-8")
    except FileExistsError:
        raise DemoRefused(f"{wanted} exists already, and nothing is overwritten: name another file") from None
    except OSError as error:
        raise DemoRefused(f"{wanted} cannot be written: {error.strerror}") from error
    with file:
        yield file


def _free(host: str, port: int) -> bool:
    """Whether the address can be listened on; whoever did not ask for this port gets another where it cannot."""
    family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    try:
        socket.create_server((str(address[0]), int(address[1])), family=family).close()
    except OSError:
        return False
    return True


def _first_key(database_url: str, *, now: datetime) -> str:
    """Make the database and its first key, as `tiedown key create` does."""
    migrate(database_url)
    with closing(Database.open(database_url)) as database, database.writing() as session:
        wanted = keys.Wanted(name="demo", scope=Scope.ADMIN)
        _, token = keys.make(session, wanted, by="command", now=now)
    return token


@contextmanager
def _bar(steps: int) -> Iterator[Callable[[], None]]:
    """A progress bar on standard error; yields what moves it by a step, from any thread."""
    columns = (TextColumn("Two days on eight stages"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task("posts", total=steps)
        yield lambda: progress.advance(task)


def _await_service(office: Client, stop: threading.Event) -> None:
    """Wait until the service answers, which it is about to."""
    deadline_s = time.monotonic() + FOLLOW_LIMIT_S
    while not stop.is_set():
        try:
            office.studio()
        except Unanswered:
            if time.monotonic() > deadline_s:
                raise
        else:
            return
    raise Stopped


def _await_report(office: Client, day: date, stop: threading.Event, *, revision: int = 1) -> None:
    """Wait until the day's report is filed in this revision."""
    deadline_s = time.monotonic() + FOLLOW_LIMIT_S
    while not stop.is_set():
        filed = {each["day"]: each["revision"] for each in office.nightly_days(CODE)}
        if filed.get(day.isoformat(), 0) >= revision:
            return
        if time.monotonic() > deadline_s:
            raise DemoFailed(f"the nightly report of {day} was not filed in revision {revision}; filed are {filed}")
        time.sleep(LOOK_S)
    raise Stopped


def _await_worker(office: Client, stop: threading.Event) -> None:
    """Wait until the worker has read the whole log."""
    deadline_s = time.monotonic() + FOLLOW_LIMIT_S
    while not stop.is_set():
        worker = next((each for each in office.workers()["items"] if each["name"] == WORKER), None)
        if worker is not None and worker["lag_events"] == 0:
            return
        if time.monotonic() > deadline_s:
            raise DemoFailed(f"the worker {WORKER} does not follow the log; it stands at: {worker}")
        time.sleep(LOOK_S)
    raise Stopped
