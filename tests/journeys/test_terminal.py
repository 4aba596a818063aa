"""The stage terminal against a real service: whatever fails, nothing is lost and nothing counted twice."""

import json
import random
import re
import resource
import shutil
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

import service.terminal
from service.client import Client
from service.terminal.doors import Door
from service.terminal.enrolment import SPOOL
from service.terminal.folders import Folder
from service.terminal.following import Follower, series_name
from service.terminal.patterns import FramePattern
from service.terminal.sending import Round, Sender
from service.terminal.spool import Entry, Kind, Said, Spool, State
from service.terminal.troubles import Exit, KeyNotTaken, NoAnswer, NotKept, SpoolStuck
from service.terminal.wire import TODAY, counts_body
from tests.journeys.house import until
from tests.served import environment, served, tiedown
from tests.terminal.conftest import Clocks

Json = dict[str, Any]

README = Path(service.terminal.__file__).with_name("README.md").read_text(encoding="utf-8")
COMMAND = str(Path(sys.executable).with_name("tiedown-terminal"))
PATTERN = "{shot}/take_{take}/{frame}.*"
SHOTS = ("s1", "s2", "s3", "plugged")


@dataclass
class Studio:
    """A service under way, and its office."""

    address: str
    office: Client
    stages: int = 0

    def stand(self, home: Path, **bound: str) -> "Stand":
        """A stage of its own with its terminal and shots of its own."""
        self.stages += 1
        stage = f"stage-{self.stages}"
        self.office.add_stage(stage, stage)
        self.office.add_terminal(f"{stage}-grab", stage)
        key = self.office.make_key(f"{stage}-grab", "count", bound={"terminal": f"{stage}-grab", **bound})["key"]
        clocks = Clocks(wall=datetime.now(UTC))
        return Stand(self, home, stage, key, clocks)


@dataclass
class Stand:
    """A terminal beside its stage. `clocks` are its own, moved by hand."""

    studio: Studio
    home: Path
    stage: str
    key: str
    clocks: Clocks

    @property
    def shot(self) -> str:
        """A shot nobody else counts."""
        return f"{self.stage}-s1"

    def spool(self) -> Spool:
        return Spool(self.home / SPOOL)

    def enter(self, *totals: int, shot: str | None = None, take: int = 1, **more: object) -> None:
        """Enter captures of a take, a second passing before each."""
        with self.spool() as spool:
            for total in totals:
                self.clocks.pass_s(1)
                content = {
                    "production": "p",
                    "shot": shot or self.shot,
                    "take": take,
                    "captures_total": total,
                    **more,
                }
                said = Said.now(Kind.COUNT, content, self.clocks(), series=series_name(content))
                spool.enter(said, now=self.clocks.wall)

    def line(self, kind: str, *, reason: str | None = None) -> None:
        """Enter a line of the stage's log."""
        content = {"kind": kind, "stage": self.stage} | ({} if reason is None else {"reason": reason})
        with self.spool() as spool:
            said = Said.now(Kind.LOG, content, self.clocks())
            spool.enter(said, now=self.clocks.wall)

    def send(self, *, address: str | None = None, transport: httpx.BaseTransport | None = None) -> Round:
        """Send as a process just started would."""
        server = address or self.studio.address
        with self.spool() as spool, Door(server, self.key, transport=transport) as door:
            return Sender(spool, door, stage=self.stage, clock=self.clocks).send()

    def number(self, state: State) -> int:
        with self.spool() as spool:
            return spool.number(state)

    def history(self, shot: str | None = None, *, take: int = 1) -> list[Json]:
        """Every count the service has of a take of a shot, in its order."""
        (series,) = self.studio.office.take("p", shot or self.shot, take=take)["series"]
        return list(series["history"])

    def totals(self, shot: str | None = None) -> list[int]:
        return [post["total_frames"] for post in self.history(shot)]

    def live(self, shot: str | None = None) -> int:
        """Frames that live in take 1 of a shot."""
        (series,) = self.studio.office.take("p", shot or self.shot, take=1)["series"]
        return int(series["total_frames"])

    def run(self, *words: str, expect: int = Exit.DONE) -> Json:
        """Run the command; what it says as JSON."""
        ended = subprocess.run(
            [COMMAND, *words, "--json", "--home", str(self.home)],
            env=environment(TIEDOWN_TERMINAL_KEY=self.key),
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
        assert ended.returncode == expect, ended.stdout + ended.stderr
        said: Json = json.loads(ended.stdout.splitlines()[-1])
        return said

    def enrol(self, *words: str, **options: str) -> Json:
        given = [part for name, value in options.items() for part in (f"--{name}", value)]
        return self.run("enrol", "--server", self.studio.address, "--stage", self.stage, *given, *words)


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    folder = tmp_path_factory.mktemp("studio")
    with (
        served(folder, env=environment(TIEDOWN_LOG_LEVEL="warning")) as address,
        Client(address, tiedown(folder, "key", "create", "office", "--scope", "admin")) as office,
    ):
        furnish(office)
        yield Studio(address, office)


def furnish(office: Client) -> None:
    office.add_production("p", "P", frame_rate="25/1")
    office.add_production("q", "Q", frame_rate="25/1")
    office.add_episode("p", "e", title="E")
    office.add_shots("p", [{"code": "plugged", "episode": "e", "cut_frames": 100_000}])


@pytest.fixture
def stand(studio: Studio, tmp_path: Path) -> Stand:
    found = studio.stand(tmp_path / "home")
    studio.office.add_shot("p", {"code": found.shot, "episode": "e", "cut_frames": 96, "stage": found.stage})
    return found


@pytest.fixture
def nowhere() -> str:
    """An address where nothing answers."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"http://127.0.0.1:{probe.getsockname()[1]}"


class LosesAnswers(httpx.HTTPTransport):
    """A network that delivers every request, and loses the answers to writes."""

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        answer = super().handle_request(request)
        if request.method == "POST":
            answer.close()
            raise httpx.ReadError("the network went away")
        return answer


def test_days_offline_are_posted_on_the_days_they_were_shot(stand: Stand, nowhere: str) -> None:
    stand.clocks.wall -= timedelta(days=3)
    stand.clocks.run_s = 10.0
    captured = []
    for total in range(1, 61):
        stand.clocks.pass_s(4_000)
        stand.enter(total)
        captured.append(stand.clocks.wall)
        if total % 20 == 0:
            with pytest.raises(NoAnswer):
                stand.send(address=nowhere)
    stand.clocks.pass_s((datetime.now(UTC) - stand.clocks.wall).total_seconds())

    assert stand.send().sent == 60

    history = stand.history()
    assert [post["total_frames"] for post in history] == list(range(1, 61))
    for post, at in zip(history, captured, strict=True):
        assert abs(datetime.fromisoformat(post["captured_at"]) - at) < timedelta(seconds=5)
    assert len({post["production_day"] for post in history}) >= 3


def test_an_answer_that_is_lost_is_asked_for_again_and_nothing_counts_twice(stand: Stand) -> None:
    stand.line("call")
    stand.enter(1, 2, 3)
    for _ in range(3):
        with pytest.raises(NoAnswer, match="the network went away"):
            stand.send(transport=LosesAnswers())
    stand.send()
    stand.enter(4)
    stand.send()

    assert stand.totals() == [1, 2, 3, 4]
    assert [line["kind"] for line in stand.studio.office.signals(stand.stage)] == ["call"]


class Disk:
    """The disk of this process: when it is full no file may grow, and writing fails."""

    def __init__(self) -> None:
        self._before = resource.getrlimit(resource.RLIMIT_FSIZE)

    def fill(self) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, self._before[1]))

    def make_room(self) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, self._before)


@pytest.fixture
def disk() -> Iterator[Disk]:
    found = Disk()
    yield found
    found.make_room()


class FillsTheDisk(httpx.HTTPTransport):
    """A network during whose answer to a write the disk fills up."""

    def __init__(self, disk: Disk) -> None:
        super().__init__()
        self._disk = disk

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        answer = super().handle_request(request)
        if request.method == "POST":
            self._disk.fill()
        return answer


def test_a_full_disk_loses_nothing_that_was_called_kept(stand: Stand, tmp_path: Path, disk: Disk) -> None:
    shoot(tmp_path / "frames", stand.shot, 40)
    with stand.spool() as spool:
        follower = Follower(spool, Folder(tmp_path / "frames", FramePattern.of(PATTERN)), production="p")
        follower.look()
        with pytest.raises(SpoolStuck):
            stand.send(transport=FillsTheDisk(disk))
        # The service has it, which the terminal could not note.
        assert (stand.totals(), stand.number(State.WAITING)) == ([40], 1)
        disk.make_room()
        shoot(tmp_path / "frames", stand.shot, 52)
        disk.fill()
        with pytest.raises(NotKept):
            follower.look()
        disk.make_room()
        follower.look()

    assert stand.send().sent == 2

    assert (stand.totals(), stand.number(State.WAITING)) == ([40, 52], 0)


def shoot(folder: Path, shot: str, last: int, *, take: int = 1) -> Path:
    where = folder / shot / f"take_{take}"
    where.mkdir(parents=True, exist_ok=True)
    for number in range(1, last + 1):
        (where / f"{number:04}.png").write_bytes(b"frame")
        (where / f"{number:04}.raw").write_bytes(b"frame")
    return where


def test_the_plug_pulled_200_times_loses_nothing_that_was_called_kept(studio: Studio, tmp_path: Path) -> None:
    stand = studio.stand(tmp_path / "home")
    acks = tmp_path / "acks"
    seed = str(random.randrange(10**9))
    where = (stand.home, studio.address, stand.key, stand.stage)
    subprocess.run(
        [sys.executable, "-m", "tests.journeys.plugged", *where, acks, "200", seed],
        check=True,
        cwd=Path(__file__).parents[2],
        timeout=120,
    )
    stand.clocks = Clocks(wall=datetime.now(UTC))
    stand.send()

    told = [read(line) for line in acks.read_text().splitlines()]
    with stand.spool() as spool:
        kept = {entry.serial: said_of(entry) for entry in spool.entries(State.CONFIRMED)}
        assert spool.number(State.WAITING) == spool.number(State.REJECTED) == 0
        spool_id = spool.id
    counts = [(post["serial"], post["total_frames"]) for post in stand.history("plugged") if post["spool"] == spool_id]
    lines = list(studio.office.signals(stand.stage))
    posted = counts + [(line["serial"], int(line["reason"])) for line in lines]
    # What was told as kept is there, what is there was sent, and each once.
    assert len(told) > 100, seed
    assert set(told) <= kept.items(), seed
    assert len(posted) == len(set(posted)) == len(kept), seed
    assert dict(posted) == kept, seed
    assert stand.live("plugged") == dict(counts)[max(dict(counts))]
    assert {line["kind"] for line in lines} == set(TODAY.signals), seed
    assert {line["spool"] for line in lines} == {spool_id}, seed


def said_of(entry: Entry) -> int:
    """The total of a count; the reason of a line, which is a number here."""
    return int(entry.content["captures_total"] if entry.kind is Kind.COUNT else entry.content["reason"])


def read(ack: str) -> tuple[int, int]:
    serial, total = ack.split()
    return int(serial), int(total)


def test_a_clock_set_back_moves_no_capture(stand: Stand) -> None:
    shot_at = stand.clocks.wall - timedelta(seconds=3_600)
    stand.clocks.wall = shot_at
    stand.enter(10)
    stand.clocks.run_s += 1_800
    stand.clocks.wall -= timedelta(hours=7)
    stand.enter(11)
    stand.clocks.run_s += 1_800
    stand.send()

    first, second = stand.history()
    assert [first["total_frames"], second["total_frames"]] == [10, 11]
    for post, at in ((first, shot_at), (second, shot_at + timedelta(seconds=1_800))):
        assert abs(datetime.fromisoformat(post["captured_at"]) - at) < timedelta(seconds=10)


def test_a_clock_that_is_wrong_over_a_new_start_is_put_right_by_the_time_of_sending(stand: Stand) -> None:
    true = stand.clocks.wall - timedelta(minutes=40)
    stand.clocks.wall = true + timedelta(minutes=70)
    stand.enter(10)
    stand.clocks.start_anew()
    stand.clocks.wall += timedelta(minutes=40)
    stand.send()

    (post,) = stand.history()
    assert abs(datetime.fromisoformat(post["captured_at"]) - true) < timedelta(seconds=10)


def test_a_spool_that_was_deleted_begins_anew_and_the_folder_says_the_totals(stand: Stand, tmp_path: Path) -> None:
    frames = shoot(tmp_path / "frames", stand.shot, 60)

    def follow() -> None:
        with stand.spool() as spool:
            Follower(spool, Folder(tmp_path / "frames", FramePattern.of(PATTERN)), production="p").look()
        stand.send()

    follow()
    assert stand.live() == 60
    shutil.rmtree(stand.home)
    follow()
    assert stand.live() == 60

    shutil.rmtree(stand.home)
    for number in range(45, 53):
        for ending in ("png", "raw"):
            (frames / f"{number:04}.{ending}").unlink()
    follow()

    assert stand.live() == 52
    assert len({post["spool"] for post in stand.history()}) == 3


def test_a_key_that_was_changed_keeps_all_until_the_new_one_is_enrolled(stand: Stand) -> None:
    stand.enrol(production="p")
    name = f"{stand.stage}-grab"
    etag = stand.studio.office.key(name).etag
    fresh = stand.studio.office.rotate_key(name, etag=etag or "")["key"]

    said = stand.run("count", stand.shot, "1", "24")
    assert (said["kept"], said["trouble"], said["waiting"]) == (True, "key-not-taken", 1)
    assert stand.run("send", expect=Exit.SHUT_OUT)["trouble"] == "key-not-taken"
    assert stand.run("status", expect=Exit.UNSENT)["waiting"] == 1

    stand.key = fresh
    stand.run("enrol")

    assert stand.run("send")["sent"] == 1
    assert stand.totals() == [24]


def test_a_key_revoked_leaves_the_queue_as_it_is(stand: Stand) -> None:
    stand.enter(1)
    stand.studio.office.revoke_key(f"{stand.stage}-grab")
    with pytest.raises(KeyNotTaken, match="was revoked"):
        stand.send()

    assert (stand.number(State.WAITING), stand.number(State.REJECTED)) == (1, 0)


def test_a_service_put_back_to_yesterdays_copy_gets_the_day_again(tmp_path: Path) -> None:
    folder = tmp_path / "served"
    folder.mkdir()
    quiet = environment(TIEDOWN_LOG_LEVEL="warning")
    with served(folder, env=quiet) as address:
        key = tiedown(folder, "key", "create", "office", "--scope", "admin")
        with Client(address, key) as office:
            furnish(office)
            stand = Studio(address, office).stand(tmp_path / "home")
            stand.enter(1, 2, 3, shot="plugged")
            stand.line("call")
            stand.send()
            backup(folder / "tiedown.db", tmp_path / "yesterday.db")
            stand.enter(4, 5, shot="plugged")
            stand.enter(7, shot="plugged", take=2)
            stand.line("wrap")
            stand.send()
    for name in ("tiedown.db", "tiedown.db-wal", "tiedown.db-shm"):
        (folder / name).unlink(missing_ok=True)
    shutil.copyfile(tmp_path / "yesterday.db", folder / "tiedown.db")

    with served(folder, env=quiet) as address, Client(address, key) as office:
        stand.studio = Studio(address, office)
        assert stand.totals("plugged") == [1, 2, 3]
        # The newest serial alone would hide what is missing before it.
        stand.enter(6, shot="plugged")
        with stand.spool() as spool, Door(address, stand.key) as door:
            (entry,) = spool.entries(State.WAITING)
            door.post(counts_body([entry], stand.clocks(), queued=0, spoken=TODAY))
        done = stand.send()

        assert done.resent == 8
        assert stand.totals("plugged") == [1, 2, 3, 4, 5, 6]
        assert [post["total_frames"] for post in stand.history("plugged", take=2)] == [7]
        assert [line["kind"] for line in office.signals(stand.stage)] == ["call", "wrap"]
        # Noticed once, not for ever.
        assert stand.send().resent == 0


def backup(source: Path, target: Path) -> None:
    """A copy by SQLite's own backup."""
    there, here = sqlite3.connect(source), sqlite3.connect(target)
    there.backup(here)
    there.close()
    here.close()


def test_a_spool_put_back_to_an_earlier_copy_goes_on_under_another_id(stand: Stand, tmp_path: Path) -> None:
    stand.enter(1, 2)
    stand.send()
    shutil.copytree(stand.home, tmp_path / "copy")
    stand.enter(3, 4)
    stand.send()
    shutil.rmtree(stand.home)
    shutil.copytree(tmp_path / "copy", stand.home)
    stand.enter(9)

    done = stand.send()

    assert (done.renewed, done.sent, stand.number(State.REJECTED)) == (True, 1, 0)
    assert stand.totals() == [1, 2, 3, 4, 9]
    assert stand.live() == 9


def test_a_spool_copied_to_a_second_computer_is_told_apart(stand: Stand, tmp_path: Path) -> None:
    stand.enter(1)
    stand.send()
    second = Stand(stand.studio, tmp_path / "second", stand.stage, stand.key, Clocks(wall=stand.clocks.wall))
    shutil.copytree(stand.home, second.home)
    stand.enter(2)
    second.clocks.pass_s(60)
    second.enter(3)
    with stand.spool() as spool, Door(stand.studio.address, stand.key) as door:
        # Both have asked what is known before either sends, so that only the refusal tells.
        sender = Sender(spool, door, stage=stand.stage, clock=stand.clocks)
        sender.send()
        second.send()
        stand.enter(4)
        assert sender.send().sent == 1

    assert sorted(stand.totals()) == [1, 2, 3, 4]
    assert stand.number(State.REJECTED) == second.number(State.REJECTED) == 0


def test_what_is_refused_for_good_is_put_aside_with_its_reason_and_blocks_nothing(
    studio: Studio, tmp_path: Path
) -> None:
    stand = studio.stand(tmp_path / "home", production="p")
    shot = stand.shot
    studio.office.add_shot("p", {"code": shot, "episode": "e", "cut_frames": 96, "stage": stand.stage})
    stand.enrol()
    for words in (
        (shot, "1", "10"),
        (shot, "1", "11", "--production", "q"),
        (shot, "1", "12", "--outcome", "circled"),
        (shot, "1", "13"),
    ):
        stand.run("count", *words, "--later")
    said = stand.run("send", expect=Exit.REJECTED)
    assert (said["sent"], said["rejected"]) == (2, 2)
    assert stand.totals() == [10, 13]

    listed = stand.run("rejected", expect=Exit.REJECTED)["rejected"]
    assert [(entry["serial"], entry["problem"]["kind"]) for entry in listed] == [
        (2, "other-production"),
        (3, "decision-not-allowed"),
    ]
    assert (
        "bound" in listed[0]["problem"]["detail"]
        or "counts for the production p alone" in listed[0]["problem"]["detail"]
    )

    stand.run("rejected", "drop", "2", "typed in the wrong window")
    stand.run("rejected", "edit", "3", "--take", "2")
    studio.office.set_studio({"name": "S", "time_zone": "UTC", "day_starts_at": "05:00", "terminals_may_decide": True})
    assert stand.run("send")["sent"] == 1
    # In its own place, not as the newest: take 1 still holds 13.
    assert (stand.live(), stand.history(take=2)[0]["total_frames"]) == (13, 12)
    assert stand.run("rejected")["rejected"] == []


def test_call_and_wrap_pass_the_same_spool_and_date_the_frames_between(stand: Stand, nowhere: str) -> None:
    stand.clocks.wall = (datetime.now(UTC) - timedelta(days=2)).replace(hour=22, minute=0, second=0)
    stand.line("call")
    stand.clocks.pass_s(4 * 3_600)
    stand.enter(1)
    stand.clocks.pass_s(4.5 * 3_600)
    stand.enter(2)
    stand.clocks.pass_s(600)
    stand.line("wrap")
    with pytest.raises(NoAnswer):
        stand.send(address=nowhere)
    called_on = (datetime.now(UTC) - timedelta(days=2)).date().isoformat()
    stand.clocks.pass_s((datetime.now(UTC) - stand.clocks.wall).total_seconds())

    assert stand.send().sent == 4

    assert [line["kind"] for line in stand.studio.office.signals(stand.stage)] == ["call", "wrap"]
    assert {post["production_day"] for post in stand.history()} == {called_on}


def test_five_minutes_from_a_key_to_the_first_frame(stand: Stand, tmp_path: Path) -> None:
    example = shoot(tmp_path / "frames", stand.shot, 12) / "0001.png"
    said = stand.enrol(
        *("--mark", f"shot={stand.shot}", "--mark", "take=1", "--mark", "frame=0001"),
        production="p",
        folder=str(tmp_path / "frames"),
        example=str(example),
    )
    assert (said["pattern"], said["frames_found"], said["takes_found"]) == (PATTERN, 12, 1)
    assert [shot["code"] for shot in said["shots"]] == [stand.shot]
    assert abs(said["clock_ahead_s"]) < 3
    assert (stand.home / "enrolment.json").stat().st_mode & 0o777 == 0o600

    with subprocess.Popen(
        [COMMAND, "follow", "--json", "--every", "0.05", "--home", str(stand.home)],
        stdout=subprocess.PIPE,
        text=True,
    ) as following:
        try:
            until(lambda: counted(stand) == 12)
            shoot(tmp_path / "frames", stand.shot, 14)
            until(lambda: counted(stand) == 14)
            # One follower at a time; counts by hand beside it are no trouble.
            assert stand.run("follow", expect=Exit.FAILED)["trouble"] == "already-followed"
            stand.run("count", stand.shot, "2", "3")
            until(lambda: stand.run("status")["waiting"] == 0)
        finally:
            following.terminate()
        assert following.wait(20) == Exit.DONE
        assert following.stdout is not None
        told = [json.loads(line) for line in following.stdout]
    assert [line["captures_total"] for line in told if "captures_total" in line] == [12, 14]
    assert stand.history(take=2)[0]["total_frames"] == 3


def test_the_first_frame_is_counted_as_the_readme_says(studio: Studio, tmp_path: Path) -> None:
    found = re.search(r"<!-- the first frame -->\n+```sh\n(.*?)```", README, flags=re.DOTALL)
    assert found is not None
    office = studio.office
    office.add_stage("north", "North hall")
    office.add_production("buttontide", "Pell and the Button Tide", frame_rate="25/1")
    office.add_episode("buttontide", "e1", title="The Teapot Leaks")
    office.add_shot("buttontide", {"code": "e1-quay-1", "episode": "e1", "cut_frames": 96, "stage": "north"})
    office.add_terminal("north-grab", "north")
    key = office.make_key("north-grab", "count", bound={"terminal": "north-grab"})["key"]
    frames = tmp_path / "Frames" / "e1-quay-1" / "take_01"
    frames.mkdir(parents=True)
    for number in range(1, 25):
        (frames / f"e1-quay-1_{number:04}.png").write_bytes(b"frame")
    lines = found[1].replace("http://tiedown.example:8484", studio.address).replace("~/", f"{tmp_path}/")

    ended = subprocess.run(
        ["bash", "-euc", re.sub(r"^tiedown-terminal", COMMAND, lines, flags=re.MULTILINE)],
        env=environment(TIEDOWN_TERMINAL_KEY=key, TIEDOWN_TERMINAL_HOME=str(tmp_path / "home")),
        capture_output=True,
        text=True,
        check=False,
    )

    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "24 frames of 1 take." in ended.stdout
    takes = office.shot("buttontide", "e1-quay-1")["takes"]
    assert [take["series"][0]["total_frames"] for take in takes] == [24, 12]
    assert [line["kind"] for line in office.signals("north")] == ["call"]


def counted(stand: Stand) -> int:
    found = stand.studio.office.shot("p", stand.shot)["takes"]
    return int(found[0]["series"][0]["total_frames"]) if found else 0


def test_following_outlives_a_service_that_is_away_and_a_folder_that_is(
    stand: Stand, tmp_path: Path, nowhere: str
) -> None:
    frames = tmp_path / "frames"
    shoot(frames, stand.shot, 3)
    stand.enrol(production="p", folder=str(frames), pattern=PATTERN)
    enrolled = json.loads((stand.home / "enrolment.json").read_text())
    (stand.home / "enrolment.json").write_text(json.dumps({**enrolled, "server": nowhere}))

    with subprocess.Popen(
        [COMMAND, "follow", "--json", "--every", "0.05", "--home", str(stand.home)], stdout=subprocess.PIPE, text=True
    ) as following:
        try:
            assert following.stdout is not None
            troubles = (json.loads(line).get("trouble") for line in following.stdout)
            assert "no-answer" in troubles
            frames.rename(tmp_path / "unplugged")
            assert "folder-away" in troubles
            (tmp_path / "unplugged").rename(frames)
            shoot(frames, stand.shot, 5)
            # Enrolled again while it runs.
            stand.run("enrol", "--server", stand.studio.address)
            until(lambda: counted(stand) == 5)
        finally:
            following.terminate()
    assert stand.totals() == [3, 5]


def test_a_computer_beside_another_stage_is_not_enrolled(stand: Stand, studio: Studio) -> None:
    refused = stand.run(
        *("enrol", "--server", studio.address, "--stage", "elsewhere", "--production", "p"), expect=Exit.FAILED
    )
    assert (refused["trouble"], stand.stage in refused["detail"]) == ("other-stage", True)
    assert not (stand.home / "enrolment.json").exists()
    unknown = stand.run(
        *("enrol", "--server", studio.address, "--stage", stand.stage, "--production", "none"), expect=Exit.FAILED
    )
    assert unknown["trouble"] == "refused"


def test_enrolling_needs_a_service_unless_told_otherwise(stand: Stand, nowhere: str) -> None:
    words = ("enrol", "--server", nowhere, "--stage", stand.stage)
    assert stand.run(*words, expect=Exit.UNSENT)["trouble"] == "no-answer"
    stand.run(*words, "--untested")

    assert stand.run("count", stand.shot, "1", "5", expect=Exit.FAILED)["trouble"] == "no-production"
    kept = stand.run("count", stand.shot, "1", "5", "--production", "p")
    assert (kept["trouble"], kept["waiting"]) == ("no-answer", 1)


def test_the_whole_log_reaches_the_service_once_over_a_network_that_loses_answers(stand: Stand) -> None:
    said = [("call", None), ("waiting", "a lamp"), ("resumed", None), ("wrap", None), ("power_off", None)]
    for kind, reason in said:
        stand.line(kind, reason=reason)
        stand.clocks.pass_s(60)
        with pytest.raises(NoAnswer, match="the network went away"):
            stand.send(transport=LosesAnswers())
    stand.send()

    kept = list(stand.studio.office.signals(stand.stage))
    assert [(line["kind"], line["reason"]) for line in kept] == said
    assert [line["serial"] for line in kept] == sorted({line["serial"] for line in kept})
    assert [line["time_basis"] for line in kept] == ["age"] * 5


def test_the_commands_of_the_log_enter_it_and_power_off_shows_the_caution(stand: Stand) -> None:
    stand.enrol(production="p")
    for words in (("call",), ("waiting", "a lamp"), ("resumed",), ("wrap",)):
        assert stand.run(*words)["sent"] == 1
    assert "Go and look." in stand.run("power-off")["cautions"][0]
    kept = [line["kind"] for line in stand.studio.office.signals(stand.stage)]
    assert kept == ["call", "waiting", "resumed", "wrap", "power_off"]
