"""The command as typed, run inside this process: starting Python for every mistake a person can make takes minutes."""

import logging
import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from io import StringIO
from subprocess import CompletedProcess
from unittest.mock import patch

from workers import command, logs


def typed(*arguments: str, env: Mapping[str, str]) -> CompletedProcess[str]:
    """Run a command that comes to its end by itself, as a process of its own would; what it said and its exit code."""
    out, err = StringIO(), StringIO()
    with (
        patch.dict(os.environ, env, clear=True),
        patch.object(sys, "argv", ["tiedown", *arguments]),
        redirect_stdout(out),
        redirect_stderr(err),
        _logging_as_before(),
    ):
        try:
            command.main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
        else:
            code = 0
    return CompletedProcess(arguments, code, out.getvalue(), err.getvalue())


@contextmanager
def _logging_as_before() -> Iterator[None]:
    root = logging.getLogger()
    handlers, levels = root.handlers[:], {name: logging.getLogger(name).level for name in (None, *logs.CHATTY)}
    try:
        yield
    finally:
        root.handlers[:] = handlers
        logging.captureWarnings(capture=False)
        for name, level in levels.items():
            logging.getLogger(name).setLevel(level)
