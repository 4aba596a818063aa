"""Processes of the tests' own, from one that has loaded what they run: each on its own took a second to start."""

import multiprocessing
from collections.abc import Callable
from multiprocessing.context import ForkServerContext
from multiprocessing.process import BaseProcess


def forking() -> ForkServerContext:
    """What makes processes, gates between them among it; they are forked from one that has no threads."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.workers.test_engine", "tests.workers.test_schedule"])
    return context


def lived(target: Callable[..., object], *given: object) -> int | None:
    """Let a process live to its end; its exit code, negative where a signal ended it."""
    process: BaseProcess = forking().Process(target=target, args=given)
    process.start()
    process.join()
    return process.exitcode
