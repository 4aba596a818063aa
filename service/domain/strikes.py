"""Strikes: which sets may be taken down, and what still hinders each.

A set is what the needs of shots call by one code. It is still needed as long as a frame of any of its shots is not
accepted, a plate that is asked for is not in, a hold stands, or somebody has booked a stage for it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from service.domain.addresses import Place, Told, told
from service.domain.bookings import Activity
from service.domain.moves import Lack, Standing, lacking
from service.domain.phases import Fact, Phase
from service.domain.spans import Span

NEEDED: tuple[Fact, ...] = (Fact.FRAMES_ACCEPTED, Fact.PLATE_SHOT, Fact.PLATE_ACCEPTED)
"""The facts without which a shot still needs its set."""

WANTS_THE_SET = frozenset({Activity.DRESSING, Activity.LIGHTING, Activity.SHOOTING, Activity.PLATE, Activity.HOLDING})
"""What a stage is booked for that wants the set as it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetShot:
    """A shot of a set, as it stands; an omitted one needs it no more."""

    shot_id: int
    set_code: str
    place: Place
    standing: Standing


@dataclass(frozen=True, slots=True, kw_only=True)
class SetBooking:
    """A booking that stands for a shot of a set; `note` is the reason of a hold."""

    booking: int
    shot_id: int
    stage: str | None
    activity: Activity
    span: Span
    note: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """A set of `shots` shots: what they still `lack`, which bookings want it, and those for its strike."""

    set_code: str
    shots: int
    lacks: tuple[tuple[str, Told], ...]
    wanted_by: tuple[SetBooking, ...]
    strikes: tuple[SetBooking, ...]

    @property
    def may_be_struck(self) -> bool:
        """Whether nothing that is known hinders it."""
        return not self.lacks and not self.wanted_by


@dataclass(slots=True)
class _Set:
    shots: int = 0
    put_in: bool = False
    lacks: list[tuple[str, Told]] = field(default_factory=list)
    ids: list[int] = field(default_factory=list)


def strikes(shots: Iterable[SetShot], bookings: Mapping[int, Sequence[SetBooking]], *, now: datetime) -> list[Strike]:
    """The sets that were put in: those that may be struck first, then by how little hinders them, then by code.

    `bookings` are those that stand, by the id of their shot. A set of which every shot is in planning was never put in,
    and is left out.
    """
    found: dict[str, _Set] = {}
    for shot in shots:
        of = found.setdefault(shot.set_code, _Set())
        of.ids.append(shot.shot_id)
        of.put_in |= shot.standing.phase is not Phase.PLANNING
        if shot.standing.facts.plan.omitted:
            continue
        of.shots += 1
        of.lacks += [(shot.place.shot, each) for each in told(_lacks(shot.standing), shot.standing, shot.place)]
    several = (_strike(code, of, bookings, now=now) for code, of in found.items() if of.put_in)
    return sorted(several, key=lambda each: (len(each.lacks) + len(each.wanted_by), each.set_code))


def _lacks(standing: Standing) -> list[Lack]:
    return [Lack(fact, said) for fact in NEEDED if (said := lacking(fact, standing)) is not None]


def _strike(code: str, of: _Set, bookings: Mapping[int, Sequence[SetBooking]], *, now: datetime) -> Strike:
    own = [each for shot_id in of.ids for each in bookings.get(shot_id, ())]
    in_order = sorted(own, key=lambda each: (each.span.start_at, each.booking))
    wanting = (each for each in in_order if each.activity in WANTS_THE_SET and each.span.end_at > now)
    return Strike(
        set_code=code,
        shots=of.shots,
        lacks=tuple(of.lacks),
        wanted_by=tuple(wanting),
        strikes=tuple(each for each in in_order if each.activity is Activity.STRIKE),
    )
