"""Take messages that are due to be sent, and settle what came of it: a try is written down before it is made."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape
from typing import Any
from urllib.parse import quote

from sqlmodel import Session

from service.actions.watches import find as find_watch
from service.domain import wording
from service.domain.channels import Receipt
from service.domain.deliveries import MOST_TRIES, DeliveryState, verdict
from service.domain.events import EventKind
from service.domain.notices import Notice
from service.domain.refusals import Clash, Unknown
from service.store import deliveries as store
from service.store import notices, watches
from service.store.deliveries import Delivery
from service.store.events import append

LEASE = timedelta(minutes=3)
"""A try ends within a minute; whose lease is over, is dead."""

DIED = "The process died at it. Whether it arrived is not known; it is sent again under the same id."
NOTICES_RAISED, WATCH_TESTED = "notices.raised", "watch.tested"


@dataclass(eq=False)
class DeliveryUnknown(Unknown):
    """There is no message {delivery}: GET /v1/deliveries lists those there are."""

    delivery: str


@dataclass(eq=False)
class WatchOff(Clash):
    """The watch {watch} {why}, so nothing is sent to it."""

    watch: str
    why: str


@dataclass(eq=False)
class BeingSent(Clash):
    """The message {delivery} is being sent at this moment: look at it again in a minute."""

    delivery: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """A message to send now, for its try `number`, of which `tries` were since it was last asked for.

    It goes by `channel` to `target`, signed with `secrets`; `compose` says what it says.
    """

    delivery_id: int
    watch_id: int
    number: int
    tries: int
    owner: str
    channel: str
    target: Mapping[str, Any]
    secrets: Sequence[str]
    message_id: str
    watch: str
    time_zone: str
    made_at: datetime
    test: bool
    told: Sequence[Notice]


def claim(
    session: Session,
    *,
    owner: str,
    now: datetime,
    at_once: int,
    under_way: Mapping[str, int],
    alone: bool = False,
    watch_id: int | None = None,
) -> list[Claimed]:
    """Lease messages that are due, and write down the try that is about to be made of each.

    Of each channel *at_once* are under way at most, with those that are *under_way* already. *owner*, *alone* and
    *watch_id* are as for the store's `heads`.
    """
    claimed = []
    count = Counter(under_way)
    full = [channel for channel, number in count.items() if number >= at_once]
    found = store.heads(session, now=now, owner=owner, alone=alone, full=full, watch_id=watch_id, limit=at_once)
    for head in found:
        row = head.row
        if count[head.watch.channel] >= at_once:
            continue
        seen, died = row.attempts, row.lease_owner is not None
        if died and seen >= MOST_TRIES:
            store.give_up(session, row, now=now, error=DIED)
            continue
        number = store.claim(session, row, owner=owner, until=now + LEASE, now=now)
        if number is None:
            continue
        if died:
            store.close_try(session, row.id or 0, number - 1, outcome=Receipt.FAILED, detail=DIED, now=now)
        count[head.watch.channel] += 1
        claimed.append(_claimed(session, head, number=number, tries=seen + 1, owner=owner, now=now))
    return claimed


def settle(
    session: Session,
    claimed: Claimed,
    outcome: Receipt,
    *,
    detail: str,
    status: int | None,
    retry_after_s: float | None,
    now: datetime,
) -> DeliveryState | None:
    """Write down what a try came to and what becomes of the message; None where it is another's by now.

    Where the receiver wants nothing any more, its watch is disabled and what waits for it withdrawn.
    """
    message_id = claimed.message_id
    becomes = verdict(outcome, claimed.tries, message_id=message_id, retry_after_s=retry_after_s, ended_at=now)
    watch = watches.by_id(session, claimed.watch_id, lock=True) if becomes.ends else None
    store.close_try(
        session, claimed.delivery_id, claimed.number, outcome=outcome, detail=detail, status=status, now=now
    )
    settled = store.settle(
        session,
        claimed.delivery_id,
        owner=claimed.owner,
        tries=claimed.tries,
        state=becomes.state,
        next_try_at=becomes.next_try_at,
        error=None if outcome is Receipt.DELIVERED else detail,
        now=now,
    )
    if not settled:
        return None
    if watch is not None and watch.removed_at is None and watch.disabled_at is None:
        watch.disabled_at, watch.disabled_reason = now, detail
        watch.rev += 1
        store.withdraw(session, claimed.watch_id, now)
        append(
            session,
            kind=EventKind.WATCH_DISABLED,
            at=now,
            actor="deliveries",
            production_id=watch.bound_to or watch.production_id,
            data={"watch": watch.name, "reason": detail},
        )
    return becomes.state


def renew(session: Session, message_id: str, *, by: str, now: datetime, only: int | None = None) -> Delivery:
    """Have a message sent again, at once and with its tries counted anew, whatever became of it; asked twice is once.

    *only* is the production of a key that is bound to one, which has no message sent that tells of another: the watch
    may have been wider when it was made. Raises DeliveryUnknown, BeingSent, WatchOff.
    """
    found = store.find(session, message_id, only=only, lock=True)
    if found is None or (only is not None and store.tells_of_others(session, found.row.id or 0, only)):
        raise DeliveryUnknown(message_id)
    row, watch = found.row, found.watch
    if watch.removed_at is not None or watch.disabled_at is not None:
        raise WatchOff(watch.name, "was removed" if watch.removed_at is not None else "is disabled")
    if row.leased_until is not None and row.leased_until > now:
        raise BeingSent(message_id)
    if row.state == store.WAITING and row.attempts == 0 and row.due_at <= now:
        return found
    state = row.state
    store.renew(row, now=now)
    _tell(session, EventKind.DELIVERY_RENEWED, found, by=by, now=now, state=state)
    return found


def attempt(session: Session, name: str, *, by: str, now: datetime, only: int | None = None) -> Delivery:
    """Make a message that tries a watch, sent at once whatever waits. Raises WatchUnknown, WatchOff."""
    watch = find_watch(session, name, only=only, lock=True)
    if watch.row.disabled_at is not None:
        raise WatchOff(name, "is disabled")
    row = store.make(session, watch.row.id or 0, due_at=now, now=now, test=True)
    made = Delivery(row, watch.row)
    _tell(session, EventKind.WATCH_TESTED, made, by=by, now=now)
    return made


def _tell(session: Session, kind: EventKind, of: Delivery, *, by: str, now: datetime, **more: str) -> None:
    production_id = of.watch.bound_to or of.watch.production_id
    data = {"watch": of.watch.name, "delivery": of.row.message_id, **more}
    append(session, kind=kind, at=now, actor=by, production_id=production_id, data=data)


def _claimed(session: Session, head: Delivery, *, number: int, tries: int, owner: str, now: datetime) -> Claimed:
    row, watch = head.row, head.watch
    return Claimed(
        delivery_id=row.id or 0,
        watch_id=row.watch_id,
        number=number,
        tries=tries,
        owner=owner,
        channel=watch.channel,
        target=watch.target,
        secrets=watches.secrets_of(watch, now),
        message_id=row.message_id,
        watch=watch.name,
        time_zone=watch.time_zone,
        made_at=row.made_at,
        test=row.test,
        told=tuple(notices.read(each) for each in store.notices_in(session, row.id or 0)),
    )


def compose(claimed: Claimed, root: str) -> dict[str, Any]:
    """What a message says, by the names of the fields of a channel's message; *root* is where readers find us.

    Raises whatever words cannot be made of: facts of a stranger's notice may be anything.
    """
    if claimed.test:
        said = _test(claimed.watch, root)
    else:
        said = wording.message(claimed.told, time_zone=claimed.time_zone, root=root)
    return {
        "id": claimed.message_id,
        "watch": claimed.watch,
        "kind": WATCH_TESTED if claimed.test else NOTICES_RAISED,
        "made_at": claimed.made_at,
        "subject": said.subject,
        "text": said.text,
        "html": said.html,
        "data": {"watch": claimed.watch, "notices": [_data(each, claimed.time_zone, root) for each in claimed.told]},
    }


def _data(notice: Notice, time_zone: str, root: str) -> dict[str, Any]:
    told = wording.words(notice, time_zone)
    return {
        "headline": told.headline,
        "text": "\n".join(told.sentences),
        "cautions": list(told.cautions),
        "url": root + told.path,
        "kind": notice.kind,
        "threshold": notice.threshold,
        "subject": notice.subject,
        "occasion": notice.occasion,
        "over": notice.over,
        "since": notice.since.isoformat().replace("+00:00", "Z"),
        "facts": dict(notice.facts),
    }


def _test(watch: str, root: str) -> wording.Message:
    text = f"This is a test of the watch {watch}. Whoever reads it will be told what the watch hears of."
    where = f"{root}/v1/watches/{quote(watch, safe='')}"
    return wording.Message(
        subject=f"Test of the watch {watch}",
        text=f"{text}\n{where}\n",
        html=(
            f'<!doctype html><html lang="en"><body><p>{escape(text)}</p>'
            f'<p><a href="{escape(where, quote=True)}">{escape(where)}</a></p></body></html>\n'
        ),
    )
