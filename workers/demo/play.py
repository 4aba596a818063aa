"""The demo's studio at work: all it enters, posts and decides goes over HTTP, through the project's own client."""

import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

from service.client import Client
from workers.demo.clock import PlayClock
from workers.demo.desk import CODE, seated
from workers.demo.floor import Floor
from workers.demo.record import Record
from workers.demo.scenario import (
    EPISODES,
    FIRST_CUTS,
    PRODUCTION,
    RETAKE_CAUSE,
    ROLES,
    SECOND_CUTS,
    SHOTS,
    STAGES,
    STUDIO,
    CutList,
    Habit,
    Stage,
)
from workers.demo.script import (
    CALL_SHEET,
    DEAD_FROM,
    FOUND_SHOT,
    RETAKE_FROM,
    SECOND_CUT_AT,
    VIEWING,
    Sending,
    by_night,
    found,
    hours_of,
    instant,
    terminals,
)

CIRCLED_SHARE = 0.5
# What is circled whatever the seed, so that every phase is reached.
LIKED = {Habit.PLATED, Habit.TOUCHED_UP, Habit.TRIMMED}


Scripts = Mapping[str, tuple[Sequence[Sending], Sequence[Sending]]]


class Stopped(Exception):
    """The demo was told to end before it was through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Keys:
    """The keys of everybody in the studio: the office, whoever only looks, those who sign by role, each terminal."""

    coordinate: str
    read: str
    signers: Mapping[str, str]
    terminals: Mapping[str, str]


@dataclass(slots=True)
class Studio:
    """The studio at `address`. `moved` is told of every step done; `stop` ends the play early."""

    address: str
    record: Record
    seed: int
    clock: PlayClock
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
            editing = Editing(office, self.record)
            for cut in FIRST_CUTS:
                editing.lock(cut)
            editing.plan({shot.code for shot in SHOTS if Habit.LATE not in shot.habits})
            self.moved()
            return Keys(
                coordinate=office.make_key("office", "coordinate")["key"],
                read=office.make_key("visitor", "read")["key"],
                signers={
                    role: office.make_key(role.replace(" ", "-"), "read", bound={"roles": [role]})["key"]
                    for role in ROLES
                },
                terminals=of_terminals,
            )

    def run(self, keys: Keys, days: tuple[date, date]) -> None:
        """Let the two days pass: the terminals count at the same time; mornings and evenings are the office's.

        In the evenings takes are looked at; after the first, one stage shoots through the night. The editor's next
        lists come on the second day.
        """
        scripts = terminals(days, self.seed)
        called = [{code for sheet in CALL_SHEET.values() for code in sheet[day]} for day in (0, 1)]
        with (
            Client(self.address, keys.coordinate) as office,
            seated(self.address, office, keys.signers, self.record) as desk,
        ):
            viewing = Viewing(office, self.record, Random(f"{self.seed}:viewing"))  # noqa: S311 - an invention
            desk.break_down()
            Floor(office, self.record, days).set_out()
            desk.open_shots(called[0] | {FOUND_SHOT})
            self._count(scripts, keys, days, day=0, night=False)
            self.clock.reach(instant(days[0], VIEWING))
            desk.move_ready()
            viewing.first_evening()
            desk.first_evening()
            self._count(scripts, keys, days, day=0, night=True)
            self.record.closed(days[0])
            e1, e2 = SECOND_CUTS
            editing = Editing(office, self.record)
            self.clock.reach(instant(days[1], SECOND_CUT_AT[e1.episode]))
            editing.lock(e1)
            desk.second_morning()
            desk.open_shots(called[1])
            self._count(scripts, keys, days, day=1, night=False)
            self.clock.reach(instant(days[1], SECOND_CUT_AT[e2.episode]))
            editing.lock(e2)
            editing.plan({shot.code for shot in SHOTS if Habit.LATE in shot.habits})
            desk.move_ready()
            viewing.second_evening()
            desk.second_evening()
            self.record.closed(days[1])
            self.moved()

    def find(self, keys: Keys, days: tuple[date, date]) -> None:
        """Let a terminal send what it still had from the first day, when the reports of both are filed."""
        stage = next(stage for stage in STAGES if stage.code == "attic")
        with Client(self.address, keys.terminals[stage.code]) as client:
            Terminal(client, stage, self.record, self.clock).send(found(days))

    def _count(self, scripts: Scripts, keys: Keys, days: tuple[date, date], *, day: int, night: bool) -> None:
        """Let those who are called on a day, or for its night, count at the same time."""
        called = {stage: hours for stage in STAGES if (hours := hours_of(stage.code, day, days)) is not None}
        with ThreadPoolExecutor(len(STAGES), thread_name_prefix="terminal") as pool:
            working = [
                pool.submit(
                    self._terminal, stage, keys.terminals[stage.code], scripts[stage.code][day], call=call, wrap=wrap
                )
                for stage, (call, end) in called.items()
                for wrap in [None if (stage.code, day) in DEAD_FROM else end]
                if by_night(stage.code, day) is night
            ]
            for each in working:
                each.result()

    def _terminal(
        self, stage: Stage, key: str, sendings: Sequence[Sending], *, call: datetime, wrap: datetime | None
    ) -> None:
        with Client(self.address, key) as client:
            terminal = Terminal(client, stage, self.record, self.clock)
            terminal.signal("call", call)
            for sending in sendings:
                if self.stop.is_set():
                    raise Stopped
                terminal.send(sending)
                self.moved()
            if wrap is not None:
                terminal.signal("wrap", wrap)


@dataclass(frozen=True, slots=True)
class Terminal:
    """The capture computer of a stage."""

    client: Client
    stage: Stage
    record: Record
    clock: PlayClock

    def signal(self, kind: str, at: datetime) -> None:
        """Enter the stage's call or wrap."""
        self.clock.reach(at)
        fast = timedelta(minutes=self.stage.clock_fast_min)
        kept = self.client.enter_signal(self.stage.code, kind, at=(at + fast).isoformat(), sent_at=self._sent_at())
        # A wrong clock is put right by when the signal came, and the play's clock may have gone on meanwhile.
        self.record.signal(self.stage.code, kind, kept["at"])

    def send(self, sending: Sending) -> None:
        """Post a body, once more where its answer is taken for lost, and again without what the studio refused."""
        self.clock.reach(sending.sent_at)
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
        return (self.clock() + fast).isoformat() if fast else None


@dataclass(frozen=True, slots=True)
class Editing:
    """The editor's lists as the office takes them."""

    office: Client
    record: Record

    def lock(self, cut: CutList) -> None:
        """Send a list, lock it, and note every shot it leaves otherwise than it was."""
        asked = {"frame_rate": PRODUCTION["frame_rate"], **cut.asked}
        draft = self.office.draft_cut(CODE, cut.episode, cut.text, **asked)
        locked = self.office.lock_cut(CODE, cut.episode, draft["revision"], etag=draft.etag or "")
        for each in locked["differences"]["shots"]:
            if "added" not in each["changes"]:
                self._note(self.office.shot(CODE, each["shot"]).body)

    def plan(self, codes: Collection[str]) -> None:
        """Say of shots that a list has brought where they are shot, with which handles, cameras and passes."""
        revisions = {shot["code"]: shot["rev"] for shot in self.office.shots(CODE)}
        for shot in SHOTS:
            if shot.code in codes:
                etag = f'"{revisions[shot.code]}.0"'
                self._note(self.office.change_shot(CODE, shot.code, shot.plan(), etag=etag).body)

    def _note(self, shot: Mapping[str, Any]) -> None:
        names = ("code", "episode", "uses", "handle_in", "handle_out", "cameras", "passes", "moving_camera", "omitted")
        plan = {name: shot[name] for name in (*names, "scene", "stage")}
        # A shot that is not split has one part without a name.
        parts = {} if shot["stage"] is not None or not shot["parts"] else {"parts": shot["parts"]}
        self.record.shot(plan | parts)


@dataclass(frozen=True, slots=True)
class Viewing:
    """The office in the evening: it looks at what was shot and decides."""

    office: Client
    record: Record
    rng: Random

    def first_evening(self) -> None:
        """Reject the tail of one take and circle some."""
        retaken = next(shot for shot in SHOTS if Habit.RETAKEN in shot.habits)
        tail = {"first": RETAKE_FROM, "last": retaken.last}
        self._decide(retaken.code, take=1, verdict="reject", cause=RETAKE_CAUSE, **tail)
        self._circle_some(retaken.code)

    def second_evening(self) -> None:
        """Circle the retake and some more, accept what was good of the take before, and reject what was given up."""
        retaken = next(shot for shot in SHOTS if Habit.RETAKEN in shot.habits)
        self._decide(retaken.code, take=2, verdict="circle")
        self._decide(retaken.code, take=1, verdict="accept", first=retaken.first, last=RETAKE_FROM - 1)
        self._circle_some(retaken.code)
        for shot in SHOTS:
            if Habit.ABANDONED in shot.habits:
                self._decide(shot.code, take=1, verdict="reject")

    def _circle_some(self, besides: str) -> None:
        """Circle of the takes nobody has decided on those that are liked, and of the rest about half."""
        liked = {shot.code for shot in SHOTS if LIKED & shot.habits}
        circled: dict[str, Any] = {"verdict": "circle"}
        for take in list(self.office.viewing(CODE)):
            shot = take["shot"]
            if shot == besides or take["part"] or take["partly_decided"]:
                continue
            if self.rng.random() < CIRCLED_SHARE or shot in liked:
                self.office.decide(CODE, shot, circled, take=take["take"], etag=f'"{take["rev"]}.0"')
                self.record.decision(shot, take, circled)

    def _decide(self, shot: str, *, take: int, **decision: Any) -> None:  # noqa: ANN401 - the fields of a decision
        found = self.office.take(CODE, shot, take=take)
        self.office.decide(CODE, shot, decision, take=take, etag=found.etag or "")
        self.record.decision(shot, found.body, decision)
