"""What a host finds behind the entry points of channels, and that nothing found there stops anything else."""

import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import distribution
from pathlib import Path

import pytest
from pydantic import BaseModel

from service.domain.channels import ChannelState
from tests.workers.channels.receivers import AT, a_message
from tests.workers.shelf import Shelf
from workers.channels.contract import ENTRY_POINTS
from workers.channels.host import discover, ready

README = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
# A stranger's channel, whole: it lights a lamp on a wall so many times.
LAMP = """
    from pydantic import BaseModel, ConfigDict

    from workers.channels.contract import Channel, Receipt, Sent, Target

    class LampSettings(BaseModel):
        model_config = ConfigDict(extra="forbid", frozen=True)
        wall: str
        password: str = ""

    class LampTarget(Target):
        flashes: int = 1

    class Lamp(Channel):
        name, Settings, Target = "lamp", LampSettings, LampTarget

        def __init__(self, settings):
            if settings.wall == "none":
                raise ValueError("a lamp needs a wall")
            self.wall = settings.wall

        def send(self, message, target, *, secrets, now):
            return Sent(Receipt.DELIVERED, f"{message.id} flashed {target.flashes} times on the {self.wall} wall.")
"""
BAD = "from workers.channels.contract import Channel\nclass Bad(Channel):\n    name = 'bad'\n"


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shelf]:
    monkeypatch.syspath_prepend(str(tmp_path))
    before = set(sys.modules)
    yield Shelf(tmp_path)
    for name in set(sys.modules) - before:
        del sys.modules[name]


def test_the_projects_own_enter_by_their_entry_points_and_wait_to_be_set_up(tmp_path: Path) -> None:
    found = {each.name: each for each in discover({"folder": {"root": str(tmp_path)}}) if each.package == "tiedown"}

    assert {name: each.state for name, each in found.items()} == {
        "email": ChannelState.NOT_SET_UP,
        "folder": ChannelState.READY,
        "webhook": ChannelState.READY,
    }
    assert found["email"].to_do == (
        "To use it, enter [channels.email] in tiedown.toml by its settings_schema; then start the engines again."
    )
    assert set(ready(found.values())) == {"folder", "webhook"}
    for each in found.values():
        described = [*each.settings_schema["properties"].values(), *each.target_schema["properties"].values()]
        assert all(field["description"] for field in described)


def test_the_readme_sets_up_every_channel_of_ours() -> None:
    written = README.partition("<!-- the channels -->\n```toml\n")[2].partition("```")[0]
    found = discover(tomllib.loads(written)["channels"])
    assert {each.name: each.state for each in found if each.package == "tiedown"} == dict.fromkeys(
        ("email", "folder", "webhook"), ChannelState.READY
    )


def test_a_strangers_channel_sends_among_others_that_cannot(shelf: Shelf) -> None:
    shelf.put("a-lamp", LAMP, group=ENTRY_POINTS, lamp="Lamp")
    shelf.put("another-lamp", LAMP, group=ENTRY_POINTS, lamp="Lamp")
    shelf.put("gone", "import sys; sys.exit('no bulb')", group=ENTRY_POINTS, gone="Gone")
    shelf.put("later", "raise SystemExit('imported')", group="tiedown.channels.v2", later="Later")
    shelf.put("off", "raise SystemExit('imported')", group=ENTRY_POINTS, off="Off")
    shelf.put("usurper", LAMP, group=ENTRY_POINTS, webhook="Lamp")

    settings: dict[str, dict[str, object]] = {"lamp": {"wall": "north"}, "off": {"enabled": False}, "nobody": {}}
    found = discover(
        settings, [*shelf.points(), *distribution("tiedown").entry_points.select(group=ENTRY_POINTS, name="webhook")]
    )

    assert [(each.name, each.package, each.state) for each in found] == [
        ("later", "later", ChannelState.OTHER_CONTRACT),
        ("gone", "gone", ChannelState.BROKEN),
        ("lamp", "a-lamp", ChannelState.READY),
        ("lamp", "another-lamp", ChannelState.DUPLICATE),
        ("off", "off", ChannelState.DISABLED),
        ("webhook", "tiedown", ChannelState.READY),
        ("webhook", "usurper", ChannelState.DUPLICATE),
    ]
    assert "no bulb" in (found[1].error or "")
    assert [each.to_do for each in found if each.state is not ChannelState.READY and not each.to_do] == []
    lamp = ready(found)["lamp"]
    target: BaseModel = lamp.Target.model_validate({"flashes": 3})
    sent = lamp.send(a_message(), target, secrets=(), now=AT)
    assert sent.detail == "msg_quay7 flashed 3 times on the north wall."


@pytest.mark.parametrize(
    ("settings", "state", "told"),
    [
        ({}, ChannelState.NOT_SET_UP, "wall: Field required"),
        ({"lamp": {}}, ChannelState.MISCONFIGURED, "wall: Field required"),
        ({"lamp": {"wall": "none"}}, ChannelState.MISCONFIGURED, "a lamp needs a wall"),
        (
            {"lamp": {"wall": 3, "password": "s3cret"}},
            ChannelState.MISCONFIGURED,
            "wall: Input should be a valid string",
        ),
        ({"lamp": {"wall": "north", "enabled": "no"}}, ChannelState.MISCONFIGURED, "true or false"),
    ],
)
def test_settings_it_does_not_take_are_told_and_never_shown(
    shelf: Shelf, settings: dict[str, dict[str, object]], state: ChannelState, told: str
) -> None:
    shelf.put("a-lamp", LAMP, group=ENTRY_POINTS, lamp="Lamp")

    (found,) = discover(settings, shelf.points())

    assert (found.state, found.channel) == (state, None)
    assert told in (found.error or "")
    assert "s3cret" not in (found.error or "")


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("Bad = 3", "is not a class"),
        ("class Bad: pass", "has no name"),
        (BAD.replace("'bad'", "'other'"), "must be the same"),
        (BAD + "    Target = dict", "the Target of bad must be a pydantic model"),
        (BAD + "    class Settings(__import__('pydantic').BaseModel): enabled: bool = True", "which is the host's own"),
    ],
)
def test_what_does_not_keep_the_contract_is_told_why(shelf: Shelf, source: str, told: str) -> None:
    shelf.put("bad-one", source, group=ENTRY_POINTS, bad="Bad")

    (found,) = discover({}, shelf.points())

    assert (found.state, found.channel) == (ChannelState.UNFIT, None)
    assert told in (found.error or "")
