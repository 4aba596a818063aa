"""Following for hours: what is told, how often, and how it ends."""

import threading
from pathlib import Path
from typing import Any

import pytest

from service.terminal import vigil
from service.terminal.enrolment import Enrolment
from service.terminal.folders import Folder
from service.terminal.following import Follower
from service.terminal.patterns import FramePattern
from service.terminal.sending import Pause, Round
from service.terminal.spool import Spool
from service.terminal.vigil import SendingThread
from tests.journeys.house import until


def test_the_same_trouble_for_hours_is_told_once(tmp_path: Path) -> None:
    told: list[tuple[str, dict[str, Any]]] = []
    pause = Pause(first_s=0.001, most_s=0.002)
    sending = SendingThread(tmp_path, lambda line, facts: told.append((line, facts)), pause=pause)
    sending.start()
    until(lambda: pause.failures > 20)
    sending.stop()
    sending.join(10)

    assert not sending.is_alive()
    assert [facts["trouble"] for _, facts in told] == ["not-enrolled"]


def test_a_defect_in_sending_ends_the_process_that_somebody_starts_again(spool: Spool, tmp_path: Path) -> None:
    """A process that still looked, but sent no more, would look well for days."""
    follower = Follower(spool, Folder(tmp_path, FramePattern.of("{shot}/{frame}.png")), production="p")
    ended = SendingThread(tmp_path, lambda _line, _facts: None)

    with pytest.raises(RuntimeError, match="what waits is kept"):
        vigil._look_until(
            follower, every_s=0.05, tell=lambda _line, _facts: None, stopped=threading.Event(), sending=ended
        )


def test_a_folder_away_is_told_once_and_its_return_too(
    spool: Spool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = tmp_path / "frames"
    told: list[dict[str, Any]] = []
    stopped = threading.Event()
    looks: list[float] = []

    def rest(seconds: float) -> bool:
        looks.append(seconds)
        if len(looks) == 3:
            (frames / "s1").mkdir(parents=True)
            (frames / "s1" / "1.png").write_bytes(b"frame")
        if len(looks) == 5:
            stopped.set()
        return stopped.is_set()

    monkeypatch.setattr(stopped, "wait", rest)
    follower = Follower(spool, Folder(frames, FramePattern.of("{shot}/{frame}.png")), production="p")
    sending = SendingThread(tmp_path, lambda _line, _facts: None, pause=Pause(first_s=60.0))
    sending.start()
    vigil._look_until(follower, every_s=7.0, tell=lambda _, facts: told.append(facts), stopped=stopped, sending=sending)
    sending.stop()
    sending.join(10)

    assert [each.get("trouble") or each.get("following") or each["captures_total"] for each in told] == [
        "folder-away",
        True,
        1,
    ]
    assert looks == [7.0] * 5


def test_what_a_person_should_read_of_a_round() -> None:
    assert vigil.told(Round(sent=5)) == []
    lines = vigil.told(Round(sent=1, rejected=1, unmatched=2, resent=1, renewed=True, changed_shots={"b", "a"}))

    assert lines == [
        "The service was put back to an earlier copy: 1 entry is sent again.",
        "The spool was put back to an earlier copy: it goes on under a new id.",
        "2 counts are kept without a shot, until the office finds one.",
        "1 entry was refused for good: see  tiedown-terminal rejected",
        "The plan of shot a changed.",
        "The plan of shot b changed.",
    ]


def test_what_is_followed_is_what_is_enrolled(spool: Spool, tmp_path: Path) -> None:
    enrolled = Enrolment("http://there", "td_key", "north", production="p", frames_per_capture=2)
    (tmp_path / "s1").mkdir()
    (tmp_path / "s1" / "1.png").write_bytes(b"frame")
    looking = vigil.follower(spool, enrolled, folder=tmp_path, pattern="{shot}/{frame}.png", production="p")

    assert [(change.series.shot, change.captures) for change in looking.look()] == [("s1", 1)]
