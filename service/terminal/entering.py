"""Entering by hand: counts of takes and lines of the stage's log, and what becomes of those that were refused."""

import unicodedata
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from service.terminal.clocks import Moment
from service.terminal.enrolment import CODE_RULE, Enrolment, is_code
from service.terminal.following import series_name
from service.terminal.spool import Entry, Kind, Said, Spool, State, utc
from service.terminal.troubles import NoProduction, NotACount, NotSpoken, Unfit
from service.terminal.wire import Spoken

Json = dict[str, Any]

# What the service takes; a test compares them with its description.
PURPOSES = ("shoot", "plate", "rehearsal", "test", "reference")
OUTCOMES = ("finished", "abandoned", "circled", "ng")
MOST_FRAMES = 10_000_000
MOST_TAKES = 9999
LONGEST_LINE = 200
# Control characters, halves of surrogate pairs, ends of lines and paragraphs.
NO_LINE = frozenset({"Cc", "Cs", "Zl", "Zp"})
CODES = ("production", "shot", "camera", "pass", "part")
POWER_CAUTION = (
    "No confirmation is not proof that power is off. Go and look. Fixed wiring is for licensed electricians under local"
    " codes."
)


def count(enrolled: Enrolment, said: Mapping[str, Any], moment: Moment) -> Said:
    """A count made by hand; `said` in the service's own words. Raises Unfit, NoProduction."""
    content = {name: value for name, value in said.items() if value is not None}
    content.setdefault("production", enrolled.production)
    if content["production"] is None:
        raise NoProduction
    content = _fit(content)
    if "captures_total" in content and enrolled.frames_per_capture != 1:
        content.setdefault("frames_per_capture", enrolled.frames_per_capture)
    return Said.now(Kind.COUNT, content, moment, series=series_name(content))


def line(enrolled: Enrolment, kind: str, *, moment: Moment, spoken: Spoken, reason: str | None = None) -> Said:
    """A line of the stage's log; raises NotSpoken where the service has no such kind, Unfit for want of a reason."""
    if kind not in spoken.signals:
        raise NotSpoken(kind)
    if reason is not None:
        reason = _line(reason)
    content = {"kind": kind, "stage": enrolled.stage} | ({} if reason is None else {"reason": reason})
    return Said.now(Kind.LOG, content, moment)


def _fit(content: Json) -> Json:
    """The content as the service takes it; raises Unfit, so that a slip is found while somebody is there to mend it."""
    fit = dict(content)
    for name in CODES:
        if name in fit:
            fit[name] = unicodedata.normalize("NFC", fit[name])
            if not is_code(fit[name]):
                raise Unfit(f"The {name}", fit[name], CODE_RULE)
    for what, name, least, most in (
        ("The take", "take", 1, MOST_TAKES),
        ("The total", "captures_total", 0, MOST_FRAMES),
        ("The total", "frames_total", 0, MOST_FRAMES),
        ("Frames per capture", "frames_per_capture", 1, 1000),
    ):
        if name in fit and not least <= fit[name] <= most:
            raise Unfit(what, str(fit[name]), f"a whole number from {least} to {most}")
    return fit


def _line(text: str) -> str:
    """A reason as the service takes it."""
    line = unicodedata.normalize("NFC", text.strip())
    if not 1 <= len(line) <= LONGEST_LINE or any(unicodedata.category(char) in NO_LINE for char in line):
        raise Unfit("The reason", text, f"one line of 1 to {LONGEST_LINE} characters")
    return line


def edit(spool: Spool, serial: int, changes: Mapping[str, Any]) -> None:
    """Let a rejected count wait again with another shot or take; raises NotRejected, NotACount, Unfit."""
    entry = spool.rejected(serial)
    if entry.kind is not Kind.COUNT:
        raise NotACount(serial)
    changed = _fit({name: value for name, value in changes.items() if value is not None})
    spool.again(serial, changed, series=series_name({**entry.content, **changed}))


def shown(entry: Entry) -> Json:
    """An entry for scripts."""
    return {
        "serial": entry.serial,
        "kind": entry.kind.value,
        "state": entry.state.value,
        "entered_at": entry.entered_at.isoformat(),
        "content": entry.content,
        "problem": entry.reason or None,
    }


def read_aloud(entry: Entry) -> str:
    """An entry in a line for people."""
    said = entry.content
    if entry.kind is Kind.LOG:
        what = str(said["kind"])
    else:
        total = said.get("captures_total", said.get("frames_total"))
        unit = "captures" if "captures_total" in said else "frames"
        what = f"{said['shot']} take {said['take']}: {total} {unit}"
    why = f"  ({entry.reason['kind']}: {entry.reason['detail']})" if "detail" in entry.reason else ""
    return f"{entry.serial}  {what}, entered {entry.entered_at:%Y-%m-%d %H:%M:%S} UTC{why}"


def standing(spool: Spool, enrolled: Enrolment | None, now: datetime) -> Json:
    """How the spool stands: what waits and since when, the last answer, the last trouble, the clocks' difference."""
    oldest = spool.entries(State.WAITING, most=1)
    ahead = spool.note("clock_ahead_s")
    return {
        "server": enrolled.server if enrolled else None,
        "stage": enrolled.stage if enrolled else None,
        "stage_by_service": spool.note("stage"),
        "terminal": spool.note("terminal"),
        "spool": spool.id,
        "waiting": spool.number(State.WAITING),
        "oldest_waiting_at": oldest[0].entered_at.isoformat() if oldest else None,
        "oldest_waiting_s": max(round((now - oldest[0].entered_at).total_seconds()), 0) if oldest else None,
        "rejected": spool.number(State.REJECTED),
        "last_answer_at": found.isoformat() if (found := utc(spool.note("last_answer_at"))) else None,
        "last_trouble": spool.note("last_trouble") or None,
        "clock_ahead_s": None if ahead is None else float(ahead),
    }


def several(number: int, one: str, more: str) -> str:
    """A number with its noun, as people say it."""
    return f"{number} {one if number == 1 else more}"


def waiting_aloud(number: int) -> str:
    """How many entries wait."""
    return f"{several(number, 'entry waits', 'entries wait')} to be sent."


def refused_aloud(number: int) -> str:
    """How many entries were refused."""
    return f"{several(number, 'entry was', 'entries were')} refused for good: see  tiedown-terminal rejected"


def standing_aloud(facts: Json) -> list[str]:
    """How the spool stands, in lines for people."""
    lines = [waiting_aloud(facts["waiting"])]
    if facts["waiting"]:
        lines.append(f"The oldest waits since {facts['oldest_waiting_at']}.")
    if facts["rejected"]:
        lines.append(refused_aloud(facts["rejected"]))
    lines.append(f"The service last answered {facts['last_answer_at'] or 'never'}.")
    if facts["last_trouble"]:
        lines.append(f"The last trouble: {facts['last_trouble']}")
    if facts["clock_ahead_s"] is not None:
        ahead = facts["clock_ahead_s"]
        lines.append(
            f"This computer's clock is {abs(ahead):.0f} s {'ahead of' if ahead > 0 else 'behind'} the service's."
        )
    if facts["stage"] and facts["stage_by_service"] not in {None, facts["stage"]}:
        lines.append(f"The service has this terminal at stage {facts['stage_by_service']}, not {facts['stage']}.")
    return lines
