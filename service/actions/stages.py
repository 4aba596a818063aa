"""Stages: add them, change them, find them."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.codes import composed, is_code
from service.domain.events import EventKind
from service.domain.refusals import Clash, Unknown
from service.store import rows
from service.store import stages as store
from service.store.events import append
from service.store.tables import StageRow


@dataclass(eq=False)
class StageUnknown(Unknown):
    """There is no stage {stage}."""

    stage: str


@dataclass(eq=False)
class StageTaken(Clash):
    """There is already a stage {stage}; choose another code."""

    POINTER = "/code"

    stage: str


def find(session: Session, code: str, *, lock: bool = False) -> StageRow:
    """The stage of this code; raises StageUnknown."""
    code = composed(code)
    row = store.by_code(session, code, lock=lock) if is_code(code) else None
    if row is None:
        raise StageUnknown(code)
    return row


def add(session: Session, code: str, *, name: str, by: str, now: datetime) -> StageRow:
    """Add a stage; raises StageTaken."""
    row = StageRow(code=code, name=name, added_at=now)
    try:
        rows.add(session, row)
    except rows.NameTaken:
        raise StageTaken(code) from None
    append(session, kind=EventKind.STAGE_ADDED, at=now, actor=by, data={"stage": code, "name": name})
    return row


def change(session: Session, row: StageRow, *, name: str, by: str, now: datetime) -> None:
    """Give a locked stage another name."""
    if name == row.name:
        return
    row.name = name
    row.rev += 1
    append(session, kind=EventKind.STAGE_CHANGED, at=now, actor=by, data={"stage": row.code, "name": name})
