"""The parts of a deployment as process groups: started, killed with everything they started, and started again."""

import os
import signal
import socket
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from tests.journeys.house import TIEDOWN, environment, until

SERVES = "Serving http"


def free_port() -> int:
    """A port nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass(slots=True)
class Parts:
    """The parts of a house by name, each with its command, its log in `folder`, and where its web sides are reached."""

    url: str
    env: Mapping[str, str]
    folder: Path
    commands: Mapping[str, Sequence[str]]
    addresses: tuple[str, ...]
    _processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def start(self, *names: str) -> None:
        """Start these parts, or all, and wait until each web side among them says where it serves."""
        chosen = names or tuple(self.commands)
        said = {name: self.said(name) for name in chosen}
        for name in chosen:
            with self._log(name).open("ab") as log:
                self._processes[name] = subprocess.Popen(
                    [*TIEDOWN, *self.commands[name]],
                    env=self.env,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    start_new_session=True,
                )
        for name in chosen:
            if self.commands[name][0] in {"serve", "web"}:
                until(lambda name=name: self.said(name) > said[name])  # type: ignore[misc] # mypy knows no such lambda

    def kill(self, *names: str) -> None:
        """`kill -9` these parts, or all, with everything they started themselves, all at one moment."""
        processes = [self._processes.pop(name) for name in names or tuple(self._processes)]
        for process in processes:
            os.killpg(process.pid, signal.SIGKILL)
        for process in processes:
            process.wait()
        until(lambda: not any(_lives(process.pid) for process in processes))

    def said(self, name: str) -> int:
        """How often a part said that it serves."""
        return self._log(name).read_text(errors="replace").count(SERVES) if self._log(name).exists() else 0

    def _log(self, name: str) -> Path:
        return self.folder / f"{name}.log"


def _lives(group: int) -> bool:
    """Whether any process of a group is left; one that only waits to be buried is not."""
    for process in psutil.process_iter():
        try:
            if os.getpgid(process.pid) == group and process.status() != psutil.STATUS_ZOMBIE:
                return True
        except (ProcessLookupError, psutil.NoSuchProcess):
            continue
    return False


@contextmanager
def one_machine(folder: Path, url: str) -> Iterator[Parts]:
    """`tiedown serve`: web and engine on an embedded database."""
    port = free_port()
    commands = {"serve": ["serve", "--host", "127.0.0.1", "--port", str(port)]}
    with _ended(Parts(url, environment(url), folder, commands, (f"http://127.0.0.1:{port}",))) as parts:
        yield parts


@contextmanager
def many_machines(folder: Path, url: str, redis_url: str) -> Iterator[Parts]:
    """Two web processes, two Celery workers and a relay, on a migrated PostgreSQL database and Redis."""
    ports = [free_port(), free_port()]
    commands = {f"web {port}": ["web", "--host", "127.0.0.1", "--port", str(port)] for port in ports}
    commands |= {"relay": ["relay"]} | {f"worker {number}": ["worker", "--concurrency", "1"] for number in (1, 2)}
    # What a killed worker had in hand is another's when its lease is over.
    env = environment(url, redis_url=redis_url, handler_limit_s=3, lease_s=4)
    addresses = tuple(f"http://127.0.0.1:{port}" for port in ports)
    with _ended(Parts(url, env, folder, commands, addresses)) as parts:
        yield parts


@contextmanager
def _ended(parts: Parts) -> Iterator[Parts]:
    try:
        yield parts
    finally:
        parts.kill()
        for log in sorted(parts.folder.glob("*.log")):
            print(f"-- {log.name}\n{log.read_text(errors='replace')[-3000:]}")  # noqa: T201 -- shown where a test fails
