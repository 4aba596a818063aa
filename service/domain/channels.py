"""Channels, the ways a notice leaves the house: what a try to send comes to, and whether a channel can be used."""

from collections.abc import Mapping
from enum import StrEnum


class Receipt(StrEnum):
    """What a try to send came to.

    Delivered: the receiver took it. Failed: try again later. Refused: this message will never be taken, so another try
    is no use. Gone: the receiver said for good that it wants nothing any more, so nothing more is sent there.
    """

    DELIVERED = "delivered"
    FAILED = "failed"
    REFUSED = "refused"
    GONE = "gone"


class ChannelState(StrEnum):
    """Whether a channel can be used on a host.

    Ready; not set up, because the operator's file says nothing of it and it needs something; not importable; not a
    channel by the contract; settings it does not take; a name that is already another's; written for another contract,
    or disabled by the operator, and never imported.
    """

    READY = "ready"
    NOT_SET_UP = "not set up"
    BROKEN = "broken"
    UNFIT = "unfit"
    MISCONFIGURED = "misconfigured"
    DUPLICATE = "duplicate"
    OTHER_CONTRACT = "other contract"
    DISABLED = "disabled"


_AGAIN = "then start the engines again"
_FILE = "[channels.{channel}] in tiedown.toml"
WHAT_TO_DO: Mapping[ChannelState, str | None] = {
    ChannelState.READY: None,
    ChannelState.NOT_SET_UP: f"To use it, enter {_FILE} by its settings_schema; {_AGAIN}.",
    ChannelState.BROKEN: f"Install a version of {{package!r}} that can be imported, or uninstall it; {_AGAIN}.",
    ChannelState.UNFIT: f"Install a version of {{package!r}} that keeps the contract, or uninstall it; {_AGAIN}.",
    ChannelState.MISCONFIGURED: f"Put {_FILE} right by its settings_schema; {_AGAIN}.",
    ChannelState.DUPLICATE: f"Another package has a channel of this name: uninstall one ({{package!r}}?); {_AGAIN}.",
    ChannelState.OTHER_CONTRACT: f"Install a version of {{package!r}} for this contract, or uninstall it; {_AGAIN}.",
    ChannelState.DISABLED: f"To use it again, take `enabled` out of {_FILE}; {_AGAIN}.",
}


def what_to_do(state: ChannelState, channel: str, package: str) -> str | None:
    """What a person should do about a channel in this state, a sentence; None where nothing is to be done."""
    told = WHAT_TO_DO[state]
    return None if told is None else told.format(channel=channel, package=package)
