"""Where the demo's shots are, added up from its record alone: moves and sign-offs followed line by line."""

import re
from collections.abc import Iterable, Mapping
from typing import Any

Line = Mapping[str, Any]
# By what the demo prints: how many shots of each episode and of both.
Rows = dict[str, tuple[int, ...]]

PHASES = ("planning", "set dressing", "shooting", "background plate", "compositing", "approval", "approved")
BESIDE = ("all in the cut", "of these suspended", "approved and changed since", "omitted, beside these")
FRAMING = "framing approved"


def phases(lines: Iterable[Line]) -> Rows:
    """The table of phases. A shot begins in planning; an approved one changed if it was counted or cut since."""
    plans: dict[str, Line] = {}
    phase: dict[str, str] = {}
    suspended: set[str] = set()
    changed: dict[str, bool] = {}
    for line in lines:
        if line["post"] == "shot":
            code = line["code"]
            if code in changed and line["uses"] != plans[code]["uses"]:
                changed[code] = True
            plans[code] = line
        elif line["post"] == "move":
            assert phase.get(line["shot"], "planning") == line["origin"], line
            phase[line["shot"]] = line["to"]
        elif line["post"] == "suspension":
            suspended.add(line["shot"])
        elif line["post"] == "signoff" and line["matter"] == "approval":
            changed[line["shot"]] = False
        elif line["post"] == "count" and line["shot"] in changed:
            changed[line["shot"]] |= line["answer"]["outcome"] == "counted" and line.get("purpose", "shoot") == "shoot"
    kept = {code for code, plan in plans.items() if not plan["omitted"]}
    of: dict[str, set[str]] = {each: {code for code in kept if phase.get(code, PHASES[0]) == each} for each in PHASES}
    beside = (kept, suspended & kept, {code for code in kept if changed.get(code)}, set(plans) - kept)
    of |= dict(zip(BESIDE, beside, strict=True))
    episodes = {code: plan["episode"] for code, plan in plans.items()}
    return {
        name: (*(sum(episodes[code] == each for code in codes) for each in ("e1", "e2")), len(codes))
        for name, codes in of.items()
    }


def unsigned(lines: Iterable[Line]) -> dict[str, int]:
    """How many shots in set dressing lack each sign-off of those every shot needs, by what the demo prints."""
    dressing: set[str] = set()
    given: set[tuple[str, str, str]] = set()
    for line in lines:
        if line["post"] == "move":
            (dressing.add if line["to"] == "set dressing" else dressing.discard)(line["shot"])
        elif line["post"] == "signoff":
            given.add((line["shot"], line["matter"], line["role"]))
        elif line["post"] == "shot" and line["omitted"]:
            dressing.discard(line["code"])
    asked = {
        "set approved": ("set approved", "director"),
        "framing approved by the director": (FRAMING, "director"),
        "framing approved by the camera operator": (FRAMING, "camera operator"),
    }
    return {fact: sum((code, *signature) not in given for code in dressing) for fact, signature in asked.items()}


def printed_phases(text: str) -> Rows:
    """The table of phases as the demo printed it."""
    names = "|".join((*PHASES, *BESIDE))
    rows = re.findall(rf"^ *({names}) +(\d+) +(\d+) +(\d+)(?: +(?:e[12]-.*)?)?$", text, re.MULTILINE)
    assert len(rows) == len(PHASES) + len(BESIDE), text
    return {name: tuple(map(int, numbers)) for name, *numbers in rows}


def printed_waits(text: str) -> dict[str, int]:
    """How many shots wait for each fact, by the words the demo printed before a line was broken."""
    return {fact: int(count) for fact, count in re.findall(r"^ {3,}(\S.*?) {2,}(\d+) +e[12]-", text, re.MULTILINE)}
