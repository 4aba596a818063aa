"""The client over HTTP: what it repeats and how often, what it makes of refusals, and that the API knows its bodies."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import httpx
import pytest

from service.client import ApiError, Client, Patience, Unanswered

COUNT = {"serial": 1, "production": "p", "shot": "s", "take": 1, "captures_total": 3}
COUNTED = {"answers": [{"outcome": "counted", "serial": 1}]}
BUSY = {"type": "/problems/too-busy", "title": "Too busy", "status": 503, "detail": "Try again in 2 s."}
PATIENCE = Patience(tries=4, first_s=0.1, most_s=3.0)


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
    "retry_after", ["2", format_datetime(datetime.now(UTC) + timedelta(seconds=3000), usegmt=True)]
)
def test_a_busy_service_is_given_the_time_it_asks_for_up_to_a_bound(retry_after: str) -> None:
    """Both forms of RFC 9110, section 10.2.3; nobody is made to sleep for an hour."""
    wire = Wire(problem(503, BUSY, **{"Retry-After": retry_after}), httpx.Response(200, json={"name": ""}))
    with wire.client() as client:
        assert client.studio()["name"] == ""
    assert wire.slept_s == [2.0 if retry_after == "2" else PATIENCE.most_s]


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


@pytest.mark.parametrize("ask", [lambda client: client.make_key("k", "read"), lambda client: client.rotate_key("k")])
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
