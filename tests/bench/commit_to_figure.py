"""How long after a count's answer the figure shows it, on one machine; beside the bare round trip of the same read.

    .venv/bin/python -m tests.bench.commit_to_figure [--seconds 20] [--rate 50]

A measurement, no test: it serves a fresh database with `tiedown serve`, posts `rate` counts a second from one terminal
and reads the production's progress every 10 ms until each count is in it (those 10 ms are part of what is measured). It
prints the median and the 99th percentile of commit to figure, the same of the read alone on the idle service before (so
that the ratio comes from one run), and how many single posts a second one terminal and four get accepted when nobody
reads. Run it on a machine that has nothing else to do.
"""

import argparse
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from service.client import Client
from tests.served import environment, served, tiedown

GOAL_P99_MS = 250.0
STAGE = "north"
SHOTS = 40
READS_UNLOADED = 400
SINGLE_POSTS_S = 5.0
LOOK_S = 0.01


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0, help="how long to post (default 20)")
    parser.add_argument("--rate", type=float, default=50.0, help="counts a second (default 50)")
    asked = parser.parse_args()
    # The figures would drown in a line for every request.
    quiet = environment(TIEDOWN_LOG_LEVEL="warning")
    with tempfile.TemporaryDirectory(prefix="tiedown-bench-") as folder, served(Path(folder), env=quiet) as address:
        admin = tiedown(Path(folder), "key", "create", "bench", "--scope", "admin")
        with Client(address, admin) as office:
            terminals = _furnish(office)
            bare = _round_trips(office)
            shown = _commit_to_figure(address, office, terminals[0], rate=asked.rate, seconds=asked.seconds)
        one = _posts_a_second(address, terminals[:1])
        four = _posts_a_second(address, terminals)
    medians, p99s = _median(shown) / _median(bare), _p99(shown) / _p99(bare)
    _say(_spread("round trip of the read, idle", bare))
    _say(_spread(f"commit to figure at {asked.rate:g} counts/s", shown))
    _say(f"commit to figure over round trip: medians {medians:.1f}, 99th percentiles {p99s:.1f}")
    _say(f"goal p99 <= {GOAL_P99_MS:g} ms: {'met' if _p99(shown) <= GOAL_P99_MS else 'MISSED'}")
    _say(f"single posts accepted: {one:.0f}/s from one terminal, {four:.0f}/s from four")


def _furnish(office: Client) -> list[tuple[str, str]]:
    """Enter a production with shots long enough for the run, and four terminals; their names and keys."""
    office.add_stage(STAGE, "North hall")
    office.add_production("p", "Bench", frame_rate="25/1")
    office.add_episode("p", "e", title="One")
    shots = [{"code": f"s{number}", "episode": "e", "cut_frames": 100_000, "stage": STAGE} for number in range(SHOTS)]
    office.add_shots("p", shots)
    terminals = []
    for number in range(4):
        name = f"terminal-{number}"
        office.add_terminal(name, STAGE)
        terminals.append((name, office.make_key(name, "count", bound={"terminal": name})["key"]))
    return terminals


def _credited(office: Client) -> int:
    total = office.progress("p", "episode")["total"]
    return int(total["credited_frames"]) if total else 0


def _round_trips(office: Client) -> list[float]:
    """Seconds of the read that the figures are looked up with, nothing else going on."""
    took = []
    for _ in range(READS_UNLOADED):
        began = time.perf_counter()
        _credited(office)
        took.append(time.perf_counter() - began)
    return took


def _commit_to_figure(
    address: str, office: Client, terminal: tuple[str, str], *, rate: float, seconds: float
) -> list[float]:
    """Seconds from the answer of each count to the end of the first read that shows it.

    Each count adds one frame that is credited, so that a sum of n says that the first n counts are in it.
    """
    answered: list[float] = []
    total = int(rate * seconds)
    posting = threading.Thread(target=_post, args=(address, terminal, answered), kwargs={"rate": rate, "total": total})
    shown: list[float] = []
    posting.start()
    while len(shown) < total:
        credited, now = _credited(office), time.perf_counter()
        # The figure may come before the answer has reached its terminal: then nobody waited for it.
        shown += (max(now - at, 0.0) for at in answered[len(shown) : credited])
        # A reader that never rests would itself be a good part of the load.
        time.sleep(max(now + LOOK_S - time.perf_counter(), 0))
    posting.join()
    return shown


def _post(address: str, terminal: tuple[str, str], answered: list[float], *, rate: float, total: int) -> None:
    began = time.perf_counter()
    with Client(address, terminal[1]) as client:
        for number in range(total):
            time.sleep(max(began + number / rate - time.perf_counter(), 0))
            client.post_counts([_count(number)], spool="rate")
            answered.append(time.perf_counter())


def _count(number: int) -> dict[str, object]:
    return {
        "serial": number,
        "production": "p",
        "shot": f"s{number % SHOTS}",
        "take": 1,
        "captures_total": number // SHOTS + 1,
    }


def _posts_a_second(address: str, terminals: Sequence[tuple[str, str]]) -> float:
    """Single posts accepted a second, each terminal sending the next as soon as it has its answer."""
    accepted = [0] * len(terminals)

    def post(which: int, key: str) -> None:
        with Client(address, key) as client:
            deadline = time.perf_counter() + SINGLE_POSTS_S
            while time.perf_counter() < deadline:
                count = {**_count(accepted[which]), "take": 2 + which}
                (answer,) = client.post_counts([count], spool=f"flat-out-{len(terminals)}")
                accepted[which] += answer["outcome"] == "counted"

    threads = [threading.Thread(target=post, args=(which, key)) for which, (_, key) in enumerate(terminals)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(accepted) / SINGLE_POSTS_S


def _median(seconds: Sequence[float]) -> float:
    return statistics.median(seconds) * 1000


def _p99(seconds: Sequence[float]) -> float:
    return statistics.quantiles(seconds, n=100, method="inclusive")[98] * 1000


def _spread(what: str, seconds: Sequence[float]) -> str:
    return f"{what}: median {_median(seconds):.1f} ms, p99 {_p99(seconds):.1f} ms, of {len(seconds)}"


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
