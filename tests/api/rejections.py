"""What the service refuses of data its description allows, and takes of data it forbids: each with the reason.

What is not listed fails the test that finds it; what is listed and did not occur is named at the end of a run.
"""

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Refused:
    """A problem that valid data may meet: its slug, and where that has several causes a part of what it says."""

    problem: str
    why: str
    says: str = ""

    @property
    def name(self) -> str:
        return f"{self.problem}: {self.says}" if self.says else self.problem


@dataclass(frozen=True)
class Taken:
    """Invalid data that is taken: by which operation (`*`: any), and how the data was made."""

    operation: str
    made: str
    why: str
    beyond_ascii: bool = False

    @property
    def name(self) -> str:
        return f"{self.operation}: {self.made}"


# Of fewer requests it tells nothing that something did not occur.
TELLING = 1500
UNKNOWN = "a well-formed name names nothing until somebody adds it"
ADDED = "names are given once, and the description cannot know which are"
WHOLE = "to JSON Schema 4.0 is an integer; a number of frames is written as one"
YEARS = "the years 1 to 9999 are counted in UTC, and an offset may lead out of them"
FIELDS = "what holds between two fields is said in their descriptions"
LIST = "what makes a text a cut list, or a pattern one, is more than a schema can say"
PHASES = "which way is open to a shot, and what it lacks, is known when it is asked for"
SIGNERS = "who signs what is a table of the domain, and whose key it is the description cannot know"
TARGETS = "what a target holds follows from its channel, which may be one that was installed"
ITEMS = "what holds between a list's items is said in their descriptions"

REFUSED: tuple[Refused, ...] = (
    Refused("production-unknown", UNKNOWN),
    Refused("episode-unknown", UNKNOWN),
    Refused("stage-unknown", UNKNOWN),
    Refused("terminal-unknown", UNKNOWN),
    Refused("worker-unknown", UNKNOWN),
    Refused("table-unknown", UNKNOWN),
    Refused("not-set-aside", UNKNOWN),
    Refused("key-unknown", UNKNOWN),
    Refused("delivery-unknown", UNKNOWN),
    Refused("watch-unknown", UNKNOWN),
    Refused("watch-taken", ADDED),
    Refused("unfit-fields", UNKNOWN, says="There is no kind of notice of this name"),
    Refused("unfit-fields", FIELDS, says="This kind has no threshold"),
    Refused("unfit-fields", FIELDS, says="Give the threshold in"),
    Refused("unfit-fields", FIELDS, says="What this kind tells of has no end"),
    Refused("unfit-fields", ITEMS, says="Name each kind once at each threshold."),
    Refused("unfit-fields", FIELDS, says="Name the `production` of the"),
    Refused("unfit-fields", FIELDS, says="This watch hears of one production for good"),
    Refused("unfit-fields", TARGETS, says="The target of this channel has one field"),
    Refused("unfit-fields", TARGETS, says="Write https://HOST/PATH"),
    Refused("unfit-fields", TARGETS, says="addresses in a list"),
    Refused("unfit-fields", TARGETS, says="Name a folder below the operator's"),
    Refused("unfit-fields", TARGETS, says="A target is texts"),
    Refused("invalid-request", FIELDS, says="Give `every_min` or `at`"),
    Refused("watch-off", "nothing is sent to a watch that is disabled or removed"),
    Refused("being-sent", "a message that is being sent is not sent again meanwhile"),
    Refused("shot-unknown", UNKNOWN),
    Refused("figure-unknown", "figures have names of their own, and the answer lists them"),
    Refused("days-backwards", FIELDS),
    Refused("total-unknown", "a production's figures have names of their own, and the answer lists them"),
    Refused("take-unknown", "a take begins with its first count"),
    Refused("no-way", PHASES),
    Refused("not-ready", PHASES),
    Refused("not-all-ready", PHASES),
    Refused("not-all-as-read", "who names a `rev` means the shot as it was then"),
    Refused("cause-missing", PHASES),
    Refused("cause-unfit", PHASES),
    Refused("reason-missing", "what an override passes over is known when it is made"),
    Refused("suspension-reason-missing", FIELDS),
    Refused("sign-off-unknown", "sign-offs are numbered by the service"),
    Refused("withdrawn-already", "a sign-off is withdrawn once"),
    Refused("signed-already", "what stands is not signed again"),
    Refused("role-unclear", SIGNERS),
    Refused("role-unfit", SIGNERS),
    Refused("signer-missing", SIGNERS),
    Refused("not-theirs", SIGNERS),
    Refused("not-in-approval", PHASES),
    Refused("not-anew", PHASES),
    Refused("nothing-accepted", "a comp speaks of the frames that are accepted, and none may be"),
    Refused(
        "unfit-fields", "what a key of scope count has is said in the descriptions", says="terminal signs nothing off"
    ),
    Refused("unfit-fields", ITEMS, says="Name each role once."),
    Refused("invalid-request", ITEMS, says="Name each shot once."),
    Refused("invalid-request", FIELDS, says="Name at least one of production, shot, stage and day"),
    Refused("unfit-fields", ITEMS, says="Hours of one day lie apart"),
    Refused("invalid-request", ITEMS, says="Name each day once"),
    Refused("unfit-fields", FIELDS, says="Let `to` be later than `from`"),
    Refused("unfit-fields", FIELDS, says="Let `to` be `from` or a later day"),
    Refused("worker-unknown", "workers are those that are installed"),
    Refused("released", "an event that was set aside is released once"),
    Refused("worker-disabled", "nothing makes rows of a worker while it is disabled"),
    Refused("not-loaded", "rows are made anew by a worker that some host has"),
    Refused("nothing-to-give-up", "a rebuild is given up once"),
    Refused("unfit-fields", YEARS, says="Write a time in the years"),
    Refused("booking-unknown", "bookings are numbered by the service"),
    Refused("booking-clash", "what stages and animators are promised to is known when it is asked for"),
    Refused("booking-cancelled", "a booking that was cancelled is not changed"),
    Refused("unfit-fields", FIELDS, says="Name the stage, the animator or both"),
    Refused("unfit-fields", FIELDS, says="Say in `note` why"),
    Refused("unfit-fields", FIELDS, says="Name the `stage` whose set"),
    Refused("unfit-fields", FIELDS, says="Name the `shot` whose part this is."),
    Refused("unfit-fields", "parts are those of the shot's plan", says="is not split."),
    Refused("unfit-fields", "a shot is omitted or not", says="is omitted: restore it first"),
    Refused("unfit-fields", FIELDS, says="Let it end after it starts"),
    Refused("unfit-fields", FIELDS, says="Name the `production` of the shot, too."),
    Refused("unfit-fields", FIELDS, says="Give `from` and a later `to`, or neither."),
    Refused("unfit-fields", "RFC 3339 knows fractions of a second, bookings none", says="Write a whole second"),
    Refused("bookings-changed", "who names a `rev` means the booking as it was then"),
    Refused("rebooking-clash", "what stages and animators are promised to is known when it is asked for"),
    Refused("invalid-request", FIELDS, says="Give exactly one of bookings and where"),
    Refused("invalid-request", ITEMS, says="Name each booking once"),
    Refused("invalid-request", FIELDS, says="Shift by days or by seconds"),
    Refused("invalid-request", FIELDS, says="Say how they move"),
    Refused("invalid-request", FIELDS, says="Give both start and end"),
    Refused("unfit-fields", FIELDS, says="Let it be `first_day` or a later day"),
    Refused("unfit-fields", "which times there are, the zone's rules say", says="would begin or end on"),
    Refused("unfit-fields", "which times there are, the zone's rules say", says="beyond the calendar"),
    Refused("invalid-request", FIELDS, says="Imagine exactly one thing"),
    Refused("note-unknown", "notes are numbered by the service"),
    Refused("already-struck", "a note is struck once"),
    Refused("count-unknown", "ids are the ledger's own"),
    Refused("report-revision-unknown", "a revision is one that was filed"),
    Refused("camera-unknown", "a decision is about a camera the shot or the take has"),
    Refused("series-unknown", "a correction is about a camera and pass the take was counted on"),
    Refused("posted-in-frames", "how many frames a capture was held, the counts say"),
    Refused("part-unknown", "parts are those of the shot's plan"),
    Refused("total-stands", "a total is put right that is another"),
    Refused("other-total", "the total that is put right is the one that stands"),
    Refused("take-has-frames", "counts are moved to a take that has none"),
    Refused("counts-unknown", "ids are the ledger's own"),
    Refused("counts-matched", "a count is matched once"),
    Refused("merged-with-itself", "a shot is merged into another"),
    Refused("shot-merged", "a merge is for good"),
    Refused("merge-chain", "a merge is not led on"),
    Refused("takes-collide", "which takes both shots have, the counts say"),
    Refused("production-taken", ADDED),
    Refused("episode-taken", ADDED),
    Refused("stage-taken", ADDED),
    Refused("terminal-taken", ADDED),
    Refused("key-taken", ADDED),
    Refused("shot-taken", ADDED),
    Refused("cut-unknown", "revisions are numbered by the service"),
    Refused("cut-locked", "a draft is locked once"),
    Refused("list-refused", LIST),
    Refused("fixed-by-cut", "a cut list has named the shot, and lists alone change its length and episode"),
    Refused("unfit-fields", LIST, "The pattern"),
    Refused("unfit-fields", "a part of the cut is named by shots that are in it", "two shots of the current cut"),
    Refused("stale", "an invented If-Match names no state of anything"),
    Refused("idempotency-key-reused", "an Idempotency-Key is generated twice, for different writes"),
    Refused("invalid-cursor", "a list knows the cursors it gave out, and only those"),
    Refused("ahead-of-log", "the log ends somewhere, and who is past its end must learn that a copy was put back"),
    Refused("already-matched", "a count is matched once, whichever shot is named"),
    Refused("frame-rate-fixed", "frames were counted at the rate that stands"),
    Refused("decision-not-allowed", "the studio of the examples does not let terminals decide"),
    Refused("count-conflict", "a serial is generated twice, for different counts"),
    Refused("log-conflict", "a serial is generated twice, for different lines"),
    Refused("no-terminal", "which key a terminal's is, the description cannot know"),
    Refused("invalid-request", FIELDS, "Give spool and serial both, or neither"),
    Refused("invalid-request", FIELDS, "waiting needs a reason"),
    Refused("range-backwards", FIELDS),
    Refused("invalid-request", WHOLE, "Input should be a valid integer"),
    Refused("count-malformed", WHOLE, "Input should be a valid integer"),
    Refused("invalid-request", YEARS, "Write an RFC 3339 time"),
    Refused("count-malformed", YEARS, "Write an RFC 3339 time"),
    Refused("invalid-request", "a format of a date allows years that no production day lies in", "Write a day of the"),
    Refused("invalid-request", "a pattern bounds the digits of a rate, not its value", "A frame rate is"),
    Refused("invalid-request", FIELDS, "The last frame of a part lies before its first"),
    Refused("invalid-request", FIELDS, "Give both first and last"),
    Refused("invalid-request", FIELDS, "Give exactly one of move_to, captures_total and frames_total"),
    Refused("invalid-request", FIELDS, "Give exactly one of ids and where"),
    Refused("invalid-request", FIELDS, "instead_of_frames goes with a total"),
    Refused("invalid-request", FIELDS, "A cause belongs to the verdict reject"),
    Refused("invalid-request", FIELDS, "Give the one stage, or the parts"),
    Refused("invalid-request", FIELDS, "Name a field to change beside the reason"),
    Refused("invalid-request", ITEMS, "Name each required camera and each required pass once"),
    Refused("invalid-request", ITEMS, "Name each character once"),
    Refused("needs-not-entered", "what a shot needs is there once somebody has entered it"),
    Refused("needs-draft-unknown", "drafts are numbered by the service"),
    Refused("needs-draft-applied", "a draft is applied once"),
    Refused("needs-changed", "a draft of the same shots was applied before"),
    Refused("unfit-fields", UNKNOWN, "The production has no shot of this code"),
    Refused("unfit-fields", FIELDS, "A shot is not its own insert"),
    Refused("count-malformed", FIELDS, "Post exactly one of captures_total and frames_total"),
    Refused("count-malformed", FIELDS, "frames_per_capture goes with captures_total"),
    Refused("count-malformed", FIELDS, "A take holds at most"),
    Refused("unfit-fields", "time zones are those of the IANA database, more than a pattern can say", "no time zone"),
    Refused("unfit-fields", UNKNOWN, "There is no stage of this code"),
    Refused("unfit-fields", UNKNOWN, "There is no production of this code"),
    Refused("unfit-fields", UNKNOWN, "There is no terminal of this name"),
    Refused("unfit-fields", UNKNOWN, "no episode of this code"),
    Refused("unfit-fields", "an instant is gone by or not according to the clock", "This instant has gone by"),
    Refused("unfit-fields", FIELDS, "A key of scope"),
    Refused("unfit-fields", ITEMS, "has this code already"),
    Refused("unfit-fields", ITEMS, "each part of a shot needs a name of its own"),
    Refused("unfit-fields", ITEMS, "the parts together must cover every planned frame"),
)
TAKEN: tuple[Taken, ...] = (
    Taken("counts_post", "/properties/counts/items/", "each count is judged by itself: its neighbours are kept, 207"),
    Taken(
        "*",
        "violates `pattern`",
        "letters of any script are \\w; some dialects of patterns know fewer",
        beyond_ascii=True,
    ),
)


def causes(problem: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What a problem document complains of: (slug, what it says), once for each fault."""
    slug = str(problem["type"]).rpartition("/")[2]
    inner = [answer["problem"] for answer in problem.get("answers", ()) if "problem" in answer]
    for each in inner:
        yield from causes(each)
    if not inner:
        for fault in problem.get("errors") or [problem]:
            yield slug, str(fault["detail"])


def refusals_of(problem: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """The listed refusals a problem document is made of, and what in it is not listed."""
    found: list[str] = []
    unlisted: list[str] = []
    for slug, said in causes(problem):
        names = [each.name for each in REFUSED if each.problem == slug and each.says in said]
        (found if names else unlisted).append(names[0] if names else f"{slug}: {said}")
    return found, unlisted


def taken(operation: str, made: str, *, ascii_alone: bool) -> list[str]:
    """The listed reasons to take invalid data that was made so."""
    return [
        each.name
        for each in TAKEN
        if each.operation in {"*", operation} and each.made in made and not (each.beyond_ascii and ascii_alone)
    ]


def summary(reports: Iterable[Sequence[tuple[str, object]]]) -> Iterator[str]:
    """What became of the generated requests, for the end of a run: `reports` are the properties tests recorded."""
    valid: Counter[str] = Counter()
    invalid: Counter[str] = Counter()
    reached: set[str] = set()
    asked: set[str] = set()
    seen: set[str] = set()
    for properties in reports:
        for name, value in properties:
            if name != "schemathesis":
                continue
            told = json.loads(str(value))
            valid.update(told["valid"])
            invalid.update(told["invalid"])
            seen.update(told["listed"])
            asked.add(told["operation"])
            if any(status.startswith("2") for status in told["valid"]):
                reached.add(told["operation"])
    if not asked:
        return
    for kind, statuses in (("valid", valid), ("invalid", invalid)):
        shares = ", ".join(f"{status}: {times}" for status, times in sorted(statuses.items()))
        yield f"{statuses.total()} requests of {kind} data, by status: {shares}"
    yield f"{len(reached)} of {len(asked)} operations answered valid data with success"
    yield f"never with success: {', '.join(sorted(asked - reached)) or 'none'}"
    listed = {each.name for each in REFUSED} | {each.name for each in TAKEN}
    yield f"{len(listed & seen)} of {len(listed)} listed departures occurred"
    if valid.total() + invalid.total() >= TELLING:
        yield f"listed and not seen in this run: {'; '.join(sorted(listed - seen)) or 'none'}"
