"""How long a look at a followed folder of 10 000 frame files takes, beside a bare walk over the same files.

    .venv/bin/python -m tests.bench.folder_scan [--files 10000] [--looks 50] [--folder FOLDER]

A measurement, no test: it makes takes of 100 frames in a folder of its own (or below FOLDER, as on a share), looks once
as a terminal just started does, then again and again with nothing changed, and prints the medians, and their ratio to
`os.walk` of the same run. Run it on a machine that has nothing else to do.
"""

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from service.terminal.folders import Folder
from service.terminal.patterns import FramePattern

FRAMES_IN_A_TAKE = 100
TAKES_OF_A_SHOT = 5
PATTERN = "{shot}/take_{take}/{shot}_t{take}_{frame}.*"


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", type=int, default=10_000, help="frame files (default 10000)")
    parser.add_argument("--looks", type=int, default=50, help="looks to measure (default 50)")
    parser.add_argument("--folder", help="where to make them (default: the system's place for temporary files)")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="tiedown-bench-", dir=asked.folder) as made:
        root = Path(made)
        _shoot(root, asked.files)
        walked = [_took(lambda: sum(len(files) for _, _, files in os.walk(root))) for _ in range(asked.looks)]
        folder = Folder(root, FramePattern.of(PATTERN))
        first = _took(folder.look)
        again = [_took(folder.look) for _ in range(asked.looks)]
        found = folder.look()
    bare, look = statistics.median(walked), statistics.median(again)
    _say(f"{found.files} frame files of {len(found.found)} takes")
    _say(f"bare walk: median {bare * 1000:.1f} ms, of {asked.looks}")
    _say(f"first look: {first * 1000:.1f} ms, {first / bare:.1f} of the walk")
    _say(f"a look with nothing changed: median {look * 1000:.1f} ms, {look / bare:.1f} of the walk")


def _shoot(root: Path, files: int) -> None:
    for take in range(files // FRAMES_IN_A_TAKE):
        shot, number = f"s{take // TAKES_OF_A_SHOT:04}", take % TAKES_OF_A_SHOT + 1
        where = root / shot / f"take_{number:02}"
        where.mkdir(parents=True)
        for frame in range(1, FRAMES_IN_A_TAKE + 1):
            (where / f"{shot}_t{number:02}_{frame:04}.png").write_bytes(b"frame")


def _took(what: Callable[[], object]) -> float:
    began = time.perf_counter()
    what()
    return time.perf_counter() - began


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")


if __name__ == "__main__":
    main()
