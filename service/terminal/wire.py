"""What an entry of the spool says over the wire, in which words the service understands today."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from service.terminal.clocks import Moment, spelt
from service.terminal.spool import Entry

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Spoken:
    """What the service takes.

    `signals` are the kinds a stage's log has; `log_identity` whether its lines carry spool, serial, age and reason as
    counts do; `queued` whether a body of counts says how many entries still wait after it.
    """

    signals: tuple[str, ...]
    log_identity: bool
    queued: bool


# The one place that says so; a test compares it with the API's description.
TODAY = Spoken(signals=("call", "wrap", "waiting", "resumed", "power_off"), log_identity=True, queued=True)


def count_of(entry: Entry, now: Moment) -> Json:
    """A count as it is posted at this moment.

    The age is reckoned anew for each sending, from the clock that nobody sets; without it the service puts `at` right
    by `sent_at`.
    """
    age_s = now.since_s(entry.boot, entry.run_s)
    return {"serial": entry.serial, **entry.content} | ({} if age_s is None else {"age_s": round(age_s, 3)})


def counts_body(entries: list[Entry], now: Moment, *, queued: int, spoken: Spoken) -> Json:
    """The body that posts these counts, which are of one spool; `queued` entries wait behind them."""
    body: Json = {
        "spool": entries[0].spool,
        "sent_at": spelt(now.wall),
        "counts": [count_of(entry, now) for entry in entries],
    }
    return body | ({"queued": queued} if spoken.queued else {})


def log_body(entry: Entry, now: Moment, *, spoken: Spoken) -> Json:
    """The body that enters a line of the log."""
    said: Json = {name: entry.content[name] for name in ("kind", "at", "reason") if name in entry.content}
    age_s = now.since_s(entry.boot, entry.run_s)
    body: Json = {**said, "sent_at": spelt(now.wall)}
    if spoken.log_identity:
        body |= {"spool": entry.spool, "serial": entry.serial}
        return body if age_s is None else {**body, "age_s": round(age_s, 3)}
    if age_s is not None:
        # What the log does not take as an age it takes as a time by the clock that stands beside it.
        body["at"] = spelt(now.wall - timedelta(seconds=age_s))
    return body


def identity(entry: Entry, *, spoken: Spoken) -> str | None:
    """What names a line of the log when it is sent again, where the line does not say so itself."""
    return None if spoken.log_identity else f"{entry.spool}-{entry.serial}"
