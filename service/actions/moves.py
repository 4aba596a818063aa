"""Move shots from phase to phase."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.actions.misfits import Touched, touched
from service.actions.shots import find
from service.domain.addresses import Place, Told, told
from service.domain.causes import ReturnCause
from service.domain.events import EventKind
from service.domain.moves import Lack, Standing, overridden, step
from service.domain.phases import Phase, ways_back, ways_on
from service.domain.refusals import Clash, Unfit
from service.store import moves as store
from service.store import shots, takes
from service.store.events import Happening, append_all
from service.store.tables import MoveRow, ProductionRow, ShotRow


@dataclass(eq=False)
class NotReady(Clash):
    """Shot {shot} cannot go to {to} yet. {missing} Each of `lacks` says who can do what, and where."""

    shot: str
    to: Phase
    missing: str
    lacks: tuple[Mapping[str, Any], ...]


@dataclass(eq=False)
class NotAllReady(Clash):
    """Not every one of these shots can go to {to}, so none was moved: leave out those in `refused`."""

    to: Phase
    refused: tuple[Mapping[str, Any], ...]


@dataclass(eq=False)
class NotAllAsRead(Clash):
    """These shots were changed since you read them, so none was moved: {shots}. Read them again, then move them."""

    shots: tuple[str, ...]


@dataclass(eq=False)
class NoWay(Clash):
    """No way leads from {phase}, where shot {shot} is, to {to}; from there it goes to {ways}."""

    shot: str
    phase: Phase
    to: Phase
    ways: tuple[Phase, ...]


@dataclass(eq=False)
class ThereAlready(Clash):
    """Shot {shot} is in {phase} already, since {since}; from there it goes to {ways}."""

    shot: str
    phase: Phase
    since: str
    ways: tuple[Phase, ...]


@dataclass(eq=False)
class CauseMissing(Unfit):
    """Back to {to} is work of shot {shot} done again: say the `cause`, one of {causes}."""

    POINTER = "/cause"

    shot: str
    to: Phase
    causes: tuple[ReturnCause, ...]


@dataclass(eq=False)
class CauseUnfit(Unfit):
    """A cause is said of work that goes back, and {to} lies ahead of shot {shot}, which is in {phase}.

    Leave it out, or give it as the reason; of several shots move those that go back in a call of their own.
    """

    POINTER = "/cause"

    shot: str
    phase: Phase
    to: Phase


@dataclass(eq=False)
class ReasonMissing(Unfit):
    """An override shows for ever, so give the `reason` for going to {to} without: {facts_set_aside}."""

    POINTER = "/reason"

    to: Phase
    facts_set_aside: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A move as somebody asks for it."""

    to: Phase
    cause: ReturnCause | None = None
    reason: str | None = None
    override: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What a move would do to one shot, or why it cannot be: `refused` is None where it can.

    `set_aside` are the facts that an override passes over, `standing` how the shot stands before.
    """

    shot: ShotRow
    origin: Phase
    set_aside: tuple[Lack, ...]
    refused: NotReady | NoWay | ThereAlready | None
    standing: Standing


def places(session: Session, production: ProductionRow, rows: Sequence[ShotRow]) -> dict[int, Place]:
    """The codes by which these shots are addressed, by their ids."""
    episodes = shots.episode_codes(session, {row.episode_id for row in rows})
    return {
        row.id or 0: Place(production=production.code, episode=episodes[row.episode_id], shot=row.code) for row in rows
    }


def named(session: Session, production: ProductionRow, revs: Mapping[str, int | None]) -> list[ShotRow]:
    """The shots of these codes, locked, in the order they are named. Raises ShotUnknown and NotAllAsRead."""
    found = {code: find(session, production, code) for code in revs}
    locked = {row.id: row for row in takes.locked_shots(session, [row.id or 0 for row in found.values()])}
    rows = {code: locked[row.id] for code, row in found.items()}
    changed = tuple(code for code, rev in revs.items() if rev is not None and rows[code].rev != rev)
    if changed:
        raise NotAllAsRead(changed)
    return list(rows.values())


def attempt(row: ShotRow, standing: Standing, wanted: Wanted, *, place: Place) -> Tried:
    """Judge a move without making it. Raises CauseMissing, CauseUnfit, ReasonMissing."""
    made = step(standing, wanted.to)
    if made is None:
        ways = (*(move.to for move in ways_on(standing.phase)), *ways_back(standing.phase))
        return Tried(
            shot=row,
            origin=standing.phase,
            set_aside=(),
            refused=ThereAlready(row.code, wanted.to, row.phase_since.isoformat(), ways)
            if wanted.to is standing.phase
            else NoWay(row.code, standing.phase, wanted.to, ways),
            standing=standing,
        )
    if made.back and wanted.cause is None:
        raise CauseMissing(row.code, wanted.to, tuple(ReturnCause))
    if not made.back and wanted.cause is not None:
        raise CauseUnfit(row.code, standing.phase, wanted.to)
    aside, firm = overridden(made.lacks) if wanted.override else ((), made.lacks)
    if aside and wanted.reason is None:
        raise ReasonMissing(wanted.to, tuple(lack.fact.value for lack in aside))
    refused = _not_ready(row, wanted, told(firm, standing, place)) if firm else None
    return Tried(shot=row, origin=standing.phase, set_aside=aside, refused=refused, standing=standing)


def touched_by(
    session: Session, production: ProductionRow, tried: Sequence[Tried], wanted: Wanted, *, now: datetime
) -> dict[int, list[Touched]]:
    """The bookings of the shots that can be moved, as they fit the shots when these have, by the shots' ids."""
    then = {each.shot.id or 0: replace(each.standing, phase=wanted.to) for each in tried if each.refused is None}
    return touched(session, production, then, now=now)


def _not_ready(row: ShotRow, wanted: Wanted, lacks: Sequence[Told]) -> NotReady:
    missing = " ".join(lack.detail for lack in lacks)
    return NotReady(row.code, wanted.to, missing, tuple(asdict(each) for each in lacks))


def move_all(
    session: Session,
    production: ProductionRow,
    rows: Sequence[ShotRow],
    wanted: Wanted,
    *,
    plate_minimum_frames: int,
    by: str,
    now: datetime,
) -> list[Tried]:
    """Move locked shots, all or none: where one is refused nothing is written.

    Raises CauseMissing, CauseUnfit, ReasonMissing.
    """
    tried = try_all(session, production, rows, wanted, plate_minimum_frames=plate_minimum_frames)
    if any(each.refused for each in tried):
        return tried
    happenings = []
    for each in tried:
        lacked = [lack.fact.value for lack in each.set_aside] or None
        row = MoveRow(
            shot_id=each.shot.id or 0,
            origin=each.origin.value,
            to_phase=wanted.to.value,
            cause=None if wanted.cause is None else wanted.cause.value,
            reason=wanted.reason,
            lacked=lacked,
            by=by,
            moved_at=now,
        )
        session.add(row)
        each.shot.phase, each.shot.phase_since = wanted.to.value, now
        each.shot.rev += 1
        each.shot.touched += 1
        data = {
            "production": production.code,
            "shot": each.shot.code,
            "origin": row.origin,
            "to": row.to_phase,
            "cause": row.cause,
            "reason": row.reason,
            "lacked": lacked,
        }
        happenings.append(
            Happening(
                kind=EventKind.SHOT_MOVED,
                at=now,
                actor=by,
                production_id=production.id,
                shot_id=each.shot.id,
                data=data,
            )
        )
    append_all(session, happenings)
    return tried


def try_all(
    session: Session, production: ProductionRow, rows: Sequence[ShotRow], wanted: Wanted, *, plate_minimum_frames: int
) -> list[Tried]:
    """Judge a move of several shots without making it. Raises CauseMissing, CauseUnfit, ReasonMissing."""
    standings = store.standings(session, rows, plate_minimum_frames=plate_minimum_frames)
    addressed = places(session, production, rows)
    return [attempt(row, standings[row.id or 0], wanted, place=addressed[row.id or 0]) for row in rows]
