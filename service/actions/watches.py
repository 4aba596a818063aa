"""Let people hear of things: add watches, change them, remove them."""

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlmodel import Session

from service.actions import productions, shots, stages
from service.domain.codes import is_code
from service.domain.events import EventKind
from service.domain.notices import MEANINGS
from service.domain.refusals import Clash, Fault, UnfitFields, Unknown
from service.domain.signatures import secret_of
from service.domain.targets import fault
from service.domain.watches import Heard, due_at
from service.domain.workers import State
from service.store import catalogue, deliveries
from service.store import watches as store
from service.store.events import append
from service.store.rows import NameTaken, add
from service.store.tables import WatchRow
from service.store.watches import Watch

MOST_WATCHES = 2_000
SECRET_BYTES = 32
FORMER_SIGNS_FOR = timedelta(days=1)
"""How long a secret that was replaced goes on signing beside the new one."""


@dataclass(eq=False)
class WatchUnknown(Unknown):
    """There is no watch {watch}: GET /v1/watches lists those there are."""

    watch: str


@dataclass(eq=False)
class WatchTaken(Clash):
    """There is a watch {watch} already: change it, or choose another name."""

    watch: str


@dataclass(eq=False)
class TooManyWatches(Clash):
    """There are {watches} watches, and more would make every notice slow: remove some that nobody needs."""

    watches: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A watch as somebody asks for it; codes narrow it, each None where it does not."""

    name: str
    hears: Sequence[Heard]
    production: str | None
    episode: str | None
    shot: str | None
    stage: str | None
    person: str | None
    channel: str
    target: Mapping[str, Any]
    time_zone: str
    quiet: tuple[int, int] | None
    every_min: int | None
    at_min: Sequence[int]
    muted_until: datetime | None


@dataclass(frozen=True, slots=True)
class Author:
    """Who asks: the name of the key, and the id of the one production it may see, where it is bound."""

    by: str
    only: int | None = None


def find(session: Session, name: str, *, only: int | None = None, lock: bool = False) -> Watch:
    """The watch of this name; raises WatchUnknown, also for one made for any but the production with the id *only*."""
    found = store.find(session, name, lock=lock) if is_code(name) else None
    if found is None or not store.is_seen_by(found.row, only):
        raise WatchUnknown(name)
    return found


def kinds(session: Session) -> dict[str, str]:
    """The kinds of notice of installed workers, each with what it tells of."""
    rows = catalogue.newest(session, state=State.LOADED)
    return {kind: said for row in rows for kind, said in (row.notices or {}).items()}


def make(session: Session, wanted: Wanted, *, author: Author, now: datetime) -> WatchRow:
    """Add a watch, with a secret. Raises WatchTaken, TooManyWatches, UnfitFields and what names something unknown."""
    require_fit(session, wanted)
    if (there := store.number(session)) >= MOST_WATCHES:
        raise TooManyWatches(there)
    row = WatchRow(
        bound_to=author.only, secret=new_secret(), by=author.by, added_at=now, **_says(session, wanted, author)
    )
    try:
        add(session, row)
    except NameTaken as error:
        raise WatchTaken(wanted.name) from error
    store.let_hear(session, row.id or 0, wanted.hears)
    hears = [{"kind": each.kind, "threshold": each.threshold, "ends": each.ends} for each in wanted.hears]
    _note(session, EventKind.WATCH_ADDED, row, by=author.by, now=now, hears=hears, channel=row.channel)
    return row


def change(session: Session, watch: Watch, wanted: Wanted, *, author: Author, now: datetime) -> None:
    """Let a locked watch be as wanted; the same changes nothing. New hours hold for what waits for it, too.

    Who may see one production alone binds the watch to it, or a wider watch would tell of others where they say.
    """
    require_fit(session, wanted)
    row, says = watch.row, _says(session, wanted, author)
    if row.bound_to is not None and says["production_id"] not in {None, row.bound_to}:
        detail = "This watch hears of one production for good, as a key bound to it made or changed it: add another."
        raise UnfitFields((Fault(detail, pointer="#/production"),))
    hours = store.hours_of(row)
    changed = [name for name, value in says.items() if getattr(row, name) != value]
    if tuple(wanted.hears) != watch.hears:
        changed.append("hears")
        store.let_hear(session, row.id or 0, wanted.hears)
    if not changed:
        return
    for name, value in says.items():
        setattr(row, name, value)
    row.rev += 1
    _bind(session, row, author, now=now)
    session.flush()
    if store.hours_of(row) != hours:
        deliveries.reset_due(session, row.id or 0, due_at=due_at(store.hours_of(row), now))
    _note(session, EventKind.WATCH_CHANGED, row, by=author.by, now=now, changed=sorted(changed))


def _bind(session: Session, row: WatchRow, author: Author, *, now: datetime) -> None:
    if author.only is not None and row.bound_to is None:
        row.bound_to = author.only
        deliveries.take_out_others(session, row.id or 0, author.only, now=now)


def rotate(session: Session, row: WatchRow, *, author: Author, now: datetime) -> None:
    """Give a locked watch a new secret; the one it had goes on signing beside it for a day, the one before no more.

    Who may see one production alone binds the watch to it, since they know its secret from then on.
    """
    _bind(session, row, author, now=now)
    row.former_secret, row.former_secret_until = row.secret, now + FORMER_SIGNS_FOR
    row.secret = new_secret()
    row.rev += 1
    _note(session, EventKind.WATCH_ROTATED, row, by=author.by, now=now)


def enable(session: Session, row: WatchRow, *, by: str, now: datetime) -> None:
    """Let a locked watch that was disabled hear again, from now on; one in force stays as it is."""
    if row.disabled_at is None:
        return
    row.disabled_at = row.disabled_reason = None
    row.rev += 1
    _note(session, EventKind.WATCH_CHANGED, row, by=by, now=now, changed=["disabled_at"])


def remove(session: Session, row: WatchRow, *, by: str, now: datetime) -> None:
    """Let a locked watch hear no more, for good; what waits for it is withdrawn, its name is free."""
    row.removed_at = now
    row.rev += 1
    session.flush()
    deliveries.withdraw(session, row.id or 0, now)
    _note(session, EventKind.WATCH_REMOVED, row, by=by, now=now)


def new_secret() -> str:
    """A secret to sign with, in the form of Standard Webhooks 1.0.0."""
    return secret_of(secrets.token_bytes(SECRET_BYTES))


def require_fit(session: Session, wanted: Wanted) -> None:
    """Raises UnfitFields where a watch would hear of what is not there, at what is no threshold, or go nowhere."""
    others = kinds(session)
    faults = [
        Fault(said, pointer=f"#/hears/{place}/{field}")
        for place, each in enumerate(wanted.hears)
        for field, said in _unheard(each, others)
    ]
    named = [(each.kind, each.threshold) for each in wanted.hears]
    faults += [
        Fault("This kind is named twice at this threshold; name it once.", pointer=f"#/hears/{place}")
        for place, each in enumerate(named)
        if each in named[:place]
    ]
    if wanted.production is None:
        faults += [
            Fault(f"Name the `production` of the {what}, too.", pointer=f"#/{what}")
            for what, code in (("episode", wanted.episode), ("shot", wanted.shot))
            if code is not None
        ]
    if wanted.every_min is not None and wanted.at_min:
        faults.append(Fault("Gather for so many minutes or until times of day, not both.", pointer="#/digest"))
    if found := fault(wanted.channel, wanted.target):
        field, said = found
        faults.append(Fault(said, pointer=f"#/target/{field}" if field else "#/target"))
    if faults:
        raise UnfitFields(tuple(faults))


def _unheard(heard: Heard, others: Mapping[str, str]) -> list[tuple[str, str]]:
    meaning = MEANINGS.get(heard.kind)
    if meaning is None:
        if heard.kind not in others:
            return [("kind", "There is no kind of notice of this name: GET /v1/notice-kinds lists them.")]
        return [("threshold", "This kind has no threshold; leave it out.")] if heard.threshold else []
    found = []
    if meaning.unit is None and heard.threshold:
        found.append(("threshold", "This kind has no threshold; leave it out."))
    if meaning.unit is not None and not 1 <= heard.threshold <= meaning.most:
        found.append(("threshold", f"Give the threshold in {meaning.unit}, 1 to {meaning.most}."))
    if heard.ends and not meaning.lasts:
        found.append(("ends", "What this kind tells of has no end to be told; leave it out."))
    return found


def _says(session: Session, wanted: Wanted, author: Author) -> dict[str, Any]:
    production = None if wanted.production is None else productions.find(session, wanted.production, only=author.only)
    episode_id = shot_id = None
    if production is not None and wanted.episode is not None:
        episode_id = productions.find_episode(session, production, wanted.episode).id
    if production is not None and wanted.shot is not None:
        shot_id = shots.find(session, production, wanted.shot).id
    return {
        "name": wanted.name,
        "production_id": None if production is None else production.id,
        "episode_id": episode_id,
        "shot_id": shot_id,
        "stage_id": None if wanted.stage is None else stages.find(session, wanted.stage).id,
        "person": wanted.person,
        "channel": wanted.channel,
        "target": dict(wanted.target),
        "time_zone": wanted.time_zone,
        "quiet_from_min": None if wanted.quiet is None else wanted.quiet[0],
        "quiet_to_min": None if wanted.quiet is None else wanted.quiet[1],
        "every_min": wanted.every_min,
        "at_min": list(wanted.at_min),
        "muted_until": wanted.muted_until,
    }


def _note(session: Session, kind: EventKind, row: WatchRow, *, by: str, now: datetime, **facts: Any) -> None:  # noqa: ANN401 -- JSON
    production_id = row.bound_to if row.bound_to is not None else row.production_id
    append(session, kind=kind, at=now, actor=by, production_id=production_id, data={"watch": row.name, **facts})
