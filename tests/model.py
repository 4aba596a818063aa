"""What the figures must be, worked out the plain way: sets of frames, dictionaries, nothing of the service's own.

A post is a dictionary with `terminal`, `spool`, `serial`, `captured_at` (anything that sorts), `take` and `total`, and
where it says them `part`, `purpose`, `camera`, `pass`, `starts_at`, `outcome`, `day`. A plan has `cut_frames` and where
they differ from the usual `handle_in`, `handle_out`, `cameras`, `passes`, `starts` (a part's first frame by its name)
and `omitted`. A decision has `take`, `verdict`, and where it says them `part`, `camera`, `first`, `last`.
"""

from collections.abc import Iterable, Mapping
from typing import Any

Said = Mapping[str, Any]
USUAL = {"part": "", "purpose": "shoot", "camera": "main", "pass": "main", "handle_in": 0, "handle_out": 0}


def say(thing: Said, name: str) -> Any:  # noqa: ANN401 - whatever was said
    found = thing.get(name)
    return USUAL.get(name) if found is None else found


def series(posts: Iterable[Said], plan: Said) -> dict[tuple[Any, ...], list[Said]]:
    """The posts of each (part, purpose, take, camera, pass), each post once however often it came."""
    usual = {"camera": cameras(plan)[0], "pass": passes(plan)[0]}
    once = {(post["terminal"], post["spool"], post["serial"]): {**usual, **_said(post)} for post in posts}
    found: dict[tuple[Any, ...], list[Said]] = {}
    for post in once.values():
        key = (say(post, "part"), say(post, "purpose"), post["take"], post["camera"], post["pass"])
        found.setdefault(key, []).append(post)
    return found


def _said(post: Said) -> dict[str, Any]:
    return {name: value for name, value in post.items() if value is not None}


def cameras(plan: Said) -> list[str]:
    return list(plan.get("cameras") or ["main"])


def passes(plan: Said) -> list[str]:
    return list(plan.get("passes") or ["main"])


def planned(plan: Said, *, handles: bool = True) -> set[int]:
    if plan.get("omitted"):
        return set()
    before, after = (say(plan, "handle_in"), say(plan, "handle_out")) if handles else (0, 0)
    return set(range(1 - before, plan["cut_frames"] + after + 1))


def rules(posts: Iterable[Said], name: str) -> Said | None:
    """The post whose `name` stands: each spool's newest that says it, and of those the latest captured."""
    newest: dict[tuple[str, str], Said] = {}
    for post in sorted((post for post in posts if post.get(name) is not None), key=lambda post: post["serial"]):
        newest[post["terminal"], post["spool"]] = post
    order = sorted(newest.values(), key=lambda post: (post["captured_at"], post["terminal"], post["spool"]))
    return order[-1] if order else None


def live(posts: list[Said], default: int) -> set[int]:
    total, start = rules(posts, "total"), rules(posts, "starts_at")
    first = start["starts_at"] if start else default
    return set(range(first, first + (total or {"total": 0})["total"]))


def verdict(frame: int, decisions: Iterable[Said], camera: str) -> str | None:
    """What stands of one frame of a take on one camera: the last that was said of it."""
    for said in reversed(list(decisions)):
        on_it = said.get("first") is None or said["first"] <= frame <= said["last"]
        if on_it and said.get("camera") in {None, camera}:
            return {"accept": "accepted", "circle": "accepted", "reject": "rejected"}.get(said["verdict"])
    return None


def shown(takes: Mapping[int, tuple[list[Said], set[int]]], decisions: list[Said], camera: str) -> set[int]:
    """The frames one part, camera and pass can show: what is accepted, else what stands in for it."""
    accepted: set[int] = set()
    looked_at: set[int] = set()
    finished, open_takes = [], []
    for number, (posts, frames) in takes.items():
        said = [each for each in decisions if each["take"] == number]
        stands = {frame: verdict(frame, said, camera) for frame in frames | {10**9}}
        rejected = {frame for frame, word in stands.items() if word == "rejected"}
        accepted |= {frame for frame in frames if stands[frame] == "accepted"}
        outcome = rules(posts, "outcome")
        state = outcome["outcome"] if outcome else "open"
        if state == "abandoned" or (frames or {10**9}) <= rejected:
            continue
        if frames & rejected:
            looked_at |= frames - rejected
        if outcome and state != "open":
            finished.append(((outcome["captured_at"], number), frames - rejected))
        open_takes.append(((number,), frames - rejected))
    candidates = finished or open_takes
    stand_in = max(candidates, key=lambda each: each[0])[1] if candidates else set()
    return accepted | looked_at | (set() if accepted else stand_in)


def figures(plan: Said, posts: Iterable[Said], decisions: Iterable[Said] = ()) -> dict[str, int]:
    """Planned, shot, credited, credited cut, remaining and overshoot frames of a shot."""
    said, all_series = list(decisions), series(posts, plan)
    groups: dict[tuple[str, str, str], dict[int, tuple[list[Said], set[int]]]] = {}
    shot = 0
    for (part, purpose, take, camera, pass_), each in all_series.items():
        frames = live(each, plan.get("starts", {}).get(part, 1 - say(plan, "handle_in")))
        if purpose == "shoot":
            shot += len(frames)
            groups.setdefault((part, camera, pass_), {})[take] = each, frames
    have: dict[tuple[str, str], set[int]] = {(c, p): set() for c in cameras(plan) for p in passes(plan)}
    for (part, camera, pass_), takes in groups.items():
        if (camera, pass_) in have:
            here = [each for each in said if say(each, "part") == part and say(each, "purpose") == "shoot"]
            have[camera, pass_] |= shown(takes, here, camera)
    asked = planned(plan)
    credited = asked.intersection(*have.values())
    over = [set().union(*(have[c, p] for p in passes(plan))) - asked for c in cameras(plan)]
    return {
        "planned_frames": len(asked),
        "shot_frames": shot,
        "credited_frames": len(credited),
        "credited_cut_frames": len(credited & planned(plan, handles=False)),
        "remaining_frames": len(asked) - len(credited),
        "overshoot_frames": 0 if plan.get("omitted") else sum(len(each) for each in over),
    }


def by_day(plan: Said, posts: Iterable[Said]) -> dict[Any, tuple[int, int]]:
    """Frames gained and frames deleted by the day their posts were captured on, over all series."""
    days: dict[Any, tuple[int, int]] = {}
    for each in series(posts, plan).values():
        before = 0
        for post in sorted(each, key=lambda post: (_no_later(post, each), *_place(post))):
            change, before = post["total"] - before, post["total"]
            gained, deleted = days.get(post["day"], (0, 0))
            days[post["day"]] = gained + max(change, 0), deleted + max(-change, 0)
    return {day: change for day, change in days.items() if change != (0, 0)}


def _place(post: Said) -> tuple[Any, ...]:
    return post["terminal"], post["spool"], post["serial"]


def _no_later(post: Said, posts: Iterable[Said]) -> Any:  # noqa: ANN401 - anything that sorts
    own = [each for each in posts if _place(each)[:2] == _place(post)[:2] and each["serial"] >= post["serial"]]
    return min(each["captured_at"] for each in own)
