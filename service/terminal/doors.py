"""The way to the service: one try of each request, and what each answer means for what waits.

An entry is taken off the queue by an answer that names it, and put aside only by the service's own refusal (a problem
document, RFC 9457). Whatever else comes back, from a proxy or another program, leaves the queue as it is.
"""

import ssl
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote

import httpx

from service.terminal.troubles import KeyNotTaken, NoAnswer, NotTheService, Refused

Json = dict[str, Any]

PROBLEM = "application/problem+json"
BUSY = frozenset({408, 425, 429, 500, 502, 503, 504})
LARGEST_PAGE = 500
# What one count or one line of the log is refused for by itself, though the status is that of a key that may not.
ITS_OWN = frozenset({"decision-not-allowed", "other-production", "bound-to-stage"})


@dataclass(frozen=True, slots=True)
class Known:
    """What the service says of a spool and of whose key asked.

    `ahead_s` is by how many seconds this computer's clock is ahead of the service's, to a second or so; None where the
    answer carried no time.
    """

    terminal: str
    stage: str
    production: str | None
    counts: int
    last_serial: int
    head: int
    ahead_s: float | None


class Door:
    """The service at an address, opened with a terminal's key. Close it, or use it in a `with`.

    Every method raises NoAnswer, NotTheService, KeyNotTaken, and Refused where the service refuses the request itself.
    """

    def __init__(
        self, server: str, key: str, *, timeout_s: float = 15.0, transport: httpx.BaseTransport | None = None
    ) -> None:
        self.server = server
        self._http = httpx.Client(
            base_url=server,
            headers={"Accept": "application/json", "Authorization": f"Bearer {key}"},
            timeout=timeout_s,
            transport=transport,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the connections."""
        self._http.close()

    def known(self, spool: str) -> Known:
        """What the service has of a spool."""
        asked_at = datetime.now(UTC)
        answer = self._request("GET", f"/v1/spools/{quote(spool, safe='')}")
        document = self._document(answer)
        try:
            return Known(
                terminal=str(document["terminal"]),
                stage=str(document["stage"]),
                production=document["production"],
                counts=int(document["counts"]),
                last_serial=int(document["last_serial"] or 0),
                head=int(document["head"]),
                ahead_s=_ahead_s(answer, asked_at),
            )
        except (KeyError, TypeError, ValueError):
            raise NotTheService(self.server, "its answer is not one of a spool") from None

    def shots(self, production: str, stage: str) -> Iterator[Json]:
        """The shots of a production that are planned for a stage."""
        asked: dict[str, str | int] = {"limit": LARGEST_PAGE, "stage": stage}
        while True:
            page = self._document(
                self._request("GET", f"/v1/productions/{quote(production, safe='')}/shots", params=asked)
            )
            if not isinstance(page.get("items"), list):
                raise NotTheService(self.server, "its answer is no list of shots")
            yield from page["items"]
            if page.get("next") is None:
                return
            asked["cursor"] = page["next"]

    def post(self, body: Json) -> list[Json]:
        """Post counts; one answer for each, in order, each `counted`, `repeated`, `unmatched` or `refused`."""
        answer = self._http_answer("POST", "/v1/counts", json=body)
        counts = body["counts"]
        document = _read(answer)
        if document is not None and isinstance(document.get("answers"), list):
            return self._matched(document["answers"], counts)
        try:
            self._require_success(answer)
        except Refused:
            # Of one count alone the refusal is the whole answer; its serial is where it belongs.
            if len(counts) == 1 and document is not None:
                return [{"outcome": "refused", "serial": counts[0]["serial"], "problem": document}]
            raise
        raise NotTheService(self.server, "its answer does not say what became of the counts")

    def _matched(self, answers: Sequence[object], counts: Sequence[Json]) -> list[Json]:
        matched: list[Json] = []
        for answer, count in zip(answers, counts, strict=False):
            if isinstance(answer, dict) and answer.get("serial") in {None, count["serial"]} and "outcome" in answer:
                matched.append({**answer, "serial": count["serial"]})
        if len(matched) != len(answers) or len(matched) != len(counts):
            raise NotTheService(self.server, "its answers are not those of the counts sent")
        return matched

    def enter(self, stage: str, body: Json, *, identity: str | None = None) -> None:
        """Enter a line in the log of a stage; `identity` names it where it is sent again and does not say so itself."""
        headers = {} if identity is None else {"Idempotency-Key": identity}
        self._document(self._request("POST", f"/v1/stages/{quote(stage, safe='')}/log", json=body, headers=headers))

    def _request(self, method: str, path: str, **what: Any) -> httpx.Response:  # noqa: ANN401 - passed through to httpx
        answer = self._http_answer(method, path, **what)
        self._require_success(answer)
        return answer

    def _http_answer(self, method: str, path: str, **what: Any) -> httpx.Response:  # noqa: ANN401 - passed through to httpx
        try:
            answer = self._http.request(method, path, **what)
        # A certificate store that cannot be read, and a redirect or a header that is none, are no transport errors.
        except (httpx.HTTPError, httpx.InvalidURL, ssl.SSLError, OSError) as error:
            raise NoAnswer(self.server, str(error) or type(error).__name__) from error
        if answer.status_code in BUSY:
            raise NoAnswer(self.server, f"status {answer.status_code}", _retry_after_s(answer))
        return answer

    def _require_success(self, answer: httpx.Response) -> None:
        if answer.is_success:
            return
        problem = _read(answer)
        if answer.status_code == httpx.codes.REQUEST_ENTITY_TOO_LARGE:
            # A proxy's word on it is as good: less at once may pass.
            raise Refused("body-too-large", "the body is too large", answer.status_code)
        if problem is None or PROBLEM not in answer.headers.get("Content-Type", ""):
            raise NotTheService(self.server, f"status {answer.status_code} without a reason")
        kind = slug(problem)
        if answer.status_code in {401, 403} and kind not in ITS_OWN:
            raise KeyNotTaken(reason(problem))
        raise Refused(kind, reason(problem).rstrip("."), answer.status_code)

    def _document(self, answer: httpx.Response) -> Json:
        document = _read(answer)
        if document is None:
            raise NotTheService(self.server, "its answer is no JSON object")
        return document


def slug(problem: Mapping[str, Any]) -> str:
    """The stable name of a problem: the last part of its `type`."""
    return str(problem.get("type", "")).rstrip("/").rpartition("/")[2]


def reason(problem: Mapping[str, Any]) -> str:
    """What a problem document says, with each fault it names."""
    faults = [
        f"{fault.get('pointer') or fault.get('place')}: {fault.get('detail')}" for fault in problem.get("errors") or ()
    ]
    return "; ".join([str(problem.get("detail") or problem.get("title") or "no reason given"), *faults])


def _read(answer: httpx.Response) -> Json | None:
    try:
        document = answer.json()
    except ValueError:
        return None
    return document if isinstance(document, dict) else None


def _retry_after_s(answer: httpx.Response) -> float:
    """Seconds the service asks to wait (RFC 9110, 10.2.3), where it says so as a number; else 0."""
    value = answer.headers.get("Retry-After", "")
    return float(value[:6]) if value.isascii() and value.isdecimal() else 0.0


def _ahead_s(answer: httpx.Response, asked_at: datetime) -> float | None:
    """By how much this computer's clock is ahead; an answer's Date (RFC 9110, 6.6.1) names the second of its making."""
    try:
        made_at = parsedate_to_datetime(answer.headers.get("Date", ""))
    except (ValueError, TypeError):
        return None
    between = asked_at + (datetime.now(UTC) - asked_at) / 2
    # The header cuts the fraction off, which is half a second on average.
    return (between - made_at.astimezone(UTC)).total_seconds() - 0.5
