"""How a service takes what many stage terminals kept while it was away, all of them coming back at once.

    .venv/bin/python -m tests.bench.drain [--terminals 20] [--counts 2000] [--at-once 2 100] [--database-url URL]

A measurement, no test: it serves a fresh database with `tiedown serve` and lets each terminal, which sends as
`tiedown-terminal` does and waits as long as it is asked to, post its counts in bodies of up to 1000. Meanwhile other
terminals post single counts, four a second each. For each number of bodies read at once (`bulk_at_once`; 100 is as good
as no turns at all) it prints the time to drain, when the first and the last terminal were done, what the web process
weighed at most, how long single counts waited and how often terminals were asked to come again; and at the end that
every count is there once. `--database-url` names an empty PostgreSQL database, for one number alone. Run it on a
machine that has nothing else to do: the terminals need about as much of it as the service.
"""

import argparse
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from service.client import Client
from service.terminal.doors import Door, Json
from service.terminal.sending import MOST_IN_A_BODY, Pause
from service.terminal.troubles import NoAnswer
from tests.served import environment, serving, tiedown

SHOTS_A_STAGE = 20
FRAMES_A_TAKE = 100
LIVE = 4
LIVE_EVERY_S = 0.25
# A stage has one terminal, but many thousand stages would take longer to enter than to drain.
STAGES = 20
IDLE_S = 3.0


@dataclass
class Seen:
    """What the terminals saw: when each was done, refusals with and without a time to come again, single counts."""

    done_s: list[float] = field(default_factory=list)
    asked_s: list[float] = field(default_factory=list)
    unanswered: int = 0
    live_s: list[float] = field(default_factory=list)
    live_refused: int = 0


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--terminals", type=int, default=20, help="how many come back at once (default 20)")
    parser.add_argument("--counts", type=int, default=2000, help="counts each has kept (default 2000)")
    parser.add_argument("--at-once", type=int, nargs="+", default=[2, 100], help="bodies read at once (default 2 100)")
    parser.add_argument("--database-url", help="an empty PostgreSQL database, in the place of SQLite")
    asked = parser.parse_args()
    for at_once in asked.at_once:
        _drain(asked.terminals, asked.counts, at_once=at_once, database_url=asked.database_url)


def _drain(terminals: int, counts: int, *, at_once: int, database_url: str | None) -> None:
    quiet = environment(TIEDOWN_LOG_LEVEL="error", TIEDOWN_BULK_AT_ONCE=str(at_once))
    with tempfile.TemporaryDirectory(prefix="tiedown-bench-") as name:
        folder = Path(name)
        if database_url:
            (folder / "tiedown.toml").write_text(f'database_url = "{database_url}"\n')
            tiedown(folder, "migrate")
        with serving(folder, env=quiet) as (address, process):
            admin = tiedown(folder, "key", "create", "bench", "--scope", "admin")
            with Client(address, admin) as office:
                keys = _furnish(office, terminals + LIVE)
            bulk, live = keys[:terminals], keys[terminals:]
            idle = _posted(address, (), live, counts=counts)
            seen = _posted(address, bulk, live, counts=counts)
            _say(f"\n{terminals} terminals with {counts} counts each, {at_once} bodies read at once")
            _report(seen, idle, terminals * counts)
            _say(f"  web process at most: {_peak_mib(process.pid):.0f} MiB")
            _say(f"  every count there once: {_complete(address, bulk, counts)}")


def _furnish(office: Client, terminals: int) -> list[str]:
    """Enter stages with shots of their own, and terminals on them; the terminals' keys."""
    office.add_production("p", "Bench", frame_rate="25/1")
    office.add_episode("p", "e", title="One")
    for stage in range(STAGES):
        office.add_stage(f"stage-{stage}", f"Stage {stage}")
        shots = [f"s{stage}-{number}" for number in range(SHOTS_A_STAGE)]
        office.add_shots(
            "p", [{"code": each, "episode": "e", "cut_frames": 120, "stage": f"stage-{stage}"} for each in shots]
        )
    keys = []
    for number in range(terminals):
        office.add_terminal(f"terminal-{number}", f"stage-{number % STAGES}")
        keys.append(office.make_key(f"key-{number}", "count", bound={"terminal": f"terminal-{number}"})["key"])
    return keys


def _posted(address: str, bulk: Sequence[str], live: Sequence[str], *, counts: int) -> Seen:
    """Let the bulk terminals send all they have, or none for IDLE_S, and the live ones post beside them."""
    seen, over = Seen(), threading.Event()
    began_s = time.perf_counter()
    senders = [
        threading.Thread(target=_send, args=(address, key, number), kwargs={"counts": counts, "seen": seen})
        for number, key in enumerate(bulk)
    ]
    posters = [
        threading.Thread(target=_post, args=(address, key, len(bulk) + number, over, seen))
        for number, key in enumerate(live)
    ]
    for thread in (*posters, *senders):
        thread.start()
    for thread in senders:
        thread.join()
    if not bulk:
        over.wait(IDLE_S)
    over.set()
    for thread in posters:
        thread.join()
    seen.done_s = sorted(each - began_s for each in seen.done_s)
    return seen


def _send(address: str, key: str, number: int, *, counts: int, seen: Seen) -> None:
    pause = Pause()
    with Door(address, key) as door:
        for body in _bodies(number, counts):
            while True:
                try:
                    door.post(body)
                    break
                except NoAnswer as trouble:
                    if trouble.retry_after_s:
                        seen.asked_s.append(trouble.retry_after_s)
                    else:
                        seen.unanswered += 1
                    time.sleep(pause.next_s(trouble))
            pause.over()
    seen.done_s.append(time.perf_counter())


def _bodies(number: int, counts: int) -> Iterator[Json]:
    for first in range(0, counts, MOST_IN_A_BODY):
        serials = range(first + 1, min(first + MOST_IN_A_BODY, counts) + 1)
        yield {"spool": f"spool-{number}", "counts": [_count(number, serial, counts - serial) for serial in serials]}


def _count(number: int, serial: int, age_s: float) -> Json:
    shot, frames = divmod(serial - 1, FRAMES_A_TAKE)
    return {
        "serial": serial,
        "production": "p",
        "shot": f"s{number % STAGES}-{shot % SHOTS_A_STAGE}",
        "take": 1 + number // STAGES,
        "captures_total": frames + 1,
        "animator": f"animator {number % STAGES}",
        "age_s": age_s,
    }


def _post(address: str, key: str, number: int, over: threading.Event, seen: Seen) -> None:
    # Spools of their own for the idle time and for the load, by the moment they begin.
    spool = f"live-{number}-{time.time_ns()}"
    with Door(address, key, timeout_s=600.0) as door:
        serial = 0
        while not over.is_set():
            serial += 1
            began_s = time.perf_counter()
            try:
                door.post({"spool": spool, "counts": [_count(number, serial, 0.0)]})
            except NoAnswer:
                seen.live_refused += 1
            took_s = time.perf_counter() - began_s
            seen.live_s.append(took_s)
            over.wait(max(LIVE_EVERY_S - took_s, 0.0))


def _complete(address: str, bulk: Sequence[str], counts: int) -> str:
    missing = []
    for number, key in enumerate(bulk):
        with Door(address, key) as door:
            known = door.known(f"spool-{number}")
        if (known.counts, known.last_serial) != (counts, counts):
            missing.append(number)
    return "yes" if not missing else f"NO, not of terminals {missing}"


def _report(seen: Seen, idle: Seen, counts: int) -> None:
    first_s, last_s = seen.done_s[0], seen.done_s[-1]
    _say(f"  drained in {last_s:.1f} s, {counts / last_s:.0f} counts/s; the first terminal was done at {first_s:.1f} s")
    asked = f", of {min(seen.asked_s):.0f} to {max(seen.asked_s):.0f} s" if seen.asked_s else ""
    _say(f"  asked to come again {len(seen.asked_s)} times{asked}; left without an answer {seen.unanswered} times")
    _say(f"  {_spread('single counts meanwhile', seen.live_s)}; {seen.live_refused} of them refused as too busy")
    _say(f"  {_spread('single counts before', idle.live_s)}")


def _spread(what: str, took_s: Sequence[float]) -> str:
    p99 = statistics.quantiles(took_s, n=100, method="inclusive")[98]
    return (
        f"{what}: median {statistics.median(took_s) * 1000:.0f} ms, p99 {p99 * 1000:.0f} ms, "
        f"longest {max(took_s) * 1000:.0f} ms, of {len(took_s)}"
    )


def _peak_mib(process_id: int) -> float:
    """The most memory the process ever had resident, by Linux' own count (proc_pid_status(5), VmHWM)."""
    lines = Path(f"/proc/{process_id}/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
