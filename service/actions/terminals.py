"""Terminals: add them, move them from stage to stage, find them."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.domain.codes import composed, is_code
from service.domain.events import EventKind
from service.domain.refusals import Clash, Unknown
from service.store import rows, stages
from service.store import terminals as store
from service.store.events import append
from service.store.tables import StageRow, TerminalRow


@dataclass(eq=False)
class TerminalUnknown(Unknown):
    """There is no terminal {terminal}."""

    terminal: str


@dataclass(eq=False)
class TerminalTaken(Clash):
    """There is already a terminal {terminal}; choose another name, or move that one."""

    POINTER = "/terminal"

    terminal: str


def find(session: Session, name: str, *, lock: bool = False) -> TerminalRow:
    """The terminal of this name; raises TerminalUnknown."""
    name = composed(name)
    row = store.by_name(session, name, lock=lock) if is_code(name) else None
    if row is None:
        raise TerminalUnknown(name)
    return row


def add(session: Session, name: str, *, stage: StageRow, by: str, now: datetime) -> TerminalRow:
    """Add a terminal beside a stage; raises TerminalTaken."""
    row = TerminalRow(name=name, stage_id=stage.id or 0, added_at=now)
    try:
        rows.add(session, row)
    except rows.NameTaken:
        raise TerminalTaken(name) from None
    data = {"terminal": name, "stage": stage.code}
    append(session, kind=EventKind.TERMINAL_ADDED, at=now, actor=by, data=data)
    return row


def move(session: Session, row: TerminalRow, stage: StageRow, *, by: str, now: datetime) -> None:
    """Put a locked terminal, and every key of it that was not revoked, beside another stage.

    What it counted before stays where it was captured.
    """
    if row.stage_id == stage.id:
        return
    came_from = stages.codes(session, [row.stage_id])[row.stage_id]
    row.stage_id = stage.id or 0
    row.rev += 1
    store.move_keys(session, row.id or 0, row.stage_id)
    data = {"terminal": row.name, "stage": stage.code, "came_from": came_from}
    append(session, kind=EventKind.TERMINAL_MOVED, at=now, actor=by, data=data)
