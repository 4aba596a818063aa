"""Which workers this host has: found by their entry points, checked, and written into the catalogue.

A plugin that cannot be used is listed with the reason and stops nobody else.
"""

import logging
import re
import socket
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from importlib.metadata import EntryPoint, entry_points
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel, ValidationError
from sqlmodel import Session

from service.domain.workers import SWITCHED_OFF, State
from service.store import catalogue
from service.store.catalogue import Entry
from service.store.engine import Database
from workers.attempts import describe
from workers.changes import TABLE
from workers.contract import ENTRY_POINTS, Partition, Schedule, Worker
from workers.filling import offered

log = logging.getLogger("tiedown.host")

# The project's own distribution: nobody else's entry point can take a built-in worker's name.
OWN = "tiedown"
NAME = re.compile(r"[a-z][a-z0-9-]{0,62}")
NO_SCHEMA: Mapping[str, Any] = MappingProxyType({})
FORGOTTEN_AFTER = timedelta(days=2)
# In the settings of any worker: whether this host imports it at all.
ENABLED = "enabled"
# What an operator may disable while engines run; other states have reasons that no switch undoes.
SWITCHABLE = frozenset({State.LOADED, State.BROKEN, State.UNFIT, State.MISCONFIGURED})
SWITCHED = "an operator disabled it"
# What the base class brings, and a class of its own may have left out.
OFFERED = ("notices", "schedules", "partition", "ordered", "handle", "scheduled", "health")
KIND = re.compile(r"[a-z][a-z0-9 -]{0,62}")
CONTRACTS = re.compile(r"tiedown\.workers\.v[0-9]+")


@dataclass(frozen=True, slots=True)
class Found:
    """An entry point and what became of it; `worker` is there where it is loaded."""

    entry: Entry
    worker: Worker | None = None


class Unfit(Exception):
    """What an entry point names is not a worker."""


class Misconfigured(Exception):
    """A worker does not take its settings, which `schema` describes."""

    def __init__(self, problem: str, schema: Mapping[str, Any]) -> None:
        super().__init__(problem)
        self.schema = schema


def discover(
    settings: Mapping[str, Mapping[str, Any]],
    points: Iterable[EntryPoint] | None = None,
    *,
    off: Collection[str] = (),
) -> tuple[Found, ...]:
    """Every worker behind the entry points, by name; `settings` are given by worker name.

    Those named in *off* an operator disabled: nothing of them is imported. What is written for another contract is
    listed, unless the same package has it for this one, and never imported.
    """
    there = [each for each in (installed() if points is None else points) if CONTRACTS.fullmatch(each.group)]
    ours = [each for each in there if each.group == ENTRY_POINTS]
    known = {(each.name, _distribution(each)) for each in ours}
    found = [
        _refused(each, State.OTHER_CONTRACT, f"it is written for {each.group}, and this Tiedown has {ENTRY_POINTS}")
        for each in there
        if each.group != ENTRY_POINTS and (each.name, _distribution(each)) not in known
    ]
    holders: dict[str, str] = {}
    for point in sorted(ours, key=lambda each: (each.name, _distribution(each) != OWN, _distribution(each))):
        if (holder := holders.get(point.name)) is not None:
            found.append(_refused(point, State.DUPLICATE, f"the name {point.name!r} is taken by {holder}"))
            continue
        holders[point.name] = f"{point.value} of {_distribution(point)}"
        found.append(_load(point, settings.get(point.name, {}), off=point.name in off))
    for name in sorted(set(settings) - set(holders)):
        log.warning("there are settings for a worker that is not installed", extra={"worker": name})
    return tuple(found)


def installed() -> Iterator[EntryPoint]:
    """Every entry point of a worker on this machine, by whichever contract; nothing is imported."""
    for group in sorted(entry_points().groups):
        yield from entry_points(group=group) if CONTRACTS.fullmatch(group) else ()


def loaded(found: Iterable[Found]) -> tuple[Worker, ...]:
    """Those that run."""
    return tuple(each.worker for each in found if each.worker is not None)


def switched_off(found: Found) -> Found:
    """What was found as it stands while an operator has it disabled; the settings' word on it stands."""
    if found.entry.state not in SWITCHABLE:
        return found
    return Found(replace(found.entry, state=State.DISABLED, error=SWITCHED))


def publish(database: Database, host: str, found: Sequence[Found], *, now: datetime) -> None:
    """Write down what this host has; it replaces what it had before."""
    entries: dict[tuple[str, int], Entry] = {}
    with database.writing() as session:
        for each in found:
            entry = _remembered(session, host, each.entry)
            earlier = entries.get((entry.worker, entry.version))
            entries[entry.worker, entry.version] = entry if earlier is None else _joined(earlier, entry)
        catalogue.record(session, host, list(entries.values()), now=now, forget_before=now - FORGOTTEN_AFTER)


def _remembered(session: Session, host: str, entry: Entry) -> Entry:
    """What is disabled and was never imported, with what is known of it from when it ran."""
    if entry.version or entry.state not in SWITCHED_OFF:
        return entry
    known = catalogue.last_had(session, entry.worker, host=host)
    if known is None:
        return entry
    return replace(
        entry,
        version=known.version,
        events=known.events,
        tables=known.tables or {},
        notices=known.notices or {},
        settings_schema=known.settings_schema,
        by_production=known.by_production,
        rebuilds=known.rebuilds,
    )


def this_host() -> str:
    """The name this machine goes by in the catalogue."""
    return socket.gethostname()


def _load(point: EntryPoint, settings: Mapping[str, Any], *, off: bool) -> Found:
    if kept_off := _kept_off(point, settings, off=off):
        return kept_off
    try:
        worker = _fit(point, {name: value for name, value in settings.items() if name != ENABLED})
    except KeyboardInterrupt:
        raise
    except Unfit as error:
        return _refused(point, State.UNFIT, str(error))
    except Misconfigured as error:
        return _refused(point, State.MISCONFIGURED, str(error), schema=error.schema)
    except BaseException as error:  # noqa: BLE001 - an import may end in anything, SystemExit included
        return _refused(point, State.BROKEN, describe(error))
    entry = Entry(
        worker=worker.name,
        version=worker.version,
        distribution=_distribution(point),
        state=State.LOADED,
        error=None,
        events=sorted(worker.events),
        tables=dict(worker.tables),
        notices=dict(worker.notices),
        settings_schema=worker.Settings.model_json_schema(),
        by_production=worker.partition is Partition.BY_PRODUCTION,
        rebuilds=offered(worker),
    )
    return Found(entry, worker)


def _kept_off(point: EntryPoint, settings: Mapping[str, Any], *, off: bool) -> Found | None:
    """What is not imported because somebody disabled it: the settings' word comes first."""
    enabled = settings.get(ENABLED, True)
    if type(enabled) is not bool:
        return _refused(point, State.MISCONFIGURED, f"`{ENABLED}` is true or false, not {enabled!r}")
    if not enabled:
        return _refused(point, State.DISABLED_IN_SETTINGS, f"the settings say `{ENABLED} = false`")
    if off:
        return _refused(point, State.DISABLED, SWITCHED)
    return None


def _fit(point: EntryPoint, settings: Mapping[str, Any]) -> Worker:
    """The worker behind an entry point, made with its settings; raises Unfit where it does not keep the contract."""
    made = point.load()
    if not isinstance(made, type):
        raise Unfit(f"{point.value} is not a class")
    for attribute in ("name", "version", "events", "tables", "Settings", *OFFERED):
        if not hasattr(made, attribute):
            raise Unfit(f"{point.value} has no {attribute}; subclass workers.contract.Worker")
    name, version, model = made.name, made.version, made.Settings  # type: ignore[attr-defined]  # a stranger's class; asked for above
    if name != point.name or not NAME.fullmatch(point.name):
        raise Unfit(
            f"the entry point {point.name!r} and the worker's name {name!r} must be the same: "
            "a letter, then letters, digits and hyphens, all lower case"
        )
    if type(version) is not int or version < 1:
        raise Unfit(f"the version of {name} must be an integer from 1 on, not {version!r}")
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        raise Unfit(f"the Settings of {name} must be a pydantic model")
    worker = _made(made, model, settings)
    _check_reading(worker)
    if not all(_is_table(*each) for each in dict(worker.tables).items()):
        raise Unfit(
            f"the tables of {name} must be names (a letter, then letters, digits, hyphens and underscores, all lower "
            "case), each with what a row is"
        )
    if not all(_is_kind(worker.name, *each) for each in dict(worker.notices).items()):
        raise Unfit(
            f"the notices of {name} must be kinds named '{name}/' and lower-case words, 63 characters at most, each "
            "with what it tells of"
        )
    if not all(isinstance(schedule, Schedule) for schedule in worker.schedules):
        raise Unfit(f"the schedules of {name} must be of the type Schedule")
    return worker


def _check_reading(worker: Worker) -> None:
    if not all(isinstance(kind, str) for kind in worker.events):
        raise Unfit(f"the events of {worker.name} must be kinds of event")
    kept: tuple[object, object] = worker.partition, worker.ordered
    if not (isinstance(kept[0], Partition) and isinstance(kept[1], bool)):
        raise Unfit(f"the partition of {worker.name} must be a Partition, and its ordered true or false")


def _made(worker: type, model: type[BaseModel], settings: Mapping[str, Any]) -> Worker:
    if ENABLED in model.model_fields:
        raise Unfit(f"its Settings have a field `{ENABLED}`, which is the host's own; call it otherwise")
    schema = model.model_json_schema()
    try:
        made: Worker = worker(model.model_validate(dict(settings)))
    except ValidationError as error:
        problems = (f"{'.'.join(map(str, each['loc'])) or 'all of it'}: {each['msg']}" for each in error.errors())
        raise Misconfigured("\n".join(problems), schema) from error
    except ValueError as error:
        raise Misconfigured(describe(error), schema) from error
    return made


def _is_table(name: object, described: object) -> bool:
    return isinstance(name, str) and TABLE.fullmatch(name) is not None and isinstance(described, str)


def _is_kind(worker: str, kind: object, described: object) -> bool:
    named = isinstance(kind, str) and KIND.fullmatch(kind.removeprefix(f"{worker}/")) is not None
    return named and str(kind).startswith(f"{worker}/") and isinstance(described, str)


def _refused(point: EntryPoint, state: State, error: str, *, schema: Mapping[str, Any] = NO_SCHEMA) -> Found:
    return Found(
        Entry(
            worker=point.name,
            version=0,
            distribution=_distribution(point),
            state=state,
            error=error,
            events=(),
            tables={},
            settings_schema=schema,
        )
    )


def _joined(one: Entry, other: Entry) -> Entry:
    """Two entries that could not be used under one name, as one."""
    return Entry(
        worker=one.worker,
        version=one.version,
        distribution=f"{one.distribution}, {other.distribution}",
        state=one.state,
        error=f"{one.error}\n{other.error}",
        events=one.events,
        tables=one.tables,
        settings_schema=one.settings_schema,
    )


def _distribution(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else ""
