"""The words of the command line, and what each is for."""

import argparse

from service.terminal.entering import OUTCOMES, PURPOSES

LOOK_EVERY_S = 2.0
SIGNALS = {
    "call": "enter in the stage's log that work begins",
    "wrap": "enter in the stage's log that work ends",
    "waiting": "enter in the stage's log that it waits, and for what",
    "resumed": "enter in the stage's log that it waits no more",
    "power-off": "enter in the stage's log that the power is off",
}


def parser() -> argparse.ArgumentParser:
    """The command line; what it reads has the command's name in `command`."""
    top = argparse.ArgumentParser(
        prog="tiedown-terminal",
        description="Counts the frames of a stage and keeps every count until the service has it.",
        epilog="Exit codes: 0 done (a count is kept for good); 1 not done, nothing changed; 2 wrong words; 3 entries "
        "wait to be sent; 4 the key is not taken; 5 rejected entries need a look; 6 NOT KEPT, write it down.",
    )
    everywhere = argparse.ArgumentParser(add_help=False, argument_default=argparse.SUPPRESS)
    everywhere.add_argument("--json", action="store_true", help="answer in JSON, for scripts")
    everywhere.add_argument("--home", metavar="FOLDER", help="where enrolment and spool lie (~/.tiedown-terminal)")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _enrol(commands.add_parser("enrol", parents=[everywhere], help="say which service, key and stage; tries them"))
    _count(commands.add_parser("count", parents=[everywhere], help="enter the total a take has reached"))
    _follow(commands.add_parser("follow", parents=[everywhere], help="count the frame files of a folder as they land"))
    commands.add_parser("status", parents=[everywhere], help="say what waits, since when, and how the service answers")
    commands.add_parser("send", parents=[everywhere], help="send now what waits")
    _rejected(commands.add_parser("rejected", parents=[everywhere], help="list and mend what was refused"), everywhere)
    for name, what in SIGNALS.items():
        signal = commands.add_parser(name, parents=[everywhere], help=what)
        if name == "waiting":
            signal.add_argument("reason", metavar="REASON", help="what for, in your own words")
        _later(signal)
    return top


def _later(command: argparse.ArgumentParser) -> None:
    command.add_argument("--later", action="store_true", help="keep it and do not try to send it now")


def _enrol(command: argparse.ArgumentParser) -> None:
    command.description = "What is left out stays as it was enrolled before; the spool is never touched."
    command.add_argument("--server", metavar="ADDRESS", help="the service, as http://tiedown.example:8484")
    command.add_argument("--key", help="the terminal's key; better in TIEDOWN_TERMINAL_KEY, or typed when asked")
    command.add_argument("--stage", metavar="CODE", help="the stage this computer stands beside")
    command.add_argument("--production", metavar="CODE", help="the production whose shots are counted")
    command.add_argument("--folder", metavar="FOLDER", help="where the frame files land")
    command.add_argument("--pattern", help="how they are named, as '{shot}/take_{take}/{frame}.*'")
    command.add_argument("--example", metavar="FILE", help="a frame file, to make the pattern from")
    command.add_argument(
        "--mark",
        metavar="NAME=TEXT",
        action="append",
        default=[],
        help="a piece of the example: shot, take, camera, pass, frame, any; once for each (TEXT@2: its second place)",
    )
    command.add_argument("--frames-per-capture", type=int, metavar="N", help="1 on ones, 2 on twos (1)")
    command.add_argument("--untested", action="store_true", help="keep it without trying the connection")


def _count(command: argparse.ArgumentParser) -> None:
    command.description = "The total the take has reached, never what was added; sent again it does no harm."
    command.add_argument("shot", metavar="SHOT")
    command.add_argument("take", metavar="TAKE", type=int)
    command.add_argument("total", metavar="TOTAL", type=int, help="captures kept in the take")
    command.add_argument("--frames", action="store_true", help="TOTAL is in frames, where holds are mixed")
    command.add_argument("--frames-per-capture", type=int, metavar="N", help="1 on ones, 2 on twos (as enrolled)")
    command.add_argument("--production", metavar="CODE", help="another than the enrolled one")
    command.add_argument("--camera", metavar="CODE")
    command.add_argument("--pass", metavar="CODE", dest="pass_")
    command.add_argument("--part", metavar="CODE", help="the part of a split shot")
    command.add_argument("--purpose", choices=PURPOSES)
    command.add_argument("--animator", metavar="NAME")
    command.add_argument("--outcome", choices=OUTCOMES, help="what is said of the take")
    _later(command)


def _follow(command: argparse.ArgumentParser) -> None:
    command.description = "Runs until it is ended; whatever happened meanwhile is found when it is started again."
    command.add_argument("folder", metavar="FOLDER", nargs="?", help="the enrolled one where left out")
    command.add_argument("--pattern", help="the enrolled one where left out")
    command.add_argument("--production", metavar="CODE", help="the enrolled one where left out")
    command.add_argument("--frames-per-capture", type=int, metavar="N", help="as enrolled where left out")
    command.add_argument(
        "--every",
        type=_seconds,
        metavar="SECONDS",
        default=LOOK_EVERY_S,
        help=f"pause between looks ({LOOK_EVERY_S:g})",
    )
    command.add_argument("--once", action="store_true", help="look once, send, and end")


def _seconds(text: str) -> float:
    value = float(text)
    if not 0.05 <= value <= 3600:  # noqa: PLR2004 - said in the message
        raise argparse.ArgumentTypeError("a pause is 0.05 to 3600 seconds")
    return value


def _rejected(command: argparse.ArgumentParser, everywhere: argparse.ArgumentParser) -> None:
    what = command.add_subparsers(dest="what", metavar="WHAT")
    edit = what.add_parser("edit", parents=[everywhere], help="change the shot or the take, and let it wait again")
    edit.add_argument("serial", type=int)
    edit.add_argument("--shot", metavar="CODE")
    edit.add_argument("--take", type=int, metavar="TAKE")
    again = what.add_parser(
        "again", parents=[everywhere], help="let entries wait again as they are, all where none is named"
    )
    again.add_argument("serials", type=int, nargs="*", metavar="SERIAL")
    drop = what.add_parser("drop", parents=[everywhere], help="give an entry up, with the reason")
    drop.add_argument("serial", type=int)
    drop.add_argument("reason", metavar="REASON")
