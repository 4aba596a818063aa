"""The command `tiedown-terminal`."""

import argparse
import getpass
import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NoReturn

from service.terminal import clocks, enrolling, enrolment, entering, options, vigil
from service.terminal.doors import Door
from service.terminal.enrolment import KEY_VARIABLE, SPOOL, Enrolment
from service.terminal.sending import Sender
from service.terminal.spool import Said, Spool, State
from service.terminal.troubles import BeingSent, EnrolmentUnreadable, Exit, NotEnrolled, Trouble
from service.terminal.wire import TODAY

Json = dict[str, Any]

# Whoever types a count waits for the answer; whoever follows a folder does not.
BY_HAND_TIMEOUT_S = 5.0


@dataclass(frozen=True, slots=True)
class Report:
    """What a command has to say: an exit code, facts for scripts, lines for people."""

    exit: Exit
    facts: Json = field(default_factory=dict)
    lines: Sequence[str] = ()


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command and exit with its code (`Exit`)."""
    asked = options.parser().parse_args(arguments)
    as_json = getattr(asked, "json", False)
    home = enrolment.home(getattr(asked, "home", None), os.environ)
    try:
        report = RUNS[asked.command](home, asked)
    except Trouble as trouble:
        _say_trouble(trouble, as_json=as_json)
        sys.exit(trouble.EXIT)
    except KeyboardInterrupt:
        sys.exit(Exit.DONE if asked.command == "follow" else Exit.FAILED)
    if as_json and report.facts:
        _say(json.dumps(report.facts, ensure_ascii=False))
    if not as_json:
        for line in report.lines:
            _say(line)
    sys.exit(report.exit)


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _say_trouble(trouble: Trouble, *, as_json: bool) -> None:
    if as_json:
        _say(json.dumps({"trouble": trouble.slug(), "detail": str(trouble)}, ensure_ascii=False))
    else:
        sys.stderr.write(f"tiedown-terminal: {trouble}\n")


def _enrol(home: Path, asked: argparse.Namespace) -> Report:
    folder = None if asked.folder is None else str(Path(asked.folder).expanduser().absolute())
    may_ask = sys.stdin.isatty() and not getattr(asked, "json", False)
    given: Json = {
        "server": None if asked.server is None else asked.server.rstrip("/"),
        "key": asked.key or os.environ.get(KEY_VARIABLE),
        "stage": asked.stage,
        "production": asked.production,
        "folder": folder,
        "pattern": asked.pattern,
        "frames_per_capture": asked.frames_per_capture,
    }
    if given["key"] is None and asked.server is not None and may_ask:
        given["key"] = getpass.getpass("The terminal's key (it is not shown): ").strip()
    example = None if asked.example is None else str(_absolute_where_there(Path(asked.example).expanduser()))
    if example is None and folder is not None and asked.pattern is None and may_ask:
        example = enrolling.first_example(folder)
    if example is not None:
        ask = input if may_ask else None
        given["pattern"] = enrolling.pattern_shown(folder, example, marks=asked.mark, ask=ask)
    done = enrolling.enrol(home, enrolling.proposed(home, given), untested=asked.untested)
    return _enrolled(done)


def _absolute_where_there(path: Path) -> Path:
    """A file as it lies; a path that is none here is one below the folder."""
    return path.absolute() if path.is_file() else path


def _enrolled(done: enrolling.Enrolled) -> Report:
    kept = done.enrolment
    shots = [
        {"code": shot["code"], "cut_frames": shot["cut_frames"], "omitted": shot["omitted"]} for shot in done.shots
    ]
    facts = {
        "enrolment": str(done.path),
        "server": kept.server,
        "stage": kept.stage,
        "production": kept.production,
        "terminal": done.known.terminal if done.known else None,
        "clock_ahead_s": done.known.ahead_s if done.known else None,
        "pattern": kept.pattern,
        "frames_found": done.frames,
        "takes_found": done.takes,
        "folder_away": None if done.away is None else str(done.away),
        "shots": shots,
    }
    lines = [f"Kept in {done.path}."]
    if done.known:
        lines.append(f"{kept.server} answers: terminal {done.known.terminal} of stage {kept.stage}.")
        lines += [f"  {shot['code']}  {shot['cut_frames']} frames" for shot in shots if not shot["omitted"]]
        lines += (
            [] if kept.production else ["No production is named: say it with each count, or enrol with --production."]
        )
        lines += ["No shot is planned for this stage yet."] if kept.production and not shots else []
    if kept.pattern:
        lines.append(f"Pattern: {kept.pattern}")
    if done.away is not None:
        lines.append(str(done.away))
    if done.frames is not None:
        frames = entering.several(done.frames, "frame", "frames")
        lines.append(f"In {kept.folder}: {frames} of {entering.several(done.takes or 0, 'take', 'takes')}.")
    return Report(Exit.DONE, facts, lines)


def _count(home: Path, asked: argparse.Namespace) -> Report:
    enrolled = enrolment.read(home)
    names = ("production", "shot", "take", "camera", "part", "purpose", "animator", "outcome", "frames_per_capture")
    said = {name: getattr(asked, name) for name in names} | {"pass": asked.pass_}
    said["frames_total" if asked.frames else "captures_total"] = asked.total
    return _entered(home, enrolled, entering.count(enrolled, said, clocks.now()), later=asked.later)


def _log(home: Path, asked: argparse.Namespace) -> Report:
    enrolled = enrolment.read(home)
    kind = asked.command.replace("-", "_")
    said = entering.line(enrolled, kind, moment=clocks.now(), spoken=TODAY, reason=getattr(asked, "reason", None))
    report = _entered(home, enrolled, said, later=asked.later)
    if kind != "power_off":
        return report
    caution = entering.POWER_CAUTION
    return Report(report.exit, report.facts | {"cautions": [caution]}, [*report.lines, caution])


def _entered(home: Path, enrolled: Enrolment, said: Said, *, later: bool) -> Report:
    """Enter, then send if the network allows; once it is in the spool it is done, whatever the network says."""
    with Spool(home / SPOOL) as spool:
        (serial,) = spool.enter(said, now=clocks.now().wall)
        facts: Json = {"kept": True, "serial": serial, "spool": spool.id}
        lines = [f"Kept as {serial}."]
        if not later:
            lines += _tried_to_send(spool, enrolled, facts)
        facts["waiting"] = spool.number(State.WAITING)
    if facts["waiting"]:
        lines.append(entering.waiting_aloud(facts["waiting"]))
    return Report(Exit.DONE, facts, lines)


def _tried_to_send(spool: Spool, enrolled: Enrolment, facts: Json) -> list[str]:
    try:
        with Door(enrolled.server, enrolled.key, timeout_s=BY_HAND_TIMEOUT_S) as door:
            done = Sender(spool, door, stage=enrolled.stage).send()
    except BeingSent:
        return []
    except Trouble as trouble:
        facts |= {"trouble": trouble.slug(), "detail": str(trouble)}
        return [str(trouble)]
    facts |= vigil.facts(done)
    return [f"{done.sent} sent.", *vigil.told(done)]


def _send(home: Path, _asked: argparse.Namespace) -> Report:
    enrolled = enrolment.read(home)
    with Spool(home / SPOOL) as spool, Door(enrolled.server, enrolled.key) as door:
        done = Sender(spool, door, stage=enrolled.stage).send()
        rejected = spool.number(State.REJECTED)
    code = Exit.REJECTED if rejected else Exit.DONE
    return Report(code, vigil.facts(done) | {"waiting": 0}, [f"{done.sent} sent.", *vigil.told(done)])


def _status(home: Path, _asked: argparse.Namespace) -> Report:
    try:
        enrolled = enrolment.read(home)
    except (NotEnrolled, EnrolmentUnreadable):
        enrolled = None
    with Spool(home / SPOOL) as spool:
        facts = entering.standing(spool, enrolled, clocks.now().wall)
    code = Exit.REJECTED if facts["rejected"] else Exit.UNSENT if facts["waiting"] else Exit.DONE
    return Report(code, facts, entering.standing_aloud(facts))


def _follow(home: Path, asked: argparse.Namespace) -> Report:
    as_json = getattr(asked, "json", False)
    stopped = threading.Event()
    before = signal.signal(signal.SIGTERM, lambda _number, _frame: stopped.set())

    def tell(line: str, facts: Json) -> None:
        # Whoever listened may be gone; the frames still land.
        with suppress(OSError, ValueError):
            _say(json.dumps(facts, ensure_ascii=False) if as_json else line)

    given: Json = {"folder": asked.folder and str(Path(asked.folder).expanduser().absolute())}
    given |= {name: getattr(asked, name) for name in ("pattern", "production", "frames_per_capture")}
    enrolled = replace(enrolment.read(home), **{name: value for name, value in given.items() if value})
    try:
        vigil.follow(home, enrolled, every_s=asked.every, tell=tell, stopped=stopped, once=asked.once)
    finally:
        signal.signal(signal.SIGTERM, before)
    return _send(home, asked) if asked.once else Report(Exit.DONE)


def _rejected(home: Path, asked: argparse.Namespace) -> Report:
    with Spool(home / SPOOL) as spool:
        match asked.what:
            case "edit":
                entering.edit(spool, asked.serial, {"shot": asked.shot, "take": asked.take})
            case "again":
                for serial in asked.serials or [entry.serial for entry in spool.entries(State.REJECTED)]:
                    spool.again(serial, {})
            case "drop":
                spool.drop(asked.serial, asked.reason, now=clocks.now().wall)
            case _:
                pass
        entries = spool.entries(State.REJECTED)
        waiting = spool.number(State.WAITING)
    facts = {"rejected": [entering.shown(entry) for entry in entries], "waiting": waiting}
    lines = [entering.read_aloud(entry) for entry in entries] or ["Nothing is rejected."]
    lines += [entering.waiting_aloud(waiting)] if waiting else []
    return Report(Exit.REJECTED if entries and asked.what is None else Exit.DONE, facts, lines)


RUNS: Mapping[str, Callable[[Path, argparse.Namespace], Report]] = {
    "enrol": _enrol,
    "count": _count,
    "follow": _follow,
    "status": _status,
    "send": _send,
    "rejected": _rejected,
    **dict.fromkeys(options.SIGNALS, _log),
}
