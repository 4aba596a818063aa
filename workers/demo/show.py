"""What the demo prints: the figures by episode and stage, the nightly reports, and where to go on."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from service.client import Client
from workers.demo.scenario import EPISODES, PRODUCTION

FIGURES = ("planned_frames", "shot_frames", "credited_frames", "remaining_frames", "overshoot_frames")
HEADINGS = ("planned", "shot", "credited", "remaining", "overshoot", "per cent")
NIGHT_FIGURES = (
    ("shots finished", "shots_finished"),
    ("takes finished", "takes_finished"),
    ("takes circled", "takes_circled"),
    ("plates in", "plates_in"),
    ("plates missing", "plates_missing"),
    ("silent terminals", "silent_terminals"),
    ("late counts", "late_counts"),
    ("unmatched counts", "unmatched_counts"),
)
# In the order of the work.
PHASES = ("planning", "set dressing", "shooting", "background plate", "compositing", "approval", "approved")
# How many of the shots that are somewhere, or wait for one thing, are named.
NAMED = 2
LONGEST = "those longest in their phase"
# More than the demo has.
MOST_EVENTS = 1_000
CAUTION = "Hot lamps: keep clear of paper, gel and foam; never leave on unattended."


@dataclass(frozen=True, slots=True)
class Shown:
    """The figures to print, all resting on the same event: of each episode its sum and its stages, and of all."""

    position: int
    episodes: Mapping[str, Mapping[str, Any]]
    stages: Mapping[str, Sequence[Mapping[str, Any]]]
    total: Mapping[str, Any]
    shots: Sequence[Mapping[str, Any]]
    blocked: Mapping[str, Any]
    moved: Sequence[Mapping[str, Any]]


def read(client: Client) -> Shown:
    """The figures of the demo's production as they stand."""
    whole = client.progress(PRODUCTION["code"], "episode")
    of_stages = {code: client.progress(PRODUCTION["code"], "stage", episode=code)["items"] for code in EPISODES}
    episodes = {item["episode"]: item for item in whole["items"]}
    moves = client.events(production=PRODUCTION["code"], kind=["shot.moved"], limit=MOST_EVENTS)
    return Shown(
        whole["position"],
        episodes,
        of_stages,
        whole["total"],
        shots=sorted(client.shots(PRODUCTION["code"]), key=lambda shot: (shot["phase_since"], shot["code"])),
        blocked=client.blocked(PRODUCTION["code"]).body,
        moved=[each["data"] for each in moves["items"]],
    )


def table(shown: Shown) -> Table:
    """The figures in frames, a row for each stage of an episode and one for their sum."""
    # Narrow enough for the 80 columns of a terminal that does not say how wide it is.
    title = f"{PRODUCTION['title']}, in frames"
    drawn = Table("episode", "stage", title=title, box=box.SIMPLE_HEAD, padding=(0, 0, 0, 1))
    for heading in HEADINGS:
        drawn.add_column(heading, justify="right", no_wrap=True)
    for code in EPISODES:
        for item in shown.stages[code]:
            drawn.add_row(code, item["stage"] or "none yet", *_cells(item))
        drawn.add_row(code, "all", *_cells(shown.episodes[code]), style="bold", end_section=True)
    drawn.add_row("all", "all", *_cells(shown.total), style="bold")
    return drawn


def _cells(item: Mapping[str, Any]) -> Iterator[str]:
    yield from (str(item[name]) for name in FIGURES)
    yield "none" if item["per_cent"] is None else f"{item['per_cent']:.1f}"


def result(console: Console, shown: Shown, *, seed: int) -> None:
    """Print the table and what it rests on."""
    console.print(table(shown))
    console.print(
        f"Seed {seed}. The figures rest on event {shown.position} of the log. A shot that two stages split counts for "
        "each of them, the frames of the join for both, so the stages of an episode may add up to more than it."
    )


def nights(console: Console, reports: Sequence[Mapping[str, Any]]) -> None:
    """Print the nightly reports of the days, a column each, and what late counts changed in one."""
    drawn = Table("nightly report", box=box.SIMPLE_HEAD, padding=(0, 0, 0, 1))
    for report in reports:
        drawn.add_column(f"{report['day']}, revision {report['revision']}", justify="right", no_wrap=True)
    for label, cells in _lines([report["total"] for report in reports]):
        drawn.add_row(label, *cells)
    console.print(drawn)
    for report in reports:
        changed = [each for each in report["difference"] or () if each["scope"] == "production"]
        if changed:
            named = ", ".join(f"{each['figure']} {each['before']} → {each['after']}" for each in changed)
            console.print(f"A count that came late made revision {report['revision']} of {report['day']}: {named}.")


def _lines(totals: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, list[str]]]:
    frames = [total["frames_shot"] for total in totals]
    yield "frames shot", [str(each["net"]) for each in frames]
    yield "  gained, deleted", [f"{each['gross']}, {each['deletions']}" for each in frames]
    changes = [total["credited_change"] for total in totals]
    yield "credited frames, change", [f"{each['frames']:+d}" for each in changes]
    for cause in sorted({cause for each in changes for cause in each["causes"]}):
        yield f"  {cause}", [f"{each['causes'].get(cause, 0):+d}" for each in changes]
    yield "credited of planned", [f"{each['credited_frames']} of {each['planned_frames']}" for each in totals]
    for label, figure in NIGHT_FIGURES:
        yield label, [str(each[figure]) for each in totals]


def whereabouts(console: Console, shown: Shown) -> None:
    """Print in which phase the shots are, what they wait for, and which of them want a word of their own."""
    console.print(_phases(shown.shots))
    console.print(_waits(shown.blocked))
    for each in shown.blocked["ready"]:
        console.print(f"{each['shot']} lacks nothing and only has to be moved: {each['phase']} → {each['to']}.")
    for each in shown.moved:
        if each["cause"]:
            went = f"from {each['origin']} to {each['to']}"
            console.print(f"{each['shot']} was sent back {went} ({each['cause']}): {each['reason']}.")
    for shot in shown.shots:
        if shot["suspended"]:
            console.print(f"{shot['code']} is suspended: {shot['suspended']}.")
    for wait in shown.blocked["waits"]:
        for shot in wait["shots"]:
            if shot["phase"] == "approved":
                console.print(f"{shot['shot']}: {shot['detail']}")


def _phases(shots: Sequence[Mapping[str, Any]]) -> Table:
    drawn = Table("where the shots are", box=box.SIMPLE_HEAD, padding=(0, 0, 0, 1))
    for heading in (*EPISODES, "all"):
        drawn.add_column(heading, justify="right")
    drawn.add_column(LONGEST, no_wrap=True)
    kept = [shot for shot in shots if not shot["omitted"]]
    for phase in PHASES:
        drawn.add_row(phase, *_by_episode([shot for shot in kept if shot["phase"] == phase]))
    drawn.add_row("all in the cut", *list(_by_episode(kept))[:-1], style="bold", end_section=True)
    drawn.add_row("of these suspended", *_by_episode([shot for shot in kept if shot["suspended"]]))
    changed = [shot for shot in kept if shot["changed_since_approval"]]
    drawn.add_row("approved and changed since", *_by_episode(changed))
    drawn.add_row("omitted, beside these", *_by_episode([shot for shot in shots if shot["omitted"]]))
    return drawn


def _by_episode(shots: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    yield from (str(sum(shot["episode"] == code for shot in shots)) for code in EPISODES)
    yield str(len(shots))
    yield _named([shot["code"] for shot in shots])


def _waits(blocked: Mapping[str, Any]) -> Table:
    title = "What waits for whom, and for what"
    drawn = Table("what is missing", title=title, box=box.SIMPLE_HEAD, padding=(0, 0, 0, 1))
    drawn.add_column("shots", justify="right")
    drawn.add_column(LONGEST, no_wrap=True)
    for who, waits in groupby(blocked["waits"], key=lambda wait: str(wait["who"])):
        drawn.add_row(f"for the {who}", str(blocked["waiting_for"][who]), style="bold")
        for wait in waits:
            drawn.add_row(f"  {_missing(wait)}", str(wait["count"]), _named([shot["shot"] for shot in wait["shots"]]))
        drawn.add_section()
    return drawn


def _missing(wait: Mapping[str, Any]) -> str:
    """What is missing; nobody accepts what was not shot, so such shots wait for their stage."""
    unshot = wait["who"] == "stage" and wait["fact"] == "planned frames accepted"
    return "planned frames shot, then accepted" if unshot else str(wait["fact"])


def _named(codes: Sequence[str]) -> str:
    """The first codes, and how many follow."""
    more = len(codes) - NAMED
    return ", ".join(codes[:NAMED]) + (f" +{more}" if more > 0 else "")


def onward(console: Console, address: str, key: str) -> None:
    """Say how to look further while it goes on serving."""
    figures = f"{address}/v1/productions/{PRODUCTION['code']}/progress?by=episode"
    console.print(
        f"\nIt goes on serving at {address} (documentation: {address}/docs). End it with Ctrl-C.", soft_wrap=True
    )
    console.print(f"A key that may read: {key}", soft_wrap=True, highlight=False)
    console.print(f"curl -H 'Authorization: Bearer {key}' '{figures}'", soft_wrap=True, highlight=False)
    report = f"{address}/v1/productions/{PRODUCTION['code']}/reports/nightly/latest"
    console.print(f"curl -H 'Authorization: Bearer {key}' '{report}'", soft_wrap=True, highlight=False)
    waits = f"{address}/v1/productions/{PRODUCTION['code']}/blocked"
    console.print(f"curl -H 'Authorization: Bearer {key}' '{waits}'", soft_wrap=True, highlight=False)
    console.print(CAUTION)
