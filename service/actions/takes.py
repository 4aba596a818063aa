"""Decide on takes: accept, reject or circle one or a range of it, or withdraw such a verdict."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.actions.sheets import Sheet
from service.domain.events import EventKind
from service.domain.progress import Decision, Figures, TakeKey
from service.domain.refusals import Unfit, Unknown
from service.domain.studio import Studio
from service.store.events import append
from service.store.tables import TakeRow


@dataclass(eq=False)
class TakeUnknown(Unknown):
    """The shot {shot} has no take {take} of purpose {purpose}; a take begins with its first count."""

    shot: str
    take: int
    purpose: str


@dataclass(eq=False)
class RangeBackwards(Unfit):
    """The range ends at frame {last}, before it begins at frame {first}; give the lower frame as first."""

    POINTER = "/last"

    first: int
    last: int


@dataclass(eq=False)
class CameraUnknown(Unfit):
    """Neither the plan of shot {shot} nor its take {take} knows a camera {camera}; they know {cameras}."""

    POINTER = "/camera"

    shot: str
    take: int
    camera: str
    cameras: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """A decision as somebody asks for it: on which take, by whom, why."""

    key: TakeKey
    decision: Decision
    by: str
    reason: str | None


def decide(
    session: Session,
    shot_id: int,
    ruling: Ruling,
    *,
    studio: Studio,
    check: Callable[[TakeRow], None],
    now: datetime,
) -> tuple[TakeRow, Figures]:
    """Put a decision down and return the take and the shot's figures after it.

    `check` sees the locked take before anything is written and raises where the caller knew an older state. Raises
    TakeUnknown, CameraUnknown and RangeBackwards.
    """
    decision = ruling.decision
    if decision.first is not None and decision.last is not None and decision.last < decision.first:
        raise RangeBackwards(decision.first, decision.last)
    sheet = Sheet(session, [shot_id], studio)
    shot = sheet.shots[shot_id]
    part, purpose, number = ruling.key
    take = sheet.take(shot_id, ruling.key)
    if take is None:
        raise TakeUnknown(shot.code, number, purpose.value)
    check(take)
    cameras = sheet.cameras(shot_id, ruling.key)
    if decision.camera is not None and decision.camera not in cameras:
        raise CameraUnknown(shot.code, number, decision.camera, cameras)
    sheet.decide(take, decision, by=ruling.by, reason=ruling.reason, now=now)
    sheet.save(now=now)
    data = {
        "part": part,
        "purpose": purpose.value,
        "take": number,
        "verdict": decision.verdict.value,
        "camera": decision.camera,
        "first": decision.first,
        "last": decision.last,
        "cause": decision.cause,
        "reason": ruling.reason,
    }
    append(
        session,
        kind=EventKind.TAKE_DECIDED,
        at=now,
        actor=ruling.by,
        production_id=shot.production_id,
        shot_id=shot_id,
        data=data,
    )
    return take, sheet.figures(shot_id)
