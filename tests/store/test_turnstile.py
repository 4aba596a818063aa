"""Writers of one SQLite file take turns: in order, one at a time, and nobody dead or stopped keeps the rest out."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from functools import partial
from pathlib import Path
from textwrap import dedent

import pytest
from sqlmodel import select

from service.store.engine import Busy, Database, address_of, sqlite_path
from service.store.tables import CursorRow, HeartbeatRow
from service.store.turnstile import TurnRefused, Turnstile, held
from tests.store.test_engine import NOW, in_threads

WAIT_S = 20.0


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "tiedown.db"


@contextmanager
def program(source: str, *arguments: object) -> Iterator[subprocess.Popen[str]]:
    """Run Python source in a process of its own, which is killed where it outlives the block."""
    command = [sys.executable, "-c", dedent(source), *map(str, arguments)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def said(process: subprocess.Popen[str]) -> str:
    """The next line that the process prints."""
    assert process.stdout is not None
    return process.stdout.readline().strip()


def is_held(path: Path) -> bool:
    try:
        with held(path):
            return False
    except BlockingIOError:
        return True


def until(condition: object) -> None:
    """Wait for what is bound to come; fail where it does not."""
    assert callable(condition)
    deadline_s = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < deadline_s, "it never came"
        time.sleep(0.001)


HOLDER = """
    import sys
    from pathlib import Path
    from service.store.turnstile import Turnstile
    with Turnstile(Path(sys.argv[1])).turn(timeout_s=20):
        print("inside", flush=True)
        sys.stdin.readline()
    print("outside", flush=True)
"""


def test_one_who_waits_is_not_overtaken_by_a_crowd_that_comes_later(file: Path) -> None:
    crowded, lonely = Turnstile(file), Turnstile(file)
    order: list[str] = []
    inside, go = threading.Event(), threading.Event()

    def write(turnstile: Turnstile, name: str) -> None:
        with turnstile.turn(timeout_s=WAIT_S):
            order.append(name)

    def hold() -> None:
        with crowded.turn(timeout_s=WAIT_S):
            inside.set()
            go.wait(WAIT_S)

    threads = [threading.Thread(target=hold)]
    threads[0].start()
    assert inside.wait(WAIT_S)
    threads.append(threading.Thread(target=write, args=(lonely, "lonely")))
    threads[1].start()
    until(lambda: is_held(file.with_name("tiedown.db.next")))
    for number in range(8):
        threads.append(threading.Thread(target=write, args=(crowded, f"crowd {number}")))
        threads[-1].start()
    until(lambda: crowded.waiting == 8)
    go.set()
    for thread in threads:
        thread.join()
    assert order[0] == "lonely"
    assert len(order) == 9


def test_threads_of_one_process_go_in_the_order_they_came(file: Path) -> None:
    turnstile = Turnstile(file)
    order: list[int] = []

    def write(number: int) -> None:
        with turnstile.turn(timeout_s=WAIT_S):
            order.append(number)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(12)]
    with turnstile.turn(timeout_s=WAIT_S):
        for number, thread in enumerate(threads):
            thread.start()
            until(lambda expected=number + 1: turnstile.waiting == expected)
    for thread in threads:
        thread.join()
    assert order == list(range(12))


def test_a_turn_that_does_not_come_is_refused_and_the_queue_goes_on(file: Path) -> None:
    turnstile, other = Turnstile(file), Turnstile(file)
    with turnstile.turn(timeout_s=WAIT_S):
        for late in (turnstile, other):
            with pytest.raises(TurnRefused, match=r"within 0\.05 s"), late.turn(timeout_s=0.05):
                pytest.fail("two were inside")
    for late in (turnstile, other):
        with late.turn(timeout_s=0.05):
            assert is_held(file.with_name("tiedown.db.write"))
        assert turnstile.waiting == 0
    assert not is_held(file.with_name("tiedown.db.write"))
    assert not is_held(file.with_name("tiedown.db.next"))


def test_a_crowd_that_keeps_giving_up_never_loses_a_turn_nor_doubles_one(file: Path) -> None:
    turnstiles = (Turnstile(file), Turnstile(file))
    alone = threading.Lock()
    entered: list[int] = []

    def hurry(seed: int) -> None:
        chance = random.Random(seed)
        for _ in range(60):
            with suppress(TurnRefused), turnstiles[seed % 2].turn(timeout_s=chance.uniform(0, 0.004)):
                assert alone.acquire(blocking=False), "two were inside"
                time.sleep(chance.uniform(0, 0.002))
                entered.append(seed)
                alone.release()

    in_threads(*[partial(hurry, seed) for seed in range(8)])
    assert 0 < len(entered) < 8 * 60
    for turnstile in turnstiles:
        assert turnstile.waiting == 0
        with turnstile.turn(timeout_s=WAIT_S):
            pass


def test_a_writer_that_is_killed_lets_the_next_one_in(file: Path) -> None:
    with program(HOLDER, file) as holder:
        assert said(holder) == "inside"
        with pytest.raises(TurnRefused), Turnstile(file).turn(timeout_s=0.05):
            pytest.fail("two were inside")
        holder.send_signal(signal.SIGKILL)
        holder.wait()
    with Turnstile(file).turn(timeout_s=0.05):
        pass


def test_one_that_is_stopped_while_it_waits_keeps_nobody_out(file: Path) -> None:
    with ExitStack() as running:
        with Turnstile(file).turn(timeout_s=WAIT_S):
            stopped = running.enter_context(program(HOLDER, file))
            until(lambda: is_held(file.with_name("tiedown.db.next")))
            stopped.send_signal(signal.SIGSTOP)
            os.waitid(os.P_PID, stopped.pid, os.WSTOPPED | os.WNOWAIT)
        assert is_held(file.with_name("tiedown.db.next"))
        with Turnstile(file).turn(timeout_s=1):
            assert is_held(file.with_name("tiedown.db.write"))


def test_an_interrupt_while_waiting_leaves_nothing_behind(file: Path) -> None:
    interrupted = """
        import sys
        from pathlib import Path
        from service.store.turnstile import Turnstile
        turnstile = Turnstile(Path(sys.argv[1]))
        try:
            with turnstile.turn(timeout_s=20):
                print("inside too early", flush=True)
        except KeyboardInterrupt:
            print("interrupted", flush=True)
        sys.stdin.readline()
        with turnstile.turn(timeout_s=1):
            print("inside", flush=True)
    """
    with ExitStack() as running:
        with Turnstile(file).turn(timeout_s=WAIT_S):
            waiting = running.enter_context(program(interrupted, file))
            until(lambda: is_held(file.with_name("tiedown.db.next")))
            waiting.send_signal(signal.SIGINT)
            assert said(waiting) == "interrupted"
            assert not is_held(file.with_name("tiedown.db.next"))
        assert waiting.stdin is not None
        waiting.stdin.write("\n")
        waiting.stdin.flush()
        assert said(waiting) == "inside"


def test_a_database_writes_only_in_its_turn(sqlite_url: str) -> None:
    path = sqlite_path(address_of(sqlite_url))
    assert path is not None
    with closing(Database.open(sqlite_url, lock_timeout_s=0.05)) as database:
        with Turnstile(path).turn(timeout_s=WAIT_S):
            with database.reading() as session:
                assert session.exec(select(CursorRow.position)).all() == []
            with pytest.raises(Busy), database.writing():
                pytest.fail("two were inside")
        with database.writing():
            assert is_held(path.with_name(path.name + ".write"))


BUSY_DOOR = """
    import sys, threading
    from sqlalchemy import text
    from service.store.engine import Database
    database = Database.open(sys.argv[1], lock_timeout_s=20)
    def write():
        while True:
            with database.writing() as session:
                session.connection().execute(text("UPDATE worker_cursor SET position = position + 1"))
    for _ in range(8):
        threading.Thread(target=write, daemon=True).start()
    print("busy", flush=True)
    sys.stdin.readline()
"""


def test_a_second_process_gets_in_after_a_few_commits_of_eight_busy_writers(sqlite_url: str) -> None:
    overtaken: list[int] = []
    with closing(Database.open(sqlite_url, lock_timeout_s=WAIT_S)) as engine:
        with engine.writing() as session:
            session.add(CursorRow(worker="door", edition=1, partition="", batch_limit=1, position=0))
        with program(BUSY_DOOR, sqlite_url) as door:
            assert said(door) == "busy"
            until(lambda: commits(engine) > 50)
            for _ in range(40):
                before = commits(engine)
                with engine.writing() as session:
                    overtaken.append(session.exec(select(CursorRow.position)).one() - before)
                    session.add(HeartbeatRow(name=f"engine {len(overtaken)}", at=NOW))
    # One is inside when the second process asks, one may be next already, and some commit between the reading of the
    # number and the asking. Measured on two cores: 40 in all; 200 where *next* or the threads' own queue was taken out.
    assert sum(overtaken) <= 3 * len(overtaken), overtaken


def commits(database: Database) -> int:
    with database.reading() as session:
        return session.exec(select(CursorRow.position)).one()
