"""Messages are tried, and tried again, in their order, and none is lost whoever dies."""

import threading
from collections import Counter
from collections.abc import Callable, Mapping
from datetime import timedelta
from itertools import pairwise

import pytest
from sqlmodel import col, select

from service.actions import deliveries as actions
from service.domain.channels import Receipt
from service.domain.deliveries import MOST_TRIES, PAUSES_S, DeliveryState, pause_s
from service.domain.events import EventKind
from service.store import deliveries as store
from service.store import events
from service.store.engine import Database
from service.store.tables import DeliveryRow, WatchRow
from tests.workers.messages import NOW, Given, House, Ledge, failed, occasions, sent_by, took
from workers import deliveries
from workers.channels.contract import Sent
from workers.deliveries import Sender


@pytest.fixture
def house(database: Database, monkeypatch: pytest.MonkeyPatch) -> House:
    monkeypatch.setattr(deliveries, "LOOK_S", 0.0)
    return House(database)


def test_a_message_says_what_happened_to_person_and_machine(house: House) -> None:
    house.watch("quay", former_secret="old", former_secret_until=NOW + timedelta(hours=1))
    house.watch("later", every_min=30)
    house.watch("off", disabled_at=NOW, disabled_reason="asked to")
    for occasion in (1, 2):
        house.tell(occasion)
    ledge = Ledge(took)
    while sent_by(house.sender(ledge)):
        pass
    first, second = ledge.given
    assert [occasions(each) for each in ledge.given] == [["1"], ["2"]]
    assert (first.place, first.secrets, first.at) == ("quay", ("new", "old"), NOW)
    assert (first.message.kind, first.message.watch, first.message.made_at) == ("notices.raised", "quay", NOW)
    assert "e1-quay-1" in first.message.subject
    assert "https://tiedown.studio.example/v1/" in first.message.text
    assert first.message.id != second.message.id

    # Gathered until its time, and the former secret is over.
    house.clock.at += timedelta(hours=1)
    house.tell(3)
    while sent_by(house.sender(ledge)):
        pass
    assert [(each.place, occasions(each), each.secrets) for each in ledge.given[2:]] in (
        [("later", ["1", "2"], ("new",)), ("quay", ["3"], ("new",))],
        [("quay", ["3"], ("new",)), ("later", ["1", "2"], ("new",))],
    )
    assert {each.state for each in house.rows() if each.due_at <= house.clock()} == {"delivered"}


def test_a_receiver_that_is_down_for_two_days_gets_it_when_somebody_asks_and_what_waited_in_its_order(
    house: House,
) -> None:
    house.watch("quay")
    for occasion in (1, 2):
        house.tell(occasion)
    ledge, sender = Ledge(failed), None
    dead = house.rows()[0]
    while not house.rows(state="dead"):
        sender = house.sender(ledge)
        assert sent_by(sender) == 1
        if not house.rows(state="dead"):
            house.wait_for_the_next()

    # Ten tries of the first, at the pauses that were promised, a fifth more or less; nothing else was tried meanwhile.
    assert [occasions(each) for each in ledge.given] == [["1"]] * 10
    assert len({each.message.id for each in ledge.given}) == 1
    pauses = [(later.at - earlier.at).total_seconds() for earlier, later in pairwise(ledge.given)]
    assert [0.8 * due <= pause <= 1.2 * due for due, pause in zip(PAUSES_S, pauses, strict=True)] == [True] * 9
    assert timedelta(hours=35) < house.clock() - NOW < timedelta(hours=54)
    assert [(each.outcome, each.status) for each in house.tries(dead)] == [("failed", 503)] * 10

    # It is back: what waited behind goes on; the dead one is sent again once that is asked for, under its id.
    house.clock.at += timedelta(days=1)
    ledge.answer = took
    while sent_by(house.sender(ledge)):
        pass
    with house.database.writing() as session:
        actions.renew(session, dead.message_id, by="office", now=house.clock())
    while sent_by(house.sender(ledge)):
        pass
    assert [occasions(each) for each in ledge.given[10:]] == [["2"], ["1"]]
    assert ledge.given[-1].message == ledge.given[0].message
    assert {each.state for each in house.rows()} == {"delivered"}
    assert [each.number for each in house.tries(dead)] == list(range(1, 12))


def test_a_receiver_that_asks_to_be_left_alone_is_and_for_a_day_at_most(house: House) -> None:
    house.watch("quay")
    house.tell(1)
    asked = iter([0.0, 3600.0, 10_000_000.0, None])

    def busy(given: Given) -> Sent:
        return Sent(Receipt.FAILED, "Busy.", 429, next(asked))

    ledge = Ledge(busy)
    for _ in range(4):
        sent_by(house.sender(ledge))
        house.wait_for_the_next()
    pauses = [later.at - earlier.at for earlier, later in pairwise(ledge.given)]
    usual = timedelta(seconds=pause_s(1, ledge.given[0].message.id) or 0)
    assert pauses == [usual, timedelta(hours=1), timedelta(days=1)]


def test_a_try_is_written_down_before_it_is_made(house: House) -> None:
    house.watch("quay")
    house.tell(1)
    seen: list[tuple[int, object, str | None]] = []

    def look(_: Given) -> Sent:
        (row,) = house.rows()
        (attempt,) = house.tries(row)
        seen.append((row.attempts, attempt.ended_at, row.lease_owner))
        return Sent(Receipt.DELIVERED, "Taken.")

    sent_by(house.sender(Ledge(look), owner="one"))
    assert seen == [(1, None, "one")]


@pytest.mark.parametrize("alone", [True, False])
def test_what_was_sent_by_a_process_that_died_is_sent_again_under_the_same_id(house: House, *, alone: bool) -> None:
    house.watch("quay")
    house.tell(1)
    with house.database.writing() as session:
        (claimed,) = actions.claim(session, owner="dead", now=NOW, at_once=9, under_way={})
    ledge = Ledge(took)

    house.clock.at += actions.LEASE - timedelta(seconds=1)
    assert sent_by(house.sender(ledge, owner="other", alone=alone)) == (1 if alone else 0)
    house.clock.at += timedelta(seconds=1)
    assert sent_by(house.sender(ledge, owner="other", alone=alone)) == (0 if alone else 1)

    assert [each.message.id for each in ledge.given] == [claimed.message_id]
    first, second = house.tries(house.rows()[0])
    assert (first.outcome, first.detail) == ("failed", actions.DIED)
    assert (second.outcome, house.rows()[0].state) == ("delivered", "delivered")


def test_a_message_that_kills_whoever_sends_it_dies_in_the_end(house: House) -> None:
    house.watch("quay")
    for occasion in (1, 2):
        house.tell(occasion)
    claims = 0
    with_next: list[str] = []
    while not with_next:
        with house.database.writing() as session:
            claimed = actions.claim(session, owner="dead", now=house.clock(), at_once=1, under_way={})
        claims += len(claimed)
        with_next = [each.state for each in house.rows(state="dead")]
        house.clock.at += actions.LEASE
    assert (claims, house.rows()[0].last_error) == (MOST_TRIES, actions.DIED)


def test_who_was_thought_dead_settles_nothing(house: House) -> None:
    house.watch("quay")
    house.tell(1)
    with house.database.writing() as session:
        (slow,) = actions.claim(session, owner="slow", now=NOW, at_once=9, under_way={})
    house.clock.at += actions.LEASE
    late = []

    def meanwhile(given: Given) -> Sent:
        with house.database.writing() as session:
            now = house.clock()
            settled = actions.settle(
                session, slow, Receipt.REFUSED, detail="late", status=None, retry_after_s=None, now=now
            )
            late.append(settled)
        return took(given)

    sent_by(house.sender(Ledge(meanwhile), owner="other"))
    (row,) = house.rows()
    assert (late, row.state, row.last_error) == ([None], "delivered", None)
    assert [(each.number, each.outcome) for each in house.tries(row)] == [(1, "failed"), (2, "delivered")]


def test_a_receiver_that_wants_no_more_ends_its_watch(house: House) -> None:
    house.watch("quay")
    house.watch("office")
    for occasion in (1, 2):
        house.tell(occasion)

    def gone(given: Given) -> Sent:
        return Sent(Receipt.GONE, "Nothing more, please.", 410) if given.place == "quay" else took(given)

    while sent_by(house.sender(Ledge(gone))):
        pass
    house.tell(3)
    while sent_by(house.sender(Ledge(gone))):
        pass
    with house.database.reading() as session:
        told = events.read_after(session, 0, limit=100, kinds={EventKind.WATCH_DISABLED})
        states = Counter(
            (watch.name, row.state) for row, watch in session.exec(select(DeliveryRow, WatchRow).join(WatchRow))
        )
        (watch,) = session.exec(select(WatchRow).where(col(WatchRow.name) == "quay"))
    assert [each.data for each in told] == [{"watch": "quay", "reason": "Nothing more, please."}]
    assert states == {("quay", "dead"): 1, ("quay", "withdrawn"): 1, ("office", "delivered"): 3}
    assert (watch.disabled_at, watch.disabled_reason, watch.rev) == (NOW, "Nothing more, please.", 2)


def test_a_slow_receiver_holds_up_its_own_watch_alone(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """And a channel that never comes back holds up no other, however many messages it has."""
    monkeypatch.setattr(deliveries, "AT_ONCE", 3)
    for name in ("slow", "quick"):
        house.watch(name)
    for number in range(5):
        house.watch(f"hung-{number}", channel="hung")
    for occasion in range(4):
        house.tell(occasion)
    over, quick = threading.Event(), threading.Semaphore(0)

    class Hung(Ledge):
        name = "hung"

    def answer(given: Given) -> Sent:
        if given.place != "quick":
            over.wait()
        else:
            quick.release()
        return took(given)

    ledge, hung = Ledge(answer), Hung(answer)
    sender = house.sender(ledge, hung)
    while sender.turn():
        pass
    for _ in range(4):
        assert quick.acquire(timeout=10)
    places = Counter(each.place for each in [*ledge.given, *hung.given])
    assert (places["slow"], places["quick"], len(hung.given)) == (1, 4, 3)
    over.set()
    while house.rows(state="waiting"):
        sent_by(sender)
    assert {each.state for each in house.rows()} == {"delivered"}
    for name in ("slow", "quick", "hung-4"):
        got = [occasions(each) for each in [*ledge.given, *hung.given] if each.place == name]
        assert got == [["0"], ["1"], ["2"], ["3"]]


def test_several_processes_send_each_message_once_and_in_order(house: House) -> None:
    for number in range(6):
        house.watch(f"watch-{number}")
    for occasion in range(5):
        house.tell(occasion)
    ledge = Ledge(took)
    senders = [house.sender(ledge, owner=f"process {number}") for number in range(3)]

    def work(sender: Sender) -> None:
        while any(each.state == "waiting" for each in house.rows()):
            sender.turn()

    threads = [threading.Thread(target=work, args=[each]) for each in senders]
    for thread in threads:
        thread.start()
    for thread in [*threads, *(each for sender in senders for each in sender._threads)]:
        thread.join()

    got: dict[str, list[str]] = {}
    for each in ledge.given:
        got.setdefault(each.place, []).extend(occasions(each))
    assert got == {f"watch-{number}": ["0", "1", "2", "3", "4"] for number in range(6)}


def raising(_: Given) -> object:
    raise RuntimeError("s3cret")


def leaving(_: Given) -> object:
    raise SystemExit("s3cret")


@pytest.mark.parametrize(
    ("fields", "answer", "expected", "told"),
    [
        ({"channel": "carrier-pigeon"}, took, (Receipt.FAILED, DeliveryState.WAITING), "[channels.carrier-pigeon]"),
        (
            {"target": {"place": 3}},
            took,
            (Receipt.REFUSED, DeliveryState.DEAD),
            "place: Input should be a valid string",
        ),
        ({}, raising, (Receipt.FAILED, DeliveryState.WAITING), "failed (RuntimeError)"),
        ({}, leaving, (Receipt.FAILED, DeliveryState.WAITING), "failed (SystemExit)"),
        ({}, lambda _: 3, (Receipt.FAILED, DeliveryState.WAITING), "failed (TypeError)"),
        ({}, lambda _: Sent("sent", "Yes."), (Receipt.FAILED, DeliveryState.WAITING), "failed (ValueError)"),  # type: ignore[arg-type]
        ({}, lambda _: Sent(Receipt.REFUSED, "a\x00b\ud800"), (Receipt.REFUSED, DeliveryState.DEAD), "a\\x00b\\ud800"),
    ],
)
def test_what_a_channel_cannot_do_is_told(
    house: House,
    fields: Mapping[str, object],
    answer: Callable[[Given], object],
    expected: tuple[Receipt, DeliveryState],
    told: str,
) -> None:
    house.watch("quay", **fields)
    house.tell(1)
    sent_by(house.sender(Ledge(answer)))
    (row,) = house.rows()
    (attempt,) = house.tries(row)
    assert (attempt.outcome, row.state) == expected
    assert told in (row.last_error or "")
    assert attempt.detail == row.last_error
    assert "s3cret" not in (row.last_error or "")


def test_a_notice_no_words_can_be_made_of_holds_up_nothing(house: House) -> None:
    house.watch("quay")
    house.tell(1, production=3, shot=4)
    house.tell(2)
    ledge = Ledge(took)
    while sent_by(house.sender(ledge)):
        pass
    assert [(each.state, each.last_error) for each in house.rows()] == [
        ("dead", "No words could be made of its notices (TypeError); see the engine's log."),
        ("delivered", None),
    ]


def test_what_is_sent_again_is_joined_by_nothing(house: House) -> None:
    watch_id = house.watch("quay")
    house.tell(1)
    sent_by(house.sender(Ledge(lambda _: Sent(Receipt.REFUSED, "Never."))))
    with house.database.writing() as session:
        actions.renew(session, house.rows()[0].message_id, by="office", now=house.clock())
        store.reset_due(session, watch_id, due_at=NOW + timedelta(hours=1))
    house.tell(2)
    assert [each.attempts for each in house.rows()] == [0, 0]
    ledge = Ledge(took)
    while sent_by(house.sender(ledge)):
        pass
    assert [occasions(each) for each in ledge.given] == [["1"], ["2"]]


def test_a_test_goes_beside_what_waits(house: House) -> None:
    house.watch("quay")
    house.tell(1)
    sent_by(house.sender(Ledge(failed)))
    with house.database.writing() as session:
        made = actions.attempt(session, "quay", by="office", now=house.clock())
    ledge = Ledge(took)
    sent_by(house.sender(ledge))
    (given,) = ledge.given
    assert (given.message.id, given.message.kind) == (made.row.message_id, "watch.tested")
    assert given.message.data == {"watch": "quay", "notices": []}
    assert [(each.test, each.state) for each in house.rows()] == [(False, "waiting"), (True, "delivered")]
