"""How long the planned occupancy of stages takes to reckon, beside plain loops and a library of columns.

    .venv/bin/python -m tests.bench.occupancy [--stages 50] [--days 60] [--bookings 10000] [--many 1000000]

A measurement, no test: bookings at random, many over one another, on stages that are open from nine to six. It prints
how long `stage_days` takes for all of them (every activity within and outside the hours, pencilled time, overlaps),
and its ratio, in the same run, to what reckons much less, the booked seconds within the hours of each stage-day: a
loop that looks at every booking on every day, one that sorts and joins, and polars and pandas where they are installed
(`pip install polars pandas`). All have to find the same seconds. Then each doubling of the number of bookings, and what
it costs in processor time, the median of three runs. Run it on a machine that has nothing else to do.
"""

import argparse
import gc
import importlib
import random
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from functools import partial
from types import ModuleType
from typing import Any, TypeVar

from service.domain.bookings import Activity, Firmness
from service.domain.occupancy import Promise, StageFacts, stage_days
from service.domain.spans import Span, TimeSet, instant_of, seconds_of
from service.domain.stagefigures import occupied_s
from service.domain.studio import Studio

FIRST = date(2026, 3, 2)
BEGINS = seconds_of(datetime(2026, 3, 2, tzinfo=UTC))
DAY_S, OPENS_S, CLOSES_S = 24 * 3600, 9 * 3600, 18 * 3600
STUDIO = Studio(day_starts_at_min=0)
DOUBLINGS, RUNS = 3, 3

T = TypeVar("T")
Booked = tuple[int, int, int]
"""A booking by the number of its stage, with the seconds it starts and ends at."""
Busy = dict[tuple[int, int], int]
"""Booked seconds within the hours by stage and day, where there are any."""


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--stages", type=int, default=50, help="stages (default 50)")
    parser.add_argument("--days", type=int, default=60, help="production days (default 60)")
    parser.add_argument("--bookings", type=int, default=10_000, help="bookings of all of them (default 10000)")
    parser.add_argument("--many", type=int, default=1_000_000, help="and a great many (default 1000000)")
    asked = parser.parse_args()
    _compare(asked.bookings, asked.stages, asked.days, look_at_all=True)
    _compare(asked.many, asked.stages, asked.days, look_at_all=False)
    _double(asked.many >> DOUBLINGS, asked.stages, asked.days)


def _compare(bookings: int, stages: int, days: int, *, look_at_all: bool) -> None:
    booked = _drawn(bookings, stages, days)
    facts = _facts(booked, stages, days)
    _say(f"\n{bookings} bookings on {stages} stages over {days} days")
    own_s, own = _timed(partial(_reckoned, facts, days))
    _say(f"  stage_days: {own_s:.2f} s")
    others: list[tuple[str, Callable[[], Busy]]] = [("sorting and joining", lambda: _joined(booked, days))]
    if look_at_all:
        others.insert(0, ("every booking on every day", lambda: _looked_at(booked, stages, days)))
    for name, made in (("polars", _in_polars), ("pandas", _in_pandas)):
        if (library := _library(name)) is not None:
            others.append((f"{name} {library.__version__}", _ready(made, library, booked, days)))
    for name, make in others:
        other_s, found = _timed(make)
        same = "the same seconds" if found == own else "OTHER SECONDS"
        _say(f"  {name}: {other_s:.2f} s, stage_days takes {own_s / other_s:.2g} times that; {same}")


def _double(bookings: int, stages: int, days: int) -> None:
    _say("")
    took: list[float] = []
    for doubled in range(DOUBLINGS + 1):
        number = bookings << doubled
        facts = _facts(_drawn(number, stages, days), stages, days)
        took.append(statistics.median(_used(partial(_reckoned, facts, days)) for _ in range(RUNS)))
        times = f", {took[-1] / took[-2]:.2f} times half as many" if doubled else ""
        _say(f"{number} bookings: {took[-1]:.2f} s of processor time{times}")


def _drawn(bookings: int, stages: int, days: int) -> list[Booked]:
    dice = random.Random(bookings)
    last = days * DAY_S
    starts = ((dice.randrange(stages), dice.randrange(last)) for _ in range(bookings))
    return [(stage, BEGINS + at, BEGINS + min(at + dice.randrange(900, 8 * 3600), last)) for stage, at in starts]


def _facts(booked: Sequence[Booked], stages: int, days: int) -> list[StageFacts]:
    dice = random.Random(1)
    activities, firmness = list(Activity), list(Firmness)
    promises: list[list[Promise]] = [[] for _ in range(stages)]
    for stage, start, end in booked:
        span = Span(instant_of(start), instant_of(end))
        promises[stage].append(Promise(span, dice.choice(activities), dice.choice(firmness)))
    return [StageFacts(open=TimeSet(tuple(_hours(days))), promises=each) for each in promises]


def _hours(days: int) -> Iterator[tuple[int, int]]:
    for day in range(days):
        yield BEGINS + day * DAY_S + OPENS_S, BEGINS + day * DAY_S + CLOSES_S - 1


def _reckoned(facts: Sequence[StageFacts], days: int) -> Busy:
    dates = [FIRST + timedelta(days=number) for number in range(days)]
    return {
        (stage, day): busy_s
        for stage, each in enumerate(facts)
        for day, found in enumerate(stage_days(each, dates, STUDIO, as_of=instant_of(BEGINS)))
        if (busy_s := occupied_s(found.figures.planned))
    }


def _looked_at(booked: Sequence[Booked], stages: int, days: int) -> Busy:
    by_stage: list[list[tuple[int, int]]] = [[] for _ in range(stages)]
    for stage, start, end in booked:
        by_stage[stage].append((start, end))
    busy: Busy = {}
    for stage, spans in enumerate(by_stage):
        for day, (opens, closes) in enumerate(_hours(days)):
            there = sorted(
                (max(start, opens), min(end, closes + 1)) for start, end in spans if start <= closes and end > opens
            )
            busy_s = sum(end - start for start, end in _union(there))
            if busy_s:
                busy[stage, day] = busy_s
    return busy


def _joined(booked: Sequence[Booked], days: int) -> Busy:
    by_stage: dict[int, list[tuple[int, int]]] = {}
    for stage, start, end in booked:
        by_stage.setdefault(stage, []).append((start, end))
    busy: Busy = {}
    for stage, spans in by_stage.items():
        for start, end in _union(sorted(spans)):
            for day in range((start - BEGINS) // DAY_S, min((end - 1 - BEGINS) // DAY_S + 1, days)):
                opens = BEGINS + day * DAY_S + OPENS_S
                within = min(end, opens + CLOSES_S - OPENS_S) - max(start, opens)
                if within > 0:
                    busy[stage, day] = busy.get((stage, day), 0) + within
    return busy


def _union(spans: Sequence[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    if not spans:
        return
    start, end = spans[0]
    for other_start, other_end in spans[1:]:
        if other_start > end:
            yield start, end
            start, end = other_start, other_end
        elif other_end > end:
            end = other_end
    yield start, end


def _ready(
    made: Callable[..., Callable[[], Busy]], library: ModuleType, booked: Sequence[Booked], days: int
) -> Callable[[], Busy]:
    """With the bookings in the library's own columns, as those of `stage_days` are in its own."""
    return made(library, booked, days)


def _in_polars(pl: Any, booked: Sequence[Booked], days: int) -> Callable[[], Busy]:  # noqa: ANN401 -- may be missing
    columns = pl.DataFrame(booked, schema=["stage", "start", "end"], orient="row")
    hours = pl.DataFrame(
        [(day, opens, closes + 1) for day, (opens, closes) in enumerate(_hours(days))],
        schema=["day", "opens", "closes"],
        orient="row",
    )

    def found() -> Busy:
        joined = (
            columns.sort("stage", "start")
            .with_columns(before=pl.col("end").cum_max().shift().over("stage"))
            .with_columns(run=(pl.col("start") > pl.col("before")).fill_null(value=True).cum_sum())
            .group_by("stage", "run")
            .agg(pl.col("start").min(), pl.col("end").max())
            .join_where(hours, pl.col("start") < pl.col("closes"), pl.col("end") > pl.col("opens"))
            .with_columns(busy=pl.min_horizontal("end", "closes") - pl.max_horizontal("start", "opens"))
            .group_by("stage", "day")
            .agg(pl.col("busy").sum())
        )
        return {(stage, day): busy for stage, day, busy in joined.iter_rows()}

    return found


def _in_pandas(pd: Any, booked: Sequence[Booked], days: int) -> Callable[[], Busy]:  # noqa: ANN401 -- may be missing
    columns = pd.DataFrame(booked, columns=["stage", "start", "end"])

    def found() -> Busy:
        spans = columns.sort_values(["stage", "start"])
        before = spans.groupby("stage")["end"].cummax().groupby(spans["stage"]).shift()
        run = (before.isna() | (spans["start"] > before)).cumsum()
        joined = spans.groupby(run).agg(stage=("stage", "first"), start=("start", "min"), end=("end", "max"))
        busy: Busy = {}
        # No run is cut by more days than it lasts; the loop is over days, the work over columns.
        for day, (opens, closes) in enumerate(_hours(days)):
            within = joined["end"].clip(upper=closes + 1) - joined["start"].clip(lower=opens)
            there = within[within > 0].groupby(joined["stage"]).sum()
            busy |= {(int(stage), day): int(busy_s) for stage, busy_s in there.items()}
        return busy

    return found


def _library(name: str) -> ModuleType | None:
    try:
        return importlib.import_module(name)
    except ImportError:
        _say(f"  {name} is not installed; `pip install {name}` adds it to the comparison")
        return None


def _used(make: Callable[[], object]) -> float:
    """The seconds of processor time it takes, which others on the machine do not lengthen."""
    gc.collect()
    began = time.process_time()
    make()
    return time.process_time() - began


def _timed(make: Callable[[], T]) -> tuple[float, T]:
    began = time.perf_counter()
    found = make()
    return time.perf_counter() - began, found


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
