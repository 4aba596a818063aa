"""A notice's facts as its words need them."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from service.domain.notices import Notice
from service.domain.studio import zone


class Told:
    """A notice's facts as its words need them."""

    def __init__(self, notice: Notice, time_zone: str) -> None:
        self.notice, self.facts, self._zone = notice, notice.facts, time_zone

    def __getitem__(self, name: str) -> Any:  # noqa: ANN401 - any JSON value
        return self.facts.get(name)

    @property
    def shot(self) -> str:
        """The shot by all its codes, as a sentence begins with it."""
        return f"Shot {self['shot']} of {self['production']}, episode {self['episode']}"

    @property
    def where(self) -> str:
        """Where the shot is shot and who animates it; empty where no stage is planned."""
        stages = [each for each in self["stages"] or () if each]
        animator = f", animated by {self['animator']}" if self["animator"] else ""
        return f"It is planned on {listed(stages)}{animator}." if stages else ""

    @property
    def since(self) -> str:
        """When it came about."""
        return self.at(self.notice.since)

    @property
    def take(self) -> str:
        """The take by its number, and part where there are several."""
        part = f" of part {self['part']}" if self["part"] else ""
        return f"take {self['take']}{part}"

    def at(self, instant: datetime | str | None) -> str:
        """An instant on the reader's clock."""
        if instant is None:
            return "an unknown time"
        moment = datetime.fromisoformat(instant) if isinstance(instant, str) else instant
        local = moment.astimezone(zone(self._zone))
        return f"{local:%A} {local.day} {local:%B %Y, %H:%M} ({self._zone})"

    def signers(self) -> str:
        """Who signed."""
        return listed(self["signers"] or []) or "nobody by name"


Said = tuple[str, Sequence[str]]
"""A headline, and sentences of which empty ones are left out."""


def listed(several: Sequence[str]) -> str:
    """Several words as one names them: `a, b and c`."""
    return " and ".join(each for each in (", ".join(several[:-1]), *several[-1:]) if each)


def frames(number: int) -> str:
    """A number of frames in words."""
    return "1 frame" if number == 1 else f"{number} frames"


def hours_of(hours: int) -> str:
    """A number of hours in words."""
    return "an hour" if hours == 1 else f"{hours} hours"


Teller = Callable[[Told], Said]
