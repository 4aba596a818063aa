"""One machine: the web side in this process, and one supervised child that runs the engine.

The parent is the watchdog. A thread inside the child cannot be: a handler that holds the interpreter keeps it from
running. The child's standard input is its wake-up and its life line, a second pipe brings its heartbeat back.
"""

import logging
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path

from service.app import utc_now
from service.settings import Settings
from service.store.engine import Database, Unusable, address_of, sqlite_path
from service.store.schema import migrate
from workers import web

log = logging.getLogger("tiedown.onebox")

# Importing and opening come before the first beat, and no handler is at work yet.
START_LIMIT_S = 30.0
LOOK_S = 0.1
FIRST_PAUSE_S = 0.2
LONGEST_PAUSE_S = 10.0
# A child that lived this long was not killed by what the last one was killed by.
SETTLED_S = 30.0
FAREWELL_S = 0.8
BEATS = 65_536


class NotEmbedded(Unusable):
    """`tiedown serve` is for one machine with an embedded database; many serves would each end the other's work."""

    def __init__(self) -> None:
        super().__init__(
            "`tiedown serve` serves an embedded database (sqlite:///FILE). On PostgreSQL start `tiedown migrate` once, "
            "then `tiedown web`, `tiedown relay` and `tiedown worker`, as many as you like."
        )


class Child:
    """The engine's process, started again whenever it ends or falls silent."""

    def __init__(self, settings: Settings, *, held: threading.Event | None = None) -> None:
        self._held = held
        self._limit_s = settings.handler_limit_s
        self._environment = os.environ | {"TIEDOWN_DATABASE_URL": settings.database_url}
        self._hint, self._stopping = threading.Event(), threading.Event()
        # The lock keeps a hint from being written into a pipe just closed, whose number another file may have by then.
        self._input: int | None = None
        self._input_lock = threading.Lock()
        self._threads = [
            threading.Thread(target=self._supervise, name="watchdog", daemon=True),
            threading.Thread(target=self._pass_on_hints, name="wake-up", daemon=True),
        ]

    def start(self) -> None:
        """Start the child and watch it from a thread."""
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """Tell the child that something was written. Never blocks and never fails: it would find out for itself."""
        self._hint.set()

    def stop(self) -> None:
        """End the child: ask it by the end of its input, kill it where it does not go."""
        self._stopping.set()
        self._hint.set()
        self._threads[0].join()

    def _supervise(self) -> None:
        while self._held is not None and not self._stopping.is_set() and not self._held.wait(LOOK_S):
            pass
        pause_s = FIRST_PAUSE_S
        while not self._stopping.is_set():
            began = time.monotonic()
            self._live()
            if self._stopping.is_set():
                return
            pause_s = FIRST_PAUSE_S if time.monotonic() - began > SETTLED_S else min(pause_s * 2, LONGEST_PAUSE_S)
            self._stopping.wait(pause_s)

    def _live(self) -> None:
        """One life of the child, from its start to its end."""
        beats, beats_end = os.pipe()
        command = [sys.executable, "-P", "-m", "workers.child", str(beats_end)]
        with subprocess.Popen(  # noqa: S603 - this very interpreter and its own module
            command, stdin=subprocess.PIPE, pass_fds=[beats_end], env=self._environment
        ) as process:
            os.close(beats_end)
            if process.stdin is None:
                raise RuntimeError("the child has no standard input")
            os.set_blocking(process.stdin.fileno(), False)
            with self._input_lock:
                self._input = process.stdin.fileno()
            try:
                self._watch(process, beats)
            finally:
                with self._input_lock:
                    self._input = None
                os.close(beats)
                with suppress(OSError):
                    process.stdin.close()
                self._bury(process)

    def _watch(self, process: "subprocess.Popen[bytes]", beats: int) -> None:
        """Return when the child has ended, was silent for too long (then killed), or is to be stopped."""
        heard_at, limit_s = time.monotonic(), max(START_LIMIT_S, self._limit_s)
        while not self._stopping.is_set():
            ready, _, _ = select.select([beats], [], [], LOOK_S)
            if ready:
                if os.read(beats, BEATS) == b"":
                    return
                heard_at, limit_s = time.monotonic(), self._limit_s
            elif time.monotonic() - heard_at > limit_s:
                log.error("the engine was silent for too long and is started again", extra={"limit_s": limit_s})
                process.kill()
                return

    def _bury(self, process: "subprocess.Popen[bytes]") -> None:
        try:
            process.wait(FAREWELL_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if not self._stopping.is_set():
            log.error("the engine ended", extra={"exit_code": process.returncode})

    def _pass_on_hints(self) -> None:
        while not self._stopping.is_set():
            self._hint.wait()
            self._hint.clear()
            # A full pipe has hints enough in it, a broken one belongs to a child that is gone.
            with self._input_lock, suppress(OSError):
                if self._input is not None:
                    os.write(self._input, b".")


def serve(
    settings: Settings,
    *,
    ready: Callable[[str, Path], None],
    clock: Callable[[], datetime] = utc_now,
    held: threading.Event | None = None,
) -> None:
    """Serve an embedded database on this machine until SIGTERM or Ctrl-C.

    Makes or migrates the database first; `ready` is told the address and the database's file once it listens. `clock`
    is the web side's; the engine, which has the machine's, is started once `held` is set, where it is given. Raises
    Unusable (and its kinds, AlreadyServed among them), Busy, and CannotListen.
    """
    path = sqlite_path(address_of(settings.database_url))
    if path is None:
        raise NotEmbedded
    if not path.exists():
        migrate(settings.database_url)
    with closing(Database.open(settings.database_url)) as database, database.serve_lock():
        migration = migrate(settings.database_url)
        if migration.backup is not None:
            log.info("migrated", extra={"revision": migration.after, "backup": str(migration.backup)})
        with web.Ending() as ending, web.listening(settings.host, settings.port) as listener:
            child = Child(settings, held=held)
            child.start()
            try:
                ready(web.address(listener), path)
                web.run(settings, listener, ending=ending, wake=child.wake, clock=clock)
            finally:
                child.stop()
