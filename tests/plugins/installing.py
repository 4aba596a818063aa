"""Packages of strangers, installed by pip as they would be, into a folder that a test puts on its path."""

import re
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
HOUSE = HERE.parents[1]
GUIDE = HOUSE / "workers" / "README.md"
FILE = re.compile(r"<!-- file: (?P<name>\S+) -->\n```\w+\n(?P<text>.*?)```", re.DOTALL)


def install(folder: Path, *packages: Path) -> None:
    """Let pip install packages into a folder, without any network and without what they depend on."""
    options = ["--no-deps", "--no-build-isolation", "--no-index", "--disable-pip-version-check", "--no-compile"]
    command = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "--quiet",
        *options,
        "--target",
        str(folder),
        *map(str, packages),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def written_out(folder: Path) -> Path:
    """The package of the guide, as a reader would write its files."""
    files = {each["name"]: each["text"] for each in FILE.finditer(GUIDE.read_text(encoding="utf-8"))}
    assert sorted(files) == ["pyproject.toml", "takes_per_shot.py"]
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def copied(folder: Path, name: str) -> Path:
    """The worker *progress* as a package of a stranger's: its own source, under another name."""
    source = (HOUSE / "workers" / "builtin" / "progress.py").read_text(encoding="utf-8")
    own = 'name: ClassVar[str] = "progress"'
    assert source.count(own) == 1
    (folder / "progress_copy.py").write_text(source.replace(own, f'name: ClassVar[str] = "{name}"'), encoding="utf-8")
    (folder / "pyproject.toml").write_text(
        (HERE / "lamp-hours" / "pyproject.toml")
        .read_text(encoding="utf-8")
        .replace("lamp_hours:LampHours", "progress_copy:Progress")
        .replace("lamp-hours", name)
        .replace("lamp_hours.py", "progress_copy.py"),
        encoding="utf-8",
    )
    return folder


def fill(folder: Path, work: Path) -> None:
    """Install the lamp hours, the guide's worker and the copy of *progress*."""
    guide, copy = work / "guide", work / "copy"
    guide.mkdir()
    copy.mkdir()
    install(folder, HERE / "lamp-hours", written_out(guide), copied(copy, "progress-copy"))
