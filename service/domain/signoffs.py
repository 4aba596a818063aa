"""Sign-offs: who said that something of a shot is as it should be, and whether it still stands."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.domain.bases import Basis


class Role(StrEnum):
    """In which part somebody signs."""

    DIRECTOR = "director"
    CAMERA_OPERATOR = "camera operator"
    EDITOR = "editor"
    COMPOSITOR = "compositor"


class Matter(StrEnum):
    """What is signed off."""

    SET_APPROVED = "set approved"
    FRAMING_APPROVED = "framing approved"
    DIALOGUE_CUT_IN = "dialogue cut in"
    PLATE_ACCEPTED = "plate accepted"
    COMP_DELIVERED = "comp delivered"
    APPROVAL = "approval"


SIGNERS: Mapping[Matter, tuple[Role, ...]] = {
    Matter.SET_APPROVED: (Role.DIRECTOR,),
    Matter.FRAMING_APPROVED: (Role.DIRECTOR, Role.CAMERA_OPERATOR),
    Matter.DIALOGUE_CUT_IN: (Role.EDITOR,),
    Matter.PLATE_ACCEPTED: (Role.CAMERA_OPERATOR,),
    Matter.COMP_DELIVERED: (Role.COMPOSITOR,),
    Matter.APPROVAL: (Role.DIRECTOR,),
}
"""Who signs what; where several do, each signs for themselves and all are needed."""

IN_PERSON = frozenset({Matter.APPROVAL})
"""What nobody may enter for somebody else."""

OF_FRAMES = frozenset({Matter.COMP_DELIVERED, Matter.APPROVAL})
"""What speaks of the frames as they are, and goes out of date with them."""

Signature = tuple[Matter, Role]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff:
    """A sign-off `id` of a `matter` in a `role`, given at `signed_at`.

    The key `by` entered it, `signer` is who said it where that is another. `basis` is what it speaks of, of those bound
    to frames; `withdrawn_at` is None while it was not. Instants are UTC.
    """

    id: int
    matter: Matter
    role: Role
    by: str
    signer: str | None
    basis: Basis | None
    signed_at: datetime
    withdrawn_at: datetime | None = None


def standing(given: Iterable[SignOff]) -> dict[Signature, SignOff]:
    """The sign-offs in force by what and in which role: of each the last one given, unless it was withdrawn.

    `given` are all of a shot's in the order they were given. Withdrawing the last one does not bring an earlier one
    back: it was given for what the later one replaced.
    """
    last = {(each.matter, each.role): each for each in given}
    return {signature: each for signature, each in last.items() if each.withdrawn_at is None}
