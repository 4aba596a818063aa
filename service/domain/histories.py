"""The history of a shot: what happened to it, each time in one plain sentence that needs nothing beside it."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from service.domain.events import MEANINGS, Event, EventKind
from service.domain.progress import Verdict
from service.domain.takes import Purpose, SeriesState

Data = Mapping[str, Any]

# What is called so is the only one of most shots, and not worth a word.
_USUAL = "main"
_SAID = {
    Verdict.ACCEPT: "accepted",
    Verdict.REJECT: "rejected",
    Verdict.CIRCLE: "circled",
}
_FIELDS = {
    "code": "its code",
    "episode": "its episode",
    "scene": "its scene",
    "cut_frames": "cut length",
    "uses": "the frames the cut uses",
    "dissolves": "the frames dissolves need beyond the cut",
    "handle_in": "the handle before the cut",
    "handle_out": "the handle after the cut",
    "cameras": "the required cameras",
    "passes": "the required passes",
    "parts": "where it is shot",
    "animator": "its animator",
    "set": "its set",
    "set_up": "its set-up",
    "insert_of": "the shot it is an insert of",
    "difficulty": "its difficulty",
    "notes": "its notes",
    "note": "its note",
    "part": "its part",
    "asked_by": "who asked for it",
}
_LENGTHS = frozenset({"cut_frames", "handle_in", "handle_out"})


@dataclass(frozen=True, slots=True)
class Seen:
    """What the ledger says of the counts behind an event: the `stage` they came from, the animators, their last day."""

    stage: str | None = None
    animators: tuple[str, ...] = ()
    day_on: date | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a history: an event, or a run of counts of one series told as one.

    `events` are in the order of the log. `seen` is None of what is no count, or whose counts are another shot's now.
    """

    events: tuple[Event, ...]
    seen: Seen | None

    @property
    def last(self) -> Event:
        """The latest of its events."""
        return self.events[-1]

    @property
    def data(self) -> Data:
        """What the event holds; of a run, what the last one does, with the frames before the first."""
        first, last = self.events[0].data, self.last.data
        return {**last, "before_frames": first["before_frames"]} if len(self.events) > 1 else last

    @property
    def said(self) -> str:
        """The sentence."""
        return sentence(self.last.kind, self.data, stage=self.seen.stage if self.seen else None, times=len(self.events))


def entries(
    events: Iterable[Event], seen: Mapping[int, Seen], *, limit: int, folded: bool = False
) -> tuple[list[Entry], int]:
    """At most `limit` entries, and how many of the events, which may also come newest first, are told in them.

    Folded, the counts of one series by one terminal make one entry as long as nothing but counts comes between and the
    stage and the production day are the same. It stands where the run begins, and ends with the page.
    """
    found: list[Entry] = []
    runs: dict[tuple[object, ...], int] = {}
    told = 0
    for event in events:
        of = seen.get(event.id)
        run = (event.data.get("series"), event.actor, of.stage if of else None, of.day_on if of else None)
        if event.kind != EventKind.FRAMES_COUNTED:
            runs.clear()
        elif folded and run in runs:
            found[runs[run]] = _joined(found[runs[run]], event, of)
            told += 1
            continue
        if len(found) == limit:
            break
        if event.kind == EventKind.FRAMES_COUNTED:
            runs[run] = len(found)
        found.append(Entry((event,), of))
        told += 1
    return found, told


def _joined(entry: Entry, event: Event, seen: Seen | None) -> Entry:
    events = tuple(sorted((*entry.events, event), key=lambda each: each.id))
    if entry.seen is None or seen is None:
        return Entry(events, entry.seen)
    return Entry(events, replace(entry.seen, animators=tuple(sorted({*entry.seen.animators, *seen.animators}))))


def sentence(kind: str, data: Data, *, stage: str | None = None, times: int = 1) -> str:
    """What an event says of its shot, with a full stop; `stage` and `times` (how often in a row) are of counts."""
    if kind == EventKind.FRAMES_COUNTED:
        said = _counted(data, stage, times=times)
    elif kind in SENTENCES:
        said = SENTENCES[EventKind(kind)](data)
    else:
        return general(kind)
    return _sentence(said, data.get("reason"))


def general(kind: str) -> str:
    """What is said of a kind that has no sentence of its own."""
    try:
        meaning = MEANINGS[EventKind(kind)]
    except ValueError:
        return f"Something of the kind {kind} happened."
    return _sentence(meaning.partition("`")[0].partition(":")[0].strip())


def _sentence(text: str, reason: str | None = None) -> str:
    """With a capital, the reason where one was given, and one full stop."""
    whole = f"{text}: {reason}" if reason else text
    return f"{whole[:1].upper()}{whole[1:].rstrip('.')}."


def _added(data: Data) -> str:
    asked = [f"{_frames(data['cut_frames'])} of cut"]
    if data["handle_in"] or data["handle_out"]:
        asked.append(f"handles of {data['handle_in']} before and {data['handle_out']} after")
    for name, word in (("cameras", "camera"), ("passes", "pass")):
        if data[name] != [_USUAL]:
            asked.append(f"{word if len(data[name]) == 1 else _FIELDS[name].rpartition(' ')[2]} {_listed(data[name])}")
    where = f"; {_parts(data['parts'])}" if data["parts"] else ""
    return f"added to episode {data['episode']}: {_listed(asked)}{where}"


def _changes(data: Data) -> Iterator[str]:
    changed = {name: each for name, each in data["changed"].items() if name != "omitted"}
    for name, change in changed.items():
        before, after = change["before"], change["after"]
        if name == "moving_camera":
            yield "its camera moves, so that its plate is as long" if after else "its camera stands still"
        elif name != "uses" or not (_from_the_first(before) and _from_the_first(after)):
            was, is_ = (_value(name, each) for each in (before, after))
            unit = " frames" if name in _LENGTHS else ""
            yield f"{_FIELDS.get(name, name)} went from {was} to {is_}{unit}"


def _from_the_first(uses: Sequence[Sequence[int]] | None) -> bool:
    """Whether the cut uses the shot once from its frame 1 on, so that its length says it all."""
    return uses is None or [first for first, _ in uses] == [1]


def _value(name: str, value: Any) -> str:  # noqa: ANN401 -- any JSON value
    match name, value:
        case _, None | []:
            said = {"parts": "any stage", "uses": "the whole"}.get(name, "none")
        case "parts", [*parts]:
            said = _parts(parts)
        case (("uses" | "dissolves"), [*ranges]):
            said = _listed([f"{first} to {last}" for first, last in ranges])
        case _, bool():
            said = "yes" if value else "no"
        case "characters", [*cast]:
            said = _listed([f"{each['character']} ({_copies(each['copies'])})" for each in cast])
        case _, [*names]:
            said = _listed([str(each) for each in names])
        case _:
            said = str(value)
    return said


def _copies(number: int) -> str:
    return "1 copy" if number == 1 else f"{number} copies"


def _needed(data: Data) -> str:
    draft = f" (needs draft {data['draft']})" if data["draft"] is not None else ""
    return f"{'; '.join(_changes(data)) or 'that it needs nothing was entered'}{draft}"


def _parts(parts: Sequence[Data]) -> str:
    """Where a shot is shot: `stage mill`, or each stage with the frames it shoots."""
    if len(parts) == 1 and parts[0]["first"] is None and parts[0]["last"] is None:
        return f"stage {parts[0]['stage']}"
    return _listed([f"part {each['part']} ({_span(each)}) on stage {each['stage']}" for each in parts])


def _span(part: Data) -> str:
    first, last = part["first"], part["last"]
    match first, last:
        case None, None:
            return "all frames"
        case None, _:
            return f"up to frame {last}"
        case _, None:
            return f"from frame {first}"
        case _:
            return f"frames {first} to {last}"


def _counted(data: Data, stage: str | None, *, times: int = 1) -> str:
    before, total = data["before_frames"], data["total_frames"]
    where = f" on stage {stage}" if stage else ""
    often = f" in {times} postings" if times > 1 else ""
    if total > before:
        moved = f"reached {_frames(total)}{often} ({total - before} more)"
    elif total < before:
        moved = f"fell to {_frames(total)}{often} ({before - total} fewer)"
    else:
        moved = f"stayed at {_frames(total)}{often}"
    match data["state"]:
        case SeriesState.FINISHED:
            moved += ", offered as finished"
        case SeriesState.ABANDONED:
            moved += ", given up"
    # Events of before this was marked say nothing of it.
    moved += ", after the shot was approved" if data.get("after_approval") else ""
    return f"{_take(data)}{where} {moved}"


def _corrected(data: Data) -> str:
    take, origin, goal = _take(data), data["origin"], data["goal"]
    if goal is None:
        return f"{take} was put right from {data['before_frames']} to {_frames(data['total_frames'])}"
    if data["left"]:
        return f"{_frames(data['before_frames'])} of {take} went to {_elsewhere(goal)}"
    return f"{take} got {_frames(data['total_frames'])} that were counted for {_elsewhere(origin)}"


def _elsewhere(place: Data) -> str:
    """A shot, or a take of one."""
    if place["take"] is None:
        return f"shot {place['shot']}"
    part = f" of part {place['part']}" if place["part"] else ""
    return f"take {place['take']}{part} of shot {place['shot']}"


def _merged(data: Data) -> str:
    rose = f", whose takes' numbers rose by {data['take_offset']}" if data["take_offset"] else ""
    return f"merged into shot {data['into']}{rose}"


def _decided(data: Data) -> str:
    what = _range(data)
    if data["verdict"] == Verdict.WITHDRAW:
        return f"what had been decided of {what} was withdrawn"
    # Events of before causes were asked for have none.
    cause = f" (cause: {data['cause']})" if data.get("cause") else ""
    return f"{what} {'were' if what.startswith('frames') else 'was'} {_SAID[Verdict(data['verdict'])]}{cause}"


def _range(data: Data) -> str:
    """A take, or the frames of it that are spoken of."""
    first, last = data["first"], data["last"]
    if first is None:
        return _take(data)
    return f"frame {first} of {_take(data)}" if first == last else f"frames {first} to {last} of {_take(data)}"


def _take(data: Data) -> str:
    """The take a reader would name: its part, camera, pass and purpose where they are not the usual ones."""
    purpose = data["purpose"]
    words = [f"take {data['take']}" if purpose == Purpose.SHOOT else f"{purpose} take {data['take']}"]
    words += [f"of part {data['part']}"] if data["part"] else []
    words += [f"on camera {data['camera']}"] if data.get("camera") not in {None, _USUAL} else []
    words += [f"in pass {data['pass']}"] if data.get("pass") not in {None, _USUAL} else []
    return " ".join(words)


def _frames(number: int) -> str:
    return "1 frame" if number == 1 else f"{number} frames"


def _listed(words: Sequence[str]) -> str:
    """Words with commas, and `and` before the last."""
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else "".join(words)


def _moved(data: Data) -> str:
    back = "" if data["cause"] is None else f" again, for {data['cause']}"
    without = f", without: {', '.join(data['lacked'])}" if data["lacked"] else ""
    return f"the shot went from {data['origin']} to {data['to']}{back}{without}"


def _signed(data: Data) -> str:
    signer = "" if data["signer"] is None else f" {data['signer']}"
    return f"{data['matter']}, by the {data['role']}{signer}"


def _noted(data: Data) -> str:
    return "" if data["note"] is None else f": {data['note']}"


def _booked(data: Data) -> str:
    taken = [f"stage {data['stage']}"] if data["stage"] else []
    taken += [data["animator"]] if data["animator"] else []
    part = f" part {data['part']}" if data.get("part") else ""
    return (
        f"booking {data['booking']} of {' and '.join(taken)} for {data['activity']}{part}, "
        f"{data['start']} to {data['end']}"
    )


def _noticed(data: Data) -> str:
    of = f" ({data['threshold']})" if data["threshold"] else ""
    return f"Noticed: {data['kind']}{of}{', which ended' if data['over'] else ''}"


SENTENCES: Mapping[EventKind, Callable[[Data], str]] = {
    EventKind.SHOT_ADDED: _added,
    EventKind.SHOT_CHANGED: lambda data: "; ".join(_changes(data)) or "the plan was changed",
    EventKind.SHOT_OMITTED: lambda data: "; ".join(("removed from the cut", *_changes(data))),
    EventKind.SHOT_RESTORED: lambda data: "; ".join(("brought back into the cut", *_changes(data))),
    EventKind.NEEDS_ENTERED: _needed,
    EventKind.BOOKING_MADE: lambda data: f"{data['firmness']} {_booked(data)}",
    EventKind.BOOKING_CHANGED: lambda data: f"booking {data['booking']} was changed: {'; '.join(_changes(data))}",
    EventKind.BOOKING_CANCELLED: lambda data: f"cancelled: {_booked(data)}",
    EventKind.BOOKING_RESTORED: lambda data: f"back, pencilled: {_booked(data)}",
    EventKind.BOOKING_LOST: lambda data: f"did not come back: {_booked(data)}",
    EventKind.FRAMES_MATCHED: (
        lambda data: f"counts that had waited without a shot were matched: {_counted(data, None)}"
    ),
    EventKind.FRAMES_REDATED: (
        lambda data: f"a call or wrap of stage {data['stage']} moved frames to another production day"
    ),
    EventKind.FRAMES_CORRECTED: _corrected,
    EventKind.SHOT_MERGED: _merged,
    EventKind.TAKE_DECIDED: _decided,
    EventKind.TAKE_NOTED: lambda data: f"note {data['note']} on {_range(data)}: {data['text']}",
    EventKind.SHOT_MOVED: _moved,
    EventKind.SHOT_SUSPENDED: lambda _: "work on the shot was suspended",
    EventKind.SHOT_RESUMED: lambda data: f"work was taken up again; it had been suspended for: {data['suspended_for']}",
    EventKind.SIGNOFF_GIVEN: lambda data: f"{_signed(data)}{_noted(data)}",
    EventKind.SIGNOFF_WITHDRAWN: lambda data: f"{_signed(data)}, was withdrawn",
    EventKind.NOTE_STRUCK: lambda data: f"note {data['note']} on {_take(data)} was struck",
    EventKind.NOTICE_RAISED: _noticed,
}
"""What is said of each kind that befalls a shot, without capital, `reason` and full stop; counts are said apart."""
