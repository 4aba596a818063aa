"""What the terminals post in two days, worked out beforehand from a seed.

Frames are shot at the speed of a series (some ten seconds a day), so that the figures look like a studio's.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from random import Random
from typing import Any

from service.domain.studio import zone
from workers.demo.scenario import PRODUCTION, SHOTS, STAGES, STUDIO, Habit, Shot, Stage

OFFICE_OPENS, CALL, WRAP, VIEWING = time(8), time(9), time(18), time(18, 30)
# When each list of the second day comes.
SECOND_CUT_AT = {"e1": time(8, 30), "e2": VIEWING}
RETAKE_FROM = 61
# A terminal speaks after so many captures, and an animator needs so many minutes for one.
CAPTURES_A_POST = (3, 4, 4, 5)
MINUTES_A_CAPTURE = (1.5, 2.5)
# The longest hours a terminal was cut off, by stage and day.
OUTAGES: Mapping[tuple[str, int], tuple[time, time]] = {
    ("attic", 0): (time(10), time(16)),
    ("north", 1): (time(14), time(15, 30)),
    ("shed", 1): (time(9, 30), time(12)),
}
REINSTALLED = ("boiler", 1)
# Who keeps other hours than the usual ones, by stage and day; None: is not called.
OTHER_HOURS: Mapping[tuple[str, int], tuple[time, time] | None] = {
    ("cellar", 0): (time(20), time(4, 30)),
    ("cellar", 1): None,
    ("yard", 0): None,
    ("porch", 0): None,
    ("porch", 1): None,
}
# A computer that is never heard of again, so that nobody says wrap: by stage and day, when.
DEAD_FROM: Mapping[tuple[str, int], time] = {("yard", 1): time(10, 40)}
# A computer that was switched off on the first day with frames nobody had sent, and is found when both days are over.
FOUND_AT, FOUND_SHOT, FOUND_CAPTURES = time(17, 40), "e2-loft-1", 12
ANSWERS_LOST = 0.04

# The shots of each stage on each day, in the order of the call sheet; the later ones may have to wait.
CALL_SHEET: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "north": (("e1-quay-1", "e1-quay-2", "e1-quay-3"), ("e1-quay-1", "e1-quay-6", "e1-quay-4", "e2-street-1")),
    "south": (("e1-kitchen-1", "e1-kitchen-2", "e1-kitchen-4"), ("e1-kitchen-1", "e1-quay-6", "e1-kitchen-3")),
    "attic": (("e1-stairs-1", "e1-stairs-2", "e1-stairs-3"), ("e2-loft-2", "e2-loft-3", "e1-stairs-4")),
    "boiler": (("e1-lamp-room-1", "e1-lamp-room-2", "e1-lamp-room-4"), ("e1-lamp-room-3", "e2-drain-1", "e2-drain-2")),
    "shed": (
        ("e1-market-1", "e1-market-2", "e1-market-4"),
        ("e1-market-4", "e1-market-3", "e2-jetty-6", "e1-market-5", "e2-jetty-1"),
    ),
    "cellar": (("e2-drain-4",), ()),
    "yard": ((), ("e2-drain-6",)),
    "porch": ((), ()),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sending:
    """One body a terminal posts: when, and its counts; `repeated` where it takes the answer for lost."""

    spool: str
    sent_at: datetime
    counts: tuple[Mapping[str, Any], ...]
    repeated: bool


@dataclass(frozen=True, slots=True)
class Grab:
    """What a terminal notes at an instant: the fields of a count but for serial and clock."""

    at: datetime
    says: Mapping[str, Any]


class Wrapped(Exception):
    """The last day is over."""


@dataclass(slots=True)
class Bench:
    """A stage at work: its clock runs from call to wrap and at the next call goes on."""

    stage: Stage
    days: tuple[date, date]
    rng: Random
    day: int = -1
    now: datetime = field(init=False)
    grabs: tuple[list[Grab], list[Grab]] = field(default_factory=lambda: ([], []))

    def spend(self, minutes: float) -> None:
        """Let time pass; over the wrap it jumps to the next call. Raises Wrapped after the last wrap."""
        self.now += timedelta(seconds=round(minutes * 60))
        if self.now >= ends(self.stage.code, self.day, self.days):
            self.next_day()

    def next_day(self) -> None:
        """Wait for the next call. Raises Wrapped where there is none."""
        for day in range(self.day + 1, len(self.days)):
            if (hours := hours_of(self.stage.code, day, self.days)) is not None:
                self.day, (self.now, _) = day, hours
                return
        raise Wrapped

    def note(self, **says: Any) -> None:  # noqa: ANN401 - the fields of a count, each of its own type
        """Note a count at this instant."""
        self.grabs[self.day].append(Grab(self.now, says | {"animator": self.stage.animators[self.day]}))

    def shoot(self, says: Mapping[str, Any], *, upto: int, per: int = 1, reached: int = 0) -> int:
        """Capture until `upto` frames are there, `per` frames a capture, and note the totals; return the total."""
        captures = reached // per
        while captures * per < upto:
            step = min(self.rng.choice(CAPTURES_A_POST), -(-upto // per) - captures)
            self.spend(step * self.rng.uniform(*MINUTES_A_CAPTURE))
            captures += step
            self.note(**says, captures_total=captures, **({"frames_per_capture": per} if per > 1 else {}))
        return captures * per


def instant(day: date, at: time) -> datetime:
    """The instant a wall clock of the studio shows this time on this day."""
    return datetime.combine(day, at, tzinfo=zone(str(STUDIO["time_zone"])))


def hours_of(stage: str, day: int, days: tuple[date, date]) -> tuple[datetime, datetime] | None:
    """When a stage is called and wraps on the first (0) or second (1) day; None where it is not called.

    Who wraps earlier than they were called does so the next morning.
    """
    hours = OTHER_HOURS.get((stage, day), (CALL, WRAP))
    if hours is None:
        return None
    call, wrap = hours
    return instant(days[day], call), instant(days[day] + timedelta(days=wrap < call), wrap)


def ends(stage: str, day: int, days: tuple[date, date]) -> datetime:
    """When the computer of a stage that was called says its last: at the wrap, or when it dies."""
    dead_from = DEAD_FROM.get((stage, day))
    if dead_from is not None:
        return instant(days[day], dead_from)
    hours = hours_of(stage, day, days)
    return instant(days[day], WRAP) if hours is None else hours[1]


def by_night(stage: str, day: int) -> bool:
    """Whether a stage works on into the next morning."""
    hours = OTHER_HOURS.get((stage, day))
    return hours is not None and hours[1] < hours[0]


def script(stage: Stage, days: tuple[date, date], seed: int) -> tuple[list[Sending], list[Sending]]:
    """What the terminal of this stage posts on each of the two days; the same for the same seed and days."""
    rng = Random(f"{seed}:{stage.code}")  # noqa: S311 - a repeatable invention, no secret
    bench = Bench(stage, days, rng)
    shots = {shot.code: shot for shot in SHOTS}
    first, second = CALL_SHEET[stage.code]
    try:
        bench.next_day()
        for code in first:
            _work(bench, shots[code])
        if bench.day == 0:
            bench.next_day()
        for code in second:
            _work(bench, shots[code])
    except Wrapped:
        pass
    spools = [f"{stage.terminal}-1", f"{stage.terminal}-2" if (stage.code, 1) == REINSTALLED else f"{stage.terminal}-1"]
    begun = 0 if spools[0] != spools[1] else len(bench.grabs[0])
    return (
        list(_sendings(bench, day=0, spool=spools[0], after_serial=0)),
        list(_sendings(bench, day=1, spool=spools[1], after_serial=begun)),
    )


def _work(bench: Bench, shot: Shot) -> None:
    """Turn over to a shot and shoot it in the way it asks for."""
    bench.spend(bench.rng.uniform(15, 40))
    says = {"production": PRODUCTION["code"], "shot": shot.code, "take": 1}
    if Habit.RETAKEN in shot.habits and bench.day == 1:
        says |= {"take": 2, "starts_at": RETAKE_FROM}
        bench.note(**says, captures_total=bench.shoot(says, upto=shot.last - RETAKE_FROM + 1), outcome="finished")
        return
    if Habit.TOUCHED_UP in shot.habits and bench.day == 1:
        _touch_up(bench, shot, says)
        return
    if Habit.TRIMMED in shot.habits and bench.day == 1:
        _plate(bench, shot, says)
        return
    way = next((way for habit, way in WAYS.items() if habit in shot.habits), _straight)
    if len(shot.cameras) > 1:
        way = _two_cameras
    elif len(shot.passes) > 1:
        way = _two_passes
    elif shot.parts:
        way = _part
    way(bench, shot, says)
    if Habit.PLATED in shot.habits:
        _plate(bench, shot, says)


def _touch_up(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """The last frames of a take that is approved, deleted and shot again."""
    length = shot.last - shot.first + 1
    left = length - bench.rng.randint(5, 9)
    bench.note(**says, captures_total=left)
    bench.shoot(says, upto=length, reached=left)


def _plate(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """The set without its puppets, in one go, because nobody animates: of a moving camera as long as the shot."""
    upto = shot.last - shot.first + 1 if shot.moving_camera else 25 + bench.rng.randrange(6)
    bench.spend(upto * 0.2)
    bench.note(**says, purpose="plate", frames_total=upto, outcome="finished")


Way = Callable[[Bench, Shot, Mapping[str, Any]], None]


def _straight(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """Take 1 to its end, a frame or two over where the animator likes; what is touched up later ends on its length."""
    per = 2 if Habit.TWOS in shot.habits else 1
    over = 0 if Habit.TOUCHED_UP in shot.habits else bench.rng.choice((0, 0, 0, 1, 2, 4))
    reached = bench.shoot(says, upto=shot.last - shot.first + 1 + over, per=per)
    bench.note(**says, **_total(reached, per), outcome="circled" if Habit.WANTED in shot.habits else "finished")


def _deleting(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """Twice a stretch goes wrong, is deleted and shot again."""
    per = 2 if Habit.TWOS in shot.habits else 1
    length = shot.last - shot.first + 1
    reached = 0
    for part in (0.4, 0.8):
        reached = bench.shoot(says, upto=int(length * part), per=per, reached=reached)
        reached -= per * bench.rng.randint(3, 8)
        bench.spend(3)
        bench.note(**says, **_total(reached, per))
    reached = bench.shoot(says, upto=length, per=per, reached=reached)
    bench.note(**says, **_total(reached, per), outcome="finished")


def _abandoned(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """A rig gives way in the middle of take 1; take 2 begins at the beginning."""
    length = shot.last - shot.first + 1
    reached = bench.shoot(says, upto=bench.rng.randint(length // 3, length // 2))
    bench.note(**says, captures_total=reached, outcome="abandoned")
    bench.spend(20)
    bench.note(**{**says, "take": 2}, captures_total=bench.shoot({**says, "take": 2}, upto=length), outcome="finished")


def _mixed(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """Ones, twos and long holds in one take: the terminal posts the frames, because captures would not tell."""
    total = 0
    while total < shot.last - shot.first + 1:
        holds = [bench.rng.choice((1, 1, 2, 2, 2, 3, 12)) for _ in range(3)]
        bench.spend(len(holds) * bench.rng.uniform(*MINUTES_A_CAPTURE))
        total += sum(holds)
        bench.note(**says, frames_total=total)
    bench.note(**says, frames_total=total, outcome="finished")


def _rehearsed(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """A short run without care for the frames, then the take."""
    bench.shoot({**says, "purpose": "rehearsal"}, upto=bench.rng.randint(10, 18))
    _straight(bench, shot, says)


def _two_cameras(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """Both cameras grab each pose, but the second is sometimes forgotten and must be grabbed later."""
    length = shot.last - shot.first + 1
    stop = bench.rng.randint(length // 2, length - 8)
    reached = 0
    while reached < stop:
        step = min(bench.rng.choice(CAPTURES_A_POST), stop - reached)
        bench.spend(step * bench.rng.uniform(*MINUTES_A_CAPTURE))
        reached += step
        behind = bench.rng.choice((0, 0, 1, 2))
        bench.note(**says, camera=shot.cameras[0], captures_total=reached)
        bench.note(**says, camera=shot.cameras[1], captures_total=max(reached - behind, 0))


def _two_passes(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """The second pass exposes the same frames again, for the shadow alone; it is soon done."""
    length = shot.last - shot.first + 1
    bench.shoot({**says, "pass": shot.passes[0]}, upto=length)
    bench.spend(25)
    bench.shoot({**says, "pass": shot.passes[1]}, upto=length - bench.rng.randint(0, 9))


def _part(bench: Bench, shot: Shot, says: Mapping[str, Any]) -> None:
    """One stage's part of a split shot; the key tells which."""
    first, last = next((part[2], part[3]) for part in shot.parts if part[1] == bench.stage.code)
    length = (shot.last if last is None else last) - (shot.first if first is None else first) + 1
    bench.note(**says, captures_total=bench.shoot(says, upto=length), outcome="finished")


WAYS: Mapping[Habit, Way] = {
    Habit.DELETING: _deleting,
    Habit.ABANDONED: _abandoned,
    Habit.MIXED: _mixed,
    Habit.REHEARSED: _rehearsed,
}


def _total(reached: int, per: int) -> dict[str, int]:
    return {"captures_total": reached} if per == 1 else {"captures_total": reached // per, "frames_per_capture": per}


def _sendings(bench: Bench, *, day: int, spool: str, after_serial: int) -> Iterator[Sending]:
    """The day's grabs as bodies: one each while the network holds, all of an outage in one after it."""
    outage = OUTAGES.get((bench.stage.code, day))
    kept: list[Mapping[str, Any]] = []
    for serial, grab in enumerate(bench.grabs[day], start=after_serial + 1):
        clock = grab.at + timedelta(minutes=bench.stage.clock_fast_min)
        count = {"serial": serial, **grab.says, "at": clock.isoformat()}
        if outage and outage[0] <= grab.at.time() < outage[1]:
            kept.append(count)
            continue
        if kept and outage:
            yield _sending(bench, spool, kept, sent_at=instant(grab.at.date(), outage[1]))
            kept = []
        yield _sending(bench, spool, [count], sent_at=grab.at)
    if kept:
        yield _sending(bench, spool, kept, sent_at=instant(bench.days[day], WRAP))


def _sending(bench: Bench, spool: str, counts: Sequence[Mapping[str, Any]], *, sent_at: datetime) -> Sending:
    repeated = bench.rng.random() < ANSWERS_LOST
    return Sending(spool=spool, sent_at=sent_at, counts=tuple(counts), repeated=repeated)


def found(days: tuple[date, date]) -> Sending:
    """What a computer of the attic still has in it from the first day."""
    captured_at = instant(days[0], FOUND_AT)
    count = {
        "serial": 1,
        "production": PRODUCTION["code"],
        "shot": FOUND_SHOT,
        "take": 1,
        "captures_total": FOUND_CAPTURES,
        "animator": "Ysolde",
        "at": captured_at.isoformat(),
    }
    return Sending(spool="attic-grab-found", sent_at=captured_at, counts=(count,), repeated=False)


def terminals(days: tuple[date, date], seed: int) -> dict[str, tuple[list[Sending], list[Sending]]]:
    """The script of every stage's terminal, by stage."""
    return {stage.code: script(stage, days, seed) for stage in STAGES}
