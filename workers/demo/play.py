"""The demo's studio at work: all it enters, posts and decides goes over HTTP, through the project's own client."""

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any

from service.client import Client
from workers.demo.record import Record
from workers.demo.scenario import EPISODES, PRODUCTION, SHOTS, STAGES, STUDIO, Habit, Stage
from workers.demo.script import CALL, RETAKE_FROM, TRIMMED_FRAMES, WRAP, Sending, instant, terminals

CODE = PRODUCTION["code"]
CIRCLED_SHARE = 0.5


class Stopped(Exception):
    """The demo was told to end before it was through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Keys:
    """The keys of everybody in the studio: one for the office, one for whoever only looks, one for each terminal."""

    coordinate: str
    read: str
    terminals: Mapping[str, str]


@dataclass(slots=True)
class Studio:
    """The studio at `address`. `moved` is told of every step done; `stop` ends the play early."""

    address: str
    record: Record
    seed: int
    moved: Callable[[], None]
    stop: threading.Event

    def open(self, admin: str) -> Keys:
        """Enter the studio, its stages, terminals and keys, and the production with its shots."""
        with Client(self.address, admin) as office:
            office.set_studio(STUDIO)
            office.add_production(CODE, PRODUCTION["title"], frame_rate=PRODUCTION["frame_rate"])
            for code, title in EPISODES.items():
                office.add_episode(CODE, code, title=title)
            of_terminals = {}
            for stage in STAGES:
                office.add_stage(stage.code, stage.name)
                office.add_terminal(stage.terminal, stage.code)
                bound = {"stage": stage.code, "terminal": stage.terminal}
                of_terminals[stage.code] = office.make_key(stage.terminal, "count", bound=bound)["key"]
            self._plan(office)
            self.moved()
            return Keys(
                coordinate=office.make_key("office", "coordinate")["key"],
                read=office.make_key("visitor", "read")["key"],
                terminals=of_terminals,
            )

    def _plan(self, office: Client) -> None:
        planned = [shot.plan() for shot in SHOTS if Habit.LATE not in shot.habits]
        office.add_shots(CODE, planned)
        for plan in planned:
            self.record.shot(plan)

    def run(self, keys: Keys, days: tuple[date, date]) -> None:
        """Let the two days pass: the terminals count at the same time, the office looks at takes in the evenings."""
        scripts = terminals(days, self.seed)
        with Client(self.address, keys.coordinate) as office:
            viewing = Viewing(office, self.record, Random(f"{self.seed}:viewing"))  # noqa: S311 - an invention
            self._count({code: first for code, (first, _) in scripts.items()}, keys, days[0])
            viewing.first_evening()
            self._count({code: second for code, (_, second) in scripts.items()}, keys, days[1])
            viewing.second_evening()
            self.moved()

    def _count(self, of_stages: Mapping[str, Sequence[Sending]], keys: Keys, day: date) -> None:
        with ThreadPoolExecutor(len(STAGES), thread_name_prefix="terminal") as pool:
            working = [
                pool.submit(self._terminal, stage, keys.terminals[stage.code], of_stages[stage.code], day)
                for stage in STAGES
            ]
            for each in working:
                each.result()

    def _terminal(self, stage: Stage, key: str, sendings: Sequence[Sending], day: date) -> None:
        with Client(self.address, key) as client:
            terminal = Terminal(client, stage, self.record)
            terminal.signal("call", instant(day, CALL))
            for sending in sendings:
                if self.stop.is_set():
                    raise Stopped
                terminal.send(sending)
                self.moved()
            terminal.signal("wrap", instant(day, WRAP))


@dataclass(frozen=True, slots=True)
class Terminal:
    """The capture computer of a stage."""

    client: Client
    stage: Stage
    record: Record

    def signal(self, kind: str, at: datetime) -> None:
        """Enter the stage's call or wrap."""
        fast = timedelta(minutes=self.stage.clock_fast_min)
        self.client.enter_signal(self.stage.code, kind, at=(at + fast).isoformat(), sent_at=self._sent_at())

    def send(self, sending: Sending) -> None:
        """Post a body, once more where its answer is taken for lost, and again without what the studio refused."""
        refused = self._post(sending.spool, sending.counts)
        if sending.repeated:
            self._post(sending.spool, sending.counts)
        if refused:
            # A refused count has not spent its serial.
            self._post(sending.spool, [{**count, "outcome": "finished"} for count in refused])

    def _post(self, spool: str, counts: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
        """Post once; return what was refused."""
        sent_at = self._sent_at()
        answers = self.client.post_counts([dict(count) for count in counts], spool=spool, sent_at=sent_at)
        said = {"spool": spool} | ({"sent_at": sent_at} if sent_at else {})
        for count, answer in zip(counts, answers, strict=True):
            self.record.count(self.stage.terminal, self.stage.code, {**said, **count}, answer=answer)
        return [count for count, answer in zip(counts, answers, strict=True) if answer["outcome"] == "refused"]

    def _sent_at(self) -> str | None:
        """The terminal's clock as it sends; only the one whose clock is wrong troubles to say it."""
        fast = timedelta(minutes=self.stage.clock_fast_min)
        return (datetime.now(UTC) + fast).isoformat() if fast else None


@dataclass(frozen=True, slots=True)
class Viewing:
    """The office in the evening: it looks at what was shot and decides."""

    office: Client
    record: Record
    rng: Random

    def first_evening(self) -> None:
        """Reject the tail of one take, circle some, and let the editor's cut take frames off a shot already shot."""
        retaken = next(shot for shot in SHOTS if Habit.RETAKEN in shot.habits)
        self._decide(retaken.code, take=1, verdict="reject", first=RETAKE_FROM, last=retaken.last)
        self._circle_some(retaken.code)
        trimmed = next(shot for shot in SHOTS if Habit.TRIMMED in shot.habits)
        changes = {"cut_frames": trimmed.cut_frames - TRIMMED_FRAMES}
        self.office.change_shot(CODE, trimmed.code, changes, etag=self.office.shot(CODE, trimmed.code).etag or "")
        self.record.shot(trimmed.plan() | changes)

    def second_evening(self) -> None:
        """Enter the shot nobody had entered, circle the retake and some more, and reject what was given up."""
        late = next(shot for shot in SHOTS if Habit.LATE in shot.habits)
        self.office.add_shot(CODE, late.plan())
        self.record.shot(late.plan())
        retaken = next(shot for shot in SHOTS if Habit.RETAKEN in shot.habits)
        self._decide(retaken.code, take=2, verdict="circle")
        self._circle_some(retaken.code)
        for shot in SHOTS:
            if Habit.ABANDONED in shot.habits:
                self._decide(shot.code, take=1, verdict="reject")

    def _circle_some(self, besides: str) -> None:
        for shot, take in list(self._finished(besides)):
            if self.rng.random() < CIRCLED_SHARE:
                self._decide(shot, take=take, verdict="circle")

    def _finished(self, besides: str) -> Iterator[tuple[str, int]]:
        """The takes offered as finished on every camera that nobody has decided on."""
        split = {shot.code for shot in SHOTS if shot.parts}
        for code in [shot["code"] for shot in self.office.shots(CODE)]:
            if code == besides or code in split:
                continue
            for take in self.office.takes(CODE, code):
                offered = all(series["state"] == "finished" for series in take["series"])
                if offered and take["purpose"] == "shoot" and not take["decisions"]:
                    yield code, take["take"]

    def _decide(self, shot: str, *, take: int, **decision: Any) -> None:  # noqa: ANN401 - the fields of a decision
        found = self.office.take(CODE, shot, take=take)
        self.office.decide(CODE, shot, decision, take=take, etag=found.etag or "")
        self.record.decision(shot, found.body, decision)
