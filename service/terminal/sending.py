"""Sending what waits: oldest first, each entry until the service has it or refuses it for good."""

import random
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from service.terminal.clocks import Clock, now, spelt
from service.terminal.doors import Door, Known, reason, slug
from service.terminal.spool import Entry, Kind, Spool, State, alone
from service.terminal.troubles import BeingSent, NoAnswer, Refused, Trouble
from service.terminal.wire import TODAY, Spoken, counts_body, identity, log_body

MOST_IN_A_BODY = 1000
COMPARE_EVERY_S = 300.0


@dataclass(slots=True)
class Pause:
    """The seconds to wait after failures in a row: doubled each time, scattered, never above `most_s`.

    Where the service asks for longer it is given that, up to ten times `most_s`.
    """

    first_s: float = 1.0
    most_s: float = 60.0
    failures: int = 0

    def next_s(self, trouble: Trouble) -> float:
        """The pause after one more failure."""
        self.failures += 1
        grown = min(self.first_s * 2.0 ** min(self.failures - 1, 20), self.most_s)
        # Stages that lost the service together must not come back together.
        scattered = grown * random.uniform(0.5, 1.0)  # noqa: S311 - scatters, hides nothing
        asked = trouble.retry_after_s if isinstance(trouble, NoAnswer) else 0.0
        return max(scattered, min(asked, self.most_s * 10))

    def over(self) -> None:
        """An answer came."""
        self.failures = 0


@dataclass(slots=True)
class Round:
    """What one round of sending did."""

    sent: int = 0
    rejected: int = 0
    unmatched: int = 0
    resent: int = 0
    renewed: bool = False
    changed_shots: set[str] = field(default_factory=set)


class Sender:
    """Sends a spool through a door. `stage` is the one this computer is enrolled for."""

    def __init__(self, spool: Spool, door: Door, *, stage: str, clock: Clock = now, spoken: Spoken = TODAY) -> None:
        self._spool = spool
        self._door = door
        self._stage = stage
        self._clock = clock
        self._spoken = spoken
        self._compared_run_s: float | None = None

    def send(self) -> Round:
        """Send all that waits; raises the trouble that ended it, with what was sent so far off the queue for good.

        Raises BeingSent where another process of this computer sends.
        """
        with alone(self._spool.path.with_name("sending.lock")) as ours:
            if not ours:
                raise BeingSent
            with self._noted():
                return self._send_all()

    @contextmanager
    def _noted(self) -> Iterator[None]:
        try:
            yield
        except Trouble as trouble:
            # A service that was away may come back as an earlier copy of itself.
            self._compared_run_s = None
            self._spool.jot(last_trouble=str(trouble), last_trouble_at=spelt(self._clock().wall))
            raise
        self._spool.jot(last_answer_at=spelt(self._clock().wall), last_trouble="")

    def _send_all(self) -> Round:
        done = Round()
        run_s = self._clock().run_s
        if self._compared_run_s is None or run_s - self._compared_run_s >= COMPARE_EVERY_S:
            self._compare(done)
            self._compared_run_s = run_s
            self._spool.prune(now=self._clock().wall)
        while waiting := self._spool.entries(State.WAITING, most=MOST_IN_A_BODY):
            first = waiting[0]
            if first.kind is Kind.LOG:
                self._send_line(first, done)
            else:
                self._send_counts(_run_of_counts(waiting), done)
        return done

    def _compare(self, done: Round) -> None:
        """Ask what the service has of this spool, and notice where it, or this computer, was put back to a copy."""
        try:
            known = self._door.known(self._spool.id)
        except Refused:
            # A service older than this program knows no spools, and takes counts as well.
            return
        self._jot(known)
        if known.last_serial > self._spool.last_serial:
            self._renew(done)
            known = self._door.known(self._spool.id)
        if known.counts < self._spool.confirmed or known.head < int(self._spool.note("head") or 0):
            done.resent = self._spool.rearm(known=known.counts)
        self._spool.jot(head=str(known.head), confirmed=str(known.counts))

    def _jot(self, known: Known) -> None:
        notes = {"terminal": known.terminal, "stage": known.stage}
        if known.ahead_s is not None:
            notes["clock_ahead_s"] = f"{known.ahead_s:.1f}"
        self._spool.jot(**notes)

    def _send_line(self, entry: Entry, done: Round) -> None:
        """Send one line of the stage's log."""
        moment = self._clock()
        stage = entry.content.get("stage", self._stage)
        try:
            named = identity(entry, spoken=self._spoken)
            self._door.enter(stage, log_body(entry, moment, spoken=self._spoken), identity=named)
        except Refused as refused:
            if refused.kind == "log-conflict":
                self._renew(done)
                return
            # The same line with another time of sending: it is there already.
            if refused.kind != "idempotency-key-reused":
                self._reject(entry, {"kind": refused.kind, "detail": refused.reason}, done)
                return
        self._spool.confirm([entry.serial], fresh=0, now=moment.wall)
        done.sent += 1

    def _send_counts(self, entries: list[Entry], done: Round) -> None:
        """Send counts in one body; where that is refused as a whole, in halves, until the bad one stands alone."""
        moment = self._clock()
        queued = max(self._spool.number(State.WAITING) - len(entries), 0)
        try:
            answers = self._door.post(counts_body(entries, moment, queued=queued, spoken=self._spoken))
        except Refused as refused:
            if len(entries) == 1:
                self._reject(entries[0], {"kind": refused.kind, "detail": refused.reason}, done)
                return
            middle = len(entries) // 2
            self._send_counts(entries[:middle], done)
            self._send_counts(entries[middle:], done)
            return
        kept = [
            (entry, answer) for entry, answer in zip(entries, answers, strict=True) if answer["outcome"] != "refused"
        ]
        # What is repeated was there when the spool was compared, which is done anew after every lost answer.
        fresh = sum(answer["outcome"] != "repeated" for _, answer in kept)
        self._spool.confirm([entry.serial for entry, _ in kept], fresh=fresh, now=moment.wall)
        done.sent += len(kept)
        done.unmatched += sum(answer["outcome"] == "unmatched" for _, answer in kept)
        done.changed_shots |= {str(answer.get("shot")) for _, answer in kept if answer.get("plan_changed")}
        self._put_aside(entries, answers, done)

    def _put_aside(self, entries: Sequence[Entry], answers: Sequence[dict[str, object]], done: Round) -> None:
        for entry, answer in zip(entries, answers, strict=True):
            if answer["outcome"] != "refused":
                continue
            problem = answer.get("problem")
            document = problem if isinstance(problem, dict) else {}
            if slug(document) == "count-conflict":
                self._renew(done)
                return
            self._reject(entry, {"kind": slug(document), "detail": reason(document)}, done)

    def _renew(self, done: Round) -> None:
        """Go on under a new id: serials of ours say other things there, so this file is an earlier copy of itself."""
        self._spool.renew()
        done.renewed = True

    def _reject(self, entry: Entry, problem: dict[str, str], done: Round) -> None:
        self._spool.reject(entry.serial, problem, now=self._clock().wall)
        done.rejected += 1


def _run_of_counts(waiting: Sequence[Entry]) -> list[Entry]:
    """The counts before the next line of the log, as far as they are of one spool."""
    run: list[Entry] = []
    for entry in waiting:
        if entry.kind is not Kind.COUNT or entry.spool != waiting[0].spool:
            break
        run.append(entry)
    return run
