"""Shots for the domain's tests: posts and decisions in plain words, brought to figures by the domain's own way."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from service.domain.progress import Decision, SeriesFacts, ShotFacts, ShotFigures, TakeKey, Verdict, shot_figures
from service.domain.shots import Plan
from service.domain.takes import Heads, LedgerPost, Outcome, Purpose
from tests import model

START = datetime(2026, 3, 2, 9, tzinfo=UTC)
PLATE_MINIMUM_FRAMES = 25
STAGE = 1

Words = Mapping[str, Any]
Track = tuple[TakeKey, str, str]


def later(minutes: float) -> datetime:
    """An instant so many minutes after the tests' beginning."""
    return START + timedelta(minutes=minutes)


def post(total: int, *, serial: int, take: int = 1, minutes: float | None = None, **more: object) -> dict[str, Any]:
    """A post in words, captured `minutes` after the beginning (the serial's own minute where not given)."""
    captured_at = later(serial if minutes is None else minutes)
    said: dict[str, Any] = {
        "terminal": "rostrum",
        "spool": "one",
        "serial": serial,
        "take": take,
        "total": total,
        "captured_at": captured_at,
        "day": captured_at.date(),
    }
    return said | more


def totals(*frames: int, take: int = 1, first_serial: int = 1, **more: object) -> list[dict[str, Any]]:
    """Posts of one series with these totals, one a minute."""
    return [post(each, serial=first_serial + index, take=take) | more for index, each in enumerate(frames)]


def verdict(word: str, *, take: int = 1, **more: object) -> dict[str, Any]:
    """A decision in words."""
    return {"verdict": word, "take": take} | more


def plan_of(words: Words) -> Plan:
    """The domain's plan of one in words."""
    names = {"handle_in", "handle_out", "parts", "moving_camera", "omitted"} & words.keys()
    return Plan(
        uses=((1, words["cut_frames"]),),
        cameras=tuple(model.cameras(words)),
        passes=tuple(model.passes(words)),
        **{name: words[name] for name in names},
    )


def ledger_post(words: Words) -> LedgerPost:
    """The domain's ledger post of one in words."""
    return LedgerPost(
        terminal=words["terminal"],
        spool=words["spool"],
        serial=words["serial"],
        captured_at=words["captured_at"],
        total_frames=words["total"],
        outcome=Outcome(words["outcome"]) if words.get("outcome") else None,
        starts_at=words.get("starts_at"),
        stage_id=words.get("stage", STAGE),
        animator=words.get("animator"),
        day_on=words.get("day", date(2026, 3, 2)),
    )


def track_of(words: Words, plan: Plan) -> Track:
    """Which series a post in words belongs to."""
    part = plan.part_counted(words.get("part"), words.get("stage", STAGE)) or ""
    key = (part, Purpose(words.get("purpose") or "shoot"), words["take"])
    return key, words.get("camera") or plan.cameras[0], words.get("pass") or plan.passes[0]


def series_of(plan: Plan, heads: Mapping[Track, Heads], *, began: Plan | None = None) -> list[SeriesFacts]:
    """The facts of each series from the heads of its ledger; `began` is the plan they were begun under."""
    found = []
    for ((part, purpose, take), camera, pass_), each in heads.items():
        standing = each.standing((began or plan).default_start(part))
        found.append(
            SeriesFacts(
                take=take,
                part=part,
                purpose=purpose,
                camera=camera,
                pass_=pass_,
                starts_at=standing.starts_at,
                total_frames=standing.total_frames,
                state=standing.state,
                offered_at=standing.offered_at,
                stage_id=standing.stage_id,
                ruled_at=standing.ruled_at,
            )
        )
    return found


def heads_of(plan: Plan, posts: Iterable[Words]) -> dict[Track, Heads]:
    """The heads of each series after these posts, taken in one at a time as they come."""
    heads: dict[Track, Heads] = {}
    for words in posts:
        track = track_of(words, plan)
        heads[track] = heads.get(track, Heads()).with_post(ledger_post(words))
    return heads


def decisions_of(said: Iterable[Words]) -> dict[TakeKey, list[Decision]]:
    """The decisions on each take, in the order said."""
    found: dict[TakeKey, list[Decision]] = {}
    for words in said:
        key = (words.get("part") or "", Purpose(words.get("purpose") or "shoot"), words["take"])
        decision = Decision(
            verdict=Verdict(words["verdict"]),
            camera=words.get("camera"),
            first=words.get("first"),
            last=words.get("last"),
        )
        found.setdefault(key, []).append(decision)
    return found


def figures_of(
    words: Words, posts: Iterable[Words], said: Sequence[Words] = (), *, began: Words | None = None
) -> ShotFigures:
    """The figures of a shot from its plan, posts and decisions, all in words; `began` is an earlier plan."""
    return shot_figures(facts(words, posts, said, began=began))


def facts(words: Words, posts: Iterable[Words], said: Sequence[Words] = (), *, began: Words | None = None) -> ShotFacts:
    """What those figures rest on."""
    plan = plan_of(words)
    series = series_of(plan, heads_of(plan, posts), began=plan_of(began) if began else None)
    return ShotFacts(plan=plan, series=series, decisions=decisions_of(said), plate_minimum_frames=PLATE_MINIMUM_FRAMES)
