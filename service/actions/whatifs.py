"""Imagine that somebody is away, a stage is closed, or a shot's bookings move or go; nothing is stored."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.actions.rebookings import How, Tried, attempt
from service.actions.releases import foresee
from service.domain.bookings import Booking, Clash
from service.domain.spans import TimeSet
from service.domain.whatifs import Away, Displaced, Lost, displaced, freed, given_up, lost
from service.store import misfits, rebookings, whatifs
from service.store.bookings import Booked, read
from service.store.tables import ShotRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Imagined:
    """What would come of it.

    `lost` are bookings that could not be kept; `made` and `ended` clashes between bookings, with what `tried` says of
    them where bookings move. `free` is the time that would be free by the stage's id, `displaced` the shots that would
    lose their place. `known` has every booking that is named, by number.
    """

    lost: Sequence[Lost] = ()
    made: Sequence[Clash] = ()
    ended: Sequence[Clash] = ()
    tried: Tried | None = None
    free: Mapping[int, TimeSet]
    displaced: Sequence[Displaced]
    known: Mapping[int, Booked]


def away(session: Session, what: Away, *, only: int | None = None, now: datetime) -> Imagined:
    """What would come of somebody's absence, or of a closed stage; of the production *only* where it is given."""
    found = whatifs.counting_on(session, what.shared, what.what, span=what.span, now=now)
    found = [each for each in found if only in {None, each.row.production_id}]
    losing = lost(what, [read(each.row) for each in found])
    # A stage that is closed is not free; an animator who is away leaves one behind.
    free = {} if isinstance(what.what, int) else freed(losing, _staying(session, [each.booking for each in losing]))
    return Imagined(
        lost=losing,
        free=free,
        displaced=_displaced(session, found, now=now),
        known={each.row.id or 0: each for each in found},
    )


def omitted(session: Session, shot: ShotRow, *, now: datetime) -> Imagined:
    """What would come of a shot's omission: the bookings it releases."""
    found = [fate.booked for fate in foresee(session, omitted=[shot.id or 0], there=[], now=now)]
    losing = given_up([read(each.row) for each in found], now=now)
    return Imagined(
        lost=losing,
        free=freed(losing, _staying(session, [each.booking for each in losing])),
        displaced=_displaced(session, found, now=now),
        known={each.row.id or 0: each for each in found},
    )


def moved(session: Session, shot: ShotRow, how: How, *, now: datetime) -> Imagined:
    """What would come of moving all bookings of a shot that are not over. Raises UnfitFields where one cannot move."""
    several = misfits.of_shots(session, [shot.id or 0], now=now)
    tried = attempt(session, several, how)
    before, after = [each.before for each in tried.moves], [each.after for each in tried.moves]
    own = {booking.id for booking in before}
    in_the_way = [tried.known[number] for number in _others(tried.outcome.firm, own)]
    return Imagined(
        made=sorted(tried.outcome.new),
        ended=sorted(tried.outcome.gone),
        tried=tried,
        free=freed(given_up(before, now=now), [*_staying(session, before), *after]),
        displaced=_displaced(session, in_the_way, now=now),
        known=tried.known,
    )


def _others(clashes: Sequence[Clash], own: set[int]) -> list[int]:
    return sorted({number for clash in clashes for number in (clash.one, clash.other)} - own)


def _staying(session: Session, leaving: Sequence[Booking]) -> list[Booking]:
    """The other bookings of the stages that these leave, while they do."""
    own = {booking.id for booking in leaving}
    return [read(each.row) for each in rebookings.around(session, leaving) if each.row.id not in own]


def _displaced(session: Session, losing: Sequence[Booked], *, now: datetime) -> list[Displaced]:
    shot_ids = {each.row.shot_id for each in losing if each.row.shot_id is not None}
    having = misfits.of_shots(session, shot_ids, now=now)
    return displaced(_by_number(losing), _by_number(having))


def _by_number(several: Sequence[Booked]) -> dict[int, int | None]:
    return {each.row.id or 0: each.row.shot_id for each in several}
