"""Totals: why a figure of a production, or of an episode of it, is what it is, and which shots carry it.

They are the sums of the figures of shots, from the facts as they stand; nothing here decides anything anew.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from service.domain.progress import Figures

Value = int | Fraction | None


class TotalFigure(StrEnum):
    """The figures of a production."""

    PLANNED_FRAMES = "planned_frames"
    SHOT_FRAMES = "shot_frames"
    CREDITED_FRAMES = "credited_frames"
    CREDITED_CUT_FRAMES = "credited_cut_frames"
    REMAINING_FRAMES = "remaining_frames"
    OVERSHOOT_FRAMES = "overshoot_frames"
    PER_CENT = "per_cent"
    PROVISIONAL_SHOTS = "provisional_shots"


FORMULAS: Mapping[TotalFigure, str] = {
    TotalFigure.PLANNED_FRAMES: "ΣT: the planned frames of every shot added up; an omitted shot plans none.",
    TotalFigure.SHOT_FRAMES: "ΣS: the frames that live in every take shot for the cut, every camera and pass added up.",
    TotalFigure.CREDITED_FRAMES: "ΣE: the credited frames of every shot added up.",
    TotalFigure.CREDITED_CUT_FRAMES: "The credited frames that the cut itself uses, without handles, added up.",
    TotalFigure.REMAINING_FRAMES: "Σ(T − E): what is left of every shot, added up; what one shot has too much makes up "
    "for nothing another lacks.",
    TotalFigure.OVERSHOOT_FRAMES: "ΣO: the frames outside the plan of every shot added up.",
    TotalFigure.PER_CENT: "ΣE ÷ ΣT × 100: never a mean of the shots' own percentages; null where nothing is planned.",
    TotalFigure.PROVISIONAL_SHOTS: "How many shots have a credited frame that rests on a take nobody has decided on.",
}

OF_SHOT: Mapping[TotalFigure, str] = {
    figure: {TotalFigure.PER_CENT: "credited_frames", TotalFigure.PROVISIONAL_SHOTS: "provisional"}.get(figure, figure)
    for figure in TotalFigure
}
"""The figure of a shot that explains its part."""


@dataclass(frozen=True, slots=True)
class Sum:
    """Figures of shots added up, in frames; `provisional_shots` of the `shots` rest on a stand-in."""

    shots: int
    planned_frames: int
    shot_frames: int
    credited_frames: int
    credited_cut_frames: int
    remaining_frames: int
    overshoot_frames: int
    provisional_shots: int

    @classmethod
    def of(cls, figures: Sequence[Figures]) -> "Sum":
        """These figures added up."""
        return cls(
            shots=len(figures),
            planned_frames=sum(each.planned_frames for each in figures),
            shot_frames=sum(each.shot_frames for each in figures),
            credited_frames=sum(each.credited_frames for each in figures),
            credited_cut_frames=sum(each.credited_cut_frames for each in figures),
            remaining_frames=sum(each.remaining_frames for each in figures),
            overshoot_frames=sum(each.overshoot_frames for each in figures),
            provisional_shots=sum(each.provisional for each in figures),
        )

    def value(self, figure: TotalFigure) -> Value:
        """One of them; credited of planned frames in per cent exactly, None where nothing is planned."""
        if figure is TotalFigure.PER_CENT:
            return Fraction(100 * self.credited_frames, self.planned_frames) if self.planned_frames else None
        value: int = getattr(self, figure.value)
        return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Summand:
    """A shot of the sum by its codes: its figures from the facts, and as they are `stored`, None before any were."""

    shot: str
    episode: str
    figures: Figures
    stored: Figures | None

    def value(self, figure: TotalFigure) -> Value:
        """What it brings to a figure; of the per cent, its own."""
        return Sum.of([self.figures]).value(figure)

    def stored_value(self, figure: TotalFigure) -> Value:
        """The same as it is stored."""
        return None if self.stored is None else Sum.of([self.stored]).value(figure)

    def weight(self, figure: TotalFigure) -> int:
        """By how many frames it carries a figure: what is missing is what keeps the per cent down."""
        match figure:
            case TotalFigure.PER_CENT:
                return self.figures.remaining_frames
            case TotalFigure.PROVISIONAL_SHOTS:
                return self.figures.credited_frames if self.figures.provisional else 0
            case _:
                frames: int = getattr(self.figures, figure.value)
                return frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """A figure's `sum` over all shots, the shots that carry it, the heaviest first, and those stored otherwise."""

    figure: TotalFigure
    sum: Sum
    carriers: tuple[Summand, ...]
    behind: tuple[Summand, ...]

    @property
    def value(self) -> Value:
        """What it comes to."""
        return self.sum.value(self.figure)

    @property
    def unit(self) -> str:
        """What it counts."""
        match self.figure:
            case TotalFigure.PER_CENT:
                return "per cent"
            case TotalFigure.PROVISIONAL_SHOTS:
                return "shots"
            case _:
                return "frames"

    @property
    def formula(self) -> str:
        """How it is reckoned, in words."""
        return FORMULAS[self.figure]

    @property
    def said(self) -> str:
        """What that comes to here, in a sentence."""
        return SENTENCES[self.figure](self.sum, f"{len(self.carriers)} of {_shots(self.sum.shots)}")


def _shots(number: int) -> str:
    return "1 shot" if number == 1 else f"{number} shots"


SENTENCES: Mapping[TotalFigure, Callable[[Sum, str], str]] = {
    TotalFigure.PLANNED_FRAMES: lambda sum_, of: f"Planned is something of {of}: {sum_.planned_frames} frames.",
    TotalFigure.SHOT_FRAMES: lambda sum_, of: f"Something was shot of {of}: {sum_.shot_frames} frames in all takes.",
    TotalFigure.CREDITED_FRAMES: lambda sum_, of: (
        f"Something is credited of {of}: {sum_.credited_frames} of {sum_.planned_frames} planned frames."
    ),
    TotalFigure.CREDITED_CUT_FRAMES: lambda sum_, of: (
        f"Something the cut uses is credited of {of}: {sum_.credited_cut_frames} frames."
    ),
    TotalFigure.REMAINING_FRAMES: lambda sum_, of: (
        f"Something is left of {of}: {sum_.remaining_frames} of {sum_.planned_frames} planned frames."
    ),
    TotalFigure.OVERSHOOT_FRAMES: lambda sum_, of: (
        f"Frames outside the plan are held of {of}: {sum_.overshoot_frames} frames."
    ),
    TotalFigure.PER_CENT: lambda sum_, of: (
        f"Credited are {sum_.credited_frames} of {sum_.planned_frames} planned frames; something is left of {of}."
    ),
    TotalFigure.PROVISIONAL_SHOTS: lambda _, of: f"A take nobody has decided on is credited of {of}.",
}
"""What a figure comes to, from its sum and how many shots of how many carry it."""


def total(figure: TotalFigure, summands: Iterable[Summand]) -> Total:
    """Explain one figure of these shots."""
    found = list(summands)
    carriers = [each for each in found if each.weight(figure)]
    carriers.sort(key=lambda each: (-each.weight(figure), each.episode, each.shot))
    return Total(
        figure=figure,
        sum=Sum.of([each.figures for each in found]),
        carriers=tuple(carriers),
        behind=tuple(each for each in found if each.stored_value(figure) != each.value(figure)),
    )
