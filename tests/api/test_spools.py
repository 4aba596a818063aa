"""What a terminal is told of its spool, by which it notices that the service was put back to an earlier copy."""

from collections.abc import Callable

import pytest

from service.domain.keys import Scope
from service.store.engine import Database
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin, count, post


@pytest.fixture(autouse=True)
def shot(database: Database, clock: Clock) -> None:
    begin(database, clock)
    add_shot(database)


def told(caller: Caller, spool: str) -> tuple[int, int | None]:
    answer = caller.get(f"/v1/spools/{spool}").json()
    return answer["counts"], answer["last_serial"]


def test_a_spool_of_which_nothing_came_has_nothing(terminal: Caller) -> None:
    assert terminal.get("/v1/spools/k7").json() == {
        "spool": "k7",
        "terminal": "mill-capture",
        "stage": "mill",
        "production": None,
        "counts": 0,
        "log_lines": 0,
        "last_serial": None,
        "head": terminal.get("/v1/spools/k7").json()["head"],
    }


def test_it_has_what_was_kept_matched_or_not_and_nothing_twice(terminal: Caller) -> None:
    head = terminal.get("/v1/spools/k7").json()["head"]
    post(terminal, count(3, 40), count(9, 41, shot="unheard-of"), count(10, 41, outcome="ng"), spool="k7")
    post(terminal, count(3, 40), spool="k7")
    post(terminal, count(4, 40), spool="other")

    assert told(terminal, "k7") == (2, 9)
    assert terminal.get("/v1/spools/k7").json()["head"] > head


def test_a_spool_of_the_same_name_of_another_terminal_is_another(
    terminal: Caller, database: Database, clock: Clock, key: Callable[..., Caller]
) -> None:
    add_stage(database, clock, "harbour")
    post(terminal, count(1, 40), spool="k7")

    other = key(Scope.COUNT, terminal="harbour-capture")

    assert told(other, "k7") == (0, None)
    assert told(terminal, "k7") == (1, 1)


@pytest.mark.parametrize("spool", ["%00", "two words", "%ED%A0%80", "a" * 300])
def test_what_no_spool_can_be_called_has_nothing(terminal: Caller, spool: str) -> None:
    assert terminal.get(f"/v1/spools/{spool}").json()["counts"] == 0


def test_only_terminals_ask(reader: Caller, admin: Caller) -> None:
    assert [caller.get("/v1/spools/k7").status_code for caller in (reader, admin)] == [403, 403]
