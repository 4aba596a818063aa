"""Corrections: what a coordinator puts right of counts, and where it leads those that come after.

A total that was wrong is restated, counts of a wrong take are moved, a shot entered under two codes is made one. What
was posted stays; none of it is a capture or a deletion. All functions are pure.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from service.domain.takes import Purpose


class What(StrEnum):
    """What a correction does: restate a series' total, move counts of a take, or merge a shot into another."""

    TOTAL = "total"
    MOVE = "move"
    MERGE = "merge"


@dataclass(frozen=True, slots=True)
class Place:
    """A series by what names it: the shot's id, then part, purpose, take, camera and pass."""

    shot_id: int
    part: str
    purpose: Purpose
    take: int
    camera: str
    pass_: str


SpoolOf = tuple[int, str, str, str]
"""A spool in a series: terminal id, spool, camera, pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Detour:
    """Where a correction leads counts that say `shot_id`: to `to_shot_id`.

    A move leads those of one take (`part`, `purpose`, `take`) to `to_part` and `to_take`, each spool's up to its mark.
    A merge (`take` None) leads all, their numbers risen by `take_offset`.
    """

    shot_id: int
    to_shot_id: int
    part: str | None = None
    purpose: Purpose | None = None
    take: int | None = None
    to_part: str = ""
    to_take: int = 0
    take_offset: int = 0
    marks: Mapping[SpoolOf, int] = field(default_factory=dict)

    def leads(self, place: Place, *, terminal_id: int, spool: str, serial: int) -> bool:
        """Whether a count with this name that says this place is led on from it."""
        if self.shot_id != place.shot_id:
            return False
        if self.take is None:
            return True
        mark = self.marks.get((terminal_id, spool, place.camera, place.pass_))
        same = (self.part, self.purpose, self.take) == (place.part, place.purpose, place.take)
        return same and mark is not None and serial <= mark


PartOf = Callable[[int, str], str]
"""The part of a shot, by its id, that a count of a part of this name belongs to."""


def led(
    place: Place, detours: Iterable[Detour], *, terminal_id: int, spool: str, serial: int, part_of: PartOf
) -> Place:
    """Where a count that says this place counts, by all corrections in the order they were made."""
    for detour in detours:
        if not detour.leads(place, terminal_id=terminal_id, spool=spool, serial=serial):
            continue
        if detour.take is None:
            part = part_of(detour.to_shot_id, place.part)
            place = replace(place, shot_id=detour.to_shot_id, part=part, take=place.take + detour.take_offset)
        else:
            place = replace(place, shot_id=detour.to_shot_id, part=detour.to_part, take=detour.to_take)
    return place
