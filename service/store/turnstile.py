"""The turnstile: one writer of a SQLite file at a time, in fair order, across threads and processes.

SQLite lets whoever asks at the lucky moment write next, so a process that writes rarely can wait behind a busy one for
ever. Here a writer first takes the lock *next*, then *write*, then gives *next* back: whoever holds *next* cannot be
overtaken. Both are `flock` locks on small files beside the database; the operating system frees them when their holder
dies, however it dies. They order the writers; that only one writes is SQLite's own lock's work, which stays in place.
"""

import fcntl
import os
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FIRST_PAUSE_S = 0.0002
LONGEST_PAUSE_S = 0.002


class TurnRefused(Exception):
    """The turn to write did not come in time."""

    def __init__(self, waited_s: float) -> None:
        super().__init__(f"the turn to write did not come within {waited_s:g} s")
        self.waited_s = waited_s


class FileLock:
    """An exclusive `flock` on one file, opened anew at each taking.

    A new opening each time makes two threads of one process exclude each other, and leaves nothing behind for a forked
    child to inherit while the lock is free. The file is never deleted: a lock on a deleted file excludes nobody.
    """

    __slots__ = ("path",)

    def __init__(self, path: Path) -> None:
        self.path = path

    def take(self, deadline_s: float) -> int | None:
        """Take the lock by the monotonic instant `deadline_s`; None where it passed. The result is for `give_back`.

        `flock` knows no waiting time, so this asks again and again. A wait in the kernel would be without end when the
        holder is stopped, and would take its caller with it.
        """
        opened = os.open(self.path, os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC, 0o666)
        pause_s = FIRST_PAUSE_S
        try:
            while not self._taken(opened):
                left_s = deadline_s - time.monotonic()
                if left_s <= 0:
                    os.close(opened)
                    return None
                time.sleep(min(pause_s, left_s))
                pause_s = min(pause_s * 1.5, LONGEST_PAUSE_S)
        except BaseException:
            os.close(opened)
            raise
        return opened

    @staticmethod
    def give_back(opened: int) -> None:
        """Let the lock go; closing the only opening of it does that."""
        os.close(opened)

    @staticmethod
    def _taken(opened: int) -> bool:
        try:
            fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


class Queue:
    """First come, first served among the threads of one process.

    `threading.Lock` promises no order. Here the one who leaves hands over to the one who has waited longest.
    """

    __slots__ = ("_guard", "_occupied", "_waiting")

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._occupied = False
        self._waiting: deque[threading.Lock] = deque()

    def __len__(self) -> int:
        """How many wait."""
        return len(self._waiting)

    def enter(self, timeout_s: float) -> bool:
        """Wait for the turn, at most `timeout_s`; False where it did not come."""
        with self._guard:
            if not self._occupied:
                self._occupied = True
                return True
            turn = threading.Lock()
            turn.acquire()
            self._waiting.append(turn)
        try:
            if turn.acquire(timeout=max(timeout_s, 0)):
                return True
        except BaseException:
            if not self._gave_up(turn):
                self.leave()
            raise
        return not self._gave_up(turn)

    def leave(self) -> None:
        """Hand over to whoever has waited longest."""
        with self._guard:
            if self._waiting:
                self._waiting.popleft().release()
            else:
                self._occupied = False

    def _gave_up(self, turn: threading.Lock) -> bool:
        """Stop waiting; False where the turn was handed over in the meantime and is therefore ours."""
        with self._guard:
            if turn in self._waiting:
                self._waiting.remove(turn)
                return True
            return False


class Turnstile:
    """The way in for every writer of one SQLite file.

    The threads of a process queue among themselves and send one of them at a time to the file locks, for the whole of
    its transaction. So a process with forty writers weighs no more there than a process with one, and while one of its
    threads writes none of them asks for *next*: another process that waits has it by then.
    """

    __slots__ = ("_next", "_queue", "_write")

    def __init__(self, database: Path) -> None:
        self._next = FileLock(database.with_name(database.name + ".next"))
        self._write = FileLock(database.with_name(database.name + ".write"))
        self._queue = Queue()

    @property
    def waiting(self) -> int:
        """How many threads of this process queue behind the one inside."""
        return len(self._queue)

    @contextmanager
    def turn(self, *, timeout_s: float) -> Iterator[None]:
        """Be the one writer until the block ends. Raises TurnRefused after `timeout_s`."""
        deadline_s = time.monotonic() + timeout_s
        if not self._queue.enter(timeout_s):
            raise TurnRefused(timeout_s)
        try:
            opened = self._pass(deadline_s)
            if opened is None:
                raise TurnRefused(timeout_s)
            try:
                yield
            finally:
                self._write.give_back(opened)
        finally:
            self._queue.leave()

    def _pass(self, deadline_s: float) -> int | None:
        # A process that was stopped while it held only *next* keeps everybody from an open door. *next* is courtesy,
        # so half the time is the most it is waited for.
        now_s = time.monotonic()
        upcoming = self._next.take(now_s + (deadline_s - now_s) / 2)
        try:
            return self._write.take(deadline_s)
        finally:
            if upcoming is not None:
                self._next.give_back(upcoming)


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold the lock on `path` until the block ends; BlockingIOError where somebody else holds it."""
    lock = FileLock(path)
    opened = lock.take(time.monotonic())
    if opened is None:
        raise BlockingIOError(f"{path} is held by another process")
    try:
        yield
    finally:
        lock.give_back(opened)
