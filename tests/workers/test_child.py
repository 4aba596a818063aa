"""The engine's process on one machine, as whoever reads its log sees it."""

import json
import subprocess
import sys
from pathlib import Path

from tests.journeys.house import environment


def test_a_child_without_its_database_says_so_in_plain_words(tmp_path: Path) -> None:
    said = subprocess.run(
        [sys.executable, "-m", "workers.child"],
        env=environment(f"sqlite:///{tmp_path / 'gone.db'}"),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    (line,) = said.stderr.splitlines()
    assert said.returncode == 1
    assert "There is no database at" in json.loads(line)["error"]
    assert "Traceback" not in line
