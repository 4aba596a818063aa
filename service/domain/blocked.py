"""Blocked: what shots wait for, by who can do something about it and by the fact that is missing."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from service.domain.addresses import COUNTED, Address, Place, Told, address_of, told_at
from service.domain.moves import Lack, Standing, approval_lacks, next_step
from service.domain.phases import Fact, Phase


class Party(StrEnum):
    """Who can do something about what is missing."""

    DIRECTOR = "director"
    CAMERA_OPERATOR = "camera operator"
    EDITOR = "editor"
    COMPOSITOR = "compositor"
    COORDINATOR = "coordinator"
    STAGE = "stage"


PARTIES: Mapping[Fact, Party] = {
    Fact.NOT_OMITTED: Party.COORDINATOR,
    Fact.NOT_SUSPENDED: Party.COORDINATOR,
    Fact.IN_LOCKED_CUT: Party.EDITOR,
    Fact.NEEDS_ENTERED: Party.COORDINATOR,
    Fact.SET_APPROVED: Party.DIRECTOR,
    Fact.FRAMING_APPROVED_BY_DIRECTOR: Party.DIRECTOR,
    Fact.FRAMING_APPROVED_BY_CAMERA_OPERATOR: Party.CAMERA_OPERATOR,
    Fact.ANIMATOR_NAMED: Party.COORDINATOR,
    Fact.DIALOGUE_CUT_IN: Party.EDITOR,
    Fact.FRAMES_SHOT: Party.STAGE,
    Fact.FRAMES_ACCEPTED: Party.DIRECTOR,
    Fact.PLATE_ASKED_FOR: Party.COORDINATOR,
    Fact.PLATE_SHOT: Party.STAGE,
    Fact.PLATE_ACCEPTED: Party.CAMERA_OPERATOR,
    Fact.COMP_ASKED_FOR: Party.COORDINATOR,
    Fact.NO_COMP_ASKED_FOR: Party.COORDINATOR,
    Fact.COMP_DELIVERED: Party.COMPOSITOR,
    Fact.APPROVAL_SIGNED: Party.DIRECTOR,
}
"""Whose turn it is where a fact is missing; frames that nobody could accept yet are the stage's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A shot as it is asked what it waits for; `since` is when it came to its phase (UTC)."""

    place: Place
    since: datetime
    standing: Standing


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A shot that waits for one fact, or, without `lack`, for nothing but to be moved.

    `place` is how it is addressed. `since` is when it came to its `phase` (UTC), `to` its next one, None of a shot that
    is approved and waits to be approved again. `suspended` is why it is suspended, None where it is not. `stage_ids`
    are the stages that shoot it, in the order of their frames.
    """

    place: Place
    phase: Phase
    since: datetime
    to: Phase | None
    suspended: str | None
    stage_ids: tuple[int, ...]
    lack: Told | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """A `fact` that `count` shots lack, and the `party` whose turn it is; `shots` are the longest in their phase."""

    party: Party
    fact: Fact
    count: int
    shots: tuple[Waiting, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocked:
    """What waits for whom: `waits` has each fact that is missing somewhere.

    `by_party` says of everybody how many shots wait for them, each shot once; `blocked_shots` is how many wait for
    anybody. `ready_shots` lack nothing, of which `ready` are the longest in their phase.
    """

    blocked_shots: int
    by_party: Mapping[Party, int]
    waits: tuple[Wait, ...]
    ready_shots: int
    ready: tuple[Waiting, ...]


def blocked(shots: Iterable[Shot], *, limit: int) -> Blocked:
    """Group what shots wait for, by who can act and by the fact that is missing, naming at most `limit` for each fact.

    Omitted shots wait for nothing; an approved one only where its approval does not stand for the frames as they are.
    """
    found: dict[tuple[Party, Fact], list[Waiting]] = {}
    ready: list[Waiting] = []
    held: dict[Party, set[Place]] = {party: set() for party in Party}
    for shot in shots:
        for party, waiting in _waits(shot):
            if party is None or waiting.lack is None:
                ready.append(waiting)
                continue
            found.setdefault((party, waiting.lack.fact), []).append(waiting)
            held[party].add(waiting.place)
    return Blocked(
        blocked_shots=len(set().union(*held.values())),
        by_party={party: len(places) for party, places in held.items()},
        waits=tuple(
            Wait(
                party=party,
                fact=fact,
                count=len(found[party, fact]),
                shots=_longest_first(found[party, fact])[:limit],
            )
            for party in Party
            for fact in Fact
            if (party, fact) in found
        ),
        ready_shots=len(ready),
        ready=_longest_first(ready)[:limit],
    )


def _waits(shot: Shot) -> Iterator[tuple[Party | None, Waiting]]:
    """What one shot waits for, each with whose turn it is; nobody's where it only has to be moved."""
    standing = shot.standing
    if standing.facts.plan.omitted:
        return
    to, lacks = _ahead(standing)
    bare = Waiting(
        place=shot.place,
        phase=standing.phase,
        since=shot.since,
        to=to,
        suspended=standing.suspended,
        stage_ids=tuple(dict.fromkeys(part.stage_id for part in standing.facts.plan.parts)),
    )
    if to is not None and not lacks:
        yield None, bare
    for lack in lacks:
        party, address = _turn(lack, standing)
        yield party, replace(bare, lack=told_at(lack, shot.place, address))


def _ahead(standing: Standing) -> tuple[Phase | None, tuple[Lack, ...]]:
    """The next phase and what is lacking for it; of an approved shot what its approval no longer stands for."""
    ahead = next_step(standing)
    return (None, approval_lacks(standing)) if ahead is None else (ahead.to, ahead.lacks)


def _turn(lack: Lack, standing: Standing) -> tuple[Party, Address]:
    """Whose turn it is, and where they record it."""
    address = address_of(lack, standing)
    return (Party.STAGE if address is COUNTED else PARTIES[lack.fact]), address


def _longest_first(waiting: Sequence[Waiting]) -> tuple[Waiting, ...]:
    return tuple(sorted(waiting, key=lambda each: (each.since, each.place.episode, each.place.shot)))
