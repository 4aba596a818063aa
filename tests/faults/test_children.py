"""What is said of a planted fault can be relied on."""

import json
import subprocess
import sys
from pathlib import Path


def test_a_fault_is_noticed_where_the_named_test_itself_fails_and_only_there(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.small_house", tmp_path],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {
        "sound": "passed",
        "compiled": "door",
        "open": "failed",
        "other": "passed",
        "unread": "unclear",
        "unbegun": "error",
        "endless": "unclear",
    }
    # The copies share their files; what was planted in one is in that one alone.
    assert (tmp_path / "sound" / "service" / "door.py").read_text() == "shut = 1\n"
    assert [path.name for path in tmp_path.iterdir()] == ["sound"]
