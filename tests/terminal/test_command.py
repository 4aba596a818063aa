"""The command: what it asks, what it refuses before anything is entered, and where it keeps things."""

import json
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.terminal import command, enrolling, enrolment
from service.terminal.enrolment import Enrolment
from service.terminal.spool import Spool, State
from service.terminal.troubles import EnrolmentUnfit, EnrolmentUnreadable, Exit, MarkUnclear, NotEnrolled, NotKept

KEY = "td_abcdefgh_" + "x" * 43
ENROLMENT = Enrolment("http://127.0.0.1:1", KEY, "north", production="p")
EXAMPLE = "e1-quay-1/take_02/wide/e1-quay-1_t02_0001.png"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def enrolled(home: Path) -> Path:
    enrolment.write(home, ENROLMENT)
    return home


def run(capsys: pytest.CaptureFixture[str], home: Path, *words: str) -> tuple[int, dict[str, Any]]:
    with pytest.raises(SystemExit) as ended:
        command.main([*words, "--json", "--home", str(home)])
    out = capsys.readouterr().out.splitlines()
    assert isinstance(ended.value.code, int)
    return ended.value.code, json.loads(out[-1]) if out else {}


def waiting(home: Path) -> list[dict[str, Any]]:
    with Spool(home / "spool.db") as spool:
        return [entry.content for entry in spool.entries(State.WAITING)]


def test_a_count_is_kept_in_the_words_of_the_service(enrolled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("s1", "2", "40", "--camera", "wide", "--pass", "lamp", "--part", "left", "--purpose", "plate")
    code, said = run(capsys, enrolled, "count", *words, "--animator", "Ilse", "--outcome", "finished", "--later")

    assert (code, said["kept"], said["serial"], said["waiting"]) == (Exit.DONE, True, 1, 1)
    (content,) = waiting(enrolled)
    assert content.pop("at")
    assert content == {
        "production": "p",
        "shot": "s1",
        "take": 2,
        "captures_total": 40,
        "camera": "wide",
        "pass": "lamp",
        "part": "left",
        "purpose": "plate",
        "animator": "Ilse",
        "outcome": "finished",
    }


def test_mixed_holds_are_counted_in_frames(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    enrolment.write(home, Enrolment(ENROLMENT.server, KEY, "north", production="p", frames_per_capture=2))
    run(capsys, home, "count", "s1", "1", "106", "--frames", "--later")
    run(capsys, home, "count", "s1", "1", "53", "--later")

    frames, captures = waiting(home)
    assert (frames["frames_total"], "frames_per_capture" in frames) == (106, False)
    assert (captures["captures_total"], captures["frames_per_capture"]) == (53, 2)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("quay 1", "1", "4"), "The shot 'quay 1' cannot be: it is 1 to 64 characters"),
        (("s1", "0", "4"), "The take '0' cannot be: it is a whole number from 1 to 9999"),
        (("s1", "1", "10000001"), "The total '10000001' cannot be"),
        (("s1", "1", "4", "--camera", "a/b"), "The camera 'a/b' cannot be"),
        (("s1", "1", "4", "--frames-per-capture", "0"), "Frames per capture '0' cannot be"),
    ],
)
def test_a_slip_is_found_while_somebody_is_there_to_mend_it(
    enrolled: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    code, told = run(capsys, enrolled, "count", *words, "--later")

    assert (code, told["trouble"]) == (Exit.FAILED, "unfit")
    assert said in told["detail"]
    assert waiting(enrolled) == []


def test_wrong_words_are_not_entered(enrolled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (("count", "s1", "1"), ("count", "s1", "one", "4"), ("follow", "--every", "0"), ("say",)):
        assert run(capsys, enrolled, *words)[0] == Exit.USAGE
    assert waiting(enrolled) == []


def test_without_a_network_a_count_is_kept_and_send_says_that_it_waits(
    enrolled: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(capsys, enrolled, "count", "s1", "1", "4")[1]["trouble"] == "no-answer"
    assert run(capsys, enrolled, "send")[0] == Exit.UNSENT
    code, said = run(capsys, enrolled, "status")

    assert (code, said["waiting"], said["rejected"], said["last_answer_at"]) == (Exit.UNSENT, 1, 0, None)
    assert said["oldest_waiting_s"] < 60
    assert "does not answer" in said["last_trouble"]


def test_a_spool_nothing_waits_in_is_well(enrolled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = run(capsys, enrolled, "status")

    assert (code, said["waiting"], said["oldest_waiting_at"], said["clock_ahead_s"]) == (Exit.DONE, 0, None, None)


def test_before_it_is_enrolled_it_says_how(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (("count", "s1", "1", "4"), ("send",), ("follow",), ("call",)):
        code, said = run(capsys, home, *words)
        assert (code, said["trouble"]) == (Exit.FAILED, "not-enrolled")
    code, said = run(capsys, home, "enrol", "--stage", "north")
    assert (code, said["trouble"]) == (Exit.FAILED, "enrolment-unfit")
    assert "--server, --key" in said["detail"]


def test_to_people_it_speaks_in_lines(enrolled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words, code in (
        (["count", "s1", "1", "4", "--later"], Exit.DONE),
        (["status"], Exit.UNSENT),
        (["rejected"], Exit.DONE),
        (["count", "s 1", "1", "4"], Exit.FAILED),
    ):
        with pytest.raises(SystemExit) as ended:
            command.main([*words, "--home", str(enrolled)])
        assert ended.value.code == code
    said = capsys.readouterr()

    assert said.out.splitlines() == [
        "Kept as 1.",
        "1 entry waits to be sent.",
        "1 entry waits to be sent.",
        said.out.splitlines()[3],
        "The service last answered never.",
        "Nothing is rejected.",
        "1 entry waits to be sent.",
    ]
    assert said.err.startswith("tiedown-terminal: The shot 's 1' cannot be")


def test_the_home_is_the_one_given_or_the_environments_or_the_users(tmp_path: Path) -> None:
    environment = {"TIEDOWN_TERMINAL_HOME": str(tmp_path / "named")}

    assert enrolment.home(str(tmp_path / "given"), environment) == tmp_path / "given"
    assert enrolment.home(None, environment) == tmp_path / "named"
    assert enrolment.home(None, {}) == Path.home() / ".tiedown-terminal"


def test_an_enrolment_is_kept_whole_and_for_this_users_eyes(home: Path) -> None:
    path = enrolment.write(home, ENROLMENT)

    assert enrolment.read(home) == ENROLMENT
    assert [each.name for each in home.iterdir()] == ["enrolment.json"]
    if sys.platform != "win32":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_an_enrolment_of_a_newer_program_is_read_as_far_as_it_is_known(home: Path) -> None:
    path = enrolment.write(home, ENROLMENT)
    path.write_text(json.dumps({**json.loads(path.read_text()), "colour": "blue"}))

    assert enrolment.read(home) == ENROLMENT


@pytest.mark.parametrize("text", ["", "{", "[]", '{"server": 1}', '{"server": "here", "key": "k", "stage": "s"}'])
def test_a_damaged_enrolment_is_said_and_enrolled_over(home: Path, text: str) -> None:
    home.mkdir()
    (home / "enrolment.json").write_text(text)
    with pytest.raises(EnrolmentUnreadable, match="enrol` again"):
        enrolment.read(home)

    again = enrolling.proposed(home, {"server": "http://there", "key": KEY, "stage": "north"})
    enrolment.write(home, again)

    assert enrolment.read(home).stage == "north"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"server": "tiedown.example"}, "http:// or https://"),
        ({"server": "ftp://tiedown.example"}, "http:// or https://"),
        ({"key": " td_x"}, "as it was shown once"),
        ({"key": "ключ"}, "as it was shown once"),
        ({"stage": "north hall"}, "a code is"),
        ({"production": ""}, "a code is"),
        ({"frames_per_capture": 0}, "1 to 1000"),
    ],
)
def test_what_cannot_be_enrolled_is_said_and_what_stood_stays(
    enrolled: Path, change: dict[str, Any], said: str
) -> None:
    with pytest.raises(EnrolmentUnfit, match=said):
        enrolling.proposed(enrolled, change)

    assert enrolment.read(enrolled) == ENROLMENT


def test_enrolled_again_what_is_left_out_stays(enrolled: Path) -> None:
    assert enrolling.proposed(enrolled, {"key": KEY[:-1] + "y", "stage": None}) == Enrolment(
        ENROLMENT.server, KEY[:-1] + "y", "north", production="p"
    )


def test_an_enrolment_that_cannot_be_kept_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(NotKept):
        enrolment.write(tmp_path / "file", ENROLMENT)
    with pytest.raises(NotEnrolled):
        enrolment.read(tmp_path)


def test_a_person_is_asked_for_each_piece_of_the_example() -> None:
    answers: Iterator[str] = iter(["e1-quay-1", "02", "wide", "", "0001", ""])
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        return next(answers)

    pattern = enrolling.pattern_shown("/frames", EXAMPLE, marks=[], ask=ask)

    assert pattern == "{shot}/take_{take}/{camera}/{shot}_t{take}_{frame}.*"
    assert all(EXAMPLE in question for question in asked)


def test_with_nobody_to_ask_the_marks_must_be_given() -> None:
    with pytest.raises(MarkUnclear, match="--mark shot"):
        enrolling.pattern_shown("/frames", EXAMPLE, marks=[], ask=None)


def test_the_example_looked_for_is_a_file_of_the_folder(tmp_path: Path) -> None:
    assert enrolling.first_example(str(tmp_path)) is None
    (tmp_path / "s1").mkdir()
    (tmp_path / "s1" / "0001.png").write_bytes(b"frame")

    assert enrolling.first_example(str(tmp_path)) == "s1/0001.png"


def test_a_share_that_is_away_is_enrolled_and_said(
    home: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TIEDOWN_TERMINAL_KEY", KEY)
    words = ("--server", "http://there", "--stage", "north", "--folder", str(tmp_path / "share"), "--untested")

    code, said = run(capsys, home, "enrol", *words, "--pattern", "{shot}/{frame}.png")

    assert (code, said["frames_found"], "share cannot be read" in said["folder_away"]) == (Exit.DONE, None, True)
    assert enrolment.read(home).pattern == "{shot}/{frame}.png"


def test_following_says_what_is_missing(enrolled: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, said = run(capsys, enrolled, "follow")
    assert (code, said["trouble"], "A folder" in said["detail"]) == (Exit.FAILED, "nothing-to-follow", True)
    code, said = run(capsys, enrolled, "follow", str(tmp_path))
    assert (said["trouble"], "A pattern" in said["detail"]) == ("nothing-to-follow", True)
    code, said = run(capsys, enrolled, "follow", str(tmp_path), "--pattern", "{shot}")
    assert said["trouble"] == "pattern-unclear"


def test_following_once_keeps_what_it_finds(enrolled: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "frames" / "s1").mkdir(parents=True)
    for number in range(1, 6):
        (tmp_path / "frames" / "s1" / f"{number}.png").write_bytes(b"frame")
    words = ("follow", str(tmp_path / "frames"), "--pattern", "{shot}/{frame}.png", "--once", "--every", "0.05")

    code, said = run(capsys, enrolled, *words)

    assert (code, said["trouble"]) == (Exit.UNSENT, "no-answer")
    (content,) = waiting(enrolled)
    assert (content["shot"], content["take"], content["captures_total"]) == ("s1", 1, 5)
