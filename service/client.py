"""A client of the service over HTTP: plain JSON in and out, on the standard library and httpx alone.

It knows nothing of the rest of the house, so that a script or another studio tool may copy its manners. What may be
repeated is repeated with growing pauses while the service is away or busy: reads, counts (known for ever by terminal,
spool and serial), and writes that carry an Idempotency-Key, as every write but a key's does here.
"""

import codecs
import json
import random
import re
import time
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote
from uuid import uuid4

import httpx

Json = dict[str, Any]

OK = 200
BUSY = frozenset({429, 503})
# What one count posted alone may be refused for; of many, each is answered by itself.
ITS_OWN = frozenset({"count-conflict", "count-malformed", "decision-not-allowed", "other-production"})
LARGEST_PAGE = 500
_LINE_END = re.compile(r"\r\n|\r|\n")
_MEDIA = {"edl": "text/plain", "csv": "text/csv", "json": "application/json"}


class ApiError(Exception):
    """The service refused: `problem` is its document (RFC 9457), with `type`, `title`, `detail` and facts that help."""

    def __init__(self, status: int, problem: Mapping[str, Any]) -> None:
        self.status = status
        self.problem = problem
        faults = "".join(
            f"; {fault.get('pointer') or fault.get('place')}: {fault.get('detail')}"
            for fault in problem.get("errors") or ()
        )
        super().__init__(f"{status} {problem.get('detail') or problem.get('title')}{faults}")

    @property
    def kind(self) -> str:
        """The last part of the problem's `type`: its stable name, as `shot-unknown`; empty where it has none."""
        return str(self.problem.get("type", "")).rstrip("/").rpartition("/")[2]


class Unanswered(Exception):
    """No answer came, after all tries; what was sent may or may not have been kept."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How often a request is tried, and the seconds waited between: doubled each time, scattered, never above `most_s`.

    A Retry-After of the service's is kept to where it is longer, up to `most_asked_s`: it says when the turn comes.
    """

    tries: int = 6
    first_s: float = 0.1
    most_s: float = 5.0
    most_asked_s: float = 300.0

    def pause_s(self, tried: int, retry_after_s: float) -> float:
        """Seconds to wait after `tried` tries."""
        scattered = self.first_s * 2.0 ** (tried - 1) * random.uniform(0.5, 1.0)  # noqa: S311 - scatters, hides nothing
        return max(min(scattered, self.most_s), min(retry_after_s, self.most_asked_s))


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer: its status, its ETag (for If-Match), and its body; empty where there was none."""

    status: int
    etag: str | None
    body: Json = field(default_factory=dict)

    def __getitem__(self, name: str) -> Any:  # noqa: ANN401 - a JSON value of any kind
        return self.body[name]


class EventsMissed(Exception):
    """Events were cleaned away that were not seen yet, or the log was put back to an earlier copy.

    Read anew what was made of events, then follow the stream after `go_on_after`.
    """

    def __init__(self, go_on_after: int) -> None:
        super().__init__(
            f"Events are gone that were not seen: read anew what was made of them, go on after {go_on_after}"
        )
        self.go_on_after = go_on_after


@dataclass(frozen=True, slots=True)
class Message:
    """A server-sent event: its type (`message` where the stream names none), its data, the last id seen by then."""

    kind: str
    data: str
    id: str


class EventSource:
    """Reads a stream of server-sent events (WHATWG HTML, section 9.2.6), in whatever pieces it comes.

    `last_id` is what a reader comes back with, `retry_ms` after how many milliseconds, None where the stream says
    nothing of it. A line ends at CR, LF or both and nowhere else, where Python knows eight more characters.
    """

    def __init__(self) -> None:
        self.last_id = ""
        self.retry_ms: int | None = None
        self._decoder = codecs.getincrementaldecoder("utf-8-sig")(errors="replace")
        self._line, self._passes_line_feed = "", False
        self._id, self._kind, self._data = "", "", ""

    def feed(self, piece: bytes) -> Iterator[Message]:
        """The events that are whole with this piece."""
        text = self._decoder.decode(piece)
        if self._passes_line_feed and text:
            text = text.removeprefix("\n")
            self._passes_line_feed = False
        if text:
            self._passes_line_feed = text.endswith("\r")
        *lines, self._line = _LINE_END.split(self._line + text)
        for line in lines:
            if line:
                self._field(*_field(line))
                continue
            self.last_id = self._id
            if self._data:
                yield Message(self._kind or "message", self._data.removesuffix("\n"), self.last_id)
            self._kind, self._data = "", ""

    def _field(self, name: str, value: str) -> None:
        match name:
            case "data":
                self._data += f"{value}\n"
            case "event":
                self._kind = value
            case "id" if "\0" not in value:
                self._id = value
            case "retry" if value.isascii() and value.isdigit():
                self.retry_ms = int(value[:9])
            case _:
                pass


class Client:
    """A caller with a key. Safe to share between threads; close it, or use it in a `with`.

    Every method raises ApiError where the service refuses and Unanswered where none answers. Writes that demand to know
    which state they change take its `etag`, as the last read or write of it gave it.
    """

    def __init__(
        self,
        address: str,
        key: str | None = None,
        *,
        patience: Patience | None = None,
        timeout_s: float = 15.0,
        transport: httpx.BaseTransport | None = None,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        headers = {"Accept": "application/json"} | ({"Authorization": f"Bearer {key}"} if key else {})
        self._patience = patience or Patience()
        self._sleep = sleep
        self._http = httpx.Client(base_url=address, headers=headers, timeout=timeout_s, transport=transport)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the connections."""
        self._http.close()

    # The studio, its productions and stages

    def studio(self) -> Reply:
        """What the studio set for all its productions."""
        return self._read("/v1/studio")

    def set_studio(self, studio: Json, *, etag: str | None = None) -> Reply:
        """Set name, time_zone, day_starts_at and so on; `etag` of what stands, where anything was set before."""
        return self._write("PUT", "/v1/studio", studio, etag=etag)

    def add_production(self, code: str, title: str, *, frame_rate: str) -> Reply:
        """Begin a production; `frame_rate` in frames per second as `num/den`."""
        return self._write("POST", "/v1/productions", {"code": code, "title": title, "frame_rate": frame_rate})

    def productions(self) -> Iterator[Json]:
        """Every production this key may see."""
        return self._pages("/v1/productions")

    def production(self, production: str) -> Reply:
        """One production."""
        return self._read(_path("productions", production))

    def change_production(self, production: str, changes: Json, *, etag: str) -> Reply:
        """Change a production's title, or its frame rate while it has no shots."""
        return self._write("PATCH", _path("productions", production), changes, etag=etag)

    def add_episode(self, production: str, code: str, *, title: str) -> Reply:
        """Add an episode to a production."""
        return self._write("POST", _path("productions", production, "episodes"), {"code": code, "title": title})

    def episodes(self, production: str) -> Iterator[Json]:
        """Every episode of a production."""
        return self._pages(_path("productions", production, "episodes"))

    def add_stage(self, code: str, name: str) -> Reply:
        """Add a stage of the studio."""
        return self._write("POST", "/v1/stages", {"code": code, "name": name})

    def stages(self) -> Iterator[Json]:
        """Every stage of the studio."""
        return self._pages("/v1/stages")

    def enter_signal(
        self, stage: str, kind: str, *, at: str | None = None, sent_at: str | None = None, **said: str | float
    ) -> Reply:
        """Say that work on a stage begins (`call`), ends (`wrap`), waits (`waiting`), goes on (`resumed`), `power_off`.

        `said` may be a `reason`, which `waiting` needs, `age_s`, and of a terminal's key `spool` and `serial`.
        """
        times = {name: each for name, each in (("at", at), ("sent_at", sent_at)) if each is not None}
        return self._write("POST", _path("stages", stage, "log"), {"kind": kind, **times, **said})

    def signals(self, stage: str, kind: str | None = None) -> Iterator[Json]:
        """Every line of a stage's log, or those of one kind."""
        return self._pages(_path("stages", stage, "log"), {} if kind is None else {"kind": kind})

    def calendar(self, stage: str | None = None) -> Reply:
        """The hours of the studio, or what a stage keeps otherwise."""
        return self._read(_calendar(stage))

    def set_calendar(self, calendar: Json, *, stage: str | None = None, etag: str | None = None) -> Reply:
        """Set the hours of the studio, or a stage's own, all of them; `etag` of what stands, once any were set."""
        return self._write("PUT", _calendar(stage), calendar, etag=etag)

    def hours(self, stage: str, *, first_day: str, last_day: str) -> Reply:
        """When a stage is open, day by day."""
        return self._read(_path("stages", stage, "hours"), {"from": first_day, "to": last_day})

    def book(self, booking: Json) -> Reply:
        """Book a stage, an animator or both: production, activity, start, end and so on."""
        return self._write("POST", "/v1/bookings", booking)

    def bookings(self, **filters: str | bool) -> Iterator[Json]:
        """The bookings by when they begin: `from` and `to`, production, shot, stage, animator, activity, cancelled."""
        return self._pages("/v1/bookings", filters)

    def hold_orders(self, production: str, **filters: str) -> Reply:
        """Hot sets that must not be touched, until when and why, and what that costs in stage-days; by `stage`."""
        return self._read(_path("productions", production, "hold-orders"), filters)

    def clashes(self, **filters: str) -> Iterator[Json]:
        """Each two bookings that overlap: `from` and `to` (60 days from now), `stage`, `animator`."""
        return self._pages("/v1/clashes", filters)

    def occupancy(self, *, first_day: str, last_day: str, **asked: str) -> Reply:
        """What stages are planned and used for over production days, `by` stage, activity or day; of one `stage`."""
        return self._read("/v1/occupancy", {"from": first_day, "to": last_day, **asked})

    def stages_now(self) -> Reply:
        """What is on each stage now, since when, and from when on it is free."""
        return self._read("/v1/stages/now")

    def free(self, stage: str, *, first_day: str, last_day: str) -> Reply:
        """When a stage is open and nothing confirmed is booked there, over production days."""
        return self._read(_path("stages", stage, "free"), {"from": first_day, "to": last_day})

    def booking(self, number: int) -> Reply:
        """One booking with what it clashes with."""
        return self._read(_path("bookings", str(number)))

    def candidates(self, production: str, stage: str, **asked: str | int) -> Reply:
        """Which shots could go on a stage, `at` an instant or now, and what each lacks."""
        return self._read(_path("productions", production, "candidates"), {"stage": stage, **asked})

    def strike_list(self, production: str, **asked: int) -> Reply:
        """Which sets may be struck, and what still hinders the others; at most `limit` of them."""
        return self._read(_path("productions", production, "strike-list"), asked)

    def what_if(self, production: str, **imagined: object) -> Reply:
        """What would come of one thing, nothing being stored: `absent`, `closed`, `moved` or `omitted`."""
        return self._send("POST", _path("productions", production, "what-if"), body=imagined)

    def expected_end(self, number: int) -> Reply:
        """When the frames that remain of a booking's shot will be there: early, as usual, late."""
        return self._read(_path("bookings", str(number), "expected-end"))

    def change_booking(self, number: int, changes: Json, *, etag: str) -> Reply:
        """Move a booking, make it firmer or softer, give it to another stage or shot."""
        return self._write("PATCH", _path("bookings", str(number)), changes, etag=etag)

    def rebook(self, bookings: Sequence[Json] | None = None, **how: object) -> Reply:
        """Move several bookings, or those of a `where`, by `shift_days`, `shift_s` or to a `stage`, all or none.

        `preview=True` only says which clashes there are before and after.
        """
        named = {} if bookings is None else {"bookings": list(bookings)}
        return self._write("POST", "/v1/rebookings", {**named, **how})

    def cancel_booking(self, number: int, reason: str, *, etag: str) -> Reply:
        """Cancel a booking; it stays in the record."""
        return self._write("POST", _path("bookings", str(number), "cancel"), {"reason": reason}, etag=etag)

    # Terminals and keys

    def add_terminal(self, name: str, stage: str) -> Reply:
        """Add the capture computer of a stage."""
        return self._write("POST", "/v1/terminals", {"terminal": name, "stage": stage})

    def terminals(self) -> Iterator[Json]:
        """Every terminal of the studio."""
        return self._pages("/v1/terminals")

    def terminal(self, name: str) -> Reply:
        """A terminal with its spools; its ETag is what a move must name."""
        return self._read(_path("terminals", name))

    def terminal_counts(self, name: str, day: str) -> Iterator[Json]:
        """Every count a terminal posted of captures of a production day (`YYYY-MM-DD`), with what it counts for now."""
        return self._pages(_path("terminals", name, "counts"), {"day": day})

    def move_terminal(self, name: str, stage: str, *, etag: str) -> Reply:
        """Put a terminal beside another stage."""
        return self._write("PATCH", _path("terminals", name), {"stage": stage}, etag=etag)

    def make_key(self, name: str, scope: str, *, bound: Json | None = None) -> Reply:
        """Make a key; its secret stands in this one answer and is never shown again, so it is tried once only.

        `bound` may name `stage`, `terminal`, `production`, `expires_at`.
        """
        return self._send("POST", "/v1/keys", body={"name": name, "scope": scope, **(bound or {})}, tries=1)

    def keys(self) -> Iterator[Json]:
        """Every key, without its secret."""
        return self._pages("/v1/keys")

    def key(self, name: str) -> Reply:
        """One key, without its secret."""
        return self._read(_path("keys", name))

    def rotate_key(self, name: str, *, etag: str) -> Reply:
        """Give a key a new secret, which stands in this one answer; tried once only."""
        return self._send("POST", _path("keys", name, "rotate"), headers={"If-Match": etag}, tries=1)

    def revoke_key(self, name: str) -> Reply:
        """Let a key open nothing any more."""
        return self._write("POST", _path("keys", name, "revoke"))

    # Watches

    def add_watch(self, name: str, hears: Sequence[Json], *, channel: str, target: Json, **more: Any) -> Reply:  # noqa: ANN401 -- fields of a watch
        """Let somebody hear of things; the secret stands in this one answer, so it is tried once only."""
        body = {"name": name, "hears": list(hears), "channel": channel, "target": target, **more}
        return self._send("POST", "/v1/watches", body=body, tries=1)

    def watches(self) -> Iterator[Json]:
        """Every watch, without its secret."""
        return self._pages("/v1/watches")

    def watch(self, name: str) -> Reply:
        """One watch, without its secret."""
        return self._read(_path("watches", name))

    def change_watch(self, name: str, changes: Json, *, etag: str) -> Reply:
        """Change a watch as it was read under `etag`."""
        return self._write("PATCH", _path("watches", name), changes, etag=etag)

    def rotate_watch(self, name: str, *, etag: str) -> Reply:
        """Give a watch a new secret, which stands in this one answer; tried once only."""
        return self._send("POST", _path("watches", name, "rotate"), headers={"If-Match": etag}, tries=1)

    def enable_watch(self, name: str) -> Reply:
        """Let a disabled watch hear again."""
        return self._write("POST", _path("watches", name, "enable"))

    def remove_watch(self, name: str) -> Reply:
        """Let a watch hear no more."""
        return self._write("POST", _path("watches", name, "remove"))

    def notices(self, **where: Any) -> Iterator[Json]:  # noqa: ANN401 -- filters
        """What was raised, the newest first; `production`, `shot` and `kind` narrow it."""
        return self._pages("/v1/notices", where)

    def notice_kinds(self) -> Reply:
        """Every kind of notice that a watch can hear of."""
        return self._read("/v1/notice-kinds")

    # Cuts

    def draft_cut(
        self, production: str, episode: str, text: str | bytes, *, kind: str, frame_rate: str, **asked: str | int
    ) -> Reply:
        """Send a cut list, of the kind `edl`, `csv` or `json`, as a draft: its findings and what it would change.

        `asked` may be `name_from`, `name_pattern`, `handle_in` and `handle_out` in frames, `covers`.
        """
        params = {"format": kind, "frame_rate": frame_rate, **asked}
        content = text.encode() if isinstance(text, str) else text
        headers = {"Idempotency-Key": str(uuid4()), "Content-Type": _MEDIA.get(kind, "text/plain")}
        path = _path("productions", production, "episodes", episode, "cuts")
        return self._send("POST", path, params=params, content=content, headers=headers)

    def cut(self, production: str, episode: str, revision: int | str = "current") -> Reply:
        """A revision of an episode's cut, or the one that is locked."""
        return self._read(_path("productions", production, "episodes", episode, "cuts", str(revision)))

    def cuts(self, production: str, episode: str) -> Iterator[Json]:
        """Every revision of an episode's cut, in short."""
        return self._pages(_path("productions", production, "episodes", episode, "cuts"))

    def lock_cut(self, production: str, episode: str, revision: int, *, etag: str) -> Reply:
        """Make a draft the episode's cut; `etag` is that of any of its cuts, as the last read or draft gave it."""
        path = _path("productions", production, "episodes", episode, "cuts", str(revision), "lock")
        return self._write("POST", path, etag=etag)

    def cut_list(self, production: str, episode: str, revision: int | str = "current", *, kind: str) -> str:
        """A cut as the text of a list of the kind `edl`, `csv` or `json`."""
        path = _path("productions", production, "episodes", episode, "cuts", str(revision), "list")
        return self._text(path, {"format": kind})

    # Shots

    def add_shot(self, production: str, shot: Json) -> Reply:
        """Enter one shot."""
        return self._write("POST", _path("productions", production, "shots"), shot)

    def add_shots(self, production: str, shots: Sequence[Json]) -> Reply:
        """Enter up to 1 000 shots at once, all or none of them."""
        return self._write("POST", _path("productions", production, "shots"), list(shots))

    def shots(self, production: str, **filters: str | bool) -> Iterator[Json]:
        """Every shot of a production that passes the filters, as `phase="shooting"` or `in_hand=True`."""
        return self._pages(_path("productions", production, "shots"), filters)

    def shot(self, production: str, shot: str) -> Reply:
        """One shot with its plan, its figures and its takes."""
        return self._read(_path("productions", production, "shots", shot))

    def change_shot(self, production: str, shot: str, changes: Json, *, etag: str) -> Reply:
        """Change a shot's plan; `{"omitted": true, "reason": …}` takes it out of the cut, false brings it back."""
        return self._write("PATCH", _path("productions", production, "shots", shot), changes, etag=etag)

    def needs(self, production: str, shot: str) -> Reply:
        """What one shot needs before it can be dressed and shot."""
        return self._read(_path("productions", production, "shots", shot, "needs"))

    def enter_needs(self, production: str, shot: str, needs: Json, *, etag: str | None = None) -> Reply:
        """Enter all that a shot needs; `etag` of what stands, where it was entered before."""
        return self._write("PUT", _path("productions", production, "shots", shot, "needs"), needs, etag=etag)

    def next_of(self, production: str, shot: str) -> Reply:
        """Where a shot is and what it lacks for each move; its ETag is what a move or a sign-off must name."""
        return self._read(_path("productions", production, "shots", shot, "next"))

    def blocked(self, production: str, *, episode: str | None = None) -> Reply:
        """What the shots of a production, or of an episode of it, wait for, by who can do something about it."""
        return self._read(_path("productions", production, "blocked"), {"episode": episode} if episode else {})

    def viewing(self, production: str, **filters: str) -> Iterator[Json]:
        """Every finished take that waits for a decision, the longest wait first; by episode, stage or animator."""
        return self._pages(_path("productions", production, "viewing"), filters)

    def decision_figures(self, production: str, *, first: str | None = None, last: str | None = None) -> Reply:
        """How decisions went from one production day to another, `YYYY-MM-DD`; of the last seven where left out."""
        days = {"from": first, "to": last}
        return self._read(
            _path("productions", production, "decisions", "figures"), {name: day for name, day in days.items() if day}
        )

    def move(self, production: str, shot: str, to: str, *, etag: str, **more: Any) -> Reply:  # noqa: ANN401 - a cause, a reason, an override
        """Take a shot to another phase; `more` may give `cause`, `reason` and `override`."""
        body = {"to": to, **more}
        return self._write("POST", _path("productions", production, "shots", shot, "moves"), body, etag=etag)

    def move_all(self, production: str, shots: Sequence[Json], to: str, **more: Any) -> Reply:  # noqa: ANN401 - as of one
        """Take several shots, each `{"shot": …}` perhaps with its `rev`, to another phase; `preview=True` only says."""
        return self._write("POST", _path("productions", production, "moves"), {"shots": list(shots), "to": to, **more})

    def moves(self, production: str, shot: str) -> Iterator[Json]:
        """Every move of a shot in order."""
        return self._pages(_path("productions", production, "shots", shot, "moves"))

    def sign_off(self, production: str, shot: str, matter: str, *, etag: str, **more: str) -> Reply:
        """Sign something of a shot off; `more` may give `role`, `signer` and `note`."""
        body = {"matter": matter, **more}
        return self._write("POST", _path("productions", production, "shots", shot, "signoffs"), body, etag=etag)

    def signoffs(self, production: str, shot: str) -> Iterator[Json]:
        """Every sign-off of a shot in the order they were given, those withdrawn included."""
        return self._pages(_path("productions", production, "shots", shot, "signoffs"))

    def signoff(self, production: str, shot: str, signoff: int) -> Reply:
        """One sign-off; its ETag is what its withdrawal must name."""
        return self._read(_path("productions", production, "shots", shot, "signoffs", str(signoff)))

    def withdraw(self, production: str, shot: str, signoff: int, reason: str, *, etag: str) -> Reply:
        """Withdraw a sign-off; it stays in the list."""
        path = _path("productions", production, "shots", shot, "signoffs", str(signoff), "withdraw")
        return self._write("POST", path, {"reason": reason}, etag=etag)

    def history(self, production: str, shot: str, **asked: Any) -> Iterator[Json]:  # noqa: ANN401 - names, lists, days
        """What happened to a shot, an entry and a sentence each time.

        `asked` may be `order` (`oldest` or `newest` first), `counts` (`each` or `folded`), a list of `kind`.
        """
        return self._pages(_path("productions", production, "shots", shot, "history"), asked)

    def why(self, production: str, shot: str, figure: str) -> Reply:
        """What a shot's figure is made of, as `credited_frames` or `remaining_frames`."""
        return self._read(_path("productions", production, "shots", shot, "why", figure))

    def why_total(self, production: str, figure: str, *, episode: str | None = None) -> Reply:
        """What a production's figure is the sum of, as `remaining_frames` or `per_cent`, and which shots carry it."""
        return self._read(_path("productions", production, "why", figure), {"episode": episode} if episode else {})

    def every_need(self, production: str, **filters: str) -> Iterator[Json]:
        """What every shot of a production needs; `episode` asks for one alone."""
        return self._pages(_path("productions", production, "needs"), filters)

    def needs_csv(self, production: str, **filters: str) -> str:
        """The same as a table in CSV, which `draft_needs` takes again."""
        return self._text(_path("productions", production, "needs"), filters, form="text/csv")

    def draft_needs(self, production: str, table: str | bytes) -> Reply:
        """Send a table (CSV) of what shots need as a draft: what it would change of each."""
        content = table.encode() if isinstance(table, str) else table
        headers = {"Idempotency-Key": str(uuid4()), "Content-Type": "text/csv"}
        return self._send("POST", _path("productions", production, "needs", "drafts"), content=content, headers=headers)

    def needs_drafts(self, production: str) -> Iterator[Json]:
        """Every table of needs that was sent, in short."""
        return self._pages(_path("productions", production, "needs", "drafts"))

    def needs_draft(self, production: str, draft: int) -> Reply:
        """A table of needs with what it changes, and the shots that were changed since."""
        return self._read(_path("productions", production, "needs", "drafts", str(draft)))

    def apply_needs(self, production: str, draft: int, *, etag: str) -> Reply:
        """Enter all that a draft says, or nothing; `etag` is the draft's."""
        return self._write("POST", _path("productions", production, "needs", "drafts", str(draft), "apply"), etag=etag)

    # Counts and decisions

    def post_counts(
        self, counts: Sequence[Json], *, spool: str | None = None, sent_at: str | None = None
    ) -> list[Json]:
        """Post what a terminal counted; one answer for each count, in order, refused ones included.

        An answer's `outcome` is `counted`, `repeated`, `unmatched` or `refused`; a refused one carries its problem.
        Raises ApiError where the body as a whole is refused.
        """
        said = {"counts": list(counts), "spool": spool, "sent_at": sent_at}
        body = {name: each for name, each in said.items() if each is not None}
        answer = self._request("POST", "/v1/counts", json=body)
        document = _document(answer)
        if "answers" in document:
            answers: list[Json] = document["answers"]
            return answers
        refused = ApiError(answer.status_code, document)
        if refused.kind in ITS_OWN:
            return [{"outcome": "refused", "serial": counts[0].get("serial"), "problem": document}]
        raise refused

    def unmatched(self) -> Iterator[Json]:
        """Every count that was kept without a shot to count for."""
        return self._pages("/v1/counts/unmatched")

    def match(self, count: int, production: str, *, shot: str, instead: Json | None = None) -> Reply:
        """Let an unmatched count count for a shot; `instead` may give another `take` or `part` than was posted."""
        body = {"production": production, "shot": shot, **(instead or {})}
        return self._write("POST", f"/v1/counts/unmatched/{count}/match", body)

    def match_many(self, which: Json, production: str, *, shot: str, instead: Json | None = None) -> Reply:
        """Let many unmatched counts count for a shot, all or none: `{"ids": […]}` or `{"where": {…}}`.

        `instead` may give another `take` or `part` than was posted, and `preview`.
        """
        body = {**which, "production": production, "shot": shot, **(instead or {})}
        return self._write("POST", "/v1/counts/unmatched/match", body)

    def takes(self, production: str, shot: str) -> Iterator[Json]:
        """Every take of a shot with its counts in order."""
        return self._pages(_path("productions", production, "shots", shot, "takes"))

    def take(self, production: str, shot: str, *, take: int, part: str = "", purpose: str = "shoot") -> Reply:
        """One take; its ETag is what a decision must name."""
        which = {"part": part, "purpose": purpose}
        return self._read(_path("productions", production, "shots", shot, "takes", str(take)), which)

    def decide(
        self,
        production: str,
        shot: str,
        decision: Json,
        *,
        take: int,
        etag: str,
        part: str = "",
        purpose: str = "shoot",
    ) -> Reply:
        """Accept, reject, circle or withdraw: `{"verdict": …}` of a take, with `first` and `last` of a range of it."""
        path = _path("productions", production, "shots", shot, "takes", str(take), "decisions")
        return self._write("POST", path, decision, etag=etag, params={"part": part, "purpose": purpose})

    def correct(
        self,
        production: str,
        shot: str,
        correction: Json,
        *,
        take: int,
        etag: str,
        part: str = "",
        purpose: str = "shoot",
    ) -> Reply:
        """Put a take's frames right: `frames_total`, `captures_total` or `move_to`, with the `reason`."""
        path = _path("productions", production, "shots", shot, "takes", str(take), "corrections")
        return self._write("POST", path, correction, etag=etag, params={"part": part, "purpose": purpose})

    def merge(self, production: str, shot: str, into: str, *, reason: str, etag: str, renumber: bool = False) -> Reply:
        """Make one shot of one that was entered under two codes, for good."""
        body = {"into": into, "reason": reason, "renumber": renumber}
        return self._write("POST", _path("productions", production, "shots", shot, "merge"), body, etag=etag)

    def corrections(self, production: str, shot: str) -> Iterator[Json]:
        """Everything that was put right of a shot's frames, and what came to it from other shots, in order."""
        return self._pages(_path("productions", production, "shots", shot, "corrections"))

    def notes(self, production: str, shot: str, *, take: int, part: str = "", purpose: str = "shoot") -> Iterator[Json]:
        """Every note on a take in the order it was made, struck ones too."""
        which = {"part": part, "purpose": purpose}
        return self._pages(_path("productions", production, "shots", shot, "takes", str(take), "notes"), which)

    def add_note(
        self, production: str, shot: str, note: Json, *, take: int, part: str = "", purpose: str = "shoot"
    ) -> Reply:
        """Note something of a take: `{"text": …}`, with `camera`, `first` and `last` of what it is about."""
        path = _path("productions", production, "shots", shot, "takes", str(take), "notes")
        return self._write("POST", path, note, params={"part": part, "purpose": purpose})

    def strike_note(
        self,
        production: str,
        shot: str,
        reason: str,
        *,
        take: int,
        note: int,
        part: str = "",
        purpose: str = "shoot",
    ) -> Reply:
        """Strike a note on a take by its number; it stays in the list as struck."""
        path = _path("productions", production, "shots", shot, "takes", str(take), "notes", str(note), "strike")
        return self._write("POST", path, {"reason": reason}, params={"part": part, "purpose": purpose})

    # Figures, events, workers

    def progress(self, production: str, by: str, *, episode: str | None = None) -> Reply:
        """A production's figures, or one episode's, added up by `episode`, `scene`, `stage`, `day` or `animator`."""
        asked = {"by": by} | ({"episode": episode} if episode else {})
        return self._read(_path("productions", production, "progress"), asked)

    def nightly(self, production: str, day: str = "latest", *, revision: int | None = None) -> Reply:
        """What a production day brought, by its report or as it now stands; `day` is `YYYY-MM-DD` or `latest`."""
        asked = {} if revision is None else {"revision": revision}
        return self._read(_path("productions", production, "reports", "nightly", day), asked)

    def nightly_csv(self, production: str, day: str = "latest", *, revision: int | None = None) -> str:
        """The same as a table in CSV: a row for the production and each episode, stage and animator."""
        path = _path("productions", production, "reports", "nightly", day)
        asked = {} if revision is None else {"revision": revision}
        return self._text(path, asked, form="text/csv")

    def nightly_days(self, production: str) -> Iterator[Json]:
        """Every production day whose report was filed, with its latest revision."""
        return self._pages(_path("productions", production, "reports", "nightly"))

    def events(self, after: int = 0, **filters: Any) -> Reply:  # noqa: ANN401 - names, lists of names, numbers
        """A page of the log: the events after a position; its `next` is the position to go on from.

        `filters` may be `limit`, `production` and a list of `kind`.
        """
        return self._read("/v1/events", {"after": after, **filters})

    def events_stream(
        self,
        after: int | None = None,
        *,
        reached: Callable[[int], None] = lambda _position: None,
        silent_s: float = 60.0,
        **filters: Any,  # noqa: ANN401 - names, lists of names
    ) -> Generator[Json, None, None]:
        """Every event after a position, or from now on, as it happens and for ever: each once, in order.

        Where the connection breaks, or nothing is heard for `silent_s`, it goes on after what was seen. `reached` is
        told each position up to which all was taken; who keeps it goes on there another day. `filters` may be
        `production` and a list of `kind`. Raises EventsMissed beside what every method does.
        """
        stream, tried = _Stream(after, filters), 0
        timeout = httpx.Timeout(**{**self._http.timeout.as_dict(), "read": silent_s})
        while True:
            tried += 1
            wait_s, trouble = 0.0, "the stream ended before it began"
            try:
                with self._http.stream("GET", "/v1/stream", timeout=timeout, **stream.asked) as answer:
                    if answer.status_code == OK:
                        for event in stream.follow(answer, reached):
                            tried = 0
                            if event is not None:
                                yield event
                    else:
                        answer.read()
                        if answer.status_code not in BUSY or tried >= self._patience.tries:
                            raise ApiError(answer.status_code, _document(answer))
                        wait_s = _retry_after_s(answer)
            except httpx.TransportError as error:
                trouble = str(error)
            if tried >= self._patience.tries:
                raise Unanswered(f"GET /v1/stream: no answer after {tried} tries: {trouble}")
            self._sleep(max(stream.retry_s, self._patience.pause_s(max(tried, 1), wait_s)))

    def workers(self) -> Reply:
        """The `head` of the log, and every worker: its state, position, lag, last error."""
        return self._read("/v1/workers")

    def figures(self, worker: str, table: str) -> Iterator[Json]:
        """Every row a worker keeps in one of its tables, in the order of their keys."""
        return self._pages(_path("workers", worker, "figures", table))

    def quarantine(self, worker: str) -> Iterator[Json]:
        """Every event a worker could not digest, with what went wrong, that waits for somebody to decide."""
        return self._pages(_path("workers", worker, "quarantine"))

    def retry(self, worker: str, event: int) -> Reply:
        """Have a worker try once more an event that it set aside."""
        return self._write("POST", _path("workers", worker, "quarantine", str(event), "retry"))

    def skip(self, worker: str, event: int) -> Reply:
        """Have a worker do without an event that it set aside."""
        return self._write("POST", _path("workers", worker, "quarantine", str(event), "skip"))

    def rebuild(self, worker: str) -> Reply:
        """Have all rows of a worker made anew, beside those that are shown."""
        return self._write("POST", _path("workers", worker, "rebuild"))

    def give_up_rebuild(self, worker: str) -> Reply:
        """Give up the rebuild of a worker's rows that somebody asked for."""
        return self._write("POST", _path("workers", worker, "rebuild", "give-up"))

    def disable_worker(self, worker: str, reason: str) -> Reply:
        """Let no engine give a worker anything to do, or import it where it starts."""
        return self._write("POST", _path("workers", worker, "disable"), {"reason": reason})

    def enable_worker(self, worker: str, reason: str) -> Reply:
        """Let a worker that was disabled go on where it stopped."""
        return self._write("POST", _path("workers", worker, "enable"), {"reason": reason})

    def deliveries(self, **filters: Any) -> Iterator[Json]:  # noqa: ANN401 - passed through
        """Every message to a watch, the newest first; `filters` may be `watch`, `state` and `since`."""
        return self._pages("/v1/deliveries", filters)

    def delivery(self, delivery: str) -> Reply:
        """A message to a watch with every try to deliver it."""
        return self._read(_path("deliveries", delivery))

    def redeliver(self, delivery: str) -> Reply:
        """Have a message to a watch sent again."""
        return self._write("POST", _path("deliveries", delivery, "redeliver"))

    def test_watch(self, watch: str) -> Reply:
        """Send a message that tells of nothing to a watch."""
        return self._write("POST", _path("watches", watch, "test"))

    # The way of a request

    def _read(self, path: str, params: Mapping[str, Any] | None = None) -> Reply:
        return self._send("GET", path, params=params)

    def _text(self, path: str, params: Mapping[str, Any], *, form: str = "*/*") -> str:
        answer = self._request("GET", path, params=params, headers={"Accept": form})
        if answer.is_error:
            raise ApiError(answer.status_code, _document(answer))
        return answer.text

    def _write(
        self,
        method: str,
        path: str,
        body: Json | Sequence[Json] | None = None,
        *,
        etag: str | None = None,
        params: Mapping[str, Any] | None = None,
    ) -> Reply:
        headers = {"Idempotency-Key": str(uuid4())} | ({"If-Match": etag} if etag else {})
        return self._send(method, path, params=params, body=body, headers=headers)

    def _pages(self, path: str, params: Mapping[str, Any] | None = None) -> Iterator[Json]:
        asked = {"limit": LARGEST_PAGE, **(params or {})}
        while True:
            page = self._read(path, asked)
            yield from page["items"]
            if page["next"] is None:
                return
            asked["cursor"] = page["next"]

    def _send(
        self,
        method: str,
        path: str,
        *,
        params: Mapping[str, Any] | None = None,
        body: Json | Sequence[Json] | None = None,
        content: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        tries: int | None = None,
    ) -> Reply:
        what = {"params": params, "json": body, "content": content, "headers": headers}
        answer = self._request(method, path, tries=tries, **what)
        if answer.is_error:
            raise ApiError(answer.status_code, _document(answer))
        return Reply(answer.status_code, answer.headers.get("ETag"), _document(answer))

    def _request(self, method: str, path: str, *, tries: int | None = None, **what: Any) -> httpx.Response:  # noqa: ANN401 - passed through
        """One answer, of whatever status; raises Unanswered."""
        tried, last = 0, tries or self._patience.tries
        while True:
            tried += 1
            retry_after_s = 0.0
            try:
                answer = self._http.request(method, path, **what)
            except httpx.TransportError as error:
                if tried == last:
                    raise Unanswered(f"{method} {path}: no answer after {tried} tries: {error}") from error
            else:
                if answer.status_code not in BUSY or tried == last:
                    return answer
                retry_after_s = _retry_after_s(answer)
            self._sleep(self._patience.pause_s(tried, retry_after_s))


class _Stream:
    """How far a stream was followed, over several answers."""

    def __init__(self, after: int | None, filters: Mapping[str, Any]) -> None:
        self.retry_s = 0.0
        self._after, self._filters = after, filters
        self._position: int | None = None

    @property
    def asked(self) -> Json:
        """What to ask for next."""
        headers = {"Accept": "text/event-stream", "Cache-Control": "no-store"}
        if self._position is not None:
            return {"params": self._filters, "headers": {**headers, "Last-Event-ID": str(self._position)}}
        began = {} if self._after is None else {"after": self._after}
        return {"params": {**self._filters, **began}, "headers": headers}

    def follow(self, answer: httpx.Response, reached: Callable[[int], None]) -> Iterator[Json | None]:
        """The events of an answer, None for each other word of the service; until it ends."""
        source = EventSource()
        for piece in answer.iter_bytes():
            for message in source.feed(piece):
                self.retry_s = (source.retry_ms or 0) / 1000
                if message.kind == "end":
                    return
                position = int(message.id)
                if message.kind == "reset" or position < (self._position or 0):
                    raise EventsMissed(position)
                self._position = position
                yield None if message.kind == "position" else json.loads(message.data)
                reached(position)


def _field(line: str) -> tuple[str, str]:
    name, _, value = line.partition(":")
    return name, value.removeprefix(" ")


def _path(*names: str) -> str:
    return "/v1/" + "/".join(quote(name, safe="") for name in names)


def _calendar(stage: str | None) -> str:
    return "/v1/studio/calendar" if stage is None else _path("stages", stage, "calendar")


def _document(answer: httpx.Response) -> Json:
    """The JSON object of an answer; of one that has none, what a problem document would say."""
    try:
        document = answer.json() if answer.content else {}
    except ValueError:
        document = None
    if isinstance(document, dict):
        return document
    return {"title": answer.reason_phrase, "status": answer.status_code, "detail": answer.text[:500]}


def _retry_after_s(answer: httpx.Response) -> float:
    """Seconds the service asks to wait (RFC 9110, 10.2.3: a number or a date); 0 where it does not say."""
    value = answer.headers.get("Retry-After", "")
    if value.isdigit():
        return float(value[:9])
    try:
        return max(parsedate_to_datetime(value).timestamp() - time.time(), 0.0)
    except (ValueError, TypeError):
        return 0.0
