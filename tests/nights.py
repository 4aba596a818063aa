"""A studio at work over days, through the house's own actions, and a record of it in plain words.

The record is what an export would hold: shots as planned, counts as posted with their answers, decisions. From it
`tests/nightly_model.py` works the reports out again, with arithmetic that shares nothing with the service.
"""

from dataclasses import replace
from datetime import date, datetime
from fractions import Fraction
from typing import Any

from sqlmodel import Session, col, select

from service.actions import (
    corrections,
    keys,
    moves,
    productions,
    shifts,
    shots,
    signoffs,
    stages,
    suspensions,
    takes,
    terminals,
    unmatched,
)
from service.actions import studio as studios
from service.actions.counts import Poster, record_counts
from service.actions.keys import Wanted
from service.actions.shots import Planned
from service.actions.takes import Ruling
from service.domain.causes import ReturnCause
from service.domain.counts import CaptureTime, Post, TimeBasis
from service.domain.keys import Scope
from service.domain.phases import Phase
from service.domain.progress import Decision, Verdict
from service.domain.refusals import Refusal
from service.domain.reports import Nightly as Report
from service.domain.reports import report_of
from service.domain.shifts import Line, Signal
from service.domain.signoffs import Matter, Role
from service.domain.studio import Studio
from service.domain.takes import Outcome, Purpose
from service.store import studio as studio_rows
from service.store.engine import Database
from service.store.shots import PlannedPart
from service.store.tables import (
    CountRow,
    DueJobRow,
    NightlyReportRow,
    ShotRow,
    StageRow,
    TakeRow,
    TerminalRow,
)
from tests.workers.strangers import Limits
from workers import schedule
from workers.builtin.nightly import Nightly
from workers.contract import NoSettings, Worker
from workers.engine import Outcome as Ended
from workers.engine import step

PRODUCTION = "lantern-bay"
STAGES = ("barn", "mill")
EPISODES = ("101", "102")


class Nights:
    """The studio, its clock, and the record of what was said to it."""

    def __init__(
        self,
        database: Database,
        now: str,
        *,
        time_zone: str = "UTC",
        starts_at_min: int = 300,
        production: str = PRODUCTION,
    ) -> None:
        self.database, self.production = database, production
        self.now = datetime.fromisoformat(now)
        self.studio = Studio(name="Gull Lane", time_zone=time_zone, day_starts_at_min=starts_at_min)
        self.record: list[dict[str, Any]] = []
        self.serials = dict.fromkeys(STAGES, 0)
        self.worker: Worker = Nightly(NoSettings())
        with database.writing() as session:
            studios.put(session, studio_rows.read(session, lock=True), self.studio, by="office", now=self.now)
            row = productions.add(
                session, production, title="Lantern Bay", frame_rate=Fraction(25), by="office", now=self.now
            )
            for code in EPISODES:
                productions.add_episode(session, row, code=code, title=code, by="office", now=self.now)
            for code in STAGES:
                stage = stages.add(session, code, name=code.title(), by="office", now=self.now)
                terminals.add(session, f"{code}-capture", stage=stage, by="office", now=self.now)
                wanted = Wanted(name=f"{code}-key", scope=Scope.COUNT, terminal=f"{code}-capture")
                keys.make(session, wanted, by="office", now=self.now)

    def set_studio(self, **fields: Any) -> None:  # noqa: ANN401 - fields of a studio
        """Set the studio otherwise from now on."""
        self.studio = replace(self.studio, **fields)
        with self.database.writing() as session:
            studios.put(session, studio_rows.read(session, lock=True), self.studio, by="office", now=self.now)

    def at(self, instant: str | datetime) -> "Nights":
        """Let the clock show this instant, and return the studio."""
        self.now = datetime.fromisoformat(instant) if isinstance(instant, str) else instant
        return self

    def shot(
        self,
        code: str,
        *,
        cut_frames: int = 96,
        episode: str = "101",
        stage: str | None = None,
        **more: Any,  # noqa: ANN401 - fields of a plan
    ) -> None:
        """Plan a shot."""
        planned = Planned(
            code=code,
            episode=episode,
            scene=None,
            cut_frames=cut_frames,
            handle_in=0,
            handle_out=0,
            cameras=("main",),
            passes=("main",),
            moving_camera=more.get("moving_camera", False),
            parts=_parts(stage, more.get("parts")),
        )
        with self.database.writing() as session:
            production = productions.find(session, self.production, lock=True)
            shots.add_all(session, production, [planned], listed=False, by="office", now=self.now)
        self._note("shot", shot=code, cut_frames=cut_frames, episode=episode, stage=stage, **more)

    def change(self, code: str, **fields: Any) -> None:  # noqa: ANN401 - fields of a plan
        """Change a shot's plan: `cut_frames`, `omitted`, `episode`, `moving_camera`, `stage`."""
        named = dict(fields)
        if "stage" in named:
            named["parts"] = _parts(named.pop("stage"), None)
        with self.database.writing() as session:
            production = productions.find(session, self.production, lock=True)
            row = shots.find(session, production, code, lock=True)
            wanted = replace(shots.planned(session, [row])[0], **named)
            shots.change(session, production, row, wanted=wanted, reason=None, by="office", now=self.now)
        self._note("change", shot=code, **fields)

    def count(
        self,
        stage: str,
        shot: str,
        total: int,
        *,
        take: int = 1,
        captured: str | datetime | None = None,
        **more: Any,  # noqa: ANN401 - fields of a count
    ) -> dict[str, Any]:
        """Post a count from a stage's terminal, received now; what it was answered."""
        self.serials[stage] += 1
        at = datetime.fromisoformat(captured) if isinstance(captured, str) else captured or self.now
        purpose, outcome = Purpose(more.get("purpose", "shoot")), more.get("outcome")
        post = Post(
            serial=self.serials[stage],
            production=more.get("production", self.production),
            shot=shot,
            take=take,
            frames_total=total,
            purpose=purpose,
            animator=more.get("animator"),
            outcome=Outcome(outcome) if outcome else None,
            part=more.get("part"),
            at=at,
        )
        with self.database.writing() as session:
            (answer,) = record_counts(
                session, [post], poster=_poster(session, stage), studio=self.studio, sent_at=None, now=self.now
            )
        assert answer.said is not None, answer.refusal
        self._note(
            "count",
            stage=stage,
            shot=shot,
            total=total,
            take=take,
            answer=dict(answer.said),
            serial=post.serial,
            **more,
        )
        return dict(answer.said)

    def decide(
        self, shot: str, verdict: str, *, take: int = 1, first: int | None = None, last: int | None = None
    ) -> None:
        """Decide on a take or a range of it."""
        with self.database.writing() as session:
            production = productions.find(session, self.production)
            row = shots.find(session, production, shot, lock=True)
            ruling = Ruling(
                key=(_part(session, row), Purpose.SHOOT, take),
                decision=Decision(verdict=Verdict(verdict), first=first, last=last),
                by="director",
                reason=None,
            )
            takes.decide(session, row.id or 0, ruling, studio=self.studio, check=lambda _take: None, now=self.now)
        self._note("decision", shot=shot, verdict=verdict, take=take, first=first, last=last)

    def restate(self, shot: str, total: int, *, take: int = 1, purpose: str = "shoot") -> None:
        """Say what a take really holds, in frames."""
        with self.database.writing() as session:
            row = shots.find(session, productions.find(session, self.production), shot)
            series = corrections.Series(key=(_part(session, row), Purpose(purpose), take))
            right = corrections.Total(frames_total=total)
            corrections.restate(session, row.id or 0, series, right, check=_any_state, said=self._said())
        self._note("restate", shot=shot, total=total, take=take, purpose=purpose)

    def move(self, shot: str, to: str, *, take: int = 1, to_take: int | None = None, purpose: str = "shoot") -> None:
        """Let the counts a take has so far count for another."""
        with self.database.writing() as session:
            production = productions.find(session, self.production)
            row, other = shots.find(session, production, shot), shots.find(session, production, to)
            series = corrections.Series(key=(_part(session, row), Purpose(purpose), take))
            right = corrections.Move(shot=other, take=to_take)
            corrections.move(session, row.id or 0, series, right, check=_any_state, said=self._said())
        self._note("move", shot=shot, to=to, take=take, to_take=to_take or take, purpose=purpose)

    def go(self, shot: str, to: str, *, cause: str | None = None, reason: str | None = "as asked") -> bool:
        """Move a shot to another phase, setting aside what it lacks; whether it could be."""
        with self.database.writing() as session:
            production = productions.find(session, self.production)
            row = shots.find(session, production, shot, lock=True)
            wanted = moves.Wanted(
                to=Phase(to), cause=ReturnCause(cause) if cause else None, reason=reason, override=True
            )
            (tried,) = moves.move_all(
                session,
                production,
                [row],
                wanted,
                plate_minimum_frames=self.studio.plate_minimum_frames,
                by="office",
                now=self.now,
            )
        if tried.refused is None:
            aside = bool(tried.set_aside)
            self._note("go", shot=shot, origin=tried.origin.value, to=to, cause=cause, overridden=aside)
        return tried.refused is None

    def sign(self, shot: str, matter: str, role: str = "director") -> bool:
        """Sign something of a shot off; whether it could be."""
        asked = signoffs.Signing(
            matter=Matter(matter),
            role=Role(role),
            signer=None,
            note=None,
            by="office",
            roles=frozenset(Role),
            coordinates=True,
        )
        minimum = self.studio.plate_minimum_frames
        with self.database.writing() as session:
            production = productions.find(session, self.production)
            row = shots.find(session, production, shot, lock=True)
            try:
                signed = signoffs.sign(session, production, row, asked, plate_minimum_frames=minimum, now=self.now)
            except Refusal:
                return False
            id_ = signed.id
        self._note("sign", shot=shot, matter=matter, role=role, id=id_)
        return True

    def withdraw(self, shot: str, id_: int, *, reason: str = "looked at again") -> None:
        """Withdraw a sign-off that stands."""
        with self.database.writing() as session:
            production = productions.find(session, self.production)
            row = shots.find(session, production, shot, lock=True)
            signed = signoffs.find(session, row, id_)
            signoffs.withdraw(session, production, row, signed, reason=reason, by="office", now=self.now)
        self._note("withdraw", shot=shot, id=id_)

    def suspend(self, shot: str, *, suspended: bool = True, reason: str | None = "the armature broke") -> None:
        """Let a shot be suspended, or not."""
        with self.database.writing() as session:
            production = productions.find(session, self.production)
            row = shots.find(session, production, shot, lock=True)
            suspensions.change(session, production, row, suspended=suspended, reason=reason, by="office", now=self.now)
        self._note("suspend" if suspended else "resume", shot=shot)

    def _said(self) -> corrections.Said:
        return corrections.Said(by="office", reason="miscounted", now=self.now, studio=self.studio)

    def signal(self, stage: str, kind: str, at: str) -> int:
        """Enter a stage's call or wrap with its terminal's key; how many counts it dated again."""
        with self.database.writing() as session:
            row = session.exec(select(StageRow).where(StageRow.code == stage)).one()
            entered = shifts.enter(
                session,
                row,
                Line(stage=stage, signal=Signal(kind)),
                time=CaptureTime(datetime.fromisoformat(at), TimeBasis.AT, adjusted=False),
                studio=self.studio,
                author=shifts.Author(f"{stage}-key"),
                now=self.now,
            )
            return entered.row.redated_counts or 0

    def match(self, shot: str, **fields: Any) -> None:  # noqa: ANN401 - fields of a match
        """Let the oldest unmatched count count for a shot."""
        with self.database.writing() as session:
            production = productions.find(session, self.production)
            count = session.exec(select(CountRow.id).where(col(CountRow.series_id).is_(None))).first()
            match = unmatched.Match(count_id=count or 0, **fields)
            row = shots.find(session, production, shot, lock=True)
            unmatched.match_count(session, match, row, studio=self.studio, by="office", now=self.now)

    def work(self, *, worker: Worker | None = None) -> None:
        """Let *nightly* do what is due and read the log to its head."""
        reporter = worker or self.worker
        schedule.enter(self.database, [reporter], now=self.now)
        while True:
            done = schedule.run(
                self.database, [reporter], settings=Limits(engine_batch=500), owner="one", now=self.now, beat=_silent
            )
            assert done is None or done.error is None, done
            result = step(self.database, reporter, settings=Limits(engine_batch=500), owner="one", now=self.now)
            assert result.outcome in {Ended.MOVED, Ended.IDLE}, result
            if done is None and result.outcome is Ended.IDLE:
                return

    def rows(self, day: str) -> list[NightlyReportRow]:
        """Every revision of a day's report."""
        with self.database.reading() as session:
            statement = select(NightlyReportRow).where(NightlyReportRow.day_on == date.fromisoformat(day))
            return list(session.exec(statement.order_by(col(NightlyReportRow.revision))))

    def days(self) -> dict[str, int]:
        """The days that were reported, each with its latest revision."""
        with self.database.reading() as session:
            rows = session.exec(select(NightlyReportRow).order_by(col(NightlyReportRow.revision)))
            return dict(sorted((row.day_on.isoformat(), row.revision) for row in rows))

    def report(self, day: str) -> Report:
        """The latest revision of a day's report."""
        return report_of(self.rows(day)[-1].figures)

    def total(self, day: str) -> dict[str, int]:
        """The production's figures of a day by its latest report, those that are not 0."""
        return {figure.value: each for figure, each in self.report(day).total.figures.items() if each}

    def job_results(self) -> list[Any]:
        """What each job found."""
        with self.database.reading() as session:
            return list(session.exec(select(DueJobRow.result).order_by(col(DueJobRow.id))))

    def _note(self, said: str, **fields: Any) -> None:  # noqa: ANN401 - anything that was said
        self.record.append({"said": said, "at": self.now, **fields})


def _parts(stage: str | None, parts: list[tuple[str, str, int | None, int | None]] | None) -> tuple[PlannedPart, ...]:
    if parts is not None:
        return tuple(PlannedPart(*each) for each in parts)
    return () if stage is None else (PlannedPart("", stage, None, None),)


def _part(session: Session, row: ShotRow) -> str:
    parts = shots.planned(session, [row])[0].parts
    return parts[0].part if parts else ""


def _any_state(take: TakeRow) -> None:
    del take


def _poster(session: Session, stage: str) -> Poster:
    row = session.exec(select(TerminalRow).where(TerminalRow.name == f"{stage}-capture")).one()
    return Poster(terminal_id=row.id or 0, terminal=row.name, stage_id=row.stage_id)


def _silent() -> None:
    return
