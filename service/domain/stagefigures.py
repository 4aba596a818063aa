"""The figures of a stage over production days: what was planned, what was done, what was idle and why, in seconds."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import Any

from service.domain.idleness import Idle
from service.domain.work import WORK, Use


@dataclass(frozen=True, slots=True)
class Part:
    """Seconds of a use within the stage's hours, and outside of them."""

    open_s: int = 0
    outside_s: int = 0

    def __add__(self, other: "Part") -> "Part":
        return Part(self.open_s + other.open_s, self.outside_s + other.outside_s)


Parts = Mapping[Use, Part]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What is planned and what was done on stages over production days; seconds.

    Of a day that is not over, what was done is known up to a moment: `elapsed_s` of `span_s`, and of the hours
    `available_s` it is `available_elapsed_s`. `planned` shares out all of `span_s`, `actual` all of `elapsed_s`, but
    for what is neither used nor in the hours. `pencilled_s` of what is planned rests on pencilled bookings alone; in
    `overlap_s` more than one stood, `most_at_once` at most. `inferred_s` is work that nobody said the end of. `idle`
    shares out what was idle by why, `said` what the logs called the reason.
    """

    span_s: int = 0
    available_s: int = 0
    elapsed_s: int = 0
    available_elapsed_s: int = 0
    planned: Parts = field(default_factory=dict)
    actual: Parts = field(default_factory=dict)
    pencilled_s: int = 0
    overlap_s: int = 0
    most_at_once: int = 0
    inferred_s: int = 0
    idle: Mapping[Idle, int] = field(default_factory=dict)
    said: Mapping[str, int] = field(default_factory=dict)
    turnovers_s: tuple[int, ...] = ()

    @property
    def planned_utilisation(self) -> Fraction | None:
        """|planned ∩ available| ÷ available; None where nothing is available."""
        return _share(occupied_s(self.planned), self.available_s)

    @property
    def utilisation(self) -> Fraction | None:
        """|busy ∩ available| ÷ available, of what has elapsed; None where nothing was available."""
        return _share(occupied_s(self.actual), self.available_elapsed_s)

    @classmethod
    def sum(cls, several: Iterable["Figures"]) -> "Figures":
        """These added up; `most_at_once` is the highest of them."""
        found = list(several)
        return cls(
            planned=_parts(each.planned for each in found),
            actual=_parts(each.actual for each in found),
            most_at_once=max((each.most_at_once for each in found), default=0),
            idle={why: sum(each.idle.get(why, 0) for each in found) for why in Idle},
            said=_said(each.said for each in found),
            turnovers_s=tuple(length_s for each in found for length_s in each.turnovers_s),
            **{name: sum(getattr(each, name) for each in found) for name in ADDED},
        )


ADDED = (
    "span_s",
    "available_s",
    "elapsed_s",
    "available_elapsed_s",
    "pencilled_s",
    "overlap_s",
    "inferred_s",
)


def occupied_s(parts: Parts) -> int:
    """The seconds of the hours in which a stage is not idle; a set that is held occupies it."""
    return sum(each.open_s for use, each in parts.items() if use is not Use.IDLE)


def overtime_s(parts: Parts) -> int:
    """The seconds of work outside the hours; a set that is held then is no work."""
    return sum(each.outside_s for use, each in parts.items() if use in WORK)


def _share(part_s: int, whole_s: int) -> Fraction | None:
    return Fraction(part_s, whole_s) if whole_s else None


def _parts(several: Iterable[Parts]) -> dict[Use, Part]:
    found = dict.fromkeys(Use, Part())
    for parts in several:
        for use, part in parts.items():
            found[use] += part
    return found


def _said(several: Iterable[Mapping[str, int]]) -> dict[str, int]:
    found: dict[str, int] = {}
    for each in several:
        for reason, length_s in each.items():
            found[reason] = found.get(reason, 0) + length_s
    return dict(sorted(found.items()))


@dataclass(frozen=True, slots=True)
class StageDay:
    """The figures of a stage on a production day."""

    day: date
    figures: Figures


def stored(figures: Figures) -> dict[str, Any]:
    """The figures in plain JSON values, as a row keeps them."""
    return {
        **{name: getattr(figures, name) for name in (*ADDED, "most_at_once")},
        "planned": _plain(figures.planned),
        "actual": _plain(figures.actual),
        "idle": {why.value: length_s for why, length_s in figures.idle.items()},
        "said": dict(figures.said),
        "turnovers_s": list(figures.turnovers_s),
    }


def read(row: Mapping[str, Any]) -> Figures:
    """The figures that a row keeps; what else it holds is passed over."""
    return Figures(
        **{name: row[name] for name in (*ADDED, "most_at_once")},
        planned=_parts_of(row["planned"]),
        actual=_parts_of(row["actual"]),
        idle={Idle(why): length_s for why, length_s in row["idle"].items()},
        said=row["said"],
        turnovers_s=tuple(row["turnovers_s"]),
    )


def _plain(parts: Parts) -> dict[str, dict[str, int]]:
    return {use.value: {"open_s": each.open_s, "outside_s": each.outside_s} for use, each in parts.items()}


def _parts_of(plain: Mapping[str, Mapping[str, int]]) -> dict[Use, Part]:
    return {Use(name): Part(**each) for name, each in plain.items()}
