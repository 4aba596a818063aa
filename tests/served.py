"""`tiedown` as a process of its own, for tests that look at it from outside."""

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

TIEDOWN = str(Path(sys.executable).with_name("tiedown"))
FAREWELL_S = 20


def environment(**more: str) -> dict[str, str]:
    """The environment of this process without what the machine has set for the product."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TIEDOWN_")}
    return kept | {"PYTHONIOENCODING": "utf-8", "COLUMNS": "160", **more}


def tiedown(folder: Path, *words: str) -> str:
    """Run the command in a folder to its end and return what it printed."""
    ended = subprocess.run(
        [TIEDOWN, *words], cwd=folder, env=environment(), capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stderr
    return ended.stdout.strip()


@contextmanager
def started(folder: Path, *words: str, env: Mapping[str, str] | None = None) -> Iterator[subprocess.Popen[str]]:
    """The command, running in a folder; told to end afterwards where it has not ended by itself."""
    with (
        tempfile.TemporaryFile("w+") as log,
        subprocess.Popen(
            [TIEDOWN, *words], cwd=folder, env=env or environment(), stdout=subprocess.PIPE, stderr=log, text=True
        ) as process,
    ):
        try:
            yield process
        finally:
            process.terminate()
            process.wait(FAREWELL_S)
            log.seek(0)
            sys.stderr.write(log.read())


@contextmanager
def serving(folder: Path, *, env: Mapping[str, str] | None = None) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """`tiedown serve` in a folder, on a free port; its address and its process."""
    with started(folder, "serve", "--port", "0", env=env) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if found := re.search(r"http://[\w.:\[\]]+", line):
                break
        else:
            raise AssertionError("tiedown serve ended before it said where it serves")
        yield found[0], process


@contextmanager
def served(folder: Path, *, env: Mapping[str, str] | None = None) -> Iterator[str]:
    """`tiedown serve` in a folder, on a free port; its address."""
    with serving(folder, env=env) as (address, _):
        yield address
