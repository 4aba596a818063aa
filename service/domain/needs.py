"""Needs: what a shot needs before it can be dressed and shot."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

HARDEST = 5
MOST_COPIES = 1_000
MOST_LISTED = 100
MOST_NAMES = 16


@dataclass(frozen=True, slots=True)
class Cast:
    """How many identical puppets (`copies`, at least 1) of a `character` a shot needs at once."""

    character: str
    copies: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What is needed of one shot beside its plan.

    `set_` and `set_up` are codes, `insert_of` the code of the shot whose insert this one is. `rig`: a support has to be
    removed later; `plate` and `comp` are asked for though no rig needs them; `dialogue`: the shot speaks. `difficulty`
    is 1 to 5 by the studio's own measure, None where nobody has said. Each of its `characters` is there once; `props`
    and `notes` are free text.
    """

    set_: str | None = None
    set_up: str | None = None
    rig: bool = False
    plate: bool = False
    comp: bool = False
    dialogue: bool = False
    insert_of: str | None = None
    difficulty: int | None = None
    characters: tuple[Cast, ...] = ()
    props: tuple[str, ...] = ()
    notes: str | None = None

    @property
    def plate_needed(self) -> bool:
        """Whether a clean plate has to be shot."""
        return self.rig or self.plate

    @property
    def comp_needed(self) -> bool:
        """Whether the shot has to be composited: what a plate is shot for is put together with it."""
        return self.plate_needed or self.comp

    def values(self) -> dict[str, Any]:
        """By the names and in the types they have in JSON."""
        values = asdict(self)
        return {
            "set": values.pop("set_"),
            **values,
            "characters": list(values["characters"]),
            "props": list(self.props),
        }

    @classmethod
    def of(cls, values: Mapping[str, Any]) -> "Needs":
        """The needs of such values."""
        given = dict(values)
        return cls(
            set_=given.pop("set"),
            characters=tuple(Cast(**each) for each in given.pop("characters")),
            props=tuple(given.pop("props")),
            **given,
        )


NEEDED = tuple(Needs().values())
"""What needs are made of, by name."""

REQUIRED = ("moving_camera", "cameras", "passes")
"""What is read and entered with them and is the plan's own."""


def twice(characters: Sequence[str]) -> str | None:
    """The first character that is named a second time, or None."""
    return next((each for place, each in enumerate(characters) if each in characters[:place]), None)
