"""Which channels this host has: found by their entry points and checked, with the care that workers are.

A channel that cannot be used is listed with the reason and stops no other.
"""

import logging
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint, entry_points
from re import compile as pattern
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel, ValidationError

from service.domain.channels import ChannelState, what_to_do
from workers.attempts import describe
from workers.channels.contract import ENTRY_POINTS, Channel
from workers.host import ENABLED, NAME, OWN

log = logging.getLogger("tiedown.channels")

CONTRACTS = pattern(r"tiedown\.channels\.v[0-9]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundChannel:
    """An entry point and what became of it; `channel` is there where it is ready.

    `package` has the entry point `name`. `error` says what is wrong, `settings_schema` and `target_schema` are the JSON
    Schemas of its settings and of what a watch says of its target, empty where it could not be asked.
    """

    name: str
    package: str
    state: ChannelState
    error: str | None = None
    settings_schema: Mapping[str, Any] = field(default_factory=dict)
    target_schema: Mapping[str, Any] = field(default_factory=dict)
    channel: Channel | None = None

    @property
    def to_do(self) -> str | None:
        """What a person should do about it; None where nothing is to be done."""
        return what_to_do(self.state, self.name, self.package)


class _Unfit(Exception):
    """What an entry point names is not a channel."""


def discover(
    settings: Mapping[str, Mapping[str, Any]], points: Iterable[EntryPoint] | None = None
) -> tuple[FoundChannel, ...]:
    """Every channel behind the entry points, by name; `settings` are given by channel name.

    What is written for another contract is listed, unless the same package has it for this one, and never imported.
    """
    there = [each for each in (_installed() if points is None else points) if CONTRACTS.fullmatch(each.group)]
    ours = [each for each in there if each.group == ENTRY_POINTS]
    known = {(each.name, _package(each)) for each in ours}
    other = ChannelState.OTHER_CONTRACT
    found = [
        _refused(each, other, f"it is written for {each.group}, and this Tiedown has {ENTRY_POINTS}")
        for each in there
        if each.group != ENTRY_POINTS and (each.name, _package(each)) not in known
    ]
    holders: dict[str, str] = {}
    # The project's own come first: nobody else's entry point can take the name of one.
    for point in sorted(ours, key=lambda each: (each.name, _package(each) != OWN, _package(each))):
        if (holder := holders.get(point.name)) is not None:
            found.append(_refused(point, ChannelState.DUPLICATE, f"the name {point.name!r} is taken by {holder}"))
            continue
        holders[point.name] = f"{point.value} of {_package(point)}"
        found.append(_load(point, settings.get(point.name)))
    for name in sorted(set(settings) - set(holders)):
        log.warning("there are settings for a channel that is not installed", extra={"channel": name})
    return tuple(found)


def ready(found: Iterable[FoundChannel]) -> Mapping[str, Channel]:
    """Those that can be used, by name."""
    return MappingProxyType({each.name: each.channel for each in found if each.channel is not None})


def _installed() -> Iterator[EntryPoint]:
    for group in sorted(entry_points().groups):
        yield from entry_points(group=group) if CONTRACTS.fullmatch(group) else ()


def _load(point: EntryPoint, settings: Mapping[str, Any] | None) -> FoundChannel:
    given = {} if settings is None else dict(settings)
    enabled = given.pop(ENABLED, True)
    if type(enabled) is not bool:
        return _refused(point, ChannelState.MISCONFIGURED, f"`{ENABLED}` is true or false, not {enabled!r}")
    if not enabled:
        return _refused(point, ChannelState.DISABLED, f"the settings say `{ENABLED} = false`")
    try:
        made = _fit(point)
        schemas = made.Settings.model_json_schema(), made.Target.model_json_schema()
        channel, problem = _made(made, given)
    except KeyboardInterrupt:
        raise
    except _Unfit as error:
        return _refused(point, ChannelState.UNFIT, str(error))
    except BaseException as error:  # noqa: BLE001 - an import may end in anything, SystemExit included
        return _refused(point, ChannelState.BROKEN, describe(error))
    if channel is not None:
        state = ChannelState.READY
    else:
        # Who has not heard of it yet has done nothing wrong.
        state = ChannelState.NOT_SET_UP if settings is None else ChannelState.MISCONFIGURED
    return FoundChannel(
        name=point.name,
        package=_package(point),
        state=state,
        error=problem,
        settings_schema=schemas[0],
        target_schema=schemas[1],
        channel=channel,
    )


def _fit(point: EntryPoint) -> type[Channel]:
    """The class behind an entry point; raises _Unfit where it does not keep the contract."""
    made = point.load()
    if not isinstance(made, type):
        raise _Unfit(f"{point.value} is not a class")
    for attribute in ("name", "Settings", "Target", "send"):
        if not hasattr(made, attribute):
            raise _Unfit(f"{point.value} has no {attribute}; subclass workers.channels.contract.Channel")
    name: object = made.name  # type: ignore[attr-defined]  # a stranger's class; asked for above
    if name != point.name or not NAME.fullmatch(point.name):
        raise _Unfit(
            f"the entry point {point.name!r} and the channel's name {name!r} must be the same: "
            "a letter, then letters, digits and hyphens, all lower case"
        )
    for attribute in ("Settings", "Target"):
        model = getattr(made, attribute)
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            raise _Unfit(f"the {attribute} of {name} must be a pydantic model")
    if ENABLED in made.Settings.model_fields:  # type: ignore[attr-defined]  # a stranger's class; asked for above
        raise _Unfit(f"its Settings have a field `{ENABLED}`, which is the host's own; call it otherwise")
    return made


def _made(kind: type[Channel], settings: Mapping[str, Any]) -> tuple[Channel | None, str | None]:
    """The channel, or what is wrong with its settings, which are never shown: a password may be among them."""
    try:
        return kind(kind.Settings.model_validate(dict(settings))), None
    except ValidationError as error:
        problems = (f"{'.'.join(map(str, each['loc'])) or 'all of it'}: {each['msg']}" for each in error.errors())
        return None, "\n".join(problems)
    except ValueError as error:
        return None, str(error)


def _refused(point: EntryPoint, state: ChannelState, error: str) -> FoundChannel:
    return FoundChannel(name=point.name, package=_package(point), state=state, error=error)


def _package(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else ""
