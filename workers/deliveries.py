"""Messages to watches are sent: leased, tried by their channel in a thread, settled.

The tries of a round are written down before any is made, so that one whose process dies is known and made again under
the same id. Every try has a thread of its own, and every channel so many at once: a receiver that is slow holds up its
own watch alone, and a channel that never comes back holds up no other channel.
"""

import logging
import math
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from pydantic import ValidationError

from service.actions import deliveries
from service.actions.deliveries import Claimed
from service.domain.channels import ChannelState, Receipt
from service.domain.deliveries import DeliveryState
from service.settings import Settings
from service.store import deliveries as store
from service.store.engine import Busy, Database
from workers.attempts import legible
from workers.channels import host
from workers.channels.contract import Channel, Message, Sent

log = logging.getLogger("tiedown.deliveries")

# Of each channel in one process.
AT_ONCE = 16
# A look at what is due costs a query; what is asked for in between waits so long.
LOOK_S = 0.1
SETTLE_TRIES = 5
LONGEST_DETAIL = 2000
NONE: Mapping[str, int] = MappingProxyType({})
# Nobody meant them to be used.
QUIET = frozenset({ChannelState.READY, ChannelState.NOT_SET_UP, ChannelState.DISABLED})


@dataclass(frozen=True, slots=True)
class Post:
    """How messages leave this process: by `channels`, each by its name; readers reach the service at `root`."""

    channels: Mapping[str, Channel]
    root: str


def post_of(settings: Settings) -> Post:
    """The channels of this process; those that cannot be used are told of in the log."""
    found = host.discover(settings.channels)
    for each in found:
        if each.state not in QUIET:
            said = {"channel": each.name, "error": each.error, "to_do": each.to_do}
            log.error("a channel cannot be used", extra=said)
    return Post(host.ready(found), settings.public_url.rstrip("/"))


class Sender:
    """Sends what is due, in threads; `turn` is called again and again, by one thread."""

    def __init__(
        self,
        database: Database,
        post: Post,
        *,
        owner: str,
        clock: Callable[[], datetime],
        alone: bool = False,
    ) -> None:
        """`alone` says that any other lease is a dead process's."""
        self._database, self._post, self._owner, self._clock, self._alone = database, post, owner, clock, alone
        self._closing = threading.Event()
        self._lock = threading.Lock()
        self._under_way: Counter[str] = Counter()
        self._threads: set[threading.Thread] = set()
        self._looked_at = -LOOK_S

    def turn(self) -> int:
        """Begin to send what is due, as much as there is room for; how many messages that were. Raises Busy."""
        passed = time.monotonic()
        if passed - self._looked_at < LOOK_S:
            return 0
        self._looked_at = passed
        with self._lock:
            under_way = dict(self._under_way)
        full = [channel for channel, number in under_way.items() if number >= AT_ONCE]
        now = self._clock()
        with self._database.reading() as session:
            if not store.heads(session, now=now, owner=self._owner, alone=self._alone, full=full):
                return 0
        claimed = self._claim(AT_ONCE, under_way=under_way)
        for each in claimed:
            self._begin(each)
        return len(claimed)

    def close(self, *, within_s: float) -> None:
        """Wait so long for what is under way; what is left is sent again by whoever finds its lease over."""
        self._closing.set()
        ends = time.monotonic() + within_s
        for thread in list(self._threads):
            thread.join(max(ends - time.monotonic(), 0))

    def _claim(
        self, at_once: int, *, under_way: Mapping[str, int] = NONE, watch_id: int | None = None
    ) -> Sequence[Claimed]:
        with self._database.writing() as session:
            return deliveries.claim(
                session,
                owner=self._owner,
                now=self._clock(),
                at_once=at_once,
                under_way=under_way,
                alone=self._alone,
                watch_id=watch_id,
            )

    def _begin(self, claimed: Claimed) -> None:
        # Daemons: a process that ends does not wait for a receiver.
        thread = threading.Thread(target=self._try, args=[claimed], name=claimed.message_id, daemon=True)
        with self._lock:
            self._under_way[claimed.channel] += 1
            self._threads.add(thread)
        thread.start()

    def _try(self, claimed: Claimed) -> None:
        following: Sequence[Claimed] = [claimed]
        try:
            while following:
                (claimed,) = following
                state = self._settle(claimed, sent(self._post, claimed, now=self._clock()))
                # What waited behind it goes on at once, in its place.
                goes_on = state is DeliveryState.DELIVERED and not self._closing.is_set()
                following = self._claim(1, watch_id=claimed.watch_id) if goes_on else ()
        except Exception:
            log.exception("a message could not be settled, and is sent again", extra={"delivery": claimed.message_id})
        finally:
            with self._lock:
                self._under_way[claimed.channel] -= 1
                self._threads.discard(threading.current_thread())

    def _settle(self, claimed: Claimed, came: Sent) -> DeliveryState | None:
        for left in reversed(range(SETTLE_TRIES)):
            try:
                with self._database.writing() as session:
                    state = deliveries.settle(
                        session,
                        claimed,
                        came.outcome,
                        detail=came.detail,
                        status=came.status,
                        retry_after_s=came.retry_after_s,
                        now=self._clock(),
                    )
            except Busy:
                if not left:
                    raise
            else:
                _tell(claimed, came, state)
                return state
        raise AssertionError("the last try returns or raises")


def sent(post: Post, claimed: Claimed, *, now: datetime) -> Sent:
    """Make one try; whatever a channel raises is a try that failed."""
    channel = post.channels.get(claimed.channel)
    if channel is None:
        return Sent(
            Receipt.FAILED,
            f"The channel {claimed.channel!r} cannot be used on the machine that tried. Set it up in tiedown.toml as "
            f"[channels.{claimed.channel}], or install its package, where engines run, and start them again.",
        )
    try:
        message = Message(**deliveries.compose(claimed, post.root))
    except Exception as error:
        log.exception("no words could be made of notices", extra={"delivery": claimed.message_id})
        said = f"No words could be made of its notices ({type(error).__name__}); see the engine's log."
        return Sent(Receipt.REFUSED, said)
    try:
        try:
            target = channel.Target.model_validate(dict(claimed.target))
        except ValidationError as error:
            named = [f"{'.'.join(map(str, each['loc'])) or 'target'}: {each['msg']}" for each in error.errors()]
            wrong = "; ".join(named)
            return Sent(Receipt.REFUSED, f"The channel does not take the watch's target ({wrong}). Put it right.")
        return _checked(channel.send(message, target, secrets=claimed.secrets, now=now))
    except (Exception, SystemExit) as error:
        log.exception("a channel failed", extra={"channel": claimed.channel, "delivery": claimed.message_id})
        # Not what the error says: secrets are among what a channel is given.
        return Sent(
            Receipt.FAILED, f"The channel {claimed.channel!r} failed ({type(error).__name__}); see the engine's log."
        )


def _checked(came: object) -> Sent:
    """What a channel answered, as rows can keep it; raises TypeError and ValueError of anything else."""
    if not isinstance(came, Sent):
        raise TypeError(f"a channel answers Sent, not {type(came).__name__}")
    pause_s = None if came.retry_after_s is None else float(came.retry_after_s)
    if pause_s is not None and not math.isfinite(pause_s):
        raise ValueError("a pause is a finite number of seconds")
    status = None if came.status is None else int(came.status)
    return Sent(Receipt(came.outcome), legible(str(came.detail))[:LONGEST_DETAIL], status, pause_s)


def _tell(claimed: Claimed, came: Sent, state: DeliveryState | None) -> None:
    said = {"delivery": claimed.message_id, "watch": claimed.watch, "detail": came.detail}
    if state is DeliveryState.DELIVERED:
        log.info("message delivered", extra=said)
    elif state is DeliveryState.DEAD:
        log.error("message given up", extra=said)
    else:
        log.warning("message not delivered", extra=said | {"outcome": came.outcome})
