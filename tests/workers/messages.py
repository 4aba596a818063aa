"""A house with watches, a channel that writes down what it is given, and a clock that is moved by hand."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, ClassVar

from pydantic import BaseModel
from sqlmodel import col, select

from service.actions import notices
from service.domain.channels import Receipt
from service.domain.notices import Notice, NoticeKind
from service.domain.watches import Heard
from service.store import events, watches
from service.store.engine import Database
from service.store.tables import DeliveryAttemptRow, DeliveryRow, WatchRow
from workers.channels.contract import Channel, Message, Sent, Target
from workers.deliveries import Post, Sender

NOW = datetime(2026, 3, 4, 16, 30, tzinfo=UTC)


class LedgeTarget(Target):
    place: str


class Ledge(Channel):
    """A channel of the tests' own: it writes down what it was given, and answers as it is told to."""

    name: ClassVar[str] = "ledge"
    Target: ClassVar[type[BaseModel]] = LedgeTarget

    def __init__(self, answer: Callable[["Given"], object]) -> None:
        self.answer = answer
        self.given: list[Given] = []
        self._lock = threading.Lock()

    def send(self, message: Message, target: BaseModel, *, secrets: Sequence[str], now: datetime) -> Sent:
        assert isinstance(target, LedgeTarget)
        given = Given(message, target.place, tuple(secrets), now)
        with self._lock:
            self.given.append(given)
        return self.answer(given)  # type: ignore[return-value]


@dataclass(frozen=True)
class Given:
    message: Message
    place: str
    secrets: tuple[str, ...]
    at: datetime


@dataclass
class Clock:
    at: datetime = NOW

    def __call__(self) -> datetime:
        return self.at


def took(_: Given) -> Sent:
    return Sent(Receipt.DELIVERED, "Taken.")


def failed(_: Given) -> Sent:
    return Sent(Receipt.FAILED, "The receiver is away.", 503)


@dataclass
class House:
    """A database with watches, and whoever sends from it."""

    database: Database
    clock: Clock = field(default_factory=Clock)

    def watch(self, name: str, **fields: Any) -> int:  # noqa: ANN401 - columns
        given = {"channel": "ledge", "target": {"place": name}, "time_zone": "Europe/London", "secret": "new"}
        with self.database.writing() as session:
            row = WatchRow(name=name, by="office", added_at=NOW, **(given | fields))
            session.add(row)
            session.flush()
            watches.let_hear(session, row.id or 0, [Heard(kind=NoticeKind.APPROVED)])
            return row.id or 0

    def tell(self, occasion: object, **more: object) -> None:
        """Raise a notice that every watch hears of, with more facts or others."""
        facts = {"shot": "e1-quay-1", "production": "harbour", "episode": "e1", "signers": ["Imke"], "stages": []}
        notice = Notice(
            kind=NoticeKind.APPROVED, subject="shot/1", occasion=str(occasion), since=self.clock(), facts=facts | more
        )
        with self.database.writing() as session:
            happened = notices.raise_all(session, [notice], worker="notices", now=self.clock())
            events.append_all(session, happened)

    def sender(self, *channels: Channel, owner: str = "one", alone: bool = False) -> Sender:
        post = Post({each.name: each for each in channels}, "https://tiedown.studio.example")
        return Sender(self.database, post, owner=owner, clock=self.clock, alone=alone)

    def rows(self, **columns: object) -> list[DeliveryRow]:
        with self.database.reading() as session:
            found = session.exec(select(DeliveryRow).order_by(col(DeliveryRow.id)))
            return [each for each in found if all(getattr(each, name) == value for name, value in columns.items())]

    def tries(self, delivery: DeliveryRow) -> list[DeliveryAttemptRow]:
        with self.database.reading() as session:
            of_it = col(DeliveryAttemptRow.delivery_id) == delivery.id
            return list(session.exec(select(DeliveryAttemptRow).where(of_it).order_by(col(DeliveryAttemptRow.number))))

    def wait_for_the_next(self) -> None:
        """Let the clock go on to the next try."""
        ahead = [each.next_try_at for each in self.rows(state="waiting") if each.next_try_at is not None]
        self.clock.at = max(self.clock.at, min(ahead))


def sent_by(sender: Sender) -> int:
    """Let a sender send what is due, to the end; how many were begun."""
    begun = sender.turn()
    for thread in list(sender._threads):
        thread.join()
    return begun


def occasions(given: Given) -> list[str]:
    return [each["occasion"] for each in given.message.data["notices"]]
