"""A house of one line, in which faults are planted to see what is said of each.

`python -m tests.faults.small_house FOLDER` builds it, in a process of its own, because one that has threads cannot be
forked.
"""

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

from tests.faults.children import OURS, Run, each_of, preload
from tests.faults.plant import Edit, Fault, planted, say, unplanted

LINE = "shut = 1"
# Broken, not broken, not to be read, not to be begun, without an end. The first two are as long as what they replace.
FAULTS = {
    "open": "shut = 0",
    "other": "shut = 2",
    "unread": "shut = = 0",
    "unbegun": "shut = None",
    "endless": "shut = 1.5",
}
LIMIT_S = {"endless": 1.0}
FILES = {
    "pyproject.toml": "[tool.pytest.ini_options]\n",
    "service/door.py": f"{LINE}\n",
    "tests/conftest.py": "from hypothesis import settings\n\nsettings.register_profile('first-failure')\n",
    "tests/test_door.py": """
import time

import pytest

from service import door


@pytest.fixture
def house():
    assert door.shut is not None
    while door.shut == 1.5:
        time.sleep(1)


def test_the_door_is_shut(house):
    assert door.shut
""",
}
TEST = "tests/test_door.py::test_the_door_is_shut"


def build(sound: Path) -> None:
    """Build the house without a fault."""
    for package in OURS:
        (sound / package).mkdir(parents=True)
        (sound / package / "__init__.py").touch()
    for name, text in FILES.items():
        (sound / name).write_text(text)


@contextmanager
def of_one_instant(sound: Path, name: str) -> Iterator[Run]:
    """A planted fault whose file is as old as the sound one, for which what was compiled of that would pass."""
    fault = Fault(name, (Edit("service/door.py", LINE, FAULTS[name]),), TEST)
    with planted(sound, fault) as run:
        at = (sound / "service" / "door.py").stat().st_mtime_ns
        os.utime(run.tree / "service" / "door.py", ns=(at, at))
        yield replace(run, limit_s=LIMIT_S.get(name, run.limit_s))


def main() -> None:
    """Say as JSON what is said of the house without a fault and with each."""
    sound = Path(sys.argv[1]) / "sound"
    build(sound)
    ((_, first),) = each_of([partial(unplanted, sound, "sqlite", [TEST])], at_once=1)
    preload(first.modules)
    runs = {name: partial(of_one_instant, sound, name) for name in FAULTS}
    ended = each_of(list(runs.values()), at_once=len(runs))
    said = {list(runs)[place]: ran.verdict for place, ran in ended}
    (compiled,) = (sound / "service" / "__pycache__").glob("door.*")
    say(json.dumps({"sound": first.verdict, "compiled": compiled.stem.partition(".")[0], **said}))


if __name__ == "__main__":
    main()
