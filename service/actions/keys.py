"""API keys: make them, move their expiry, give them a new secret, revoke them."""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session

from service.domain.codes import composed, is_code
from service.domain.events import EventKind
from service.domain.keys import PREFIX_BYTES, SECRET_BYTES, Scope, Token, token_text
from service.domain.refusals import Clash, Fault, UnfitFields, Unknown
from service.domain.signoffs import Role
from service.store import keys as store
from service.store import productions, rows, stages, terminals
from service.store.events import append
from service.store.tables import KeyRow


@dataclass(eq=False)
class KeyUnknown(Unknown):
    """There is no API key {key}."""

    key: str


@dataclass(eq=False)
class KeyTaken(Clash):
    """There is already an API key {key}, perhaps a revoked one; choose another name."""

    POINTER = "/name"

    key: str


@dataclass(eq=False)
class KeyIsRevoked(Clash):
    """The API key {key} was revoked at {revoked_at}, and stays so; make a new one."""

    key: str
    revoked_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A key as it is asked for. A `count` key names its terminal; its stage is the one the terminal stands beside."""

    name: str
    scope: Scope
    terminal: str | None = None
    stage: str | None = None
    production: str | None = None
    roles: tuple[Role, ...] = ()
    expires_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class _Binding:
    stage_id: int | None = None
    terminal_id: int | None = None
    production_id: int | None = None


def find(session: Session, name: str, *, lock: bool = False) -> KeyRow:
    """The key of this name; raises KeyUnknown."""
    name = composed(name)
    row = store.by_name(session, name, lock=lock) if is_code(name) else None
    if row is None:
        raise KeyUnknown(name)
    return row


def make(session: Session, wanted: Wanted, *, by: str, now: datetime) -> tuple[KeyRow, str]:
    """Make a key; the row, and the token that is shown once and kept nowhere.

    Raises UnfitFields (a binding that its scope does not have or that does not exist, an expiry gone by) and KeyTaken.
    """
    if wanted.expires_at is not None and wanted.expires_at <= now:
        raise UnfitFields((Fault("This instant has gone by; name a later one, or none.", pointer="#/expires_at"),))
    _require_may_sign(wanted.scope, wanted.roles)
    binding = _binding(session, wanted)
    text, token = _fresh_token(session)
    row = KeyRow(
        name=wanted.name,
        prefix=token.prefix,
        digest=token.digest,
        scope=wanted.scope.value,
        stage_id=binding.stage_id,
        terminal_id=binding.terminal_id,
        production_id=binding.production_id,
        roles=[role.value for role in wanted.roles],
        expires_at=wanted.expires_at,
        made_at=now,
    )
    try:
        rows.add(session, row)
    except rows.NameTaken:
        raise KeyTaken(wanted.name) from None
    _note(session, EventKind.KEY_MADE, row, by=by, now=now, scope=row.scope, roles=row.roles)
    return row, text


def give_roles(session: Session, row: KeyRow, roles: Sequence[Role], *, by: str, now: datetime) -> None:
    """Let a locked key sign in these roles and no others. Raises KeyIsRevoked and UnfitFields."""
    _require_unrevoked(row)
    _require_may_sign(Scope(row.scope), roles)
    wanted = [role.value for role in roles]
    if wanted == row.roles:
        return
    row.roles = wanted
    row.rev += 1
    _note_change(session, row, by=by, now=now)


def _note_change(session: Session, row: KeyRow, *, by: str, now: datetime) -> None:
    written = None if row.expires_at is None else row.expires_at.isoformat()
    _note(session, EventKind.KEY_CHANGED, row, by=by, now=now, expires_at=written, roles=row.roles)


def _require_may_sign(scope: Scope, roles: Sequence[Role]) -> None:
    if roles and scope is Scope.COUNT:
        raise UnfitFields((Fault("A stage's terminal signs nothing off; leave the roles out.", pointer="#/roles"),))
    if len(set(roles)) != len(roles):
        raise UnfitFields((Fault("Name each role once.", pointer="#/roles"),))


def move_expiry(session: Session, row: KeyRow, expires_at: datetime | None, *, by: str, now: datetime) -> None:
    """Let a locked key expire at another instant, at once where that has gone by, or never (None).

    Raises KeyIsRevoked.
    """
    _require_unrevoked(row)
    if expires_at == row.expires_at:
        return
    row.expires_at = expires_at
    row.rev += 1
    _note_change(session, row, by=by, now=now)


def rotate(session: Session, row: KeyRow, *, by: str, now: datetime) -> str:
    """Give a locked key a new secret and return its token; the old one opens nothing from the commit on.

    Raises KeyIsRevoked.
    """
    _require_unrevoked(row)
    text, token = _fresh_token(session)
    row.prefix, row.digest = token.prefix, token.digest
    row.rev += 1
    _note(session, EventKind.KEY_ROTATED, row, by=by, now=now)
    return text


def revoke(session: Session, row: KeyRow, *, by: str, now: datetime) -> None:
    """Let a locked key open nothing any more, for good; a revoked key stays as it is."""
    if row.revoked_at is not None:
        return
    row.revoked_at = now
    row.rev += 1
    _note(session, EventKind.KEY_REVOKED, row, by=by, now=now)


def _require_unrevoked(row: KeyRow) -> None:
    if row.revoked_at is not None:
        raise KeyIsRevoked(row.name, row.revoked_at.isoformat())


def _fresh_token(session: Session) -> tuple[str, Token]:
    while True:
        text = token_text(secrets.token_bytes(PREFIX_BYTES), secrets.token_bytes(SECRET_BYTES))
        token = Token.of(text)
        if token is not None and store.by_prefix(session, token.prefix) is None:
            return text, token


def _binding(session: Session, wanted: Wanted) -> _Binding:
    production_id = _production(session, wanted)
    if wanted.scope is not Scope.COUNT:
        faults = [
            Fault(f"A key of scope {wanted.scope} is bound to no {name}; leave it out.", pointer=f"#/{name}")
            for name, value in (("terminal", wanted.terminal), ("stage", wanted.stage))
            if value is not None
        ]
        if faults:
            raise UnfitFields(tuple(faults))
        return _Binding(production_id=production_id)
    if wanted.terminal is None:
        raise UnfitFields((Fault("A key of scope count names its terminal.", pointer="#/terminal"),))
    terminal = terminals.by_name(session, wanted.terminal, lock=True)
    if terminal is None:
        raise UnfitFields((Fault("There is no terminal of this name; add it first.", pointer="#/terminal"),))
    stage = stages.codes(session, [terminal.stage_id])[terminal.stage_id]
    if wanted.stage not in {None, stage}:
        detail = f"The terminal {terminal.name} stands beside {stage}; leave the stage out, or move the terminal."
        raise UnfitFields((Fault(detail, pointer="#/stage"),))
    return _Binding(stage_id=terminal.stage_id, terminal_id=terminal.id, production_id=production_id)


def _production(session: Session, wanted: Wanted) -> int | None:
    if wanted.production is None:
        return None
    if wanted.scope is Scope.ADMIN:
        raise UnfitFields((Fault("A key of scope admin is bound to no production; leave it out.", "#/production"),))
    row = productions.by_code(session, wanted.production)
    if row is None:
        raise UnfitFields((Fault("There is no production of this code; add it first.", pointer="#/production"),))
    return row.id


def _note(session: Session, kind: EventKind, row: KeyRow, *, by: str, now: datetime, **facts: Any) -> None:  # noqa: ANN401 -- JSON
    append(session, kind=kind, at=now, actor=by, data={"key": row.name, **facts})
