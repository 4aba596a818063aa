"""Why a stage was idle in its hours: what it waited for, or what was not there yet."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.domain.spans import NEVER, TimeSet
from service.domain.work import Wait


class Idle(StrEnum):
    """Why nothing was done on a stage; of several the first counts."""

    WAITING_FOR_KIT = "waiting for kit"
    STAGE_LOG = "as the stage's log says"
    SET_NOT_APPROVED = "set not approved"
    WAITING_FOR_A_DECISION = "waiting for a decision"
    NOT_WORKED_ON = "booked, not worked on"
    NOTHING_BOOKED = "nothing booked"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotWaits:
    """What a shot lacked, and when.

    `set_not_approved`: its set, while it was not shot yet. `undecided`: a decision on a finished take.
    """

    set_not_approved: TimeSet = NEVER
    undecided: TimeSet = NEVER


def for_kit(reason: str) -> bool:
    """Whether a reason in a stage's log says that it waits for kit: whether its first word is `kit`."""
    return reason.casefold().replace(":", " ").replace(",", " ").split()[:1] == ["kit"]


def because(
    idle: TimeSet,
    waits: Sequence[Wait],
    *,
    due: Mapping[int, TimeSet],
    waiting: Mapping[int, ShotWaits],
    booked: TimeSet,
) -> dict[Idle, TimeSet]:
    """The idle time of a stage by why it was, in parts that do not overlap and make up all of it.

    `due` says when each shot was the one to be worked on, `waiting` what it lacked then, `booked` when anything was.
    """
    found: dict[Idle, TimeSet] = {}
    left = idle
    for reason, when in _in_order(waits, due=due, waiting=waiting, booked=booked):
        found[reason] = left & when
        left = left - when
    return {**found, Idle.NOTHING_BOOKED: left}


def _in_order(
    waits: Sequence[Wait], *, due: Mapping[int, TimeSet], waiting: Mapping[int, ShotWaits], booked: TimeSet
) -> list[tuple[Idle, TimeSet]]:
    known = [(due[shot_id], each) for shot_id, each in waiting.items() if shot_id in due]
    return [
        (Idle.WAITING_FOR_KIT, TimeSet.of((each.start, each.end - 1) for each in waits if for_kit(each.reason))),
        (Idle.STAGE_LOG, TimeSet.of((each.start, each.end - 1) for each in waits if not for_kit(each.reason))),
        (Idle.SET_NOT_APPROVED, TimeSet.union(when & each.set_not_approved for when, each in known)),
        (Idle.WAITING_FOR_A_DECISION, TimeSet.union(when & each.undecided for when, each in known)),
        (Idle.NOT_WORKED_ON, booked),
    ]


def said(idle: TimeSet, waits: Sequence[Wait]) -> Iterator[tuple[int, int, str]]:
    """The idle time that a stage's log gives a reason for, from second to second, with that reason; one pass.

    The waits are in order and do not overlap.
    """
    place = 0
    for wait in waits:
        while place < len(idle.ranges) and idle.ranges[place][1] < wait.start:
            place += 1
        at = place
        while at < len(idle.ranges) and idle.ranges[at][0] < wait.end:
            first, last = idle.ranges[at]
            yield max(first, wait.start), min(last + 1, wait.end), wait.reason
            at += 1
