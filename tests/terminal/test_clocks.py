"""The terminal's clocks."""

import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.terminal import clocks
from service.terminal.clocks import Moment, boot_id, now, spelt


def test_an_age_is_of_the_clock_that_nobody_sets() -> None:
    seen = Moment(datetime(2026, 3, 2, 14, tzinfo=UTC), "boot", 100.0)
    later = Moment(seen.wall - timedelta(hours=3), "boot", 160.5)

    assert later.since_s(seen.boot, seen.run_s) == 60.5


@pytest.mark.parametrize(("boot", "run_s"), [("other", 100.0), ("boot", 200.0), ("boot", None), (None, None)])
def test_without_one_clock_from_then_to_now_there_is_no_age(boot: str | None, run_s: float | None) -> None:
    assert Moment(datetime.now(UTC), "boot", 160.5).since_s(boot, run_s) is None


def test_the_running_clock_goes_on() -> None:
    first, second = now(), now()

    assert first.boot == second.boot
    assert second.since_s(first.boot, first.run_s) is not None


@pytest.mark.skipif(sys.platform != "linux", reason="as Linux names a boot and its clock: random(4), clock_gettime(2)")
def test_on_linux_both_are_the_same_in_every_process_of_a_boot() -> None:
    other = subprocess.run(
        [sys.executable, "-c", "from service.terminal.clocks import now; m = now(); print(m.boot, m.run_s)"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()

    assert other[0] == boot_id() == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert abs(time.clock_gettime(time.CLOCK_BOOTTIME) - float(other[1])) < 30


def test_where_the_system_names_no_boot_an_age_ends_with_the_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clocks, "LINUX_BOOT_ID", Path(os.devnull) / "nowhere")
    monkeypatch.setattr(clocks, "MACOS_BOOT_ID", (str(Path(os.devnull) / "nowhere"),))
    boot_id.cache_clear()
    try:
        first = boot_id()
        assert first.startswith("process-")
        assert boot_id() == first
    finally:
        boot_id.cache_clear()


def test_an_instant_is_spelt_as_the_api_takes_it() -> None:
    assert spelt(datetime.fromisoformat("2026-03-02T15:00:00+01:00")) == "2026-03-02T14:00:00.000000Z"
