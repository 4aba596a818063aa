"""Single tests run in copies of the tree, each in a child of a process that has loaded all packages but the house.

Starting Python and loading what the house rests on took most of a run. Of the house itself nothing is loaded before the
child is born, so that a child sees its own copy alone; it says so, and is not believed where it does not.
"""

import contextlib
import gc
import importlib
import json
import os
import signal
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, NoReturn

import pytest

HOUSE = Path(__file__).parents[2]
OURS = ("service", "workers", "migrations", "tests")
LOOK_S = 0.02
# As much of what a child said as tells what went wrong.
TOLD = 4000
OPTIONS = ("-q", "-p", "no:cacheprovider", "--assert=plain", "--hypothesis-profile=first-failure")


class Verdict(StrEnum):
    """What became of named tests.

    All of them passed; one failed in its own lines; one could not begin, or not end; nothing that can be relied on: not
    collected, skipped, too slow, or not run on the copy.
    """

    PASSED = "passed"
    FAILED = "failed"
    ERROR = "error"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Tests to run in a copy of the tree, on a database, within so many seconds.

    `compiles` allows bytecode to be kept in the tree, where its sources never change.
    """

    tree: Path
    tests: tuple[str, ...]
    database: str
    limit_s: float
    compiles: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What a run came to, what it said, how long each test took, and which modules it had loaded, in order."""

    verdict: Verdict
    said: str
    took_s: Mapping[str, float]
    modules: Sequence[str]


@dataclass(slots=True)
class _Child:
    run: Run
    pid: int
    folder: tempfile.TemporaryDirectory[str]
    until: float


class _Record:
    """A plugin of pytest that keeps what became of each test."""

    def __init__(self) -> None:
        self.reports: list[tuple[str, str, str, float]] = []
        self.uncollected: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.reports.append((report.nodeid, report.when, report.outcome, report.duration))

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.uncollected.append(report.nodeid)


def preload(modules: Sequence[str]) -> None:
    """Load what earlier runs had loaded, but for the house, in their order, which some packages rest on.

    Raises RuntimeError where that starts a thread.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name in modules:
            if name.partition(".")[0] not in OURS:
                # Some are made while a test runs, or by a package for itself, and no file has them.
                with contextlib.suppress(Exception):
                    importlib.import_module(name)
    if (number := threading.active_count()) != 1:
        raise RuntimeError(f"what was loaded started {number - 1} threads, which no child would have")
    gc.collect()
    # What is loaded is garbage in no child, and what is not looked at stays shared with them.
    gc.freeze()


def each_of(
    runs: Sequence[Callable[[], contextlib.AbstractContextManager[Run]]], *, at_once: int
) -> Iterator[tuple[int, Ran]]:
    """Make each run and do it, so many at a time; its place in `runs` and what it came to, as they end."""
    waiting = list(enumerate(runs))
    living: dict[int, tuple[_Child, contextlib.ExitStack]] = {}
    try:
        while waiting or living:
            while waiting and len(living) < at_once:
                place, make = waiting.pop(0)
                stack = contextlib.ExitStack()
                living[place] = _begin(stack.enter_context(make())), stack
            time.sleep(LOOK_S)
            for place, (child, stack) in list(living.items()):
                if (ran := _ended(child)) is not None:
                    del living[place]
                    stack.close()
                    yield place, ran
    finally:
        for child, stack in living.values():
            _kill(child)
            child.folder.cleanup()
            stack.close()


def _begin(run: Run) -> _Child:
    folder = tempfile.TemporaryDirectory(prefix="tiedown-run-")
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid == 0:
        _be(run, Path(folder.name))
    return _Child(run, pid, folder, time.monotonic() + run.limit_s)


def _be(run: Run, folder: Path) -> NoReturn:
    """Be the child: run the tests, write down what became of them, and end without a look back."""
    try:
        os.setsid()
        with (folder / "said").open("wb") as said, Path(os.devnull).open("rb") as nothing:
            for number, file in enumerate((nothing, said, said)):
                os.dup2(file.fileno(), number)
        _move_to(run)
        record = _Record()
        code = int(pytest.main([*OPTIONS, *run.tests], plugins=[record]))
        told = {
            "code": code,
            "reports": record.reports,
            "uncollected": record.uncollected,
            "strange": list(_strangers(run.tree)),
            "modules": list(sys.modules),
        }
        (folder / "told.part").write_text(json.dumps(told))
        (folder / "told.part").rename(folder / "told")
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        # With whatever a broken house leaves behind: threads and processes that never end.
        if os.getpgrp() == os.getpid():
            os.killpg(0, signal.SIGKILL)
        os._exit(1)


def _move_to(run: Run) -> None:
    """Let this process and those it starts find the house in the tree, and nowhere else."""
    os.chdir(run.tree)
    os.environ.update(PYTHONPATH=str(run.tree), TIEDOWN_TEST_DATABASE=run.database, CI="true")
    os.environ.pop("PYTEST_ADDOPTS", None)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = not run.compiles
    if not run.compiles:
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    sys.path[:] = [str(run.tree), *(each for each in sys.path if each not in {"", ".", str(HOUSE)})]
    for name in list(sys.modules):
        if name.partition(".")[0] in OURS:
            del sys.modules[name]
    importlib.invalidate_caches()


def _strangers(tree: Path) -> Iterator[str]:
    """Modules of the house that were not loaded from the tree."""
    for name, module in list(sys.modules.items()):
        file = getattr(module, "__file__", None)
        if name.partition(".")[0] in OURS and file is not None and not Path(file).is_relative_to(tree):
            yield f"{name} from {file}"


def _ended(child: _Child) -> Ran | None:
    """What the child came to; None while it runs. One whose time is up is ended."""
    ended = os.waitpid(child.pid, os.WNOHANG) != (0, 0)
    if not ended and time.monotonic() < child.until:
        return None
    if not ended:
        _kill(child)
    folder = Path(child.folder.name)
    said = (folder / "said").read_text(errors="replace")[-TOLD:] if (folder / "said").exists() else ""
    told = json.loads((folder / "told").read_text()) if ended and (folder / "told").exists() else None
    child.folder.cleanup()
    return _judged(child.run, told, said if ended else f"not done within {child.run.limit_s} s\n{said}")


def _kill(child: _Child) -> None:
    """End a child that was not waited for yet, and what it started."""
    for end in (os.killpg, os.kill):
        with contextlib.suppress(ProcessLookupError, PermissionError):
            end(child.pid, signal.SIGKILL)
    os.waitpid(child.pid, 0)


def _judged(run: Run, told: Mapping[str, Any] | None, said: str) -> Ran:
    if told is None:
        return Ran(verdict=Verdict.UNCLEAR, said=said, took_s={}, modules=())
    took_s: dict[str, float] = {}
    verdicts = []
    for test in run.tests:
        own = [each for each in told["reports"] if each[0] == test or each[0].startswith(f"{test}[")]
        took_s[test] = sum(duration for *_, duration in own)
        verdicts.append(_of_test({(when, outcome) for _, when, outcome, _ in own}))
    if told["strange"] or told["uncollected"]:
        said += f"\nnot collected: {told['uncollected']}; not of the copy: {told['strange']}"
        verdicts = [Verdict.UNCLEAR]
    worst = next(each for each in (Verdict.UNCLEAR, Verdict.FAILED, Verdict.ERROR, Verdict.PASSED) if each in verdicts)
    return Ran(verdict=worst, said=said, took_s=took_s, modules=told["modules"])


def _of_test(phases: set[tuple[str, str]]) -> Verdict:
    """What became of a test, or of all the cases of one, by what pytest reports of each phase."""
    outcomes = {outcome for _, outcome in phases}
    if ("call", "failed") in phases:
        # What a fault leaves behind may also disturb the end of a test that failed.
        return Verdict.FAILED
    if "failed" in outcomes:
        return Verdict.ERROR
    return Verdict.PASSED if outcomes == {"passed"} and ("call", "passed") in phases else Verdict.UNCLEAR
