"""What the demo prints of its stage floor: what stages were used for, what holds one, and who wants the same."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from service.client import Client
from service.domain.studio import zone
from workers.demo.scenario import PRODUCTION, STAGES, STUDIO
from workers.demo.script import CALL, instant

USES = ("shooting", "plate", "dressing", "held", "idle")
HOUR_S = 3600


@dataclass(frozen=True, slots=True)
class FloorShown:
    """The occupancy of the days by stage, the hold orders, and what clashes on the day after them."""

    occupancy: Mapping[str, Any]
    holds: Sequence[Mapping[str, Any]]
    clashes: Sequence[Mapping[str, Any]]


def read(client: Client, days: tuple[date, date]) -> FloorShown:
    """The stage floor of these days, which are over."""
    first, last = (day.isoformat() for day in days)
    after = instant(days[1] + timedelta(days=1), CALL)
    span = {"from": after.isoformat(), "to": (after + timedelta(days=1)).isoformat()}
    return FloorShown(
        client.occupancy(first_day=first, last_day=last, by="stage").body,
        client.hold_orders(PRODUCTION["code"])["holds"],
        list(client.clashes(**span)),
    )


def floor(console: Console, shown: FloorShown) -> None:
    """Print what the stages were used for in hours, then the hold and the clash in words."""
    drawn = Table("stage", title="The stage floor, in hours", box=box.SIMPLE_HEAD, padding=(0, 0, 0, 1))
    for heading in ("open", *USES, "outside", "used, per cent"):
        drawn.add_column(heading, justify="right")
    groups = {group["stage"]: group["time"] for group in shown.occupancy["groups"]}
    for stage in STAGES:
        drawn.add_row(stage.code, *_cells(groups[stage.code]))
    drawn.add_row("all", *_cells(shown.occupancy["total"]), style="bold")
    console.print(drawn)
    inferred = shown.occupancy["total"]["inferred_s"] / HOUR_S
    console.print(
        f"Outside is work outside the hours. {inferred:.1f} h are inferred: dressing goes on until a set is approved, "
        "and where nobody said wrap a stage was at work until its terminal was last heard of."
    )
    for hold in shown.holds:
        cost = hold["cost_stage_days"]["rounded"]
        console.print(
            f"{hold['stage']} is held for {hold['shot']} until {_local(hold['end'])}, {cost:g} stage-days in all: "
            f"{hold['note']}."
        )
    for clash in shown.clashes:
        told = " and ".join(f"{each['shot']} ({each['activity']})" for each in clash["bookings"])
        console.print(
            f"{clash['stage'] or clash['animator']}, {_local(clash['start'])} to {_local(clash['end'])}: {told} "
            "want it at the same time, both pencilled."
        )


def _cells(time: Mapping[str, Any]) -> Iterator[str]:
    used = {each["activity"]: each["actual"] for each in time["activities"]}
    outside_s = sum(each["outside_s"] for activity, each in used.items() if activity != "held")
    yield _hours(time["available_s"])
    yield from (_hours(used[activity]["open_s"]) for activity in USES)
    yield _hours(outside_s)
    yield "none" if time["utilisation"] is None else f"{time['utilisation']['per_cent']:.1f}"


def _hours(seconds: int) -> str:
    return f"{seconds / HOUR_S:.1f}"


def _local(instant_: str) -> str:
    local = datetime.fromisoformat(instant_).astimezone(zone(str(STUDIO["time_zone"])))
    return f"{local:%d %B %H:%M}"
