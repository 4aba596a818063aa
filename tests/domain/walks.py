"""A shot's way as a person would keep it on a sheet of paper: plain marks, and rules written out by hand.

It shares nothing with the domain's table; the tests compare the two.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from random import Random

WORK = ("planning", "set dressing", "shooting", "background plate", "compositing", "approval", "approved")
SIGNED = ("set", "framing director", "framing camera", "dialogue", "plate")


@dataclass(frozen=True)
class Sheet:
    """The marks: frames are `none`, `some`, `all` or `accepted`, in their `generation`; a plate so many frames.

    `comp` and `approval` are the generation and state of the frames they were given for.
    """

    phase: str = "planning"
    omitted: bool = False
    suspended: bool = False
    in_cut: bool = False
    needs: tuple[str, ...] | None = None
    animator: bool = False
    signed: frozenset[str] = frozenset()
    frames: str = "none"
    generation: int = 1
    plate: int = 0
    comp: tuple[str, int] | None = None
    approval: tuple[str, int] | None = None
    walked: tuple[str, ...] = field(default=(), compare=False)

    @property
    def plate_wanted(self) -> bool:
        return self.needs is not None and bool({"rig", "plate"} & set(self.needs))

    @property
    def comp_wanted(self) -> bool:
        return self.needs is not None and bool({"rig", "plate", "comp"} & set(self.needs))

    @property
    def plate_in(self) -> bool:
        wanted = 96 if self.needs and "moving" in self.needs else 25
        return not self.plate_wanted or (self.plate >= wanted and "plate" in self.signed)

    @property
    def made_of(self) -> tuple[str, int]:
        return self.frames, self.generation

    @property
    def comp_current(self) -> bool:
        if self.needs is not None and not self.comp_wanted:
            return True
        if self.comp is None:
            return False
        return self.frames != "accepted" or self.comp == self.made_of

    def may(self, to: str) -> bool:
        """Whether the shot may go there by itself."""
        if self.omitted or self.suspended:
            return False
        if WORK.index(to) < WORK.index(self.phase):
            return True
        speaks = self.needs is not None and "dialogue" in self.needs
        accepted = self.frames == "accepted"
        rules = {
            ("planning", "set dressing"): self.in_cut and self.needs is not None,
            ("set dressing", "shooting"): self.needs is not None
            and {"set", "framing director", "framing camera"} <= self.signed
            and self.animator
            and (not speaks or "dialogue" in self.signed),
            ("shooting", "background plate"): self.plate_wanted and self.frames in {"all", "accepted"},
            ("shooting", "compositing"): self.comp_wanted and accepted and self.plate_in,
            ("shooting", "approval"): self.needs is not None and not self.comp_wanted and accepted,
            ("background plate", "compositing"): self.comp_wanted and accepted and self.plate_in,
            ("background plate", "approval"): self.needs is not None and not self.comp_wanted and accepted,
            ("compositing", "approval"): accepted and self.comp_current,
            ("approval", "approved"): accepted and self.comp_current and self.approval == self.made_of,
        }
        return rules.get((self.phase, to), False)


def _looked_at(sheet: Sheet, random: Random) -> Sheet:
    if sheet.frames != "accepted":
        return sheet
    comp = sheet.made_of if random.random() < 0.8 else sheet.comp
    return replace(sheet, comp=comp, approval=sheet.made_of if random.random() < 0.8 else None)


def _asked(sheet: Sheet, random: Random) -> Sheet:
    asked = [each for each in ("rig", "plate", "comp", "dialogue", "moving") if random.random() < 0.3]
    return replace(sheet, needs=tuple(asked) if random.random() < 0.9 else None)


HAPPENINGS: tuple[Callable[[Sheet, Random], Sheet], ...] = (
    lambda sheet, random: replace(sheet, omitted=random.random() < 0.2),
    lambda sheet, random: replace(sheet, suspended=random.random() < 0.2),
    lambda sheet, random: replace(sheet, in_cut=random.random() < 0.9),
    _asked,
    lambda sheet, random: replace(sheet, animator=random.random() < 0.9),
    lambda sheet, random: replace(sheet, signed=sheet.signed | set(random.sample(SIGNED, 3))),
    lambda sheet, random: replace(sheet, signed=sheet.signed | set(random.sample(SIGNED, 3))),
    lambda sheet, random: replace(sheet, signed=sheet.signed - {random.choice(SIGNED)}),
    lambda sheet, random: replace(sheet, frames=random.choice(("none", "some", "all", "accepted", "accepted"))),
    lambda sheet, random: replace(sheet, plate=random.choice((0, 24, 25, 95, 96))),
    lambda sheet, _: replace(sheet, generation=3 - sheet.generation),
    _looked_at,
)


def wander(sheet: Sheet, random: Random) -> Sheet:
    """Something happens to the shot, likely or not, that is no move."""
    return random.choice(HAPPENINGS)(sheet, random)
