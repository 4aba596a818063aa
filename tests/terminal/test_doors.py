"""What comes back over a network, and what it means for what waits."""

import json
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import httpx
import pytest

from service.terminal.doors import Door
from service.terminal.troubles import KeyNotTaken, NoAnswer, NotTheService, Refused, Trouble

COUNT = {"serial": 7, "production": "p", "shot": "s1", "take": 1, "captures_total": 3}
KNOWN = {"terminal": "grab", "stage": "a", "production": None, "counts": 3, "last_serial": 9, "head": 12}


def problem(status: int, kind: str, **more: Any) -> httpx.Response:  # noqa: ANN401 - any JSON
    document = {"type": f"/problems/{kind}", "title": kind, "status": status, "detail": f"It is {kind}.", **more}
    return httpx.Response(status, json=document, headers={"Content-Type": "application/problem+json"})


def door(answer: httpx.Response | Exception) -> Door:
    def answering(_request: httpx.Request) -> httpx.Response:
        if isinstance(answer, Exception):
            raise answer
        return answer

    return Door("http://there", "td_key", transport=httpx.MockTransport(answering))


def posted(answer: httpx.Response | Exception, *counts: dict[str, Any]) -> list[dict[str, Any]]:
    with door(answer) as opened:
        return opened.post({"spool": "k7", "counts": list(counts) or [COUNT]})


@pytest.mark.parametrize(
    ("answer", "trouble", "said"),
    [
        (httpx.ConnectError("refused"), NoAnswer, "refused"),
        (httpx.ReadTimeout(""), NoAnswer, "ReadTimeout"),
        (httpx.RemoteProtocolError("cut"), NoAnswer, "cut"),
        (OSError("no route"), NoAnswer, "no route"),
        (problem(503, "too-busy"), NoAnswer, "status 503"),
        (problem(500, "failed"), NoAnswer, "status 500"),
        (httpx.Response(502, text="<html>"), NoAnswer, "status 502"),
        (httpx.Response(429), NoAnswer, "status 429"),
        # A page to sign in on, a redirect, another program's JSON, half an answer.
        (httpx.Response(200, html="<h1>Welcome</h1>"), NotTheService, "does not say what became"),
        (httpx.Response(302, headers={"Location": "http://elsewhere"}), NotTheService, "status 302"),
        (httpx.Response(200, json={"ok": True}), NotTheService, "does not say what became"),
        (httpx.Response(200, json=[]), NotTheService, "does not say what became"),
        (httpx.Response(200, json={"answers": []}), NotTheService, "not those of the counts sent"),
        (httpx.Response(200, json={"answers": ["yes"]}), NotTheService, "not those of the counts sent"),
        (httpx.Response(200, json={"answers": [{"serial": 7}]}), NotTheService, "not those of the counts sent"),
        (
            httpx.Response(200, json={"answers": [{"outcome": "counted", "serial": 8}]}),
            NotTheService,
            "not those of the counts sent",
        ),
        (httpx.Response(404, text="nothing here"), NotTheService, "status 404"),
        (httpx.Response(401, json={"detail": "who?"}), NotTheService, "status 401"),
        (problem(401, "unknown-key"), KeyNotTaken, "It is unknown-key. Enrol again"),
        (problem(403, "scope-too-narrow"), KeyNotTaken, "It is scope-too-narrow."),
    ],
)
def test_what_takes_no_count_off_the_queue(
    answer: httpx.Response | Exception, trouble: type[Trouble], said: str
) -> None:
    with pytest.raises(trouble) as raised:
        posted(answer)
    assert said in str(raised.value)


@pytest.mark.parametrize(
    ("answer", "kind"),
    [
        (problem(409, "count-conflict"), "count-conflict"),
        (problem(422, "count-malformed"), "count-malformed"),
        (problem(403, "other-production"), "other-production"),
        (problem(403, "decision-not-allowed"), "decision-not-allowed"),
    ],
)
def test_one_count_alone_may_be_refused_for_good(answer: httpx.Response, kind: str) -> None:
    (refused,) = posted(answer)

    assert (refused["outcome"], refused["serial"]) == ("refused", 7)
    assert refused["problem"]["type"] == f"/problems/{kind}"


def test_a_body_of_many_refused_as_a_whole_accuses_none_of_them() -> None:
    for answer in (problem(422, "invalid-request"), httpx.Response(413, text="too large")):
        with pytest.raises(Refused):
            posted(answer, COUNT, {**COUNT, "serial": 8})


def test_answers_belong_to_the_counts_in_their_order() -> None:
    answers = [{"outcome": "counted", "serial": 7}, {"outcome": "refused", "problem": {}}]

    got = posted(httpx.Response(207, json={"answers": answers}), COUNT, {**COUNT, "serial": 8})

    assert [answer["serial"] for answer in got] == [7, 8]


def test_a_busy_service_says_how_long() -> None:
    """RFC 9110, section 10.2.3; a date there is left aside, since clocks differ."""
    for value, seconds in (("12", 12.0), ("Wed, 21 Oct 2026 07:28:00 GMT", 0.0), ("-1", 0.0)):
        with pytest.raises(NoAnswer) as busy:
            posted(httpx.Response(503, headers={"Retry-After": value}))
        assert busy.value.retry_after_s == seconds


@pytest.mark.parametrize("ahead_s", [-4_200, 0, 4_200])
def test_the_difference_of_the_clocks_is_read_from_the_answers_date(ahead_s: int) -> None:
    # RFC 9110, section 6.6.1.
    date = format_datetime(datetime.now(UTC) - timedelta(seconds=ahead_s), usegmt=True)
    with door(httpx.Response(200, json=KNOWN, headers={"Date": date})) as opened:
        known = opened.known("k7")

    assert known.ahead_s is not None
    assert abs(known.ahead_s - ahead_s) < 2
    assert (known.terminal, known.counts, known.last_serial, known.head) == ("grab", 3, 9, 12)


@pytest.mark.parametrize("missing", ["terminal", "counts", "head"])
def test_an_answer_that_is_none_of_a_spool_is_not_the_service(missing: str) -> None:
    said = {name: value for name, value in KNOWN.items() if name != missing}
    with door(httpx.Response(200, json=said)) as opened, pytest.raises(NotTheService):
        opened.known("k7")


def test_a_line_of_the_log_names_itself() -> None:
    sent: list[httpx.Request] = []

    def answering(request: httpx.Request) -> httpx.Response:
        sent.append(request)
        return httpx.Response(201, json={})

    with Door("http://there", "td_key", transport=httpx.MockTransport(answering)) as opened:
        opened.enter("north hall", {"kind": "call"}, identity="k7-3")

    assert sent[0].url.raw_path == b"/v1/stages/north%20hall/log"
    assert (sent[0].headers["Idempotency-Key"], json.loads(sent[0].content)) == ("k7-3", {"kind": "call"})
