"""Workers as hosts find them: whether each runs there, and what to do where it does not."""

from collections.abc import Mapping
from enum import StrEnum


class State(StrEnum):
    """Whether a worker runs on a host.

    Loaded; not importable; not a worker by the contract; settings it does not take; a name that is already another's;
    written for another contract; disabled by an operator, over the API or the command, or in the settings, which no
    switch undoes; read the log before, and is on no host any more.
    """

    LOADED = "loaded"
    BROKEN = "broken"
    UNFIT = "unfit"
    MISCONFIGURED = "misconfigured"
    DUPLICATE = "duplicate"
    OTHER_CONTRACT = "other contract"
    DISABLED = "disabled"
    DISABLED_IN_SETTINGS = "disabled in settings"
    MISSING = "missing"


_AGAIN = "then start the engines again"
WHAT_TO_DO: Mapping[State, str | None] = {
    State.LOADED: None,
    State.BROKEN: f"Install a version of the package {{package!r}} that can be imported, or uninstall it; {_AGAIN}.",
    State.UNFIT: f"Install a version of the package {{package!r}} that keeps the contract, or uninstall it; {_AGAIN}.",
    State.MISCONFIGURED: f"Put [workers.{{worker}}] in tiedown.toml right by its settings_schema; {_AGAIN}.",
    State.DUPLICATE: f"Another package has a worker of this name: uninstall one ({{package!r}}?); {_AGAIN}.",
    State.OTHER_CONTRACT: f"Install a version of {{package!r}} for this contract, or uninstall it; {_AGAIN}.",
    State.DISABLED: (
        "To have it work again, POST /v1/workers/{worker}/enable or run `tiedown workers enable {worker} --reason …`; "
        "engines see it within two seconds."
    ),
    State.DISABLED_IN_SETTINGS: (
        f"To have it work again, take `enabled` out of [workers.{{worker}}] in tiedown.toml; {_AGAIN}."
    ),
    State.MISSING: f"Install its package where engines run, {_AGAIN}; what it made stays as it is.",
}


# Somebody wanted it so: nothing is wrong.
SWITCHED_OFF = frozenset({State.DISABLED, State.DISABLED_IN_SETTINGS})


REBUILD_IT = (
    "Events that it had not read were cleaned away, so it stands still. POST /v1/workers/{worker}/rebuild, or run "
    "`tiedown workers rebuild {worker}`, to have its rows made anew: from facts where it can, else from what the log "
    "still has."
)
REBUILT_SOON = "Events that it had not read were cleaned away; its rows are being made anew, and are shown then."


def what_of_the_gap(worker: str, *, rebuilds: bool) -> str:
    """What a person should do about a worker that needs a rebuild; `rebuilds` where one is under way."""
    return REBUILT_SOON if rebuilds else REBUILD_IT.format(worker=worker)


def what_to_do(state: State, worker: str, package: str) -> str | None:
    """What a person should do about a worker in this state, a sentence; None where nothing is to be done."""
    told = WHAT_TO_DO[state]
    return None if told is None else told.format(worker=worker, package=package)
