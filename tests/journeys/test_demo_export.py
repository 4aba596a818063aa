"""`tiedown demo` from outside: its table is recomputed from its record by arithmetic that shares no code with it."""

import json
import random
import re
import signal
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest

from tests.journeys.floorplan import stage_day, told
from tests.journeys.whereabouts import PHASES, phases, printed_phases, printed_waits, unsigned
from tests.served import environment, served, started, tiedown
from workers.builtin.progress import Progress

COLUMNS = ("planned", "shot", "credited", "remaining", "overshoot")
# Wider than anything in the demo's production.
EVERYTHING = set(range(-1000, 2000))

Line = Mapping[str, Any]
# What it comes by as a stand-in (None: never), its live frames, those accepted and those rejected.
Take = tuple[tuple[bool, str, int] | None, set[int], set[int], set[int]]
Table = dict[tuple[str, str], tuple[int, ...]]


def recompute(lines: Iterable[Line]) -> Table:
    """The demo's table by episode and stage from the lines of its record: sets of frame numbers, nothing else."""
    plans: dict[str, Line] = {}
    posts: dict[tuple[str, str, int], Line] = {}
    decisions: dict[tuple[str, str, int], list[Line]] = defaultdict(list)
    for line in lines:
        if line["post"] == "shot":
            plans[line["code"]] = line
        elif line["post"] == "decision" and line["purpose"] == "shoot":
            decisions[line["shot"], line["part"], line["take"]].append(line)
        elif line["post"] == "count" and line["answer"]["outcome"] in {"counted", "unmatched"}:
            posts[line["terminal"], line["spool"], line["serial"]] = line
    table: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0] * len(COLUMNS))
    for code, plan in plans.items():
        parts = plan.get("parts") or [{"part": "", "stage": plan["stage"]}]
        series: dict[tuple[str, int, str, str], list[Line]] = defaultdict(list)
        for post in posts.values():
            if post["shot"] == code and post.get("purpose", "shoot") == "shoot":
                part = next(each["part"] for each in parts if each["stage"] == post["stage"])
                camera, pass_ = post.get("camera", plan["cameras"][0]), post.get("pass", plan["passes"][0])
                series[part, post["take"], camera, pass_].append(post)
        planned = asked_for(plan)
        whole = figures(code, plan, planned=planned, series=series, decisions=decisions)
        for row in ((plan["episode"], "all"), ("all", "all")):
            table[row] = [one + other for one, other in zip(table[row], whole, strict=True)]
        for part in parts:
            ends = (part.get("first"), part.get("last"))
            first, last = (limit if end is None else end for end, limit in zip(ends, limits(planned), strict=True))
            asked = planned & set(range(first, last + 1))
            own = {key: value for key, value in series.items() if key[0] == part["part"]}
            here = figures(code, plan, planned=asked, series=own, decisions=decisions)
            row = plan["episode"], part["stage"]
            table[row] = [one + other for one, other in zip(table[row], here, strict=True)]
    return {row: tuple(sums) for row, sums in table.items()}


def asked_for(plan: Line) -> set[int]:
    """The planned frames: every use of the cut with its handles; none of a shot that left the cut."""
    if plan["omitted"]:
        return set()
    before, after = plan["handle_in"], plan["handle_out"]
    return {frame for use in plan["uses"] for frame in range(use["first"] - before, use["last"] + after + 1)}


def limits(planned: set[int]) -> tuple[int, int]:
    return (min(planned), max(planned)) if planned else (0, -1)


def figures(
    code: str,
    plan: Line,
    *,
    planned: set[int],
    series: Mapping[tuple[str, int, str, str], list[Line]],
    decisions: Mapping[tuple[str, str, int], list[Line]],
) -> tuple[int, ...]:
    shot = 0
    groups: dict[tuple[str, str, str], list[Take]] = defaultdict(list)
    for (part, take, camera, pass_), posts in series.items():
        total = newest(posts)
        frames = total.get("frames_total", total.get("captures_total", 0) * total.get("frames_per_capture", 1))
        said = newest([post for post in posts if "outcome" in post])
        begun = newest([post for post in posts if "starts_at" in post])
        own: Line = next((each for each in plan.get("parts", ()) if each["part"] == part), {})
        # A series begins where the plan did at its first count; what the cut took off since moves no frame.
        start = begun.get("starts_at", own.get("first") or 1 - plan["handle_in"])
        shot += frames
        accepted, rejected = verdicts(decisions.get((code, part, take), ()), camera)
        live = set(range(start, start + frames))
        order: tuple[bool, str, int] | None = (bool(said), said["answer"]["captured_at"] if said else "", take)
        if said.get("outcome") == "abandoned" or not (live or EVERYTHING) - rejected:
            order = None
        groups[part, camera, pass_].append((order, live, accepted, rejected))
    held: dict[tuple[str, str], set[int]] = defaultdict(set)
    for (_, camera, pass_), takes in groups.items():
        held[camera, pass_] |= credited(takes)
    required = [held[camera, pass_] for camera in plan["cameras"] for pass_ in plan["passes"]]
    got = planned.intersection(*required)
    beyond = EVERYTHING if plan["omitted"] else asked_for(plan)
    over = sum(
        len(set().union(*(held[camera, pass_] for pass_ in plan["passes"])) - beyond) for camera in plan["cameras"]
    )
    return len(planned), shot, len(got), len(planned) - len(got), over


def newest(posts: Sequence[Line]) -> Line:
    """The newest post of each spool by serial, of those the latest captured."""
    heads: dict[tuple[str, str], Line] = {}
    for post in sorted(posts, key=lambda each: each["serial"]):
        heads[post["terminal"], post["spool"]] = post
    return max(heads.values(), key=lambda each: (each["answer"]["captured_at"], each["terminal"]), default={})


def verdicts(said: Sequence[Line], camera: str) -> tuple[set[int], set[int]]:
    accepted: set[int] = set()
    rejected: set[int] = set()
    for each in said:
        if each.get("camera") in {None, camera}:
            scope = set(range(each["first"], each["last"] + 1)) if "first" in each else EVERYTHING
            accepted, rejected = accepted - scope, rejected - scope
            if each["verdict"] in {"accept", "circle"}:
                accepted = accepted | scope
            elif each["verdict"] == "reject":
                rejected = rejected | scope
    return accepted, rejected


def credited(takes: Sequence[Take]) -> set[int]:
    """Accepted frames; the rest of takes that were partly rejected; and where nothing is accepted, a stand-in."""
    accepted = set[int]().union(*(live & chosen for _, live, chosen, _ in takes))
    may = [(order, live, rejected) for order, live, _, rejected in takes if order is not None]
    kept = set[int]().union(*(live - rejected for _, live, rejected in may if live & rejected))
    if accepted or not may:
        return accepted | kept
    # The latest take offered as finished, else the highest open one.
    _, live, rejected = max(may, key=lambda take: take[0])
    return kept | (live - rejected)


def printed(text: str) -> Table:
    """The table as the demo printed it."""
    rows = re.findall(
        r"^\W*(e1|e2|all)\W+(\w+)\W+(\d+)\W+(\d+)\W+(\d+)\W+(\d+)\W+(\d+)\W+([\d.]+)\W*$", text, re.MULTILINE
    )
    assert rows, text
    for _, _, planned, _, done, *_, per_cent in rows:
        assert float(per_cent) == round(100 * int(done) / int(planned), 1)
    return {(episode, stage): tuple(map(int, numbers[:5])) for episode, stage, *numbers in rows}


def lines_of(record: Path) -> list[Line]:
    return [json.loads(line) for line in record.read_text(encoding="utf-8").splitlines()]


def answered(address: str, key: str) -> tuple[Table, int]:
    """The table as the service answers it, and the event it rests on."""
    table: Table = {}
    with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {key}"}) as client:

        def progress(**asked: str) -> dict[str, Any]:
            answer = client.get("/v1/productions/buttontide/progress", params=asked).raise_for_status()
            return dict(answer.json())

        whole = progress(by="episode")
        table["all", "all"] = row_of(whole["total"])
        for item in whole["items"]:
            episode = item["episode"]
            table[episode, "all"] = row_of(item)
            stages = progress(by="stage", episode=episode)["items"]
            table |= {(episode, each["stage"]): row_of(each) for each in stages}
    return table, whole["position"]


def kinds_since(address: str, key: str, position: int) -> set[str]:
    """The kinds of what happened after a position."""
    with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {key}"}) as client:
        answer = client.get("/v1/events", params={"after": position, "limit": 1000}).raise_for_status()
    return {each["kind"] for each in answer.json()["items"]}


def reported(address: str, key: str, day: str, revision: int | None = None) -> dict[str, Any]:
    """The nightly report of a day as the service answers it."""
    asked = {} if revision is None else {"revision": revision}
    with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {key}"}) as client:
        answer = client.get(f"/v1/productions/buttontide/reports/nightly/{day}", params=asked).raise_for_status()
        return dict(answer.json())


def kept_for_the_cut(count: Line) -> bool:
    return count["answer"]["outcome"] in {"counted", "unmatched"} and count.get("purpose", "shoot") == "shoot"


def in_order(posts: Iterable[Line]) -> list[Line]:
    """Posts by their captures, those of one spool by their serials, whatever a clock put right made of captures."""
    ranks: list[tuple[str, str, int, Line]] = []
    latest: dict[str, str] = {}
    for post in sorted(posts, key=lambda each: each["serial"], reverse=True):
        captured = min(post["answer"]["captured_at"], latest.get(post["spool"], "9999"))
        latest[post["spool"]] = captured
        ranks.append((captured, post["terminal"], post["serial"], post))
    return [post for *_, post in sorted(ranks, key=lambda each: each[:3])]


def frames_of_day(lines: Iterable[Line], day: str) -> tuple[int, int]:
    """Frames gained and deleted by the captures of a day, each series followed from post to post."""
    series: dict[tuple[Any, ...], dict[tuple[str, int], Line]] = defaultdict(dict)
    parts: dict[str, dict[str, str]] = {}
    plans: dict[str, Line] = {}
    for line in lines:
        if line["post"] == "shot":
            plans[line["code"]] = line
            parts[line["code"]] = {each["stage"]: each["part"] for each in line.get("parts", ())}
        elif line["post"] == "count" and kept_for_the_cut(line):
            plan = plans.get(line["shot"], {"cameras": ["main"], "passes": ["main"]})
            camera, pass_ = line.get("camera", plan["cameras"][0]), line.get("pass", plan["passes"][0])
            part = parts.get(line["shot"], {}).get(line["stage"], "")
            series[line["shot"], part, line["take"], camera, pass_][line["spool"], line["serial"]] = line
    gained = deleted = 0
    for posts in series.values():
        before = 0
        for post in in_order(posts.values()):
            total = post.get("frames_total", post.get("captures_total", 0) * post.get("frames_per_capture", 1))
            if post["answer"]["production_day"] == day:
                gained, deleted = gained + max(total - before, 0), deleted + max(before - total, 0)
            before = total
    return gained, deleted


def row_of(item: Line) -> tuple[int, ...]:
    return tuple(item[f"{name}_frames"] for name in COLUMNS)


@dataclass(frozen=True)
class Played:
    """A demo that has ended: what it printed, its record, the folder with its database, and the processes it began."""

    seed: int
    said: str
    lines: list[Line]
    folder: Path
    begun: set[psutil.Process]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    folder, seed = tmp_path_factory.mktemp("demo"), random.randrange(1_000_000)
    words = ("--once", "--port", "0", "--seed", str(seed), "--export", "record.jsonl", "--database", "tiedown.db")
    begun: set[psutil.Process] = set()
    with started(folder, "demo", *words) as process:
        while process.poll() is None:
            with suppress(psutil.NoSuchProcess):
                begun.update(psutil.Process(process.pid).children(recursive=True))
            time.sleep(0.05)
        said = process.stdout.read() if process.stdout is not None else ""
    assert process.returncode == 0, f"seed {seed}"
    return Played(seed, said, lines_of(folder / "record.jsonl"), folder, begun)


def test_table_is_what_the_record_adds_up_to_and_what_the_service_answers_later(played: Played) -> None:
    expected = recompute(played.lines)
    assert printed(played.said) == expected, f"seed {played.seed}"
    assert all(0 < done < planned for (_, stage), (planned, _, done, *_) in expected.items() if stage == "all")
    key = tiedown(played.folder, "key", "create", "test", "--scope", "read")
    rests_on = re.search(r"rest on event (\d+) ", played.said)
    assert rests_on is not None
    with served(played.folder) as address:
        figures_now, position = answered(address, key)
        since = kinds_since(address, key, int(rests_on[1]))
    assert figures_now == expected, f"seed {played.seed}"
    # Notices and the like may follow, and nothing that moves figures.
    assert position >= int(rests_on[1])
    assert since.isdisjoint(Progress.events)


def test_second_day_s_lists_take_frames_off_either_end_and_one_shot_out(played: Played) -> None:
    plans: dict[str, list[Line]] = defaultdict(list)
    for line in played.lines:
        if line["post"] == "shot":
            plans[line["code"]].append(line)
    first, last = plans["e1-quay-1"][0]["uses"], plans["e1-quay-1"][-1]["uses"]
    assert (first, last) == ([{"first": 1, "last": 62}], [{"first": 1, "last": 50}])
    assert plans["e1-stairs-1"][-1]["uses"] == [{"first": 9, "last": 70}]
    assert plans["e2-street-6"][-1]["omitted"]
    assert len(plans["e2-jetty-6"]) == 1


def test_nightly_reports_are_what_the_record_adds_up_to(played: Played) -> None:
    ends = [index for index, line in enumerate(played.lines) if line["post"] == "day"]
    days = [played.lines[end]["closed"] for end in ends]
    key = tiedown(played.folder, "key", "create", "night", "--scope", "read")
    with served(played.folder) as address:
        nights = [reported(address, key, day) for day in days]
        first = reported(address, key, days[0], revision=1)
    assert [night["revision"] for night in nights] == [2, 1]
    assert all(night["closed"] and night["filed"] for night in nights)
    change = 0
    for night, end, day in zip(nights, ends, days, strict=True):
        planned, _, done, *_ = recompute(played.lines[:end])["all", "all"]
        total = night["total"]
        assert (total["planned_frames"], total["credited_frames"]) == (planned, done), f"seed {played.seed}, {day}"
        assert total["credited_change"]["frames"] == done - change, f"seed {played.seed}, {day}"
        change = done
        gained, deleted = frames_of_day(played.lines, day)
        shot = {"net": gained - deleted, "gross": gained, "deletions": deleted, "corrected": 0}
        assert total["frames_shot"] == shot
        assert sum(stage["frames_shot"]["gross"] for stage in night["stages"]) == gained
        assert f"{done} of {planned}" in played.said
    # The count that was found later is in the second revision alone, and decisions moved nothing in either.
    gained, deleted = frames_of_day(played.lines[: ends[1]], days[0])
    assert first["total"]["frames_shot"]["gross"] == gained
    differs = {
        each["figure"]: (each["before"], each["after"]) for each in nights[0]["difference"] if each["code"] is None
    }
    assert differs["gross_frames"] == (gained, gained + 12)
    assert differs["late_counts"] == (0, 1)
    assert "credited_frames" not in differs
    assert nights[1]["total"]["credited_change"]["causes"]["re-cut"] < 0


def test_phases_and_what_waits_are_what_the_moves_and_sign_offs_of_the_record_come_to(played: Played) -> None:
    expected = phases(played.lines)
    assert printed_phases(played.said) == expected, f"seed {played.seed}"
    assert all(expected[phase][-1] for phase in PHASES), f"seed {played.seed}"
    assert (expected["of these suspended"], expected["approved and changed since"]) == ((1, 0, 1), (1, 0, 1))
    waits = printed_waits(played.said)
    lacking = {fact: count for fact, count in unsigned(played.lines).items() if fact in waits}
    assert lacking == {fact: waits[fact] for fact in lacking}, f"seed {played.seed}"
    assert {"set approved", "framing approved by the director"} <= lacking.keys()
    # 53 frames long, and the last of them were shot again.
    assert re.search(r"e1-market-4: .* frames \d+–53 of take 1 shot again since", " ".join(played.said.split()))


def test_a_shot_goes_back_with_a_cause_and_on_again_once_it_is_shot_anew(played: Played) -> None:
    told = [line for line in played.lines if line.get("code", line.get("shot")) == "e1-kitchen-1"]
    (back,) = [place for place, line in enumerate(told) if line.get("cause") and line["post"] == "move"]
    rejected = [line for line in told[:back] if line.get("verdict") == "reject"]
    assert [(line["cause"], line["first"], line["last"]) for line in rejected] == [(told[back]["cause"], 61, 96)]
    retaken = [line["take"] for line in told[back:] if line["post"] == "count"]
    assert retaken
    assert set(retaken) == {2}
    assert [line["to"] for line in told[back + 1 :] if line["post"] == "move"] == ["background plate"]


def test_stages_were_used_as_the_record_adds_up_second_by_second(played: Played) -> None:
    days = [line["closed"] for line in played.lines if line["post"] == "day"]
    stages = sorted({line["stage"] for line in played.lines if line["post"] == "signal"})
    key = tiedown(played.folder, "key", "create", "floor", "--scope", "read")
    seen: Counter[str] = Counter()
    with (
        served(played.folder) as address,
        httpx.Client(base_url=address, headers={"Authorization": f"Bearer {key}"}) as client,
    ):
        for stage in stages:
            asked = {"from": days[0], "to": days[-1], "by": "day", "stage": stage}
            answer = client.get("/v1/occupancy", params=asked).raise_for_status().json()
            for group in answer["groups"]:
                expected = stage_day(played.lines, stage, date.fromisoformat(group["day"]))
                of_day = told(group["time"], nobody_came=not expected["worked"])
                assert of_day == expected, f"seed {played.seed}, {stage}, {group['day']}"
                seen.update({name: bool(length_s) for name, length_s in expected.items()})
        asked = {"from": days[0], "to": days[-1], "by": "stage"}
        whole = client.get("/v1/occupancy", params=asked).raise_for_status().json()
    assert {"worked", "idle", "overtime_s", "inferred_s"} <= (+seen).keys(), f"seed {played.seed}"
    assert printed_floor(played.said) == {group["stage"]: in_hours(group["time"]) for group in whole["groups"]}
    text = " ".join(played.said.split())
    assert re.search(r"porch is held for e2-street-5 until .* 18:00, 4 stage-days in all", text)
    assert re.search(r"north, .* 12:00 to .* 14:00: e1-quay-5 \(lighting\) and e2-street-2 \(dressing\) want it", text)


def printed_floor(said: str) -> dict[str, tuple[str, ...]]:
    """The table of the stage floor as it was printed: by stage the hours, and what was used in per cent."""
    rows = re.findall(r"^ *(\w+)((?: +\d+\.\d){8}) *$", said, re.MULTILINE)
    return {stage: tuple(numbers.split()) for stage, numbers in rows if stage != "all"}


def in_hours(time: Line) -> tuple[str, ...]:
    used = {each["activity"]: each["actual"] for each in time["activities"]}
    uses_s = [used[name]["open_s"] for name in ("shooting", "plate", "dressing", "held", "idle")]
    outside_s = sum(each["outside_s"] for name, each in used.items() if name != "held")
    hours = [f"{seconds / 3600:.1f}" for seconds in (time["available_s"], *uses_s, outside_s)]
    return (*hours, str(time["utilisation"]["per_cent"]))


def test_record_holds_every_kind_of_answer(played: Played) -> None:
    counts = [line for line in played.lines if line["post"] == "count"]
    outcomes = {line["answer"]["outcome"] for line in counts}
    assert outcomes == {"counted", "repeated", "unmatched", "refused"}
    assert any(line["answer"].get("plan_changed") for line in counts)
    fast = [line for line in counts if line["terminal"] == "shed-grab" and line["answer"]["outcome"] == "counted"]
    assert fast
    assert all(line["answer"]["adjusted"] and line["answer"]["time_basis"] == "sent_at" for line in fast)


def test_once_leaves_no_process_behind(played: Played) -> None:
    assert played.begun, "the engine of one machine is a process of its own"
    assert [each for each in played.begun if each.is_running()] == []


def test_demo_goes_on_serving_until_it_is_told_to_end(tmp_path: Path) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    with started(tmp_path, "demo", "--port", "0", env=environment(TMPDIR=str(scratch))) as process:
        assert process.stdout is not None
        said = ""
        while "A key that may read" not in said:
            line = process.stdout.readline()
            assert line, said
            said += line
        address = re.search(r"at (http://[\d.:]+) ", said)
        key = re.search(r"td_\w{8}_[\w-]{43}", said)
        assert address
        assert key
        assert answered(address[1], key[0])[0] == printed(said)
        assert httpx.get(f"{address[1]}/docs").status_code == 200
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0
    assert list(scratch.iterdir()) == []


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_demo_told_to_end_early_ends_and_leaves_its_record_alone_behind(tmp_path: Path, how: signal.Signals) -> None:
    scratch, record = tmp_path / "scratch", tmp_path / "record.jsonl"
    scratch.mkdir()
    words = ("demo", "--port", "0", "--export", str(record))
    with started(tmp_path, *words, env=environment(TMPDIR=str(scratch))) as process:
        while not record.exists() or not record.stat().st_size:
            assert process.poll() is None
            time.sleep(0.02)
        process.send_signal(how)
        assert process.wait(20) == 0
    assert list(scratch.iterdir()) == []
    assert not any(line["post"] == "day" for line in lines_of(record))
