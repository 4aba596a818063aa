"""What the terminal says: every message explained in its README, every word to the service one the API describes."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import service.terminal
from service.api import docs
from service.domain import shifts
from service.terminal import options
from service.terminal.entering import OUTCOMES, POWER_CAUTION, PURPOSES
from service.terminal.troubles import Exit, Trouble
from service.terminal.wire import TODAY

README = Path(service.terminal.__file__).with_name("README.md").read_text(encoding="utf-8")
SCHEMAS: dict[str, Any] = json.loads(Path(docs.__file__).with_name("openapi.json").read_text(encoding="utf-8"))[
    "components"
]["schemas"]


def kinds(of: type[Trouble] = Trouble) -> Iterator[type[Trouble]]:
    for kind in of.__subclasses__():
        yield kind
        yield from kinds(kind)


def test_every_message_is_explained_to_who_installs_it() -> None:
    explained = re.findall(r"^\| `([a-z-]+)` \| .+ \| .+ \|$", README, flags=re.MULTILINE)

    assert sorted(explained) == sorted(kind.slug() for kind in kinds())


def test_every_exit_code_is_explained() -> None:
    explained = re.findall(r"^\| (\d) \| .+ \|$", README, flags=re.MULTILINE)

    assert explained == [str(code.value) for code in Exit]


def test_every_command_is_told_of() -> None:
    commands = next(action for action in options.parser()._actions if action.dest == "command").choices

    assert commands is not None
    assert [name for name in commands if not re.search(rf"\b{name}\b", README)] == []


def test_the_caution_of_the_power_stands_where_the_subject_does() -> None:
    assert POWER_CAUTION in README
    assert POWER_CAUTION == shifts.POWER_CAUTION


def enum(name: str) -> set[str]:
    return set(SCHEMAS[name]["enum"])


def test_the_words_for_counts_are_the_services() -> None:
    assert (set(PURPOSES), set(OUTCOMES)) == (enum("Purpose"), enum("Outcome"))


@pytest.mark.parametrize("field", ["queued", "log_identity"])
def test_it_says_as_much_as_the_service_takes(field: str) -> None:
    """Where the API learns more, this fails until `wire.TODAY` says so."""
    takes = {
        "queued": "queued" in SCHEMAS["CountsIn"]["properties"],
        "log_identity": {"spool", "serial", "age_s"} <= SCHEMAS["SignalIn"]["properties"].keys(),
    }

    assert getattr(TODAY, field) is takes[field]


def test_it_enters_in_the_log_what_the_service_takes() -> None:
    taken = enum("Signal")

    assert set(TODAY.signals) == taken
    assert taken <= {name.replace("-", "_") for name in options.SIGNALS}
