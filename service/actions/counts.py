"""Record the counts of a terminal.

The facts are loaded, the domain judges, the ledger and the series are written and the log is appended, all in the
entrance's one transaction; nothing here commits.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, assert_never

from sqlmodel import Session

from service.actions.sheets import Sheet
from service.domain.corrections import Detour
from service.domain.counts import (
    CaptureTime,
    Counted,
    DoorFacts,
    Echo,
    Kept,
    Post,
    Refused,
    Repeated,
    Target,
    Unmatched,
    capture_time,
    judge,
)
from service.domain.events import EventKind
from service.domain.refusals import Refusal
from service.domain.shifts import Shift
from service.domain.studio import Studio, production_day
from service.domain.takes import LedgerPost
from service.store import corrections, shifts
from service.store import counts as ledger
from service.store.events import Happening, append_all
from service.store.failures import Outdated
from service.store.tables import TerminalRow

Row = dict[str, Any]
"""A row of the ledger by its columns; a body of counts has many, and a mapped object each costs more than the count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Poster:
    """The terminal behind a key: its row, its name, and the stage and the production the key is bound to."""

    terminal_id: int
    terminal: str
    stage_id: int
    production: str | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What the door says of one post: `said` for a post that is kept, `refusal` for one that is not."""

    said: Mapping[str, Any] | None
    refusal: Refusal | None = None


def record_counts(
    session: Session,
    posts: Sequence[Post],
    *,
    poster: Poster,
    studio: Studio,
    sent_at: datetime | None,
    queued: int | None = None,
    now: datetime,
) -> list[Answer]:
    """Judge the posts in the order given and keep those that may be kept; one answer for each post.

    Every answer is the one its post would get alone after the posts before it.
    """
    shifts.keep_stage(session, poster.stage_id, alone=False)
    named = ledger.shots_named(session, {(post.production, post.shot) for post in posts})
    led_on = {each.shot_id for each in named.values() if each.detours}
    further = {each.to_shot_id for each in corrections.detours(session, led_on)} if led_on else set()
    sheet = Sheet(session, {each.shot_id for each in named.values()} | further, studio)
    facts = DoorFacts(
        stage_id=poster.stage_id,
        terminals_may_decide=studio.terminals_may_decide,
        known=ledger.known(session, poster.terminal_id, {(post.spool, post.serial) for post in posts}),
        targets={name: Target(each.shot_id, sheet.plan(each.shot_id)) for name, each in named.items()},
        productions=_productions(session, posts, named),
        only_production=poster.production,
        terminal_id=poster.terminal_id,
        detours=_detours(session, sheet),
        plans={shot_id: sheet.plan(shot_id) for shot_id in sheet.shots},
    )
    judged = list(zip(posts, judge(posts, facts), strict=True))
    sheet.prepare({(where.shot_id, where.meant(post).take) for post, where in judged if isinstance(where, Counted)})
    door = _Door(session, sheet, poster, studio=studio, now=now)
    door.read_shifts(posts, sent_at=sent_at)
    answers: list[Answer] = []
    for post, judgement in judged:
        match judgement:
            case Counted() | Kept():
                answers.append(Answer(door.keep(post, judgement, sent_at=sent_at)))
            case Repeated(answer):
                answers.append(Answer(_repeated(answer)))
            case Echo(index):
                answers.append(Answer(_repeated(answers[index].said or {})))
            case Refused(refusal):
                answers.append(Answer(None, refusal))
            case _:
                assert_never(judgement)
    door.hear(posts, sent_at=sent_at, queued=queued)
    door.save()
    return answers


def _detours(session: Session, sheet: Sheet) -> tuple[Detour, ...]:
    """The corrections that lead counts of the sheet's shots elsewhere.

    Raises Outdated where one came between the look for the shots and their locks and leads to a shot that is not
    locked: locks are taken in order or not at all.
    """
    led_on = {shot_id for shot_id, row in sheet.shots.items() if row.detours}
    detours = corrections.detours(session, led_on) if led_on else ()
    if any(each.to_shot_id not in sheet.shots for each in detours):
        raise Outdated
    return detours


def _productions(
    session: Session, posts: Sequence[Post], named: Mapping[tuple[str, str], ledger.Named]
) -> frozenset[str]:
    """The productions posted for that exist; those of shots that were found need no look."""
    known = {production for production, _ in named}
    asked = {post.production for post in posts} - known
    return frozenset(known.union(ledger.productions_named(session, asked)) if asked else known)


def _repeated(first: Mapping[str, Any]) -> dict[str, Any]:
    return {**first, "outcome": "repeated", "first_outcome": first.get("outcome")}


class _Door:
    """The writing half of the counts door for one body."""

    def __init__(self, session: Session, sheet: Sheet, poster: Poster, *, studio: Studio, now: datetime) -> None:
        self._session = session
        self._sheet = sheet
        self._poster = poster
        self._studio = studio
        self._now = now
        self._told = ledger.plans_told(session, poster.terminal_id, sheet.shots.keys())
        self._rows: list[Row] = []
        self._shifts: tuple[Shift, ...] = ()

    def read_shifts(self, posts: Sequence[Post], *, sent_at: datetime | None) -> None:
        """Read the stage's shifts around the posts' capture times, which their production days rest on."""
        captured = [capture_time(post, sent_at=sent_at, received_at=self._now).captured_at for post in posts]
        if captured:
            self._shifts = shifts.around(self._session, self._poster.stage_id, min(captured), max(captured))

    def keep(self, post: Post, judgement: Counted | Kept, *, sent_at: datetime | None) -> dict[str, Any]:
        """Enter one post in the ledger, and in its series where it counts; return its answer."""
        time = capture_time(post, sent_at=sent_at, received_at=self._now)
        day_on = production_day(time.captured_at, self._studio, shifts=self._shifts)
        row = _row(post, time, self._poster, day_on=day_on, now=self._now)
        said = _answer_head(post, time, day_on)
        match judgement:
            case Kept(reason):
                row["unmatched_reason"] = reason.value
                said |= {"outcome": "unmatched", "reason": reason.value}
            case Counted():
                said |= {"outcome": "counted"} | self._count(row, post, judgement)
            case _:
                assert_never(judgement)
        row["answer"] = said
        self._rows.append(row)
        return said

    def _count(self, row: Row, post: Post, where: Counted) -> dict[str, Any]:
        kept = _ledger_post(post, self._poster, captured_at=row["captured_at"], day_on=row["day_on"])
        shot_id, meant = where.shot_id, where.meant(post)
        series = self._sheet.count(shot_id, where.part, meant, kept=kept, now=self._now)
        shot = self._sheet.shots[shot_id]
        row |= {"shot_id": shot_id, "series_id": series.id, "plan_rev": shot.plan_rev}
        told = self._told.get(shot_id, shot.plan_rev)
        self._told[shot_id] = shot.plan_rev
        figures = self._sheet.figures(shot_id)
        elsewhere = {"shot": shot.code, "part": where.part, "take": meant.take}
        return ({} if where.led is None else {"counted_for": elsewhere}) | {
            "series_total_frames": series.total_frames,
            "planned_frames": figures.planned_frames,
            "credited_frames": figures.credited_frames,
            "remaining_frames": figures.remaining_frames,
            "cut_revision": shot.cut_revision,
            "plan_changed": told < shot.plan_rev,
            "after_approval": self._sheet.after_approval(shot_id, post.purpose),
        }

    def hear(self, posts: Sequence[Post], *, sent_at: datetime | None, queued: int | None) -> None:
        """Note that the terminal was heard of, and what it says of itself."""
        terminal = self._session.get_one(TerminalRow, self._poster.terminal_id)
        terminal.last_seen_at = self._now
        if posts and terminal.spool != posts[-1].spool:
            # How many waited in another spool says nothing of this one.
            terminal.spool, terminal.queued = posts[-1].spool, None
        if queued is not None:
            terminal.queued = queued
        if sent_at is not None:
            terminal.clock_ahead_ms = round((sent_at - self._now).total_seconds() * 1000)

    def save(self) -> None:
        """Write ledger, series and journal, and append the events last."""
        if not self._rows:
            return
        self._sheet.save(now=self._now)
        ledger.add_all(self._session, self._rows)
        actor = self._poster.terminal
        events = self._sheet.happenings(EventKind.FRAMES_COUNTED, actor=actor, now=self._now)
        append_all(self._session, [*(self._dated(each) for each in events), *self._unmatched()])
        self._require_still_unknown()

    def _dated(self, event: Happening) -> Happening:
        """The event of a series with how many counts moved it, and when the newest of them was captured."""
        rows = [row for row in self._rows if row.get("series_id") == event.data["series"]]
        captured = max((row["captured_at"] for row in rows), default=self._now)
        return replace(event, data={**event.data, "counts": len(rows), "captured_at": captured.isoformat()})

    def _require_still_unknown(self) -> None:
        """Raise Outdated where a shot arrived between the look for it and the log.

        Its arrival had the log before and matched what it saw, without these.
        """
        unknown = {Unmatched.UNKNOWN_SHOT.value, Unmatched.UNKNOWN_PRODUCTION.value}
        names = {(row["production_code"], row["shot_code"]) for row in self._rows if row["unmatched_reason"] in unknown}
        if names and ledger.shots_named(self._session, names):
            raise Outdated

    def _unmatched(self) -> list[Happening]:
        kept = [row for row in self._rows if row["unmatched_reason"] is not None]
        if not kept:
            return []
        ids = ledger.productions_named(self._session, {row["production_code"] for row in kept})
        groups = dict.fromkeys((row["production_code"], row["shot_code"], row["unmatched_reason"]) for row in kept)
        return [
            Happening(
                kind=EventKind.FRAMES_UNMATCHED,
                at=self._now,
                actor=self._poster.terminal,
                production_id=ids.get(production),
                data={"production": production, "shot": shot, "reason": reason},
            )
            for production, shot, reason in groups
        ]


def _row(post: Post, time: CaptureTime, poster: Poster, *, day_on: date, now: datetime) -> Row:
    return {
        "terminal_id": poster.terminal_id,
        "stage_id": poster.stage_id,
        "spool": post.spool,
        "serial": post.serial,
        "digest": post.digest,
        "production_code": post.production,
        "shot_code": post.shot,
        "take": post.take,
        "part": post.part,
        "camera": post.camera,
        "pass_": post.pass_,
        "purpose": post.purpose.value,
        "captures_total": post.captures_total,
        "frames_total": post.frames_total,
        "frames_per_capture": post.frames_per_capture,
        "total_frames": post.total_frames,
        "starts_at": post.starts_at,
        "animator": post.animator,
        "outcome": post.outcome.value if post.outcome else None,
        "posted_at": post.at,
        "captured_at": time.captured_at,
        "time_basis": time.basis.value,
        "adjusted": time.adjusted,
        "received_at": now,
        "day_on": day_on,
        "shot_id": None,
        "series_id": None,
        "plan_rev": None,
        "unmatched_reason": None,
        "restated_frames": None,
    }


def _ledger_post(post: Post, poster: Poster, *, captured_at: datetime, day_on: date) -> LedgerPost:
    return LedgerPost(
        terminal=poster.terminal,
        spool=post.spool,
        serial=post.serial,
        captured_at=captured_at,
        total_frames=post.total_frames,
        outcome=post.outcome,
        starts_at=post.starts_at,
        stage_id=poster.stage_id,
        animator=post.animator,
        day_on=day_on,
    )


def _answer_head(post: Post, time: CaptureTime, day_on: date) -> dict[str, Any]:
    return {
        "spool": post.spool,
        "serial": post.serial,
        "production": post.production,
        "shot": post.shot,
        "take": post.take,
        "captured_at": time.captured_at.isoformat().replace("+00:00", "Z"),
        "time_basis": time.basis.value,
        "adjusted": time.adjusted,
        "production_day": day_on.isoformat(),
    }
