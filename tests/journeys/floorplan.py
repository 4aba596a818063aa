"""What the demo's stages were planned for and worked on, second by second, added up from its record alone."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

Line = Mapping[str, Any]
Seconds = set[int]

# As the demo sets its studio: where it lies, when its days begin, and its hours, the same on every day.
ZONE = ZoneInfo("Europe/Lisbon")
DAY_BEGINS, OPENS, CLOSES = time(5), time(9), time(18)
A_DAY, QUIET = 24 * 3600, 2 * 3600
USES = {"shooting": "shooting", "plate": "plate", "upkeep": "upkeep", "holding": "held"} | dict.fromkeys(
    ("dressing", "lighting", "strike"), "dressing"
)
ORDER = ("shooting", "plate", "dressing", "upkeep", "held")


def clock(day: date, at: time) -> int:
    return int(datetime.combine(day, at, tzinfo=ZONE).timestamp())


def second(instant: str) -> int:
    return int(datetime.fromisoformat(instant).timestamp())


def stage_day(lines: Sequence[Line], stage: str, day: date) -> dict[str, int]:
    """Seconds of a stage on a production day: its hours, each activity planned, overlaps, work, holds, idle time."""
    pieces = list(_pieces(lines, stage))
    # A day goes on to the wrap of what was called in it.
    mine = _by_clock(day) - _called(pieces, day - timedelta(days=1)) | _called(pieces, day)
    hours = set(range(clock(day, OPENS), clock(day, CLOSES))) & mine
    booked = [
        (
            line["activity"],
            line.get("firmness", "pencilled"),
            set(range(second(line["start"]), second(line["end"]))) & mine,
        )
        for line in _standing(lines)
        if line.get("stage") == stage
    ]
    planned = _planned(booked)
    worked = {each for first, end, _ in pieces for each in range(first, end)} & mine
    held = set[int]().union(*(when for use, firm, when in booked if (use, firm) == ("holding", "confirmed"))) - worked
    firm, wished = (
        set[int]().union(*(when for _, each, when in booked if each == said)) for said in ("confirmed", "pencilled")
    )
    lost = {each for first, end, wrapped in pieces if not wrapped for each in range(first, end)}
    return {
        "span_s": len(mine),
        "available_s": len(hours),
        **{f"planned {use}": len(when) for use, when in planned.items()},
        "pencilled_s": len(wished - firm),
        "overlap_s": len(_twice(when for _, _, when in booked)),
        "worked": len(worked),
        "overtime_s": len(worked - hours),
        "inferred_s": len(lost & mine),
        "held": len(held),
        "idle": len(hours - worked - held),
    }


def _standing(lines: Iterable[Line]) -> list[Line]:
    """The bookings that nobody took back: with a shot that left the cut all go but striking its set and upkeep."""
    left = {line["code"] for line in lines if line["post"] == "shot" and line["omitted"]}
    booked = [line for line in lines if line["post"] == "booking"]
    return [line for line in booked if line.get("shot") not in left or line["activity"] in {"strike", "upkeep"}]


def _planned(booked: Iterable[tuple[str, str, Seconds]]) -> dict[str, Seconds]:
    several = list(booked)
    found: dict[str, Seconds] = {use: set() for use in ORDER}
    taken: Seconds = set()
    for said in ("confirmed", "pencilled"):
        for use in ORDER:
            for activity, firmness, when in several:
                if (USES[activity], firmness) == (use, said):
                    found[use] |= when - taken
            taken |= found[use]
    return found


def _twice(several: Iterable[Seconds]) -> Seconds:
    once: Seconds = set()
    twice: Seconds = set()
    for when in several:
        twice |= once & when
        once |= when
    return twice


def _pieces(lines: Iterable[Line], stage: str) -> Iterator[tuple[int, int, bool]]:
    """The work on a stage: first second, end, and whether somebody wrapped it."""
    said = sorted(
        (second(line["at"]), line["kind"]) for line in lines if line["post"] == "signal" and line["stage"] == stage
    )
    captured = sorted(
        second(line["answer"]["captured_at"])
        for line in lines
        if line["post"] == "count" and line["stage"] == stage and line["answer"]["outcome"] in {"counted", "unmatched"}
    )
    signs = sorted([at for at, _ in said] + captured)
    called = []
    for place, (at, kind) in enumerate(said):
        if kind == "call":
            following = said[place + 1] if place + 1 < len(said) else (at + A_DAY, "")
            wrapped = following[1] == "wrap" and following[0] <= at + A_DAY
            limit = min(following[0], at + A_DAY)
            end = limit if wrapped else max(each for each in signs if at <= each < limit)
            called.append((at, end, wrapped))
    yield from called
    lone = [at for at in captured if not any(first <= at <= end for first, end, _ in called)]
    for one, other in pairwise(lone):
        if other - one <= QUIET and not any(one < end and first < other for first, end, _ in called):
            yield one, other, False


def _by_clock(day: date) -> Seconds:
    return set(range(clock(day, DAY_BEGINS), clock(day + timedelta(days=1), DAY_BEGINS)))


def _called(pieces: Iterable[tuple[int, int, bool]], day: date) -> Seconds:
    """The work that was begun on a day and went on past its end."""
    by_clock = _by_clock(day)
    ends = max(by_clock) + 1
    return {each for first, end, _ in pieces if first in by_clock for each in range(ends, end)}


def told(of_day: Mapping[str, Any], *, nobody_came: bool) -> dict[str, int]:
    """The same of what the service answers of a stage's day.

    Where nobody came, phases alone tell of dressing: the record has no instants of moves, so here that is idle time.
    """
    planned, actual = (
        {each["activity"]: sum(each[how].values()) for each in of_day["activities"]} for how in ("planned", "actual")
    )
    dressed = actual["dressing"] if nobody_came else 0
    return {
        **{name: of_day[name] for name in ("span_s", "available_s", "pencilled_s", "overlap_s", "overtime_s")},
        **{f"planned {use}": planned[use] for use in ORDER},
        "inferred_s": of_day["inferred_s"] - dressed,
        "worked": sum(actual[use] for use in ORDER if use != "held") - dressed,
        "held": actual["held"],
        "idle": actual["idle"] + dressed,
    }
