"""Following for hours: one thread looks at the folder and another sends, so that neither waits for the other."""

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from service.terminal import enrolment
from service.terminal.doors import Door
from service.terminal.enrolment import SPOOL, Enrolment
from service.terminal.entering import refused_aloud, several
from service.terminal.folders import Folder
from service.terminal.following import Change, Follower
from service.terminal.patterns import FramePattern
from service.terminal.sending import Pause, Round, Sender
from service.terminal.spool import Spool, alone
from service.terminal.troubles import AlreadyFollowed, BeingSent, NothingToFollow, Trouble

Json = dict[str, Any]
Tell = Callable[[str, Json], None]

IDLE_S = 300.0
FAREWELL_S = 2.0
# A look takes at most this part of the time, however slow the share is.
REST_FOR_LOOK = 4


class SendingThread(threading.Thread):
    """Sends whatever waits, again and again, until it is told to stop. Reads the enrolment anew after each trouble."""

    def __init__(self, home: Path, tell: Tell, *, pause: Pause | None = None) -> None:
        super().__init__(name="sending", daemon=True)
        self._home = home
        self._tell = tell
        self._pause = pause or Pause()
        self._due = threading.Event()
        self._stopped = threading.Event()
        self._last_trouble = ""

    def wake(self) -> None:
        """Say that something waits; a pause after a failure is not cut short by it."""
        self._due.set()

    def stop(self) -> None:
        """Let it end after what it is just doing."""
        self._stopped.set()
        self._due.set()

    def run(self) -> None:
        """Send until stopped."""
        while not self._stopped.is_set():
            try:
                self._send_while_well()
            except Trouble as trouble:
                if not isinstance(trouble, BeingSent):
                    self._report(trouble)
                self._stopped.wait(self._pause.next_s(trouble))

    def _send_while_well(self) -> None:
        enrolled = enrolment.read(self._home)
        with Spool(self._home / SPOOL) as spool, Door(enrolled.server, enrolled.key) as door:
            sender = Sender(spool, door, stage=enrolled.stage)
            while not self._stopped.is_set():
                self._due.clear()
                done = sender.send()
                self._pause.over()
                self._answered(done)
                self._due.wait(IDLE_S)

    def _report(self, trouble: Trouble) -> None:
        # The same trouble for hours is one line, not a thousand.
        if str(trouble) != self._last_trouble:
            self._last_trouble = str(trouble)
            self._tell(str(trouble), {"trouble": trouble.slug(), "detail": str(trouble)})

    def _answered(self, done: Round) -> None:
        if self._last_trouble:
            self._last_trouble = ""
            self._tell("The service answers again.", {"answering": True})
        for line in told(done):
            self._tell(line, facts(done))


def facts(done: Round) -> Json:
    """What a round of sending did, for scripts."""
    return {
        "sent": done.sent,
        "rejected": done.rejected,
        "unmatched": done.unmatched,
        "sent_again": done.resent,
        "new_spool": done.renewed,
        "plan_changed": sorted(done.changed_shots),
    }


def told(done: Round) -> list[str]:
    """What of a round of sending a person should read; nothing where all went as always."""
    lines = []
    if done.resent:
        again = several(done.resent, "entry is", "entries are")
        lines.append(f"The service was put back to an earlier copy: {again} sent again.")
    if done.renewed:
        lines.append("The spool was put back to an earlier copy: it goes on under a new id.")
    if done.unmatched:
        kept = several(done.unmatched, "count is", "counts are")
        lines.append(f"{kept} kept without a shot, until the office finds one.")
    if done.rejected:
        lines.append(refused_aloud(done.rejected))
    lines += [f"The plan of shot {shot} changed." for shot in sorted(done.changed_shots)]
    return lines


def follower(spool: Spool, enrolled: Enrolment, *, folder: Path, pattern: str, production: str) -> Follower:
    """What follows a folder for this terminal."""
    return Follower(
        spool,
        Folder(folder, FramePattern.of(pattern)),
        production=production,
        frames_per_capture=enrolled.frames_per_capture,
    )


def follow(
    home: Path,
    enrolled: Enrolment,
    *,
    every_s: float,
    tell: Tell,
    stopped: threading.Event,
    once: bool = False,
) -> None:
    """Follow the enrolment's folder until `stopped`, or for one look (a second where a total seems to have fallen).

    Raises AlreadyFollowed, NothingToFollow, PatternUnclear; every later trouble is told and outlived.
    """
    for missing, value in (
        ("A folder", enrolled.folder),
        ("A pattern", enrolled.pattern),
        ("A production", enrolled.production),
    ):
        if not value:
            raise NothingToFollow(missing)
    home.mkdir(parents=True, exist_ok=True)
    with alone(home / "following.lock") as ours, Spool(home / SPOOL) as spool:
        if not ours:
            raise AlreadyFollowed
        looking = follower(
            spool,
            enrolled,
            folder=Path(enrolled.folder or ""),
            pattern=enrolled.pattern or "",
            production=enrolled.production or "",
        )
        if once:
            _look_once(looking, every_s=every_s, tell=tell, stopped=stopped)
            return
        sending = SendingThread(home, tell)
        sending.start()
        try:
            _look_until(looking, every_s=every_s, tell=tell, stopped=stopped, sending=sending)
        finally:
            sending.stop()
            sending.join(FAREWELL_S)


def _look_once(looking: Follower, *, every_s: float, tell: Tell, stopped: threading.Event) -> None:
    for change in looking.look():
        tell(*_said(change))
    if looking.waits and not stopped.wait(every_s):
        for change in looking.look():
            tell(*_said(change))


def _look_until(
    looking: Follower, *, every_s: float, tell: Tell, stopped: threading.Event, sending: SendingThread
) -> None:
    last_trouble = ""
    while not stopped.is_set():
        if not sending.is_alive():
            # A defect, which its thread has printed: whoever started this process must see it end, and start another.
            raise RuntimeError("the thread that sends ended by itself; what waits is kept")
        began = time.monotonic()
        try:
            changes = looking.look()
        except Trouble as trouble:
            # Nothing is lost by it: the frames are in the folder, and the next look finds them.
            if str(trouble) != last_trouble:
                tell(str(trouble), {"trouble": trouble.slug(), "detail": str(trouble)})
            last_trouble = str(trouble)
        else:
            if last_trouble:
                tell("The folder is followed again.", {"following": True})
            last_trouble = ""
            for change in changes:
                tell(*_said(change))
            if changes:
                sending.wake()
        stopped.wait(max(every_s, REST_FOR_LOOK * (time.monotonic() - began)))


def _said(change: Change) -> tuple[str, Json]:
    series = change.series
    where = "".join(f", {name} {value}" for name, value in (("camera", series.camera), ("pass", series.pass_)) if value)
    line = f"{series.shot} take {series.take}{where}: {several(change.captures, 'capture', 'captures')}"
    if change.before is not None and change.captures < change.before:
        line += f", {change.before - change.captures} deleted"
    return line, {
        "shot": series.shot,
        "take": series.take,
        "camera": series.camera,
        "pass": series.pass_,
        "captures_total": change.captures,
        "captures_before": change.before,
    }
