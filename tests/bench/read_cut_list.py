"""How long a cut list of 10 000 events takes to read, in each format; beside splitting the same text into words.

    .venv/bin/python -m tests.bench.read_cut_list [--events 10000] [--runs 7]

A measurement, no test: the list has comments that name each shot, a dissolve every tenth event and a sound event under
each number. It prints the median of the runs for each format and its ratio to `str.split` of every line, measured in
the same run. Run it on a machine that has nothing else to do.
"""

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial

from service.domain.cutlists import ListFormat, NameFrom, read, write
from service.domain.timecodes import Numbering
from tests.domain.lists import EUROPE, event, reading

EVENT_FRAMES = 40
DISSOLVE_FRAMES = 12


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--events", type=int, default=10_000, help="picture events in the list (default 10000)")
    parser.add_argument("--runs", type=int, default=7, help="how often each is timed (default 7)")
    asked = parser.parse_args()
    listed = "\n".join(_lines(asked.events))
    how = {form: reading(EUROPE, NameFrom.COMMENT, form=form) for form in ListFormat}
    cut = read(listed.encode(), how[ListFormat.EDL])
    _say(f"{asked.events} picture events, {len(cut.uses)} uses, {len(cut.findings)} remarks, {asked.runs} runs")
    for form in ListFormat:
        text = listed if form is ListFormat.EDL else write(cut, form)
        body = text.encode()
        read_s = _median(partial(read, body, how[form]), asked.runs)
        split_s = _median(partial(_words, text), asked.runs)
        written_s = _median(partial(write, cut, form), asked.runs)
        _say(
            f"{form:4}  {len(body) / 1e6:.1f} MB  read {read_s * 1000:.0f} ms, {read_s / split_s:.1f} times splitting"
            f" ({split_s * 1000:.0f} ms)  written in {written_s * 1000:.0f} ms"
        )


def _lines(events: int) -> Iterator[str]:
    label = Numbering(EUROPE).label
    for number in range(1, events + 1):
        at = number * EVENT_FRAMES
        reel, before = f"A{number:05}", f"A{number - 1:05}"
        kind = "V     C    "
        if number % 10 == 0:
            yield event(number, before, (at, at), (0, 0))
            kind = f"V     D    {DISSOLVE_FRAMES:03}"
        yield event(number, reel, (at, at + EVENT_FRAMES), kind=kind)
        yield event(number, reel, (at, at + EVENT_FRAMES), kind="A     C")
        if number % 10 == 0:
            yield f"* FROM CLIP NAME: q{number - 1}"
            yield f"* TO CLIP NAME: q{number}"
        else:
            yield f"* FROM CLIP NAME: q{number}"
        yield f"* seen at {label(at)}"


def _words(text: str) -> list[list[str]]:
    return [line.split() for line in text.split("\n")]


def _median(work: Callable[[], object], runs: int) -> float:
    times = []
    for _ in range(runs):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


if __name__ == "__main__":
    main()
