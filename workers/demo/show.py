"""What the demo prints: the figures by episode and stage, the nightly reports, and where to go on."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
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
CAUTION = "Hot lamps: keep clear of paper, gel and foam; never leave on unattended."


@dataclass(frozen=True, slots=True)
class Shown:
    """The figures to print, all resting on the same event: of each episode its sum and its stages, and of all."""

    position: int
    episodes: Mapping[str, Mapping[str, Any]]
    stages: Mapping[str, Sequence[Mapping[str, Any]]]
    total: Mapping[str, Any]


def read(client: Client) -> Shown:
    """The figures of the demo's production as they stand."""
    whole = client.progress(PRODUCTION["code"], "episode")
    of_stages = {code: client.progress(PRODUCTION["code"], "stage", episode=code)["items"] for code in EPISODES}
    episodes = {item["episode"]: item for item in whole["items"]}
    return Shown(whole["position"], episodes, of_stages, whole["total"])


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
    console.print(CAUTION)
