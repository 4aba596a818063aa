"""Sending: what is asked of the network, in which order, and what of a bad answer never blocks what follows."""

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import httpx
import pytest

from service.terminal.doors import Door
from service.terminal.sending import Pause, Round, Sender
from service.terminal.spool import Kind, Said, Spool, State, alone
from service.terminal.troubles import BeingSent, NoAnswer, NotTheService
from service.terminal.wire import TODAY, Spoken
from tests.terminal.conftest import Clocks
from tests.terminal.test_doors import problem

Json = dict[str, Any]
BEFORE = Spoken(signals=("call", "wrap"), log_identity=False, queued=False)
TOMORROW = Spoken(signals=TODAY.signals, log_identity=True, queued=True)


class Service:
    """A network with a service at its end, that refuses what a test tells it to."""

    def __init__(self, spool: Spool, clocks: Clocks) -> None:
        self._spool = spool
        self._clocks = clocks
        self.bodies: list[Json] = []
        self.lines: list[Json] = []
        self.keys: list[str | None] = []
        self.refuses: Callable[[Json], httpx.Response | None] = lambda _body: None
        self.counts = 0
        self.knows_spools = True

    def __call__(self, request: httpx.Request) -> httpx.Response:
        if request.method == "GET":
            if not self.knows_spools:
                return problem(404, "not-here")
            said = {"terminal": "grab", "stage": "a", "production": None, "last_serial": None, "head": 1}
            return httpx.Response(200, json={**said, "counts": self.counts})
        body = json.loads(request.content)
        if (refused := self.refuses(body)) is not None:
            return refused
        if request.url.path.endswith("/log"):
            self.lines.append(body)
            self.keys.append(request.headers.get("Idempotency-Key"))
            return httpx.Response(201, json={})
        self.bodies.append(body)
        self.counts += len(body["counts"])
        return httpx.Response(
            200, json={"answers": [{"outcome": "counted", "serial": c["serial"]} for c in body["counts"]]}
        )

    def send(self, spoken: Spoken = TODAY) -> Round:
        with Door("http://there", "td_key", transport=httpx.MockTransport(self)) as door:
            return Sender(self._spool, door, stage="a", clock=self._clocks, spoken=spoken).send()

    @property
    def serials(self) -> list[list[int]]:
        return [[count["serial"] for count in body["counts"]] for body in self.bodies]


@pytest.fixture
def service(spool: Spool, clocks: Clocks) -> Service:
    return Service(spool, clocks)


def enter(spool: Spool, clocks: Clocks, *totals: int) -> None:
    for total in totals:
        content = {"production": "p", "shot": "s1", "take": 1, "captures_total": total}
        spool.enter(Said.now(Kind.COUNT, content, clocks(), series="s1"), now=clocks.wall)


def enter_line(spool: Spool, clocks: Clocks, kind: str, **more: str) -> None:
    spool.enter(Said.now(Kind.LOG, {"kind": kind, "stage": "a", **more}, clocks()), now=clocks.wall)


def test_a_long_night_goes_out_oldest_first_in_bodies_of_a_thousand(
    spool: Spool, clocks: Clocks, service: Service
) -> None:
    content = {"production": "p", "shot": "s1", "take": 1}
    night = [Said.now(Kind.COUNT, {**content, "captures_total": n}, clocks()) for n in range(2_300)]
    spool.enter(*night, now=clocks.wall)

    assert service.send().sent == 2_300

    assert [len(serials) for serials in service.serials] == [1000, 1000, 300]
    assert [serial for serials in service.serials for serial in serials] == list(range(1, 2_301))
    assert {body["spool"] for body in service.bodies} == {spool.id}


def test_a_body_says_when_by_each_clock(spool: Spool, clocks: Clocks, service: Service) -> None:
    enter(spool, clocks, 1)
    clocks.pass_s(90.5)
    service.send()

    (body,) = service.bodies
    assert body["sent_at"] == "2026-03-02T14:01:30.500000Z"
    assert (body["counts"][0]["at"], body["counts"][0]["age_s"]) == ("2026-03-02T14:00:00.000000Z", 90.5)
    assert body["queued"] == 0


def test_after_a_new_start_of_the_computer_no_age_is_sent(spool: Spool, clocks: Clocks, service: Service) -> None:
    enter(spool, clocks, 1)
    clocks.start_anew()
    service.send()

    assert "age_s" not in service.bodies[0]["counts"][0]


@pytest.mark.parametrize("spoken", [BEFORE, TODAY], ids=["before", "today"])
def test_the_log_goes_out_between_the_counts_in_its_order(
    spool: Spool, clocks: Clocks, service: Service, spoken: Spoken
) -> None:
    enter_line(spool, clocks, "call")
    enter(spool, clocks, 1, 2)
    enter_line(spool, clocks, "wrap")
    enter(spool, clocks, 3)
    # The clock is put back meanwhile, which the age undoes.
    clocks.run_s += 60
    clocks.wall = clocks.wall.replace(hour=2)

    assert service.send(spoken).sent == 5

    assert service.serials == [[2, 3], [5]]
    sent_at = "2026-03-02T02:00:00.000000Z"
    assert service.lines == [
        {"kind": kind, "at": "2026-03-02T01:59:00.000000Z", "sent_at": sent_at}
        if spoken is BEFORE
        else {
            "kind": kind,
            "at": "2026-03-02T14:00:00.000000Z",
            "sent_at": sent_at,
            "age_s": 60.0,
            "spool": spool.id,
            "serial": serial,
        }
        for kind, serial in (("call", 1), ("wrap", 4))
    ]
    assert service.keys == ([f"{spool.id}-1", f"{spool.id}-4"] if spoken is BEFORE else [None, None])


def test_a_service_that_takes_more_is_told_more(spool: Spool, clocks: Clocks, service: Service) -> None:
    enter(spool, clocks, 1)
    enter_line(spool, clocks, "waiting", reason="a lamp")
    enter_line(spool, clocks, "power_off")
    clocks.pass_s(5)

    service.send(TOMORROW)

    assert service.bodies[0]["queued"] == 2
    first, second = service.lines
    assert first == {
        "kind": "waiting",
        "reason": "a lamp",
        "at": "2026-03-02T14:00:00.000000Z",
        "sent_at": "2026-03-02T14:00:05.000000Z",
        "age_s": 5.0,
        "spool": spool.id,
        "serial": 2,
    }
    assert (second["kind"], second["serial"]) == ("power_off", 3)


def test_one_that_no_body_takes_is_found_by_halves_and_put_aside(
    spool: Spool, clocks: Clocks, service: Service
) -> None:
    enter(spool, clocks, *range(1, 21))
    service.refuses = lambda body: (
        problem(422, "invalid-request") if any(count["captures_total"] == 13 for count in body["counts"]) else None
    )

    done = service.send()

    assert (done.sent, done.rejected) == (19, 1)
    assert [entry.serial for entry in spool.entries(State.REJECTED)] == [13]
    assert sorted(serial for serials in service.serials for serial in serials) == [n for n in range(1, 21) if n != 13]


def test_a_line_refused_for_good_blocks_nothing(spool: Spool, clocks: Clocks, service: Service) -> None:
    enter_line(spool, clocks, "call")
    enter(spool, clocks, 1)
    service.refuses = lambda body: problem(404, "stage-unknown") if "kind" in body else None

    service.send()

    (entry,) = spool.entries(State.REJECTED)
    assert (entry.serial, entry.reason) == (1, {"kind": "stage-unknown", "detail": "It is stage-unknown"})
    assert service.serials == [[2]]


def test_a_line_whose_serial_says_something_else_there_goes_out_under_a_new_id(
    spool: Spool, clocks: Clocks, service: Service
) -> None:
    """As of a count: this file is an earlier copy of itself."""
    old = spool.id
    enter_line(spool, clocks, "call")
    enter(spool, clocks, 1)
    service.refuses = lambda body: problem(409, "log-conflict") if body.get("spool") == old else None

    done = service.send()

    assert (done.renewed, done.sent, spool.number(State.REJECTED)) == (True, 2, 0)
    assert spool.id != old
    assert [(line["spool"], line["serial"]) for line in service.lines] == [(spool.id, 1)]
    assert {body["spool"] for body in service.bodies} == {spool.id}


def test_a_line_that_is_there_already_is_done(spool: Spool, clocks: Clocks, service: Service) -> None:
    """Its answer was lost, and this time of sending is another."""
    enter_line(spool, clocks, "call")
    service.refuses = lambda body: problem(422, "idempotency-key-reused") if "kind" in body else None

    assert (service.send(BEFORE).sent, spool.number(State.CONFIRMED)) == (1, 1)


def test_a_network_that_answers_with_something_else_leaves_all_as_it_is(
    spool: Spool, clocks: Clocks, service: Service
) -> None:
    enter(spool, clocks, 1, 2)
    service.refuses = lambda _body: httpx.Response(200, html="<h1>Sign in</h1>")
    with pytest.raises(NotTheService):
        service.send()

    assert (spool.number(State.WAITING), spool.number(State.REJECTED)) == (2, 0)
    assert "not Tiedown" in (spool.note("last_trouble") or "")


def test_a_service_that_knows_no_spools_takes_counts_as_well(spool: Spool, clocks: Clocks, service: Service) -> None:
    enter(spool, clocks, 1)
    service.knows_spools = False

    assert service.send().sent == 1


def test_two_processes_do_not_send_at_once(spool: Spool, clocks: Clocks, service: Service) -> None:
    enter(spool, clocks, 1)
    with alone(spool.path.with_name("sending.lock")), pytest.raises(BeingSent):
        service.send()
    assert service.bodies == []

    assert service.send().sent == 1


def test_pauses_grow_are_scattered_and_end() -> None:
    pauses = [[Pause(1.0, 60.0, failures).next_s(NoAnswer("x", "y")) for failures in range(40)] for _ in range(50)]

    for failures in range(40):
        longest = min(2.0**failures, 60.0)
        at_this_failure = [each[failures] for each in pauses]
        assert all(longest / 2 <= pause <= longest for pause in at_this_failure)
        assert len(set(at_this_failure)) > 1
    pause = Pause()
    pause.next_s(NoAnswer("x", "y"))
    pause.over()
    assert pause.failures == 0


def test_a_service_that_asks_for_longer_is_given_it_within_reason() -> None:
    busy = NoAnswer("x", "y", retry_after_s=120.0)

    assert Pause().next_s(busy) == 120.0
    assert Pause().next_s(replace(busy, retry_after_s=99_999.0)) == 600.0
