"""Phases: where a shot is, where it may go from there, and which facts each move needs.

The table `MOVES` is the whole of the rules; what draws them and what judges by them reads it alone.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum


class Phase(StrEnum):
    """Where a shot is, in the order of the work; `approved` closes it."""

    PLANNING = "planning"
    SET_DRESSING = "set dressing"
    SHOOTING = "shooting"
    BACKGROUND_PLATE = "background plate"
    COMPOSITING = "compositing"
    APPROVAL = "approval"
    APPROVED = "approved"


ORDER: Mapping[Phase, int] = {phase: place for place, phase in enumerate(Phase)}


class Fact(StrEnum):
    """What a move may need, each as it reads where it holds."""

    NOT_OMITTED = "not omitted"
    NOT_SUSPENDED = "not suspended"
    IN_LOCKED_CUT = "in the locked cut"
    NEEDS_ENTERED = "needs entered"
    SET_APPROVED = "set approved"
    FRAMING_APPROVED_BY_DIRECTOR = "framing approved by the director"
    FRAMING_APPROVED_BY_CAMERA_OPERATOR = "framing approved by the camera operator"
    ANIMATOR_NAMED = "animator named"
    DIALOGUE_CUT_IN = "dialogue cut in, or the shot does not speak"
    FRAMES_SHOT = "planned frames shot"
    FRAMES_ACCEPTED = "planned frames accepted"
    PLATE_ASKED_FOR = "a plate asked for"
    PLATE_SHOT = "plate shot, or none asked for"
    PLATE_ACCEPTED = "plate accepted, or none asked for"
    COMP_ASKED_FOR = "a comp asked for"
    NO_COMP_ASKED_FOR = "no comp asked for"
    COMP_DELIVERED = "comp delivered for the frames now accepted, or none asked for"
    APPROVAL_SIGNED = "approval signed for the frames as they are"


ALWAYS: tuple[Fact, ...] = (Fact.NOT_OMITTED, Fact.NOT_SUSPENDED)
"""What every move needs, back moves included."""

FIRM = frozenset({*ALWAYS, Fact.APPROVAL_SIGNED})
"""What no override sets aside: the first two are undone by one call, and an approval is somebody's own word."""


@dataclass(frozen=True, slots=True)
class Move:
    """A way on: from one phase to a later one, and the facts it needs beside those that every move needs."""

    origin: Phase
    to: Phase
    needs: tuple[Fact, ...]


_PLATE_IN = (Fact.PLATE_SHOT, Fact.PLATE_ACCEPTED)

MOVES: tuple[Move, ...] = (
    Move(Phase.PLANNING, Phase.SET_DRESSING, (Fact.IN_LOCKED_CUT, Fact.NEEDS_ENTERED)),
    Move(
        Phase.SET_DRESSING,
        Phase.SHOOTING,
        (
            Fact.NEEDS_ENTERED,
            Fact.SET_APPROVED,
            Fact.FRAMING_APPROVED_BY_DIRECTOR,
            Fact.FRAMING_APPROVED_BY_CAMERA_OPERATOR,
            Fact.ANIMATOR_NAMED,
            Fact.DIALOGUE_CUT_IN,
        ),
    ),
    Move(Phase.SHOOTING, Phase.BACKGROUND_PLATE, (Fact.NEEDS_ENTERED, Fact.PLATE_ASKED_FOR, Fact.FRAMES_SHOT)),
    Move(
        Phase.SHOOTING, Phase.COMPOSITING, (Fact.NEEDS_ENTERED, Fact.COMP_ASKED_FOR, Fact.FRAMES_ACCEPTED, *_PLATE_IN)
    ),
    Move(Phase.SHOOTING, Phase.APPROVAL, (Fact.NEEDS_ENTERED, Fact.NO_COMP_ASKED_FOR, Fact.FRAMES_ACCEPTED)),
    Move(
        Phase.BACKGROUND_PLATE,
        Phase.COMPOSITING,
        (Fact.NEEDS_ENTERED, Fact.COMP_ASKED_FOR, Fact.FRAMES_ACCEPTED, *_PLATE_IN),
    ),
    Move(Phase.BACKGROUND_PLATE, Phase.APPROVAL, (Fact.NEEDS_ENTERED, Fact.NO_COMP_ASKED_FOR, Fact.FRAMES_ACCEPTED)),
    Move(Phase.COMPOSITING, Phase.APPROVAL, (Fact.FRAMES_ACCEPTED, Fact.COMP_DELIVERED)),
    Move(Phase.APPROVAL, Phase.APPROVED, (Fact.FRAMES_ACCEPTED, Fact.COMP_DELIVERED, Fact.APPROVAL_SIGNED)),
)
"""Every way on. Back, a shot goes from any phase to any earlier one, with a cause."""


def ways_on(phase: Phase) -> tuple[Move, ...]:
    """The moves on from a phase, none from the last."""
    return tuple(move for move in MOVES if move.origin is phase)


def ways_back(phase: Phase) -> tuple[Phase, ...]:
    """The phases before this one, the nearest first."""
    return tuple(each for each in reversed(Phase) if ORDER[each] < ORDER[phase])


def way(origin: Phase, to: Phase) -> Move | None:
    """The move between two phases, a back move with no needs of its own; None where there is none."""
    if ORDER[to] < ORDER[origin]:
        return Move(origin, to, ())
    return next((move for move in MOVES if (move.origin, move.to) == (origin, to)), None)


def is_back(move: Move) -> bool:
    """Whether a move takes work up again that was done."""
    return ORDER[move.to] < ORDER[move.origin]


NOT_ASKED_FOR: Mapping[Fact, tuple[Fact, ...]] = {
    Fact.NO_COMP_ASKED_FOR: (*_PLATE_IN, Fact.COMP_DELIVERED),
}
"""What holds where something was not asked for: facts that say `or none asked for`. No comp means no plate either."""


def rests_on(phase: Phase) -> tuple[Fact, ...]:
    """The facts that a shot which came to a phase by the rules had on its way there, and should still have.

    Of several ways to a phase only what held on all of them is sure. Not among them: what asks for another way, since a
    need that was changed meanwhile is seen on the way on.
    """
    asking = {Fact.PLATE_ASKED_FOR, Fact.COMP_ASKED_FOR, Fact.NO_COMP_ASKED_FOR}
    had = [
        {fact for move in way for need in move.needs for fact in (need, *NOT_ASKED_FOR.get(need, ()))}
        for way in _ways_to(phase)
    ]
    return tuple(fact for fact in Fact if fact not in asking and all(fact in facts for facts in had))


def _ways_to(phase: Phase) -> Iterator[tuple[Move, ...]]:
    """Every way on from planning to a phase, move by move."""
    if phase is Phase.PLANNING:
        yield ()
    for move in MOVES:
        if move.to is phase:
            yield from ((*before, move) for before in _ways_to(move.origin))


def diagram(moves: Iterable[Move] = MOVES) -> str:
    """The table as a Mermaid flowchart: an arrow a move, with what it needs; back moves are said in a note."""
    names = {phase: phase.value.replace(" ", "_") for phase in Phase}
    lines = ["flowchart TD"]
    lines += [f'    {names[phase]}["{phase.value}"]' for phase in Phase]
    for move in moves:
        needs = "<br/>".join(fact.value for fact in move.needs)
        lines.append(f'    {names[move.origin]} -->|"{needs}"| {names[move.to]}')
    return "\n".join(lines) + "\n"
