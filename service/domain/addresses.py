"""Addresses: who can do something about what a shot lacks, and by which operation."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import quote

from service.domain.frames import NOTHING
from service.domain.moves import Lack, Standing, unshot
from service.domain.phases import Fact
from service.domain.progress import members, shares, tracks_of


@dataclass(frozen=True, slots=True)
class Address:
    """Where a fact is recorded: who does it, and by which operation, its path from the production's on."""

    who: str
    method: str
    path: str


_SIGN = "/shots/{shot}/signoffs"
COUNTED = Address("the animator, by the stage's terminal", "POST", "/counts")
"""Where frames are counted."""

ADDRESSES: Mapping[Fact, Address] = {
    Fact.NOT_OMITTED: Address("the coordinator", "PATCH", "/shots/{shot}"),
    Fact.NOT_SUSPENDED: Address("the coordinator", "PATCH", "/shots/{shot}"),
    Fact.IN_LOCKED_CUT: Address("the editor, then the coordinator", "POST", "/episodes/{episode}/cuts"),
    Fact.NEEDS_ENTERED: Address("the coordinator", "PUT", "/shots/{shot}/needs"),
    Fact.SET_APPROVED: Address("the director", "POST", _SIGN),
    Fact.FRAMING_APPROVED_BY_DIRECTOR: Address("the director", "POST", _SIGN),
    Fact.FRAMING_APPROVED_BY_CAMERA_OPERATOR: Address("the camera operator", "POST", _SIGN),
    Fact.ANIMATOR_NAMED: Address("the coordinator", "PATCH", "/shots/{shot}"),
    Fact.DIALOGUE_CUT_IN: Address("the editor", "POST", _SIGN),
    Fact.FRAMES_SHOT: COUNTED,
    Fact.FRAMES_ACCEPTED: Address(
        "the director, or a coordinator for them", "POST", "/shots/{shot}/takes/{take}/decisions"
    ),
    Fact.PLATE_ASKED_FOR: Address("the coordinator", "PUT", "/shots/{shot}/needs"),
    Fact.PLATE_SHOT: Address("the camera operator, by the stage's terminal", "POST", "/counts"),
    Fact.PLATE_ACCEPTED: Address("the camera operator", "POST", _SIGN),
    Fact.COMP_ASKED_FOR: Address("the coordinator", "PUT", "/shots/{shot}/needs"),
    Fact.NO_COMP_ASKED_FOR: Address("the coordinator", "PUT", "/shots/{shot}/needs"),
    Fact.COMP_DELIVERED: Address("the compositor", "POST", _SIGN),
    Fact.APPROVAL_SIGNED: Address("the director", "POST", _SIGN),
}
"""Who records each fact, and where; `address_of` says where of frames to be accepted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The codes by which a shot is addressed: of its `production` and `episode`, and its own, `shot`."""

    production: str
    episode: str
    shot: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A lack with who can do something about it, and by which operation.

    `fact` is what is missing, `detail` what exactly, `who` can record it, by `method` and `path`; a coordinator may set
    it aside where it `may_be_overridden`.
    """

    fact: Fact
    detail: str
    who: str
    method: str
    path: str
    may_be_overridden: bool


def told(lacks: Iterable[Lack], standing: Standing, place: Place) -> tuple[Told, ...]:
    """Lacks of a shot that stands like this, with their addresses."""
    return tuple(told_at(lack, place, address_of(lack, standing)) for lack in lacks)


def told_at(lack: Lack, place: Place, address: Address) -> Told:
    """A lack with the address given."""
    return Told(
        fact=lack.fact,
        detail=lack.detail,
        who=address.who,
        method=address.method,
        path=_path(address.path, place),
        may_be_overridden=lack.may_be_overridden,
    )


def address_of(lack: Lack, standing: Standing) -> Address:
    """Where a lack is recorded.

    Nobody can accept frames that were not shot yet, so those are counted first; of several takes that wait to be
    accepted it is the first one, and once that is decided the next.
    """
    address = ADDRESSES[lack.fact]
    if lack.fact is not Fact.FRAMES_ACCEPTED:
        return address
    if unshot(standing) is not None:
        return COUNTED
    part, take = min(_undecided(standing))
    asked = f"?part={quote(part, safe='')}" if part else ""
    return Address(address.who, address.method, address.path.replace("{take}", str(take)) + asked)


def _undecided(standing: Standing) -> set[tuple[str, int]]:
    """The takes whose planned frames nobody has accepted, by part and number."""
    facts = standing.facts
    waiting = {track: facts.plan.planned_set & held.stand_in for track, held in tracks_of(facts).items()}
    return {
        (part, share.series.take)
        for (part, camera, pass_), series in members(facts.series, facts.decisions).items()
        for share in shares(series)
        if share.stand_in & waiting.get((camera, pass_), NOTHING)
    }


def _path(path: str, place: Place) -> str:
    if path == "/counts":
        return "/v1/counts"
    filled = path.replace("{shot}", quote(place.shot, safe="")).replace("{episode}", quote(place.episode, safe=""))
    return f"/v1/productions/{quote(place.production, safe='')}{filled}"
