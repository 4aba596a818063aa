"""The stream over HTTP: what is sent to whom, where it begins, when it ends, and by which cookie a page follows it."""

import json
from collections.abc import Callable
from datetime import timedelta
from http.cookies import SimpleCookie
from itertools import product

import pytest
from fastapi import FastAPI
from sqlalchemy import delete
from sqlmodel import col

from service.actions import keys
from service.api import cookies, listeners
from service.api.tail import EndReason
from service.app import create_app
from service.domain.events import EventKind
from service.domain.keys import Scope
from service.settings import Settings
from service.store import events
from service.store.engine import Busy, Database
from service.store.keys import by_prefix
from service.store.tables import CleanedRow, EventRow
from tests.api.conftest import Caller, Clock
from tests.api.listening import Reader, readers, run
from tests.api.scenes import PRODUCTION, add_shot, begin
from tests.api.test_doors import is_problem

Opens = Callable[..., Reader]
HEARTBEAT_S = 0.02
WEIRD = "two\nlines\r\nand a third\rwith \u2028 and \x85"


@pytest.fixture
def lively(app: FastAPI, database: Database, clock: Clock) -> FastAPI:
    """An application with a quick heart and few seats."""
    settings = Settings(stream_heartbeat_s=HEARTBEAT_S, stream_readers=3, stream_readers_of_key=2)
    made = create_app(settings, database, clock=clock)
    made.router.routes[:] = app.router.routes
    made.state.tail._look_s = 0.005
    return made


@pytest.fixture
def opens(lively: FastAPI, key: Callable[..., Caller], database: Database, clock: Clock) -> Opens:
    """Makes readers with the keys `office`, `reader`, and `bound` to the production `tin-moon`; see `readers`."""
    begin(database, clock)
    office = key(Scope.COORDINATE)
    office.post("/v1/productions", {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"})
    callers = {"office": office, "reader": key(Scope.READ), "bound": key(Scope.READ, production="tin-moon")}
    return readers(lively, {name: caller.token for name, caller in callers.items()})


def say(
    database: Database, clock: Clock, kind: EventKind = EventKind.STAGE_CHANGED, *, production_id: int | None = None
) -> int:
    """Append an event and return its position."""
    about = {"stage": WEIRD}
    with database.writing() as session:
        return events.append(session, kind=kind, at=clock(), actor=WEIRD, production_id=production_id, data=about)


def head_of(database: Database) -> int:
    with database.reading() as session:
        return events.head(session)


def test_a_reader_hears_what_the_list_shows_whatever_it_asks_for(
    opens: Opens, database: Database, clock: Clock, lively: FastAPI, key: Callable[..., Caller]
) -> None:
    """One visibility for both, old events and new ones, by key and by filter."""
    add_shot(database)
    say(database, clock)
    callers = {"reader": key(Scope.READ), "bound": key(Scope.READ, production="tin-moon")}
    queries = ["", f"production={PRODUCTION}", "production=tin-moon", "kind=stage.changed&kind=production.added"]

    async def story() -> None:
        for who, query in product(callers, queries):
            async with opens(who, query=f"after=0&{query}") as reader:
                if who == "bound" and PRODUCTION in query:
                    await reader.task
                    assert (reader.status, json.loads(reader.body)["type"]) == (404, "/problems/production-unknown")
                    continue
                for production_id in (None, 1, 2):
                    say(database, clock, production_id=production_id)
                    say(database, clock, EventKind.KEY_CHANGED, production_id=production_id)
                head = head_of(database)
                await reader.until(lambda: int(reader.source.last_id or 0) == head)  # noqa: B023 -- awaited here
            shown = callers[who].get(f"/v1/events?limit=1000&{query}").json()["items"]
            told = [each for each in reader.sent if "." in each.kind]
            assert [json.loads(each.data) for each in told] == shown, (who, query)
            assert [(int(each.id), each.kind) for each in told] == [(each["id"], each["kind"]) for each in shown]
            assert shown or who == "bound"

    run(story)


def test_a_reader_begins_after_what_it_saw_else_where_it_says_else_now(opens: Opens, database: Database) -> None:
    head = head_of(database)
    wrong = ("", "-1", "x", "1.5", "1e1", str(head + 1), str(2**31), "9" * 30, " 1", "²", "0x1", "1,2", "٣")
    begins = [("", None, head), ("after=0", None, 0), ("after=2", None, 2), ("after=2", "1", 1), ("after=99", "0", 0)]
    begins += [("", "3", 3), ("", str(head), head), ("", "007" if head >= 7 else "003", 7 if head >= 7 else 3)]
    begins += [(query, bad, at) for bad in wrong for query, at in (("", head), ("after=2", 2)) if bad.isascii()]

    async def story() -> None:
        for query, seen, position in begins:
            given = {} if seen is None else {"Last_Event_ID": seen}
            async with opens(query=query, **given) as reader:
                await reader.until(lambda: reader.sent)
            opening = reader.sent[0]
            assert (opening.kind, opening.id) == ("position", str(position)), (query, seen)
            assert json.loads(opening.data) == {"position": position, "heartbeat_s": HEARTBEAT_S}
            least, most = listeners.RETRY_MS
            assert least <= (reader.source.retry_ms or 0) <= most
        async with opens(query=f"after={head + 1}") as ahead:
            await ahead.task
        assert (ahead.status, json.loads(ahead.body)["head"]) == (409, head)

    run(story)


def clean(database: Database, clock: Clock, position: int) -> None:
    """Take an event out of the log, and remember that it was there."""
    with database.writing() as session:
        session.execute(delete(EventRow).where(col(EventRow.id) == position))
        session.merge(
            CleanedRow(
                production_id=1,
                shot_id=0,
                kind=EventKind.KEY_MADE,
                position=position,
                happened_at=clock(),
                events=1,
                cleaned_at=clock(),
            )
        )


def test_who_saw_less_than_is_gone_is_told_from_where_on_nothing_is(
    opens: Opens, database: Database, clock: Clock
) -> None:
    clean(database, clock, 3)
    whole = ["", f"production={PRODUCTION}", "kind=key.made"]
    untouched = ["kind=stage.changed", "production=tin-moon"]
    ways = [(query, seen, ["3"] if seen < 3 else []) for query in whole for seen in (0, 2, 3, 4)]
    ways += [(query, 0, []) for query in untouched]

    async def story() -> None:
        for query, seen, resets in ways:
            async with opens("office", query=query, Last_Event_ID=str(seen)) as reader:
                last = say(database, clock)
                await reader.until(lambda: int(reader.source.last_id or 0) >= last)  # noqa: B023 -- awaited here
            assert [each.id for each in reader.of("reset")] == resets, (query, seen)
            if not query:
                assert reader.positions == list(range(max(3, seen) + 1, last + 1))
        async with opens("office", query="after=0") as reader:
            await reader.until(lambda: reader.of("reset"))
        assert json.loads(reader.of("reset")[0].data) == {"cleaned_to": 3, "head": last}

    run(story)


def test_whom_nothing_concerns_learns_how_far_the_log_has_come(opens: Opens, database: Database, clock: Clock) -> None:
    """By an event with data: one browser remembers no id of an event without."""

    async def story() -> None:
        async with opens("bound") as reader:
            await reader.until(lambda: reader.body.count(listeners.COMMENT) > 2)
            last = say(database, clock)
            await reader.until(lambda: reader.source.last_id == str(last))
            mine = say(database, clock, production_id=2)
            await reader.until(lambda: mine in reader.positions)
        assert [each.kind for each in reader.sent] == ["position", "position", "stage.changed"]

    run(story)


def test_a_stream_ends_with_its_key_and_says_why(
    opens: Opens, database: Database, clock: Clock, key: Callable[..., Caller], lively: FastAPI
) -> None:
    made = {name: key(Scope.READ) for name in ("revoked", "expired", "rotated")}
    opens = readers(lively, {name: caller.token for name, caller in made.items()})

    def change(name: str) -> None:
        with database.writing() as session:
            row = keys.find(session, called[name], lock=True)
            match name:
                case "revoked":
                    keys.revoke(session, row, by="office", now=clock())
                case "expired":
                    keys.move_expiry(session, row, clock() - timedelta(seconds=1), by="office", now=clock())
                case _:
                    keys.rotate(session, row, by="office", now=clock())

    with database.reading() as session:
        found = {name: by_prefix(session, caller.token[3:11]) for name, caller in made.items()}
        called = {name: each.row.name for name, each in found.items() if each is not None}

    async def story() -> None:
        for name in made:
            async with opens(name) as reader:
                await reader.until(lambda: reader.sent)
                change(name)
                await reader.task
            assert reader.ended
            last = json.loads(reader.sent[-1].data)
            assert (reader.sent[-1].kind, last["reason"]) == ("end", f"key {name}")
            assert last["detail"].startswith(f"The API key {called[name]} ")
            async with opens(name) as again:
                await again.task
            assert again.status == 401

    run(story)


def test_nothing_is_told_while_nobody_knows_whether_it_may_be(
    opens: Opens, database: Database, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_given: object, **_named: object) -> None:
        raise Busy("away")

    monkeypatch.setattr(listeners, "PAUSE_S", 0.005)

    async def story() -> None:
        async with opens("office") as reader:
            await reader.until(lambda: reader.sent)
            with monkeypatch.context() as patch:
                patch.setattr(cookies, "proven", away)
                await reader.until(lambda: reader.body.count(listeners.COMMENT) > 3)
                last = say(database, clock)
                heard = reader.body.count(listeners.COMMENT)
                await reader.until(lambda: reader.body.count(listeners.COMMENT) > heard + 10)
                assert reader.positions == []
            await reader.until(lambda: reader.positions == [last])

    run(story)


def test_so_many_may_read_and_no_more_and_who_goes_makes_room(opens: Opens) -> None:
    async def story() -> None:
        async with opens("office") as first, opens("office") as second:
            await first.until(lambda: first.sent)
            await second.until(lambda: second.sent)
            async with opens("office") as third:
                await third.task
            problem = json.loads(third.body)
            assert (third.status, problem["type"]) == (503, "/problems/too-many-readers")
            assert problem["detail"].startswith("2 readers follow the stream by the key coordinate-0 already")
            assert 1 <= int(third.headers["retry-after"]) <= 60
            async with opens("reader") as other:
                await other.until(lambda: other.sent)
                async with opens("bound") as full:
                    await full.task
                assert (full.status, json.loads(full.body)["readers"]) == (503, 3)
        async with opens("office") as again:
            await again.until(lambda: again.sent)
        assert again.status == 200

    run(story)


def test_head_is_answered_and_takes_no_seat(opens: Opens, lively: FastAPI) -> None:
    # RFC 9110, 9.3.2: the same header fields as GET.
    async def story() -> None:
        async with opens() as got, opens(method="HEAD") as head:
            await got.until(lambda: got.sent)
            await head.task
            assert (head.status, head.body, head.ended) == (200, b"", True)
            assert head.headers == got.headers
            assert got.headers["content-type"].partition(";")[0] == "text/event-stream"
            assert got.headers["cache-control"] == "no-store"
            assert lively.state.tail.readers == 1

    run(story)


def test_the_end_of_the_process_is_told_and_who_takes_nothing_is_dropped(opens: Opens, lively: FastAPI) -> None:
    async def story() -> None:
        async with opens("office") as reader, opens("office") as stuck:
            await reader.until(lambda: reader.sent)
            await stuck.until(lambda: stuck.sent)
            stuck.hold()
            lively.state.tail.end()
            await reader.task
            await stuck.task
            assert (reader.ended, stuck.ended, stuck.dropped) == (True, False, True)
            assert json.loads(reader.sent[-1].data)["reason"] == EndReason.STOPPING
        async with opens("office") as late:
            await late.task
        assert [each.kind for each in late.sent] == ["position", "end"]
        assert lively.state.tail.readers == 0

    run(story)


def test_who_takes_nothing_for_long_is_dropped(opens: Opens, lively: FastAPI, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listeners, "SEND_S", 0.01)

    async def story() -> None:
        async with opens("office") as stuck:
            await stuck.until(lambda: stuck.sent)
            stuck.hold()
            await stuck.task
            assert (stuck.ended, stuck.dropped, lively.state.tail.readers) == (False, True, 0)

    run(story)


def test_a_page_follows_by_a_cookie_that_opens_nothing_else(
    opens: Opens, key: Callable[..., Caller], database: Database, clock: Clock, lively: FastAPI
) -> None:
    holder = key(Scope.READ, production="tin-moon")
    answer = holder.post("/v1/stream/cookie")
    # RFC 6265, and SameSite as RFC 6265bis has it.
    (morsel,) = SimpleCookie(answer.headers["Set-Cookie"]).values()
    said = {name: value for name, value in morsel.items() if value}
    assert said == {"path": "/v1/stream", "max-age": "43200", "httponly": True, "samesite": "strict"}
    assert answer.json() == {"expires_at": "2026-03-02T22:00:00Z"}
    assert holder.token.rpartition("_")[2] not in answer.text + answer.headers["Set-Cookie"]
    over_tls = holder.client.post(
        "https://testserver/v1/stream/cookie", headers={"Authorization": f"Bearer {holder.token}"}
    )
    assert "Secure" in over_tls.headers["Set-Cookie"]
    holder.client.cookies.clear()
    cookie = f"{morsel.key}={morsel.value}"
    is_problem(holder.client.get("/v1/events", headers={"Cookie": cookie}), 401, "missing-key")
    is_problem(holder.client.post("/v1/stream/cookie", headers={"Cookie": cookie}), 401, "missing-key")

    prefix, until, hidden = morsel.value.split(".")
    forged = [f"{prefix}.{int(until) + 1}.{hidden}", f"{prefix}.9999999999.{hidden}", f"aaaaaaaa.{until}.{hidden}"]
    forged += [
        f"{prefix}.{until}.{hidden[:place]}{'A' if each != 'A' else 'B'}{hidden[place + 1 :]}"
        for place, each in enumerate(hidden[:42])
    ]
    forged += ["", prefix, f"{prefix}.{until}", f"{prefix}.{until}.{'x' * 43}", holder.token]
    elsewhere = [{"Sec-Fetch-Site": each} for each in ("cross-site", "same-site", "none", "")]
    elsewhere += [{"Origin": each} for each in ("http://testserver:8080", "http://evil.example", "null", "testserver")]
    elsewhere += [{"Sec-Fetch-Site": "same-site", "Origin": "http://testserver"}]
    here = [{}, {"Sec-Fetch-Site": "same-origin"}, {"Origin": "http://testserver"}]

    def opened(value: str, given: dict[str, str]) -> Reader:
        return Reader(lively, {"Host": "testserver", "Cookie": f"{morsel.key}={value}", **given})

    async def story() -> None:
        for value, given in [(each, {}) for each in forged] + [(morsel.value, each) for each in elsewhere]:
            async with opened(value, given) as refused:
                await refused.task
            kind = json.loads(refused.body)["type"]
            assert (refused.status, kind) in {(401, "/problems/unfit-cookie"), (401, "/problems/missing-key")}, value
        for given in here:
            async with opened(morsel.value, given) as reader:
                await reader.until(lambda: reader.sent)
                say(database, clock, production_id=1)
                mine = say(database, clock, production_id=2)
                await reader.until(lambda: reader.positions)
            assert reader.positions == [mine]
        async with opened(morsel.value, {}) as reader:
            await reader.until(lambda: reader.sent)
            clock.pass_time(hours=12)
            await reader.task
        assert json.loads(reader.sent[-1].data)["reason"] == EndReason.COOKIE

    run(story)
    back = holder.send("DELETE", "/v1/stream/cookie")
    assert "Max-Age=0" in back.headers["Set-Cookie"]
