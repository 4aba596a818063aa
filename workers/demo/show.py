"""What the demo prints: the figures by episode and stage, and where to go on."""

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


def onward(console: Console, address: str, key: str) -> None:
    """Say how to look further while it goes on serving."""
    figures = f"{address}/v1/productions/{PRODUCTION['code']}/progress?by=episode"
    console.print(
        f"\nIt goes on serving at {address} (documentation: {address}/docs). End it with Ctrl-C.", soft_wrap=True
    )
    console.print(f"A key that may read: {key}", soft_wrap=True, highlight=False)
    console.print(f"curl -H 'Authorization: Bearer {key}' '{figures}'", soft_wrap=True, highlight=False)
    console.print(CAUTION)
