"""What a production day did to the phases of shots: moves, sign-offs, and what was suspended at its close."""

from dataclasses import dataclass
from datetime import datetime

from service.domain.causes import ReturnCause
from service.domain.phases import ORDER, Phase
from service.domain.signoffs import Matter, Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A move of the shot `shot` of `episode` from the phase `origin` to `to`, made `at` an instant of the day (UTC).

    `stage` is the shot's home at the close, None where it has none. `by` is the key that moved it, `cause` that of a
    move back and None of one ahead, `reason` what was said of it, `lacked` the facts that an override set aside.
    """

    shot: str
    episode: str
    stage: str | None
    origin: Phase
    to: Phase
    at: datetime
    by: str
    cause: ReturnCause | None = None
    reason: str | None = None
    # As they were worded when it was moved: reports are read back for ever.
    lacked: tuple[str, ...] = ()

    @property
    def back(self) -> bool:
        """Whether it took work up again that was done."""
        return ORDER[self.to] < ORDER[self.origin]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """A sign-off of the shot `shot` of `episode` that was `given`, or else withdrawn, `at` an instant of the day (UTC).

    `matter` is what was signed and `role` in which part, `stage` the shot's home at the close, `by` the key that did
    it, `reason` why it was withdrawn.
    """

    shot: str
    episode: str
    stage: str | None
    matter: Matter
    role: Role
    given: bool
    at: datetime
    by: str
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A shot, `shot` of `episode`, that was suspended in `phase` at the close, `since` when (UTC), for `reason`."""

    shot: str
    episode: str
    phase: Phase
    since: datetime
    reason: str
