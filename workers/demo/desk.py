"""The demo's office and those who sign: what shots need, who says what is as it should be, and where shots go."""

from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import groupby

from service.client import Client
from workers.demo.record import Record
from workers.demo.scenario import (
    COMPS,
    FRAMED_BY_DIRECTOR,
    FRAMED_BY_OPERATOR,
    NEEDS,
    PRODUCTION,
    RETAKE_CAUSE,
    RETAKE_REASON,
    SET_STANDS,
    SHOTS,
    SUSPENDED,
    SUSPENDED_FOR,
    Habit,
)

CODE = PRODUCTION["code"]
# By the missing fact: what is signed off, and in which role.
SIGNED: Mapping[str, tuple[str, str]] = {
    "set approved": ("set approved", "director"),
    "framing approved by the director": ("framing approved", "director"),
    "framing approved by the camera operator": ("framing approved", "camera operator"),
    "dialogue cut in, or the shot does not speak": ("dialogue cut in", "editor"),
    "plate accepted, or none asked for": ("plate accepted", "camera operator"),
    "comp delivered for the frames now accepted, or none asked for": ("comp delivered", "compositor"),
    "approval signed for the frames as they are": ("approval", "director"),
}
SET, BY_DIRECTOR, BY_OPERATOR, DIALOGUE, PLATE, COMP, APPROVAL = SIGNED


@dataclass(frozen=True, slots=True)
class Desk:
    """The office, and by their role those who sign."""

    office: Client
    signers: Mapping[str, Client]
    record: Record

    def break_down(self) -> None:
        """Enter what the shots need and who animates them, all in one table, and have their sets dressed."""
        draft = self.office.draft_needs(CODE, NEEDS.read_bytes())
        self.office.apply_needs(CODE, draft["draft"], etag=draft.etag or "")
        self.move_ready()

    def open_shots(self, called: Collection[str]) -> None:
        """Sign all that the shots on the call sheet need to be shot, and move them."""
        self._sign(dict.fromkeys((SET, BY_DIRECTOR, BY_OPERATOR, DIALOGUE), called))
        self.move_ready()

    def first_evening(self) -> None:
        """After the viewing: what was rejected goes back, what is whole goes on; one shot is approved."""
        (retaken,) = _with(Habit.RETAKEN)
        etag = self.office.shot(CODE, retaken).etag or ""
        said = {"cause": RETAKE_CAUSE, "reason": RETAKE_REASON}
        moved = self.office.move(CODE, retaken, "shooting", etag=etag, **said)
        self.record.move(retaken, origin=moved["origin"], to=moved["to"], **said)
        self._sign({PLATE: _with(Habit.PLATED)})
        self.move_ready()
        self._sign({APPROVAL: _with(Habit.TOUCHED_UP)})
        self.move_ready()

    def second_morning(self) -> None:
        """Take the first comp, and stop what cannot go on."""
        self._sign({COMP: COMPS[:1]})
        etag = self.office.shot(CODE, SUSPENDED).etag or ""
        self.office.change_shot(CODE, SUSPENDED, {"suspended": True, "reason": SUSPENDED_FOR}, etag=etag)
        self.record.suspended(SUSPENDED, SUSPENDED_FOR)

    def second_evening(self) -> None:
        """Approve what the day found in approval, let the rest go on, and make shots ready for a third day."""
        seen = {shot["code"] for shot in self.office.shots(CODE, phase="approval")}
        self._sign({PLATE: _with(Habit.TRIMMED), COMP: COMPS[1:], APPROVAL: seen})
        self.move_ready()
        self._sign({SET: SET_STANDS, BY_DIRECTOR: FRAMED_BY_DIRECTOR, BY_OPERATOR: FRAMED_BY_OPERATOR})

    def move_ready(self) -> None:
        """Move what only has to be moved, until nothing has."""
        while ready := self.office.blocked(CODE)["ready"]:
            for to, shots in groupby(sorted(ready, key=lambda each: str(each["to"])), key=lambda each: str(each["to"])):
                moved = self.office.move_all(CODE, [{"shot": each["shot"]} for each in shots], to)
                for each in moved["items"]:
                    self.record.move(each["shot"], origin=each["origin"], to=each["to"])

    def _sign(self, wanted: Mapping[str, Collection[str]]) -> None:
        """Sign, by the fact, for each of these shots that lacks it."""
        etags = {shot["code"]: f'"{shot["rev"]}.0"' for shot in self.office.shots(CODE)}
        for wait in self.office.blocked(CODE)["waits"]:
            codes = wanted.get(wait["fact"], ())
            for code in [shot["shot"] for shot in wait["shots"] if shot["shot"] in codes]:
                matter, role = SIGNED[wait["fact"]]
                signed = self.signers[role].sign_off(CODE, code, matter, role=role, etag=etags[code])
                etags[code] = signed.etag or ""
                self.record.signoff(code, matter, role)


def _with(habit: Habit) -> set[str]:
    return {shot.code for shot in SHOTS if habit in shot.habits}


@contextmanager
def seated(address: str, office: Client, keys: Mapping[str, str], record: Record) -> Iterator[Desk]:
    """The desk with those who sign, each with the key of their role."""
    with ExitStack() as opened:
        signers = {role: opened.enter_context(Client(address, key)) for role, key in keys.items()}
        yield Desk(office, signers, record)
