"""The terminal's clocks: the one on the wall, which somebody may set, and one that only runs.

The running clock counts the time a computer sleeps too, and means something only until the next start of the computer,
which the boot id tells.
"""

import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from uuid import uuid4

LINUX_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
MACOS_BOOT_ID = ("/usr/sbin/sysctl", "-n", "kern.bootsessionuuid")


@dataclass(frozen=True, slots=True)
class Moment:
    """One reading of both clocks: `wall` in UTC, `run_s` in seconds of the clock that only runs, since `boot`."""

    wall: datetime
    boot: str
    run_s: float

    def since_s(self, boot: str | None, run_s: float | None) -> float | None:
        """Seconds since the running clock showed `run_s`; None where it was started anew since, or ran backwards."""
        if run_s is None or boot != self.boot or run_s > self.run_s:
            return None
        return self.run_s - run_s


# Python's own monotonic clock stands still on Linux and macOS while the computer sleeps, as it may overnight. Linux has
# a clock that does not, and macOS means its CLOCK_MONOTONIC so (manual pages, from memory); Windows has neither, and
# its ages never outlive a process (`boot_id`).
RUNS_ON: int | None = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))

Clock = Callable[[], Moment]


def now() -> Moment:
    """Both clocks of this computer."""
    return Moment(datetime.now(UTC), boot_id(), _run_s())


@cache
def boot_id() -> str:
    """What tells this run of the computer from every other.

    Where the system has nothing of the kind (Windows among them) it is this process's own, so that an age is known only
    to the process that saw the frame; a wrong age would be worse than none.
    """
    try:
        if LINUX_BOOT_ID.exists():
            return LINUX_BOOT_ID.read_text(encoding="ascii").strip()
        if Path(MACOS_BOOT_ID[0]).exists():
            return subprocess.run(MACOS_BOOT_ID, capture_output=True, text=True, check=True, timeout=5).stdout.strip()  # noqa: S603 - a fixed command of the system
    except (OSError, subprocess.SubprocessError):
        pass
    return f"process-{uuid4()}"


def _run_s() -> float:
    return time.monotonic() if RUNS_ON is None else time.clock_gettime(RUNS_ON)


def spelt(instant: datetime) -> str:
    """An instant as the API takes it (RFC 3339, UTC, to the microsecond)."""
    return instant.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
