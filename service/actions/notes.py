"""Note something of a take or of a range of its frames, and strike such a note. A note decides nothing."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.actions.takes import CameraUnknown, RangeBackwards, TakeUnknown
from service.domain.events import EventKind
from service.domain.progress import TakeKey
from service.domain.refusals import Clash, Unknown
from service.store import notes as store
from service.store.events import append
from service.store.tables import ShotRow, TakeNoteRow, TakeRow
from service.store.takes import cameras_counted, take_by_key, take_key


@dataclass(eq=False)
class NoteUnknown(Unknown):
    """Take {take} of shot {shot} has no note {note}; notes are numbered within the take, from 1."""

    shot: str
    take: int
    note: int


@dataclass(eq=False)
class AlreadyStruck(Clash):
    """Note {note} was struck by {by}; it stays as it is. Write a new note to say something else."""

    note: int
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """What is to be noted: `text` on the frame identities `first` to `last`, on one `camera`; None means all."""

    text: str
    camera: str | None = None
    first: int | None = None
    last: int | None = None


def find_take(session: Session, shot: ShotRow, key: TakeKey) -> TakeRow:
    """The take of a shot with this part, purpose and number; raises TakeUnknown."""
    take = take_by_key(session, shot.id or 0, key)
    if take is None:
        _, purpose, number = key
        raise TakeUnknown(shot.code, number, purpose.value)
    return take


def add(session: Session, shot: ShotRow, key: TakeKey, *, remark: Remark, by: str, now: datetime) -> TakeNoteRow:
    """Add a note to a take of a locked shot; raises TakeUnknown, CameraUnknown, RangeBackwards.

    The revisions of take and shot stay, so that a note stales nobody's decision.
    """
    if remark.first is not None and remark.last is not None and remark.last < remark.first:
        raise RangeBackwards(remark.first, remark.last)
    take = find_take(session, shot, key)
    cameras = (*shot.cameras, *sorted(cameras_counted(session, take.id or 0).difference(shot.cameras)))
    if remark.camera is not None and remark.camera not in cameras:
        raise CameraUnknown(shot.code, take.number, remark.camera, cameras)
    row = TakeNoteRow(
        take_id=take.id or 0,
        shot_id=shot.id or 0,
        number=store.next_number(session, take.id or 0),
        camera=remark.camera,
        first=remark.first,
        last=remark.last,
        text=remark.text,
        by=by,
        noted_at=now,
    )
    session.add(row)
    shot.touched += 1
    session.flush()
    said = {"camera": row.camera, "first": row.first, "last": row.last, "text": row.text}
    _append(session, EventKind.TAKE_NOTED, shot, data={**_named(take, row), **said}, by=by, now=now)
    return row


def strike(
    session: Session, shot: ShotRow, take: TakeRow, *, note: int, reason: str, by: str, now: datetime
) -> TakeNoteRow:
    """Strike a note of a take of a locked shot; raises NoteUnknown, AlreadyStruck."""
    row = store.find(session, take.id or 0, note)
    if row is None:
        raise NoteUnknown(shot.code, take.number, note)
    if row.struck_by is not None:
        raise AlreadyStruck(note, row.struck_by)
    row.struck_by, row.struck_at, row.struck_reason = by, now, reason
    shot.touched += 1
    session.flush()
    _append(session, EventKind.NOTE_STRUCK, shot, data={**_named(take, row), "reason": reason}, by=by, now=now)
    return row


def _named(take: TakeRow, row: TakeNoteRow) -> dict[str, object]:
    part, purpose, number = take_key(take)
    return {"part": part, "purpose": purpose.value, "take": number, "note": row.number}


def _append(
    session: Session, kind: EventKind, shot: ShotRow, *, data: dict[str, object], by: str, now: datetime
) -> None:
    append(session, kind=kind, at=now, actor=by, production_id=shot.production_id, shot_id=shot.id, data=data)
