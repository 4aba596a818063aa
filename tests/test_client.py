"""The client over HTTP: what it repeats and how often, what it makes of refusals, and that the API knows its bodies."""

import itertools
import json
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker, ValidationError
from sse_starlette import ServerSentEvent

from service.client import (
    ApiError,
    Client,
    EventsMissed,
    EventSource,
    Message,
    Patience,
    Reply,
    Unanswered,
)
from tests.served import served, tiedown

COUNT = {"serial": 1, "production": "p", "shot": "s", "take": 1, "captures_total": 3}
COUNTED = {"answers": [{"outcome": "counted", "serial": 1}]}
BUSY = {"type": "/problems/too-busy", "title": "Too busy", "status": 503, "detail": "Try again in 2 s."}
PATIENCE = Patience(tries=4, first_s=0.1, most_s=3.0, most_asked_s=90.0)


class Wire:
    """A network that answers from a list, and a clock that notes how long the client would have slept."""

    def __init__(self, *answers: httpx.Response | Exception) -> None:
        self._answers = iter(answers)
        self.requests: list[httpx.Request] = []
        self.slept_s: list[float] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        answer = next(self._answers)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def client(self) -> Client:
        transport = httpx.MockTransport(self)
        return Client("http://there", "td_key", patience=PATIENCE, transport=transport, sleep=self.slept_s.append)


def problem(status: int, document: Mapping[str, object], **headers: str) -> httpx.Response:
    return httpx.Response(status, json=document, headers={"Content-Type": "application/problem+json", **headers})


def test_counts_are_repeated_unchanged_until_they_are_answered() -> None:
    wire = Wire(httpx.ConnectError("refused"), httpx.ReadTimeout("cut"), httpx.Response(200, json=COUNTED))
    with wire.client() as client:
        assert client.post_counts([COUNT], spool="k7", sent_at="2026-03-02T14:05:04Z") == COUNTED["answers"]
    assert len({request.content for request in wire.requests}) == 1
    assert len(wire.requests) == 3


def test_pauses_grow_and_are_bounded() -> None:
    wire = Wire(*[httpx.ConnectError("refused")] * 4)
    with wire.client() as client, pytest.raises(Unanswered, match="no answer after 4 tries"):
        client.studio()
    assert [0.05 <= wire.slept_s[0] <= 0.1, 0.1 <= wire.slept_s[1] <= 0.2, 0.2 <= wire.slept_s[2] <= 0.4] == [True] * 3
    assert PATIENCE.pause_s(20, 0) == PATIENCE.most_s


@pytest.mark.parametrize(
    "retry_after",
    ["2", "80", format_datetime(datetime.now(UTC) + timedelta(seconds=3000), usegmt=True)],
    ids=["seconds", "longer than its own pauses", "date"],
)
def test_a_busy_service_is_given_the_time_it_asks_for_up_to_a_bound(retry_after: str) -> None:
    """Both forms of RFC 9110, section 10.2.3; nobody is made to sleep for an hour."""
    wire = Wire(problem(503, BUSY, **{"Retry-After": retry_after}), httpx.Response(200, json={"name": ""}))
    with wire.client() as client:
        assert client.studio()["name"] == ""
    assert wire.slept_s == [float(retry_after) if retry_after.isdigit() else PATIENCE.most_asked_s]


def test_a_service_that_stays_busy_is_told_of() -> None:
    wire = Wire(*[problem(503, BUSY)] * 4)
    with wire.client() as client, pytest.raises(ApiError, match="503 Try again in 2 s") as refused:
        client.studio()
    assert (refused.value.status, refused.value.kind, refused.value.problem) == (503, "too-busy", BUSY)


def test_a_write_is_repeated_under_one_idempotency_key() -> None:
    wire = Wire(httpx.ReadError("cut"), httpx.Response(201, json={"code": "a"}, headers={"ETag": '"1.0"'}))
    with wire.client() as client:
        added = client.add_stage("a", "A")
    assert (added.status, added.etag, added["code"]) == (201, '"1.0"', "a")
    names = [request.headers["Idempotency-Key"] for request in wire.requests]
    assert names[0] == names[1]


def test_two_writes_have_two_idempotency_keys() -> None:
    wire = Wire(httpx.Response(201, json={}), httpx.Response(201, json={}))
    with wire.client() as client:
        client.add_stage("a", "A")
        client.add_stage("b", "B")
    assert len({request.headers["Idempotency-Key"] for request in wire.requests}) == 2


@pytest.mark.parametrize(
    "ask", [lambda client: client.make_key("k", "read"), lambda client: client.rotate_key("k", etag='"1.0"')]
)
def test_a_secret_is_asked_for_once_only(ask: Callable[[Client], object]) -> None:
    """The answer to a repeated request could not show it again."""
    wire = Wire(httpx.ReadError("cut"))
    with wire.client() as client, pytest.raises(Unanswered):
        ask(client)
    assert (len(wire.requests), wire.slept_s) == (1, [])


def test_a_refusal_is_not_repeated_and_names_each_fault() -> None:
    document = {
        "type": "/problems/invalid-request",
        "detail": "The request has fields that are wrong.",
        "errors": [{"pointer": "#/cut_frames", "detail": "Input should be a valid integer"}],
    }
    wire = Wire(problem(422, document))
    with wire.client() as client, pytest.raises(ApiError) as refused:
        client.add_shot("p", {"cut_frames": "ten"})
    assert str(refused.value) == (
        "422 The request has fields that are wrong.; #/cut_frames: Input should be a valid integer"
    )
    assert len(wire.requests) == 1


def test_a_refusal_that_is_no_document_is_told_of_all_the_same() -> None:
    wire = Wire(httpx.Response(502, text="<h1>Bad gateway</h1>"))
    with wire.client() as client, pytest.raises(ApiError, match="502 <h1>Bad gateway</h1>") as refused:
        client.studio()
    assert refused.value.kind == ""


@pytest.mark.parametrize("kind", ["count-conflict", "count-malformed", "decision-not-allowed"])
def test_one_refused_count_is_answered_like_one_of_many(kind: str) -> None:
    document = {"type": f"/problems/{kind}", "status": 409, "detail": "no"}
    wire = Wire(problem(409, document))
    with wire.client() as client:
        assert client.post_counts([COUNT]) == [{"outcome": "refused", "serial": 1, "problem": document}]


def test_a_body_of_counts_that_is_refused_whole_raises() -> None:
    wire = Wire(problem(401, {"type": "/problems/expired-key", "detail": "The API key mill expired."}))
    with wire.client() as client, pytest.raises(ApiError, match="401 The API key mill expired"):
        client.post_counts([COUNT])


def test_a_list_is_followed_to_its_end() -> None:
    pages = [{"items": [{"code": "a"}], "next": "there"}, {"items": [{"code": "b"}], "next": None}]
    wire = Wire(*[httpx.Response(200, json=page) for page in pages])
    with wire.client() as client:
        assert [stage["code"] for stage in client.stages()] == ["a", "b"]
    assert [request.url.params.get("cursor") for request in wire.requests] == [None, "there"]


def test_names_cannot_leave_their_place_in_a_path() -> None:
    wire = Wire(httpx.Response(200, json={}))
    with wire.client() as client:
        client.shot("a/../b", "§ 1?x")
    assert wire.requests[0].url.raw_path == b"/v1/productions/a%2F..%2Fb/shots/%C2%A7%201%3Fx"


# WHATWG HTML, section 9.2.6, read clause by clause: what comes, which events, and the last id.
STREAMS: list[tuple[bytes, list[tuple[str, str, str]], str]] = [
    (b"data: a\n\ndata: b\r\rdata: c\r\n\r\n", [("message", each, "") for each in "abc"], ""),
    # The last line is no event as long as no empty one follows.
    (b"data: a\n\ndata: b\n", [("message", "a", "")], ""),
    (b"data: a\ndata:  b\ndata\ndata:\n\n", [("message", "a\n b\n\n", "")], ""),
    (b"data\n\n", [("message", "", "")], ""),
    # Without data there is no event, and the id holds all the same.
    (b"event: x\nid: 7\n\ndata: a\n\n", [("message", "a", "7")], "7"),
    (b"id: 7\ndata: a\n\nid: 8\ndata: b\n", [("message", "a", "7")], "7"),
    (b"id: 7\ndata: a\n\nid\ndata: b\n\n", [("message", "a", "7"), ("message", "b", "")], ""),
    (b"id: 7\ndata: a\n\nid: 8\x009\ndata: b\n\n", [("message", "a", "7"), ("message", "b", "7")], "7"),
    (b"event: x\ndata: a\n\ndata: b\n\n", [("x", "a", ""), ("message", "b", "")], ""),
    (b": nothing\n:\n\nDATA: a\n data: b\nother: c\n\n", [], ""),
    # A byte order mark is passed over where the stream begins, and nowhere else.
    (b"\xef\xbb\xbfdata: a\n\n\xef\xbb\xbfdata: b\n\n", [("message", "a", "")], ""),
    # What else separates lines or paragraphs is text here, and what is no UTF-8 is replaced.
    ("data: a\u2028b\x85c\vd\fe\x1cf\n\n".encode(), [("message", "a\u2028b\x85c\vd\fe\x1cf", "")], ""),
    (b"data: \xff\n\n", [("message", "\ufffd", "")], ""),
    (b"retry: 12\nretry: 1.5\nretry: -1\nretry:\nid: \xd9\xa3\n\n", [], "\u0663"),
]


@given(st.data())
def test_a_stream_is_read_as_the_standard_says_in_whatever_pieces_it_comes(data: st.DataObject) -> None:
    stream, events, last_id = data.draw(st.sampled_from(STREAMS))
    cuts = sorted(data.draw(st.sets(st.integers(0, len(stream)))))
    source = EventSource()
    pieces = [stream[since:until] for since, until in itertools.pairwise([0, *cuts, len(stream)])]
    read = [message for piece in pieces for message in source.feed(piece)]
    assert read == [Message(*each) for each in events]
    assert source.last_id == last_id
    assert source.retry_ms == (12 if b"retry" in stream else None)


TEXT = st.text(st.characters(codec="utf-8"))
LINE = st.text(st.characters(codec="utf-8", exclude_characters="\0\r\n"))


@given(st.lists(st.tuples(TEXT, LINE)), st.integers(1, 9))
def test_whatever_is_written_as_an_event_is_read_as_it_was(sent: list[tuple[str, str]], size: int) -> None:
    """The other side is `sse-starlette`."""
    stream = b"".join(ServerSentEvent(data, event="x", id=id_).encode() for data, id_ in sent)
    source = EventSource()
    read = [message for at in range(0, len(stream), size) for message in source.feed(stream[at : at + size])]
    written = [(re.sub("\r\n|\r", "\n", data), id_) for data, id_ in sent]
    assert [(message.data, message.id) for message in read] == written


def told(*blocks: str, breaks: bool = False) -> httpx.Response:
    """A stream that ends, or breaks off, after these blocks."""

    def pieces() -> Iterator[bytes]:
        for each in blocks:
            yield f"{each}\n\n".encode()
        if breaks:
            raise httpx.ReadError("cut")

    return httpx.Response(200, content=pieces(), headers={"Content-Type": "text/event-stream"})


def at(position: int, event: str = "position") -> str:
    return f"retry: 200\nid: {position}\nevent: {event}\ndata: " + json.dumps({"id": position})


def test_a_stream_goes_on_after_what_was_seen_wherever_it_breaks() -> None:
    wire = Wire(
        httpx.ConnectError("refused"),
        told(at(4), at(5, "a.b"), at(9), breaks=True),
        problem(503, BUSY, **{"Retry-After": "2"}),
        told(at(9), at(11, "a.b"), "event: end\ndata: {}", at(12, "a.b")),
        told(at(11), at(30, "reset")),
    )
    reached: list[int] = []
    with wire.client() as client:
        stream = client.events_stream(4, reached=reached.append, kind=["a.b"])
        assert [next(stream)["id"], [*reached], next(stream)["id"]] == [5, [4], 11]
        with pytest.raises(EventsMissed) as missed:
            next(stream)
    assert (missed.value.go_on_after, reached) == (30, [4, 5, 9, 9, 11, 11])
    assert [(dict(each.url.params), each.headers.get("Last-Event-ID")) for each in wire.requests] == [
        ({"kind": "a.b", "after": "4"}, None),
        ({"kind": "a.b", "after": "4"}, None),
        ({"kind": "a.b"}, "9"),
        ({"kind": "a.b"}, "9"),
        ({"kind": "a.b"}, "11"),
    ]
    # What the service asks for last counts, and where it says nothing of it, growing pauses.
    assert wire.slept_s[1:] == [0.2, 2.0, 0.2]


def test_a_stream_that_is_refused_or_stays_away_is_told_of() -> None:
    wire = Wire(told(at(4)), problem(401, {"type": "/problems/revoked-key", "detail": "revoked"}))
    with wire.client() as client, pytest.raises(ApiError, match="401 revoked"):
        next(client.events_stream())
    for answers in ([told() for _ in range(4)], [httpx.ConnectError("refused")] * 4):
        away = Wire(*answers)
        with away.client() as client, pytest.raises(Unanswered, match="no answer after 4 tries"):
            next(client.events_stream())
    back = Wire(told(at(4), at(5, "a.b"), breaks=True), told(at(3)))
    with back.client() as client, pytest.raises(EventsMissed):
        list(client.events_stream())


class Described(httpx.BaseTransport):
    """The network, and beside it the API's own description: what the description does not allow is never sent."""

    def __init__(self, openapi: dict[str, Any]) -> None:
        self._openapi = openapi
        self._network = httpx.HTTPTransport()
        self.operations: set[str] = set()

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        operation = self._operation(request)
        self.operations.add(operation["operationId"])
        declared = {each["name"] for each in operation.get("parameters", ()) if each["in"] == "query"}
        assert set(request.url.params) <= declared, operation["operationId"]
        body = operation.get("requestBody")
        assert bool(request.content) <= (body is not None), operation["operationId"]
        if body is not None:
            kind = request.headers["Content-Type"].partition(";")[0]
            schema = {**body["content"][kind]["schema"], "components": self._openapi["components"]}
            sent = json.loads(request.content) if kind == "application/json" else request.content.decode()
            Draft202012Validator(schema, format_checker=FormatChecker()).validate(sent)
        return self._network.handle_request(request)

    def _operation(self, request: httpx.Request) -> dict[str, Any]:
        """The operation of a request; of several paths that fit, the one with the fewest placeholders."""
        fitting = [
            (template.count("{"), operations[request.method.lower()])
            for template, operations in self._openapi["paths"].items()
            if re.fullmatch(re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(template)), request.url.path)
        ]
        assert fitting, f"{request.method} {request.url.path} is not described"
        return dict(min(fitting, key=lambda each: each[0])[1])

    def close(self) -> None:
        self._network.close()


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """The address of a service and its first key."""
    folder = tmp_path_factory.mktemp("service")
    with served(folder) as address:
        yield address, tiedown(folder, "key", "create", "first", "--scope", "admin")


@pytest.fixture
def described(service: tuple[str, str]) -> Iterator[Described]:
    address, _ = service
    transport = Described(httpx.get(f"{address}/openapi.json").json())
    yield transport
    transport.close()


def enter_needs(office: Client) -> Iterator[object]:
    entered = office.enter_needs("p", "s1", {"set": "quay", "rig": True})
    yield office.enter_needs("p", "s1", NEEDS, etag=etag(entered))
    yield (office.needs("p", "s1"), list(office.every_need("p", episode="e")))
    table = office.draft_needs("p", office.needs_csv("p"))
    assert table["differences"] == []
    yield (office.apply_needs("p", 1, etag=etag(office.needs_draft("p", 1))), list(office.needs_drafts("p")))


def move_on(office: Client) -> Iterator[object]:
    ahead = office.next_of("p", "s1")
    yield (office.blocked("p"), office.blocked("p", episode="e"))
    yield office.move("p", "s1", "set dressing", etag=etag(ahead), override=True, reason="the quay stands")
    yield office.move_all("p", [{"shot": "s1"}, {"shot": "s2"}], "set dressing", preview=True)
    ahead = office.next_of("p", "s1")
    signed = office.sign_off("p", "s1", "framing approved", etag=etag(ahead), role="director", signer="Ada Quill")
    there = office.signoff("p", "s1", signed["id"])
    yield office.withdraw("p", "s1", signed["id"], "the horizon was wrong", etag=etag(there))
    yield (list(office.moves("p", "s1")), list(office.signoffs("p", "s1")))


def keep_hours(office: Client) -> Iterator[object]:
    """Set the studio's hours and those of the stage `a`, and read them."""
    yield office.set_calendar({"hours": {"monday": [{"opens": "09:00", "closes": "18:00"}]}})
    own = office.set_calendar({"days_out": []}, stage="a")
    yield office.set_calendar({"hours": {}, "days_out": []}, stage="a", etag=etag(own))
    yield (office.calendar(), office.calendar("a"), office.hours("a", first_day="2026-03-02", last_day="2026-03-08"))


def book_a_stage(office: Client) -> Iterator[object]:
    """Book the stage `a` for `p`, confirm it, and cancel it."""
    day = {"start": "2026-03-03T08:00:00Z", "end": "2026-03-03T17:00:00Z"}
    made = office.book({"production": "p", "stage": "a", "activity": "lighting", **day})
    firm = office.change_booking(made["booking"], {"firmness": "confirmed"}, etag=etag(made))
    yield (office.booking(made["booking"]), list(office.bookings(stage="a", cancelled=True)))
    yield office.what_if("p", closed={"stage": "a", "from": day["start"], "to": day["end"]})
    yield (office.candidates("p", "a", at="2026-03-03T09:00:00Z", limit=5), office.strike_list("p", limit=5))
    yield (office.hold_orders("p", stage="a"), office.expected_end(made["booking"]))
    yield office.rebook([{"booking": made["booking"]}], shift_days=1, preview=True)
    yield office.rebook(where={"first_day": "2026-03-02", "last_day": "2026-03-08"}, shift_s=3600, preview=True)
    week = {"first_day": "2026-03-02", "last_day": "2026-03-08"}
    yield (office.occupancy(**week, by="day", stage="a"), office.free("a", **week))
    yield (office.stages_now(), list(office.clashes(stage="a")))
    yield office.cancel_booking(made["booking"], "no lamps", etag=etag(firm))


def place_a_terminal(office: Client) -> Iterator[object]:
    """Add the terminal `grab` and put it beside the stage `a`."""
    added = office.add_terminal("grab", "b")
    yield (office.terminal("grab"), list(office.terminal_counts("grab", "2026-03-02")))
    yield (office.move_terminal("grab", "a", etag=etag(added)), list(office.terminals()))


def watched(office: Client) -> list[Mapping[str, Any]]:
    """Let somebody hear of things, change it, remove it, and add another."""
    hears = [{"kind": "report ready"}]
    made = office.add_watch("day", hears, channel="folder", target={"folder": "day"})
    changed = office.change_watch("day", {"digest": {"every_min": 60}}, etag=etag(made))
    assert office.rotate_watch("day", etag=etag(changed))["secret"]
    assert office.enable_watch("day")["state"] == office.watch("day")["state"] == "in force"
    office.remove_watch("day")
    office.add_watch("night", hears, channel="folder", target={"folder": "night"})
    assert "report ready" in {each["kind"] for each in office.notice_kinds()["items"]}
    assert list(office.notices(kind="report ready")) == []
    return list(office.watches())


def ask_in_vain(office: Client) -> None:
    """Ask for what nobody has made: no engine is at work here."""
    for ask in (office.nightly, office.nightly_csv):
        with pytest.raises(ApiError, match="has no revision 1"):
            ask("p", "2026-03-02", revision=1)
    with pytest.raises(ApiError, match="no worker 'lamp-hours'"):
        list(office.figures("lamp-hours", "stage-days"))
    with pytest.raises(ApiError, match="no worker 'lamp-hours'"):
        list(office.quarantine("lamp-hours"))
    for switch in (office.disable_worker, office.enable_worker):
        with pytest.raises(ApiError, match="no worker 'lamp-hours'"):
            switch("lamp-hours", "it sends twice")
    for remake in (office.rebuild, office.give_up_rebuild):
        with pytest.raises(ApiError, match="no worker 'lamp-hours'"):
            remake("lamp-hours")
    assert [each["name"] for each in watched(office)] == ["night"]
    assert list(office.deliveries(state="dead")) == []
    for look in (office.delivery, office.redeliver):
        with pytest.raises(ApiError, match="no message msg_1"):
            look("msg_1")
    with pytest.raises(ApiError, match="no watch mill-approvals"):
        office.test_watch("mill-approvals")
    for decide in (office.retry, office.skip):
        with pytest.raises(ApiError, match="set no event 1 aside"):
            decide("lamp-hours", 1)


def follow(office: Client) -> Iterator[object]:
    """Follow the log for a moment."""
    with closing(office.events_stream(3, production="p", kind=["shot.added"])) as stream:
        yield next(stream)


def work_a_day(office: Client, terminal: Callable[[str], Client]) -> Iterator[object]:
    """Call every method a client has; yields what each gave."""
    yield office.set_studio({"name": "S", "time_zone": "Europe/Lisbon", "day_starts_at": "05:00"})
    studio = office.studio()
    yield office.set_studio({"name": "T", "time_zone": "UTC", "day_starts_at": "04:30"}, etag=studio.etag)
    yield (office.add_production("p", "P", frame_rate="24/1"), list(office.productions()))
    yield office.change_production("p", {"frame_rate": "30000/1001"}, etag=etag(office.production("p")))
    yield (office.add_episode("p", "e", title="E"), list(office.episodes("p")))
    yield (office.add_stage("a", "A"), office.add_stage("b", "B"), list(office.stages()))
    yield from keep_hours(office)
    yield from book_a_stage(office)
    yield from place_a_terminal(office)
    yield office.enter_signal("a", "call", at="2026-03-02T08:00:00Z", sent_at="2026-03-02T08:00:01Z")
    yield (office.enter_signal("a", "waiting", reason="a lamp", age_s=1.5), list(office.signals("a", "waiting")))
    made = office.make_key("grab", "count", bound={"terminal": "grab", "expires_at": "2099-12-31T00:00:00Z"})
    yield (
        office.make_key("spare", "read"),
        office.rotate_key("spare", etag=etag(office.key("spare"))),
        office.revoke_key("spare"),
        list(office.keys()),
    )
    office.add_shots("p", [{"code": "s1", "episode": "e", "cut_frames": 96, "stage": "a"}])
    yield office.add_shot(
        "p",
        {
            "code": "s2",
            "episode": "e",
            "scene": "quay",
            "cut_frames": 96,
            "handle_in": 4,
            "handle_out": 4,
            "cameras": ["wide", "close"],
            "passes": ["main"],
            "moving_camera": True,
            "parts": [{"part": "left", "stage": "a", "last": 60}, {"part": "right", "stage": "b", "first": 55}],
        },
    )
    yield office.change_shot("p", "s1", {"cut_frames": 90}, etag=etag(office.shot("p", "s1")))
    yield (list(office.shots("p", episode="e")), list(office.shots("p", in_hand=False)))
    yield from enter_needs(office)
    yield from move_on(office)
    lengths = "shot,frames\ns1,90\ns2,96\n"
    drafted = office.draft_cut("p", "e", lengths, kind="csv", frame_rate="30000/1001", handle_in=2)
    yield (office.lock_cut("p", "e", drafted["revision"], etag=etag(drafted)), office.cut("p", "e"))
    yield (list(office.cuts("p", "e")), office.cut_list("p", "e", kind="edl"))
    with terminal(made["key"]) as grab:
        answers = grab.post_counts(COUNTS, spool="k7", sent_at="2026-03-02T14:05:04+01:00")
        assert [answer["outcome"] for answer in answers] == ["counted", "counted", "unmatched"]
        (answer,) = grab.post_counts([{**COUNTS[0], "captures_total": 1}], spool="k7")
        assert answer["problem"]["type"] == "/problems/count-conflict"
    (waiting,) = office.unmatched()
    yield office.match_many({"where": {"shot": "unheard-of"}}, "p", shot="s1", instead={"take": 2, "preview": True})
    yield office.match(waiting["id"], "p", shot="s1", instead={"take": 2})
    yield (list(office.takes("p", "s1")), list(office.takes("p", "s2")), list(office.viewing("p", episode="e")))
    take = office.take("p", "s2", take=1, part="left")
    rejected = {"verdict": "reject", "camera": "wide", "first": 1, "last": 8, "reason": "flicker"}
    decided = office.decide("p", "s2", rejected, take=1, part="left", etag=etag(take))
    yield office.decide("p", "s2", {"verdict": "circle"}, take=1, part="left", etag=etag(decided))
    noted = office.add_note("p", "s2", {"text": "hold the look", "first": 1, "last": 8}, take=1, part="left")
    yield (noted, office.strike_note("p", "s2", "no", take=1, note=noted["note"], part="left"))
    yield list(office.notes("p", "s2", take=1, part="left"))
    yield [office.why("p", "s2", figure) for figure in ("planned_frames", "credited_frames", "shot_frames")] + [
        office.why_total("p", "per_cent", episode="e")
    ]
    yield list(office.history("p", "s2", order="newest", counts="folded", kind=["frames.counted", "take.decided"]))
    yield from put_right(office)
    yield [office.progress("p", by, episode="e") for by in ("episode", "scene", "stage", "day", "animator")]
    figures = (office.decision_figures("p", first="2026-03-01", last="2026-03-02"), office.decision_figures("p"))
    yield (*figures, office.nightly("p"), office.nightly_csv("p", "2026-03-02"))
    ask_in_vain(office)
    yield (
        list(office.nightly_days("p")),
        office.events(after=3, limit=500, production="p", kind=["shot.added", "take.decided"]),
        office.workers(),
    )
    yield from follow(office)


NEEDS = {
    "set": "quay",
    "set_up": "quay-2",
    "insert_of": "s2",
    "difficulty": 4,
    "characters": [{"character": "pell", "copies": 2}],
    "props": ["lantern"],
    "notes": "The lantern swings.",
}


def put_right(office: Client) -> Iterator[object]:
    """Restate a take, and move it."""
    right = {"frames_total": 58, "camera": "wide", "pass": "main", "instead_of_frames": 60, "reason": "two were tests"}
    restated = office.correct("p", "s2", right, take=1, part="left", etag="*")
    to = {"move_to": {"shot": "s1", "take": 3}, "reason": "the wrong code"}
    yield (restated, office.correct("p", "s2", to, take=1, part="left", etag=etag(restated)))
    merged = office.merge("p", "s2", "s1", reason="entered twice", etag="*", renumber=True)
    yield (merged, list(office.corrections("p", "s2")))


COUNTS = [
    {"serial": 1, "production": "p", "shot": "s1", "take": 1, "captures_total": 12, "frames_per_capture": 2},
    {
        "serial": 2,
        "production": "p",
        "shot": "s2",
        "take": 1,
        "frames_total": 60,
        "camera": "wide",
        "pass": "main",
        "part": "left",
        "purpose": "shoot",
        "starts_at": -3,
        "animator": "Pim",
        "at": "2026-03-02T14:05:03+01:00",
        "age_s": 1.5,
        "outcome": "finished",
    },
    {"serial": 3, "production": "p", "shot": "unheard-of", "take": 1, "captures_total": 5},
]


def etag(reply: Reply) -> str:
    assert reply.etag is not None
    return reply.etag


def test_every_body_sent_is_one_the_api_describes(service: tuple[str, str], described: Described) -> None:
    address, key = service
    called: set[str] = set()

    class Noted(Client):
        def __getattribute__(self, name: str) -> Any:  # noqa: ANN401 - any attribute of a client
            called.add(name)
            return super().__getattribute__(name)

    with Noted(address, key, transport=described) as office:
        for given in work_a_day(office, lambda of: Noted(address, of, transport=described)):
            assert given
    methods = {name for name in vars(Client) if not name.startswith("_")}
    assert methods - called == set()
    assert {"counts_post", "take_decide", "studio_set"} <= described.operations


def test_a_body_the_api_does_not_describe_would_be_caught(service: tuple[str, str], described: Described) -> None:
    address, key = service
    with Client(address, key, transport=described) as office:
        with pytest.raises(ValidationError, match="is not valid under any of the given schemas"):
            office.add_shot("p", {"code": "s9", "episode": "e", "cut_frames": "ten"})
        with pytest.raises(ValidationError, match="'sage' was unexpected"):
            office.set_studio({"name": "S", "time_zone": "UTC", "day_starts_at": "05:00", "sage": 1})
