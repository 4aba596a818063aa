"""Productions and their episodes: add them, change them, find them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

from sqlmodel import Session

from service.domain.codes import composed, is_code
from service.domain.events import EventKind
from service.domain.rates import rate_text
from service.domain.refusals import Clash, Unknown
from service.store import productions as store
from service.store import rows
from service.store.events import append
from service.store.tables import EpisodeRow, ProductionRow


@dataclass(eq=False)
class ProductionUnknown(Unknown):
    """There is no production {production} here that this key may see."""

    production: str


@dataclass(eq=False)
class EpisodeUnknown(Unknown):
    """The production {production} has no episode {episode}."""

    production: str
    episode: str


@dataclass(eq=False)
class ProductionTaken(Clash):
    """There is already a production {production}; choose another code."""

    POINTER = "/code"

    production: str


@dataclass(eq=False)
class EpisodeTaken(Clash):
    """The production {production} already has an episode {episode}; choose another code."""

    POINTER = "/code"

    production: str
    episode: str


@dataclass(eq=False)
class FrameRateFixed(Clash):
    """The frame rate of {production} stays {frame_rate}: it has shots, and their frames were counted at that rate.

    A production at another rate is a production of its own.
    """

    POINTER = "/frame_rate"

    production: str
    frame_rate: str


def find(session: Session, code: str, *, only: int | None = None, lock: bool = False) -> ProductionRow:
    """The production of this code; raises ProductionUnknown, also for any but the one with the id *only*."""
    code = composed(code)
    row = store.by_code(session, code, lock=lock) if is_code(code) else None
    if row is None or only not in {None, row.id}:
        raise ProductionUnknown(code)
    return row


def find_episode(session: Session, production: ProductionRow, code: str, *, lock: bool = False) -> EpisodeRow:
    """The episode of this code in a production; raises EpisodeUnknown."""
    code = composed(code)
    row = store.episode_by_code(session, production.id or 0, code, lock=lock) if is_code(code) else None
    if row is None:
        raise EpisodeUnknown(production.code, code)
    return row


def add(session: Session, code: str, *, title: str, frame_rate: Fraction, by: str, now: datetime) -> ProductionRow:
    """Begin a production; raises ProductionTaken."""
    row = ProductionRow(
        code=code, title=title, rate_num=frame_rate.numerator, rate_den=frame_rate.denominator, added_at=now
    )
    try:
        rows.add(session, row)
    except rows.NameTaken:
        raise ProductionTaken(code) from None
    data = {"production": code, "title": title, "frame_rate": rate_text(frame_rate)}
    append(session, kind=EventKind.PRODUCTION_ADDED, at=now, actor=by, production_id=row.id, data=data)
    return row


def change(
    session: Session,
    row: ProductionRow,
    *,
    title: str | None = None,
    frame_rate: Fraction | None = None,
    by: str,
    now: datetime,
) -> None:
    """Give a locked production another title, or another frame rate while it has no shots; raises FrameRateFixed."""
    changed: dict[str, Any] = {}
    present = Fraction(row.rate_num, row.rate_den)
    if title is not None and title != row.title:
        changed["title"] = title
        row.title = title
    if frame_rate is not None and frame_rate != present:
        if store.has_shots(session, row.id or 0):
            raise FrameRateFixed(row.code, rate_text(present))
        changed["frame_rate"] = rate_text(frame_rate)
        row.rate_num, row.rate_den = frame_rate.numerator, frame_rate.denominator
    if not changed:
        return
    row.rev += 1
    data = {"production": row.code, **changed}
    append(session, kind=EventKind.PRODUCTION_CHANGED, at=now, actor=by, production_id=row.id, data=data)


def add_episode(
    session: Session, production: ProductionRow, *, code: str, title: str, by: str, now: datetime
) -> EpisodeRow:
    """Add an episode to a production; raises EpisodeTaken."""
    row = EpisodeRow(production_id=production.id or 0, code=code, title=title, added_at=now)
    # Made beforehand: a session whose statement failed can load nothing more.
    taken = EpisodeTaken(production.code, code)
    try:
        rows.add(session, row)
    except rows.NameTaken:
        raise taken from None
    data = _of_episode(production, row)
    append(session, kind=EventKind.EPISODE_ADDED, at=now, actor=by, production_id=production.id, data=data)
    return row


def change_episode(
    session: Session, production: ProductionRow, row: EpisodeRow, *, title: str, by: str, now: datetime
) -> None:
    """Give a locked episode another title."""
    if title == row.title:
        return
    row.title = title
    row.rev += 1
    data = _of_episode(production, row)
    append(session, kind=EventKind.EPISODE_CHANGED, at=now, actor=by, production_id=production.id, data=data)


def _of_episode(production: ProductionRow, row: EpisodeRow) -> Mapping[str, Any]:
    return {"production": production.code, "episode": row.code, "title": row.title}
