"""What stands at the edge of a terminal's world: its clocks, and a file system that fails."""

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.terminal.clocks import Moment
from service.terminal.spool import Spool


@dataclass
class Clocks:
    """A terminal's clocks, moved by hand."""

    wall: datetime = field(default=datetime(2026, 3, 2, 14, 0, tzinfo=UTC))
    boot: str = "first"
    run_s: float = 1_000.0

    def __call__(self) -> Moment:
        return Moment(self.wall, self.boot, self.run_s)

    def pass_s(self, seconds: float) -> None:
        """Let time pass on both clocks."""
        self.wall += timedelta(seconds=seconds)
        self.run_s += seconds

    def start_anew(self) -> None:
        """Start the computer again."""
        self.boot, self.run_s = f"{self.boot}-again", 3.0


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def spool(tmp_path: Path) -> Iterator[Spool]:
    with Spool(tmp_path / "home" / "spool.db") as opened:
        yield opened


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> set[Path]:
    """Folders that do not open, as those of a share that fails: to a superuser every mode is readable."""
    folders: set[Path] = set()
    scandir = os.scandir

    def maybe(path: Any) -> Any:  # noqa: ANN401 - as the system has it
        if Path(path) in folders:
            raise OSError(5, "Input/output error")
        return scandir(path)

    monkeypatch.setattr("service.terminal.folders.os.scandir", maybe)
    return folders
