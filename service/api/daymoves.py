"""What a nightly report says of phases, as an answer shows it."""

from collections.abc import Mapping
from datetime import datetime

from pydantic import Field

from service.api.fields import Out
from service.domain.causes import ReturnCause
from service.domain.dayfigures import BACK_BY_CAUSE, IN_PHASE, Figure
from service.domain.daymoves import Held, Moved, Signed
from service.domain.phases import Phase
from service.domain.signoffs import Matter, Role


class PhaseFiguresOut(Out):
    """What the day did to phases, and how the shots stood at its close; omitted shots stand nowhere."""

    moves: int = Field(description="Moves of the day, ahead and back.")
    moves_overridden: int = Field(description="Those of them that set a missing fact aside.")
    moves_back: int = Field(description="Those of them that took work up again that was done.")
    moves_back_by_cause: dict[ReturnCause, int] = Field(description="Moves back by their causes; none is left out.")
    signoffs_given: int = Field(description="Sign-offs that were given on the day.")
    signoffs_withdrawn: int = Field(description="Sign-offs that were withdrawn on the day, whenever given.")
    shots_approved: int = Field(description="Shots that were moved to `approved` on the day, each once.")
    shots_by_phase: dict[Phase, int] = Field(description="Shots in each phase at the day's close.")
    shots_suspended: int = Field(description="Those of them that were suspended.")

    @classmethod
    def of(cls, figures: Mapping[Figure, int]) -> "PhaseFiguresOut | None":
        """A group's figures of phases; None where its report did not tell them yet."""
        if Figure.MOVES not in figures:
            return None
        return cls(
            moves=figures[Figure.MOVES],
            moves_overridden=figures[Figure.MOVES_OVERRIDDEN],
            moves_back=figures[Figure.MOVES_BACK],
            moves_back_by_cause={cause: n for cause, figure in BACK_BY_CAUSE.items() if (n := figures[figure])},
            signoffs_given=figures[Figure.SIGNOFFS_GIVEN],
            signoffs_withdrawn=figures[Figure.SIGNOFFS_WITHDRAWN],
            shots_approved=figures[Figure.SHOTS_APPROVED],
            shots_by_phase={phase: figures[figure] for phase, figure in IN_PHASE.items()},
            shots_suspended=figures[Figure.SHOTS_SUSPENDED],
        )


class DayMoveOut(Out):
    """A move of the day."""

    shot: str = Field(description="The code of the shot.")
    episode: str = Field(description="The code of its episode at the day's close.")
    origin: Phase = Field(description="Where it came from.")
    to: Phase = Field(description="Where it went.")
    at: datetime = Field(description="When (UTC).")
    by: str = Field(description="The key that moved it.")
    cause: ReturnCause | None = Field(description="Why work went back; null of a move ahead.")
    reason: str | None = Field(description="What was said of it; null where nothing was.")
    lacked: list[str] = Field(description="The facts that were set aside by an override; empty where none was needed.")

    @classmethod
    def of(cls, each: Moved) -> "DayMoveOut":
        """The move as it is shown."""
        return cls(
            shot=each.shot,
            episode=each.episode,
            origin=each.origin,
            to=each.to,
            at=each.at,
            by=each.by,
            cause=each.cause,
            reason=each.reason,
            lacked=list(each.lacked),
        )


class DaySignOffOut(Out):
    """A sign-off that was given or withdrawn on the day."""

    shot: str = Field(description="The code of the shot.")
    episode: str = Field(description="The code of its episode at the day's close.")
    matter: Matter = Field(description="What it says.")
    role: Role = Field(description="In which part it was signed.")
    given: bool = Field(description="Whether it was given; else it was withdrawn.")
    at: datetime = Field(description="When (UTC).")
    by: str = Field(description="The key that did it.")
    reason: str | None = Field(description="Why it was withdrawn; null where it was given.")

    @classmethod
    def of(cls, each: Signed) -> "DaySignOffOut":
        """The sign-off as it is shown."""
        return cls(
            shot=each.shot,
            episode=each.episode,
            matter=each.matter,
            role=each.role,
            given=each.given,
            at=each.at,
            by=each.by,
            reason=each.reason,
        )


class SuspendedOut(Out):
    """A shot that was suspended at the day's close."""

    shot: str = Field(description="The code of the shot.")
    episode: str = Field(description="The code of its episode at the day's close.")
    phase: Phase = Field(description="Where it was.")
    since: datetime = Field(description="Since when it was suspended (UTC).")
    reason: str = Field(description="What for.")

    @classmethod
    def of(cls, each: Held) -> "SuspendedOut":
        """The shot as it is shown."""
        return cls(shot=each.shot, episode=each.episode, phase=each.phase, since=each.since, reason=each.reason)


FIGURES_EXAMPLE = {
    "moves": 3,
    "moves_overridden": 0,
    "moves_back": 1,
    "moves_back_by_cause": {"light": 1},
    "signoffs_given": 2,
    "signoffs_withdrawn": 0,
    "shots_approved": 1,
    "shots_by_phase": {phase.value: int(phase in {Phase.SHOOTING, Phase.APPROVED}) for phase in Phase},
    "shots_suspended": 0,
}
MOVE_EXAMPLE = {
    "shot": "0120",
    "episode": "101",
    "origin": "compositing",
    "to": "shooting",
    "at": "2026-10-24T16:20:00Z",
    "by": "office",
    "cause": "light",
    "reason": "the lamp behind the pier is out from frame 40 on",
    "lacked": [],
}
SIGNOFF_EXAMPLE = {
    "shot": "0110",
    "episode": "101",
    "matter": "approval",
    "role": "director",
    "given": True,
    "at": "2026-10-24T15:02:00Z",
    "by": "director",
    "reason": None,
}
