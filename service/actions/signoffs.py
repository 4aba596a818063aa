"""Sign off what somebody found of a shot, and withdraw it."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.actions.moves import places
from service.domain.addresses import told
from service.domain.events import EventKind
from service.domain.moves import unapprovable
from service.domain.phases import Fact, Phase
from service.domain.progress import ShotFacts
from service.domain.refusals import Clash, Forbidden, Unfit, Unknown
from service.domain.signoffs import IN_PERSON, OF_FRAMES, SIGNERS, Matter, Role, standing
from service.store import moves, takes
from service.store import signoffs as store
from service.store.events import append
from service.store.tables import ProductionRow, ShotRow, SignOffRow


@dataclass(eq=False)
class SignOffUnknown(Unknown):
    """The shot {shot} has no sign-off {signoff}; those it has are listed at `signoffs`."""

    shot: str
    signoff: int


@dataclass(eq=False)
class RoleUnclear(Unfit):
    """Say in which `role` it is signed: {matter} is signed by {roles}, each for themselves."""

    POINTER = "/role"

    matter: Matter
    roles: tuple[Role, ...]


@dataclass(eq=False)
class RoleUnfit(Unfit):
    """The {role} does not sign {matter}; that is signed by: {roles}."""

    POINTER = "/role"

    role: Role
    matter: Matter
    roles: tuple[Role, ...]


@dataclass(eq=False)
class NotTheirs(Forbidden):
    """The key {key} has not the role {role}, which signs {matter}: {instead}."""

    key: str
    role: Role
    matter: Matter
    instead: str


@dataclass(eq=False)
class SignerMissing(Unfit):
    """The key {key} has not the role {role}: name in `signer` the {role} who said it."""

    POINTER = "/signer"

    key: str
    role: Role


@dataclass(eq=False)
class SignedAlready(Clash):
    """Shot {shot} has this signed off: {matter}, on {signed_at} by {by}; withdraw that one where it is wrong."""

    shot: str
    matter: Matter
    by: str
    signed_at: str


@dataclass(eq=False)
class NothingAccepted(Clash):
    """No planned frame of shot {shot} is accepted, so {matter} would speak of nothing; accept a take first."""

    shot: str
    matter: Matter


@dataclass(eq=False)
class NotInApproval(Clash):
    """Shot {shot} is in {phase}: it is approved once it is in approval; read what it lacks at `next`."""

    shot: str
    phase: Phase


@dataclass(eq=False)
class NotAnew(Clash):
    """Shot {shot} cannot be approved anew yet. {missing} Each of `lacks` says who can do what, and where."""

    shot: str
    missing: str
    lacks: tuple[Mapping[str, Any], ...]


@dataclass(eq=False)
class WithdrawnAlready(Clash):
    """{by} withdrew the sign-off of shot {shot} on {withdrawn_at}; it can be given again."""

    shot: str
    by: str
    withdrawn_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Signing:
    """A sign-off as somebody asks for it.

    `by` is the key, which has these `roles` and may coordinate or not; `signer` who said it, where another.
    """

    matter: Matter
    role: Role | None
    signer: str | None
    note: str | None
    by: str
    roles: frozenset[Role]
    coordinates: bool


def sign(
    session: Session,
    production: ProductionRow,
    shot: ShotRow,
    asked: Signing,
    *,
    plate_minimum_frames: int,
    now: datetime,
) -> SignOffRow:
    """Put a sign-off of a locked shot down.

    Raises RoleUnclear, RoleUnfit, NotTheirs, SignerMissing, NotInApproval, SignedAlready, NothingAccepted, NotAnew.
    """
    role = _role(asked.matter, asked.role, asked.roles)
    _authorize(asked, role)
    if asked.matter is Matter.APPROVAL and shot.phase not in {Phase.APPROVAL, Phase.APPROVED}:
        raise NotInApproval(shot.code, Phase(shot.phase))
    shot_id = shot.id or 0
    facts = takes.shot_facts(session, [shot], plate_minimum_frames=plate_minimum_frames)[shot_id]
    basis = moves.basis(session, shot_id, facts) if asked.matter in OF_FRAMES else None
    if basis is not None and not basis.accepted():
        raise NothingAccepted(shot.code, asked.matter)
    present = standing(store.given(session, [shot_id]).get(shot_id, ())).get((asked.matter, role))
    if present is not None and (basis is None or present.basis == basis):
        raise SignedAlready(shot.code, asked.matter, present.signer or present.by, present.signed_at.isoformat())
    if asked.matter is Matter.APPROVAL and shot.phase == Phase.APPROVED:
        _require_whole(session, production, shot, facts)
    row = SignOffRow(
        shot_id=shot_id,
        matter=asked.matter.value,
        role=role.value,
        by=asked.by,
        signer=asked.signer,
        note=asked.note,
        digest=None if basis is None else basis.digest,
        basis=None if basis is None else basis.document(),
        signed_at=now,
    )
    session.add(row)
    session.flush()
    shot.rev += 1
    shot.touched += 1
    _note(session, EventKind.SIGNOFF_GIVEN, production, shot=shot, row=row, by=asked.by, now=now)
    return row


def _require_whole(session: Session, production: ProductionRow, shot: ShotRow, facts: ShotFacts) -> None:
    """Raises NotAnew: signed without its frames or its comp, an approved shot would wait for nobody any more."""
    shot_id = shot.id or 0
    standing_now = moves.standings_by(session, [shot], {shot_id: facts})[shot_id]
    aside = {Fact(each) for each in moves.last(session, shot_id).lacked or ()}
    if lacks := told(
        unapprovable(standing_now, aside=aside), standing_now, places(session, production, [shot])[shot_id]
    ):
        missing = " ".join(lack.detail for lack in lacks)
        raise NotAnew(shot.code, missing, tuple(asdict(each) for each in lacks))


def withdraw(
    session: Session,
    production: ProductionRow,
    shot: ShotRow,
    row: SignOffRow,
    *,
    reason: str,
    by: str,
    now: datetime,
) -> None:
    """Withdraw a sign-off of a locked shot; it stays in the record. Raises WithdrawnAlready."""
    if row.withdrawn_at is not None:
        raise WithdrawnAlready(shot.code, row.withdrawn_by or "", row.withdrawn_at.isoformat())
    row.withdrawn_at, row.withdrawn_by, row.withdrawn_reason = now, by, reason
    shot.rev += 1
    shot.touched += 1
    _note(session, EventKind.SIGNOFF_WITHDRAWN, production, shot=shot, row=row, by=by, now=now)


def find(session: Session, shot: ShotRow, id_: int) -> SignOffRow:
    """The sign-off of a shot with this id; raises SignOffUnknown."""
    row = store.by_id(session, shot.id or 0, id_)
    if row is None:
        raise SignOffUnknown(shot.code, id_)
    return row


def _role(matter: Matter, role: Role | None, own: frozenset[Role]) -> Role:
    """In which role something is signed: the one named, else the only one the key has of those that sign it."""
    signers = SIGNERS[matter]
    if role is None:
        fitting = [each for each in signers if each in own] or list(signers)
        if len(fitting) > 1:
            raise RoleUnclear(matter, signers)
        return fitting[0]
    if role not in signers:
        raise RoleUnfit(role, matter, signers)
    return role


def _authorize(asked: Signing, role: Role) -> None:
    if role in asked.roles:
        return
    if asked.matter in IN_PERSON or not asked.coordinates:
        instead = f"use the key of the {role}"
        if asked.matter not in IN_PERSON:
            instead += ", or have a coordinator enter it with them as `signer`"
        raise NotTheirs(asked.by, role, asked.matter, instead)
    if asked.signer is None:
        raise SignerMissing(asked.by, role)


def _note(
    session: Session,
    kind: EventKind,
    production: ProductionRow,
    *,
    shot: ShotRow,
    row: SignOffRow,
    by: str,
    now: datetime,
) -> None:
    data = {
        "production": production.code,
        "shot": shot.code,
        "signoff": row.id,
        "matter": row.matter,
        "role": row.role,
        "signer": row.signer,
    }
    data |= {"note": row.note} if kind is EventKind.SIGNOFF_GIVEN else {"reason": row.withdrawn_reason}
    append(session, kind=kind, at=now, actor=by, production_id=production.id, shot_id=shot.id, data=data)
