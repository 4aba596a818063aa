"""What a nightly report must say, worked out the plain way from a record of what was said, with nothing of the service.

A record is a list of dictionaries in the order they were acknowledged, as `tests/nights.py` keeps it. Each has `said`
and `at`; a `shot` and a `change` have the plan, a `count` what was posted and its `answer`, a `decision` its verdict, a
`restate` the total that is right of a take, a `move` the shot and take its counts go to. A `go` leads a shot from one
phase to another, a `sign` and a `withdraw` are of sign-offs, a `suspend` and a `resume` of what is suspended.
The frames a shot has credited are those of `tests/model.py`.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from tests import model

Said = Mapping[str, Any]
Codes = Mapping[str, str | None]
Sums = dict[tuple[str, str | None], Counter[str]]
CAUSES = {"accept": "accepted", "circle": "circled", "reject": "rejected", "withdraw": "withdrawn"}
PLATE_MINIMUM = 25
# In the order of the work, so that what leads to an earlier one leads back.
PHASES = ("planning", "set dressing", "shooting", "background plate", "compositing", "approval", "approved")
OF_ANIMATOR = {"net_frames", "gross_frames", "deleted_frames", "corrected_frames", "takes_finished", "takes_circled"}
NOT_OF_EPISODE = {"silent_terminals", "unmatched_counts"}


@dataclass(frozen=True)
class Day:
    """A production day, and which day any instant belongs to outside a stage's shift."""

    on: date
    opened: datetime
    closes: datetime
    of: Callable[[datetime], date]


@dataclass
class Past:
    """A record replayed: plans, the counts that count, decisions, and E as each thing moved it."""

    day_of: Callable[[datetime], date]
    plans: dict[str, dict[str, Any]] = field(default_factory=dict)
    first: dict[str, dict[str, Any]] = field(default_factory=dict)
    counted: dict[str, list[Said]] = field(default_factory=lambda: defaultdict(list))
    waiting: list[Said] = field(default_factory=list)
    decisions: dict[str, list[Said]] = field(default_factory=lambda: defaultdict(list))
    credit: list[tuple[date, str, str, int]] = field(default_factory=list)
    planned: list[tuple[date, str, int]] = field(default_factory=list)

    def replay(self, record: Iterable[Said], *, until: datetime | None = None) -> "Past":
        for number, entry in enumerate(record):
            if until is None or entry["at"] < until:
                self.take({**entry, "number": number})
        return self

    def take(self, entry: Said) -> None:
        shot, day = entry["shot"], self.day_of(entry["at"])
        match entry["said"]:
            case "shot":
                self.plans[shot] = self.first[shot] = {"omitted": False, **entry}
                self.planned.append((day, shot, len(model.planned(self.plans[shot]))))
                self.match(shot, day)
            case "change":
                self.replan(shot, day, entry)
            case "count" if self.may_count(entry):
                self.count(shot, day, entry)
            case "count":
                self.waiting.append(entry)
            case "restate":
                self.restate(shot, day, entry)
            case "move":
                self.move(shot, day, entry)
            case "decision":
                before = self.credited(shot)
                self.decisions[shot].append(entry)
                self.moved(shot, day, CAUSES[entry["verdict"]], before)

    def replan(self, shot: str, day: date, entry: Said) -> None:
        before, credited = self.plans[shot], self.credited(shot)
        after = before | {name: value for name, value in entry.items() if name not in {"said", "at", "shot", "number"}}
        cause = "re-cut"
        if after["omitted"] != before["omitted"]:
            cause = "omitted" if after["omitted"] else "restored"
        self.planned.append((day, shot, len(model.planned(after)) - len(model.planned(before))))
        self.plans[shot] = after
        self.moved(shot, day, cause, credited)
        self.match(shot, day)

    def match(self, shot: str, day: date) -> None:
        for entry in [each for each in self.waiting if each["shot"] == shot and self.may_count(each)]:
            self.waiting.remove(entry)
            self.count(shot, day, entry)

    def may_count(self, entry: Said) -> bool:
        plan = self.plans.get(entry["shot"])
        return plan is not None and not plan["omitted"] and plan.get("stage") in {None, entry["stage"]}

    def count(self, shot: str, day: date, entry: Said) -> None:
        before = self.credited(shot)
        self.counted[shot].append(entry)
        self.moved(shot, day, "counted", before)

    def restate(self, shot: str, day: date, entry: Said) -> None:
        """The count that stands of the take held what is said now."""
        before = self.credited(shot)
        own = [each for each in self.counted[shot] if key_of(each) == key_of(entry)]
        stands = model.rules([post_of(each) for each in own], "total")
        assert stands is not None
        place = self.counted[shot].index(stands["entry"])
        self.counted[shot][place] = {**stands["entry"], "restated": entry["total"]}
        self.moved(shot, day, "corrected", before)

    def move(self, shot: str, day: date, entry: Said) -> None:
        """Every count so far of one take counts for another; so does what was decided, where that one is new."""
        to, as_take = entry["to"], {"take": entry["to_take"]}
        before = {each: self.credited(each) for each in {shot, to}}
        there = [each for each in self.decisions[to] if each["take"] == entry["to_take"]]
        fresh = not there and not any(each["take"] == entry["to_take"] for each in of_shoot(self.counted[to]))
        gone = [each for each in self.counted[shot] if key_of(each) == key_of(entry)]
        self.counted[shot] = [each for each in self.counted[shot] if each not in gone]
        self.counted[to] += [{**each, **as_take} for each in gone]
        said = [each for each in self.decisions[shot] if each["take"] == entry["take"]]
        if fresh and entry.get("purpose", "shoot") == "shoot":
            self.decisions[shot] = [each for each in self.decisions[shot] if each not in said]
            self.decisions[to] += [{**each, **as_take} for each in said]
        for each, credited in before.items():
            self.moved(each, day, "corrected", credited)

    def moved(self, shot: str, day: date, cause: str, before: int) -> None:
        if (change := self.credited(shot) - before) != 0:
            self.credit.append((day, shot, cause, change))

    def credited(self, shot: str) -> int:
        posts = [post_of(each) for each in self.counted[shot]]
        return model.figures(self.plans[shot], posts, self.decisions[shot])["credited_frames"]

    def came(self, shot: str, before: datetime) -> list[Said]:
        """The counts of a shot's own takes that came before an instant, in the order they came, whenever matched."""
        came = [each for each in of_shoot(self.counted[shot]) if each["at"] < before]
        return sorted(came, key=lambda each: each["number"])


def of_shoot(entries: Iterable[Said]) -> list[Said]:
    """The counts of the shot's own takes."""
    return [each for each in entries if each.get("purpose", "shoot") == "shoot"]


def key_of(entry: Said) -> tuple[str, int]:
    """What tells a take of a shot from the others."""
    return entry.get("purpose") or "shoot", entry["take"]


def post_of(entry: Said) -> dict[str, Any]:
    """A count of the record in the words of `tests/model.py`."""
    return {
        "terminal": f"{entry['stage']}-capture",
        "spool": "",
        "serial": entry["serial"],
        "captured_at": entry["answer"]["captured_at"],
        "take": entry["take"],
        "total": entry.get("restated", entry["total"]),
        "posted": entry["total"],
        "outcome": entry.get("outcome"),
        "purpose": entry.get("purpose"),
        "day": entry["answer"]["production_day"],
        "entry": entry,
    }


def steps(entries: Sequence[Said], plan: Said) -> Iterable[tuple[Said, int, int]]:
    """Each count as a post, with the frames it added to its series, and those a correction added to it."""
    for each in model.series([post_of(entry) for entry in entries], plan).values():
        before = 0
        for post in sorted(each, key=lambda post: (model._no_later(post, each), *model._place(post))):
            yield post, post["posted"] - before, post["total"] - post["posted"]
            before = post["total"]


class Tally:
    """A day's report under way."""

    def __init__(self, record: Sequence[Said], day: Day) -> None:
        self.record, self.day = record, day
        self.whole, self.then = Past(day.of).replay(record), Past(day.of).replay(record, until=day.closes)
        self.sums: Sums = defaultdict(Counter)

    def add(self, figure: str, amount: int, **codes: str | None) -> None:
        for scope, code in {"production": None, **codes}.items():
            left_out = figure not in OF_ANIMATOR if scope == "animator" else figure in NOT_OF_EPISODE
            if not (left_out and scope in {"animator", "episode"}):
                self.sums[scope, code][figure] += amount

    def episode(self, shot: str) -> str:
        return str(self.then.plans.get(shot, self.whole.first[shot])["episode"])

    def home(self, shot: str) -> str | None:
        came = self.whole.came(shot, self.day.closes)
        planned = self.then.plans.get(shot, self.whole.first[shot]).get("stage")
        return planned or (came[-1]["stage"] if came else None)

    def stand(self, shot: str) -> None:
        """Planned and credited frames and plates at the day's close, and what moved them on the day."""
        plan, on = self.then.plans[shot], self.day.on
        codes = {"episode": self.episode(shot), "stage": self.home(shot)}
        asked, asked_before = (
            sum(frames for day, of, frames in self.then.planned if of == shot and (day < on or (day == on and now)))
            for now in (True, False)
        )
        changes = [(day, cause, frames) for day, of, cause, frames in self.then.credit if of == shot]
        done = sum(frames for day, _, frames in changes if day <= on)
        finished = 0 < asked == done
        before = 0 < asked_before == sum(frames for day, _, frames in changes if day < on)
        plated = sum(
            change + corrected
            for post, change, corrected in steps(self.whole.counted[shot], plan)
            if post.get("purpose") == "plate" and post["day"] <= on.isoformat()
        )
        in_place = plated >= (asked if plan.get("moving_camera") else PLATE_MINIMUM)
        self.add("planned_frames", asked, **codes)
        self.add("credited_frames", done, **codes)
        self.add("shots_finished_in_all", int(finished), **codes)
        self.add("shots_finished", int(finished and not before), **codes)
        self.add("plates_in", int(asked > 0 and in_place), **codes)
        self.add("plates_missing", int(finished and not in_place), **codes)
        for day, cause, frames in changes:
            if day == on:
                self.add("credited_change_frames", frames, **codes)
                self.add(f"credited_change_{cause.replace('-', '')}_frames", frames, **codes)

    def capture(self, shot: str) -> None:
        """Frames shot on the day and takes offered on it, by the stage and animator of the capture."""
        offers: dict[int, Said] = {}
        for post, change, corrected in steps(self.whole.counted[shot], self.whole.plans[shot]):
            if post["day"] != self.day.on.isoformat():
                continue
            entry, late = post["entry"], post["entry"]["at"] >= self.day.closes
            here = {"episode": self.episode(shot), "stage": entry["stage"]}
            who = {**here, "animator": entry.get("animator")}
            self.add("late_counts", int(late), **here)
            if post.get("purpose", "shoot") == "shoot":
                self.add("net_frames", change + corrected, **who)
                self.add("corrected_frames", corrected, **who)
                self.add("gross_frames", max(change, 0), **who)
                self.add("deleted_frames", max(-change, 0), **who)
                self.add("late_net_frames", change if late else 0, **here)
                if post.get("outcome") == "finished":
                    offers[post["take"]] = max(
                        offers.get(post["take"], post),
                        post,
                        key=lambda each: (each["captured_at"], *model._place(each)),
                    )
        for post in offers.values():
            codes = {"stage": post["entry"]["stage"], "animator": post["entry"].get("animator")}
            self.add("takes_finished", 1, episode=self.episode(shot), **codes)

    def circle(self, shot: str) -> None:
        """Takes circled on the day, by the stage and animator of the last count that had come."""
        said = [each for each in self.whole.decisions[shot] if self.day.opened <= each["at"] < self.day.closes]
        for take in {each["take"] for each in said if each["verdict"] == "circle"}:
            came = self.whole.came(shot, self.day.closes)
            # A take whose counts were moved away is its shot's.
            last = ([{"stage": self.home(shot)}] + [each for each in came if each["take"] == take])[-1]
            codes = {"stage": last["stage"], "animator": last.get("animator")}
            self.add("takes_circled", 1, episode=self.episode(shot), **codes)

    def walk(self, shot: str) -> None:
        """What was done on the day to where a shot is, and where it stood at the close."""
        codes = {"episode": self.episode(shot), "stage": self.home(shot)}
        done = [entry for entry in self.record if entry["shot"] == shot and entry["at"] < self.day.closes]
        today = [entry for entry in done if entry["at"] >= self.day.opened]
        legs = [entry for entry in today if entry["said"] == "go"]
        back = [leg for leg in legs if PHASES.index(leg["to"]) < PHASES.index(leg["origin"])]
        self.add("moves", len(legs), **codes)
        self.add("moves_overridden", sum(leg["overridden"] for leg in legs), **codes)
        self.add("moves_back", len(back), **codes)
        for leg in back:
            self.add(f"moves_back_{leg['cause'].replace(' ', '_').replace('-', '')}", 1, **codes)
        self.add("shots_approved", int(any(leg["to"] == "approved" for leg in legs)), **codes)
        self.add("signoffs_given", sum(entry["said"] == "sign" for entry in today), **codes)
        self.add("signoffs_withdrawn", sum(entry["said"] == "withdraw" for entry in today), **codes)
        if shot in self.then.plans and not self.then.plans[shot]["omitted"]:
            phase = (["planning"] + [entry["to"] for entry in done if entry["said"] == "go"])[-1]
            figure = "approved_in_all" if phase == "approved" else "in_" + phase.replace(" ", "_")
            self.add(f"shots_{figure}", 1, **codes)
            held = [entry["said"] for entry in done if entry["said"] in {"suspend", "resume"}]
            self.add("shots_suspended", int(held[-1:] == ["suspend"]), **codes)

    def receive(self) -> None:
        """Counts that came for earlier days, counts that still wait, and terminals that were not heard of."""
        for entry in self.whole.waiting:
            if entry["answer"]["production_day"] == self.day.on.isoformat():
                self.add("unmatched_counts", 1, stage=entry["stage"])
        for shot, entries in self.whole.counted.items():
            for entry in entries:
                here = self.day.opened <= entry["at"] < self.day.closes
                if here and entry["answer"]["production_day"] < self.day.on.isoformat():
                    self.add("earlier_days_counts", 1, episode=self.episode(shot), stage=entry["stage"])
        last = {
            entry["stage"]: entry["at"]
            for entry in self.record
            if entry["said"] == "count" and entry["at"] < self.day.closes
        }
        for stage, at in last.items():
            self.add("silent_terminals", int(at < self.day.opened), stage=stage)


def report(record: Sequence[Said], day: Day) -> Sums:
    """The report of a day as the whole record now tells it; figures that are 0 are left out."""
    tally = Tally(record, day)
    for shot in tally.then.plans:
        tally.stand(shot)
    for shot in tally.whole.plans:
        tally.circle(shot)
        tally.capture(shot)
        tally.walk(shot)
    tally.receive()
    kept = {key: Counter({name: n for name, n in found.items() if n}) for key, found in tally.sums.items()}
    return {key: found for key, found in kept.items() if found}
