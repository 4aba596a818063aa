"""The spool: durable, in order, for several processes, and honest where it cannot keep."""

import re
import shutil
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from service.terminal.enrolment import is_code
from service.terminal.spool import KEPT_ON, Kind, Said, Spool, State, alone, new_id
from service.terminal.troubles import NotKept, NotRejected, SpoolUnreadable
from tests.conftest import unavailable
from tests.terminal.conftest import Clocks


def count(captures: int, clocks: Clocks, shot: str = "s1") -> Said:
    content = {"production": "p", "shot": shot, "take": 1, "captures_total": captures}
    return Said.now(Kind.COUNT, content, clocks(), series=shot)


def serials(spool: Spool, state: State = State.WAITING) -> list[int]:
    return [entry.serial for entry in spool.entries(state)]


def test_serials_rise_and_are_never_used_again(spool: Spool, clocks: Clocks) -> None:
    first = spool.enter(count(1, clocks), count(2, clocks), now=clocks.wall)
    spool.confirm(first, fresh=2, now=clocks.wall)
    clocks.wall += KEPT_ON * 2
    spool.enter(count(3, clocks), now=clocks.wall)
    spool.confirm([3], fresh=1, now=clocks.wall)
    spool.prune(now=clocks.wall + KEPT_ON * 2)

    assert spool.enter(count(4, clocks), now=clocks.wall) == [4]


def test_an_entry_says_when_it_happened_by_both_clocks(spool: Spool, clocks: Clocks) -> None:
    spool.enter(count(1, clocks), now=clocks.wall)

    (entry,) = spool.entries(State.WAITING)

    assert (entry.content["at"], entry.boot, entry.run_s) == ("2026-03-02T14:00:00.000000Z", "first", 1_000.0)
    assert (entry.spool, entry.kind, entry.entered_at) == (spool.id, Kind.COUNT, clocks.wall)


def test_each_spool_has_a_random_id_that_is_a_code(tmp_path: Path) -> None:
    with Spool(tmp_path / "a.db") as one, Spool(tmp_path / "b.db") as other, Spool(tmp_path / "a.db") as again:
        assert one.id == again.id != other.id
        assert is_code(one.id)
    assert len({new_id() for _ in range(1000)}) == 1000


def test_all_that_is_entered_together_is_kept_or_nothing(spool: Spool, clocks: Clocks) -> None:
    unfit = Said(Kind.COUNT, {}, "boot", 1.0, series=None, followed_total=None)
    with pytest.raises(SpoolUnreadable):
        spool.enter(count(1, clocks), Said("neither", {}), unfit, now=clocks.wall)  # type: ignore[arg-type]  # what CHECK refuses

    assert serials(spool) == []


def test_what_is_confirmed_is_kept_on_for_a_while_and_the_newest_of_a_take_for_ever(
    spool: Spool, clocks: Clocks
) -> None:
    old = spool.enter(count(1, clocks), count(2, clocks), count(9, clocks, "s2"), now=clocks.wall)
    spool.confirm(old, fresh=3, now=clocks.wall)
    spool.prune(now=clocks.wall + KEPT_ON - timedelta(seconds=1))
    assert serials(spool, State.CONFIRMED) == [1, 2, 3]

    spool.prune(now=clocks.wall + KEPT_ON + timedelta(seconds=1))

    assert serials(spool, State.CONFIRMED) == [2, 3]


def test_a_rejected_entry_waits_again_in_its_place(spool: Spool, clocks: Clocks) -> None:
    spool.enter(*(count(number, clocks) for number in (1, 2, 3)), now=clocks.wall)
    spool.reject(2, {"kind": "count-malformed", "detail": "no"}, now=clocks.wall)
    assert (serials(spool), serials(spool, State.REJECTED)) == ([1, 3], [2])
    assert spool.rejected(2).reason["detail"] == "no"

    spool.again(2, {"shot": "s9"})

    assert serials(spool) == [1, 2, 3]
    assert [entry.content["shot"] for entry in spool.entries(State.WAITING)] == ["s1", "s9", "s1"]


def test_a_dropped_entry_keeps_why(spool: Spool, clocks: Clocks) -> None:
    spool.enter(count(1, clocks), now=clocks.wall)
    spool.reject(1, {"kind": "count-malformed", "detail": "no"}, now=clocks.wall)
    spool.drop(1, "a slip", now=clocks.wall)

    (entry,) = spool.entries(State.DROPPED)
    assert entry.reason == {"kind": "count-malformed", "detail": "no", "dropped": "a slip"}
    with pytest.raises(NotRejected, match="no rejected entry 1"):
        spool.drop(1, "again", now=clocks.wall)
    with pytest.raises(NotRejected, match="no rejected entry 1"):
        spool.again(1, {})


def test_several_processes_enter_at_once_and_each_serial_is_one_entry(tmp_path: Path) -> None:
    code = textwrap.dedent("""
        import sys
        from pathlib import Path
        from service.terminal.clocks import now
        from service.terminal.spool import Kind, Said, Spool
        with Spool(Path(sys.argv[1])) as spool:
            for number in range(25):
                spool.enter(Said.now(Kind.COUNT, {"captures_total": number}, now()), now=now().wall)
    """)
    path = tmp_path / "home" / "spool.db"
    running = [subprocess.Popen([sys.executable, "-c", code, str(path)]) for _ in range(4)]
    assert [process.wait(60) for process in running] == [0] * 4

    with Spool(path) as spool:
        assert serials(spool) == list(range(1, 101))
        assert len({entry.spool for entry in spool.entries(State.WAITING)}) == 1


def test_every_entry_is_on_the_disk_before_it_is_called_kept(tmp_path: Path) -> None:
    """The journal, the file, and the folder that names the journal: three are synced for each, as strace sees it."""
    if shutil.which("strace") is None:
        unavailable("there is no strace here to see the syncs with")
    code = textwrap.dedent("""
        import sys
        from pathlib import Path
        from service.terminal.clocks import now
        from service.terminal.spool import Kind, Said, Spool
        with Spool(Path(sys.argv[1])) as spool:
            for number in range(int(sys.argv[2])):
                spool.enter(Said.now(Kind.COUNT, {"captures_total": number}, now()), now=now().wall)
    """)

    def syncs(entries: int) -> int:
        log = tmp_path / f"{entries}.strace"
        source = [sys.executable, "-c", code, str(tmp_path / f"{entries}.db"), str(entries)]
        traced = ["strace", "-f", "-e", "trace=fsync,fdatasync", "-o", str(log), *source]
        done = subprocess.run(traced, capture_output=True, text=True, check=False)
        if not log.exists() or "ptrace" in done.stderr.lower():
            unavailable(f"strace may not look at a process here: {done.stderr.strip()[:200]}")
        assert done.returncode == 0, done.stderr
        return len(re.findall(r"\bf(?:data)?sync\(", log.read_text()))

    assert syncs(25) - syncs(0) >= 3 * 25


def test_a_full_disk_is_said_and_what_was_kept_before_stays(spool: Spool, clocks: Clocks) -> None:
    spool.enter(count(1, clocks), now=clocks.wall)
    (pages,) = spool._database.execute("PRAGMA page_count").fetchone()
    # SQLite then answers as on a full disk: SQLITE_FULL.
    spool._database.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(NotKept, match=r"^NOT KEPT: the spool .* cannot be written \(database or disk is full\)"):
        spool.enter(*(count(number, clocks, "x" * 60) for number in range(500)), now=clocks.wall)
    assert serials(spool) == [1]

    spool._database.execute("PRAGMA max_page_count = 100000")

    assert spool.enter(count(2, clocks), now=clocks.wall) == [2]


def test_a_disk_that_takes_no_more_bytes_is_said(tmp_path: Path, clocks: Clocks) -> None:
    """The file may not grow, by the system's own limit, so that writing itself fails."""
    path = tmp_path / "spool.db"
    with Spool(path) as spool:
        spool.enter(count(1, clocks), now=clocks.wall)
    code = textwrap.dedent(f"""
        import resource
        from pathlib import Path
        from service.terminal.clocks import now
        from service.terminal.spool import Kind, Said, Spool
        from service.terminal.troubles import NotKept
        with Spool(Path({str(path)!r})) as spool:
            resource.setrlimit(resource.RLIMIT_FSIZE, ({path.stat().st_size},) * 2)
            try:
                spool.enter(*[Said.now(Kind.COUNT, {{"shot": "x" * 999}}, now())] * 99, now=now().wall)
            except NotKept as trouble:
                print(trouble)
    """)

    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert ended.stdout.startswith("NOT KEPT")
    with Spool(path) as spool:
        assert serials(spool) == [1]


@pytest.mark.parametrize(
    "content", [b"not a database, but as long as one" * 100, b"SQLite format 3\0" + b"\xff" * 4096]
)
def test_a_file_that_is_no_spool_is_refused_and_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "spool.db"
    path.write_bytes(content)

    with pytest.raises(SpoolUnreadable, match="move it aside and keep it"):
        Spool(path)

    assert path.read_bytes() == content


def test_a_spool_of_a_newer_program_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "spool.db"
    Spool(path).close()
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA user_version = 99")

    with pytest.raises(SpoolUnreadable, match="a newer version"):
        Spool(path)


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()

    with pytest.raises(NotKept, match="NOT KEPT"):
        Spool(tmp_path / "file" / "spool.db")


def test_one_process_alone_holds_a_lock(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with alone(path) as first, alone(path) as second:
        assert (first, second) == (True, False)
    with alone(path) as again:
        assert again
