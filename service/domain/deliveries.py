"""Deliveries: when a message that could not be delivered is tried again, and when it is given up."""

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import assert_never

from service.domain.channels import Receipt

PAUSES_S = (5, 30, 120, 600, 1_800, 7_200, 21_600, 43_200, 86_400)
"""Seconds between a failed try and the next, a fifth more or less; after the try that follows the last, none."""

MOST_TRIES = len(PAUSES_S) + 1
LONGEST_ASKED_S = 86_400.0
"""A receiver that asks for a longer pause gets this one."""


class DeliveryState(StrEnum):
    """Where a message to a watch stands.

    Waiting: to be sent, for the first time or again. Delivered: the receiver took it. Dead: given up, and sent again
    only where somebody asks. Withdrawn: its watch was removed, or wants nothing any more.
    """

    WAITING = "waiting"
    DELIVERED = "delivered"
    DEAD = "dead"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What becomes of a message after a try: its `state`, and where it waits, when it is tried again (`next_try_at`).

    `ends` where the receiver wants nothing any more.
    """

    state: DeliveryState
    next_try_at: datetime | None = None
    ends: bool = False


def pause_s(tries: int, message_id: str) -> float | None:
    """Seconds until a message is tried again after so many tries that failed; None where it is given up.

    A fifth more or less by the message, so that many that failed at once do not come back at once.
    """
    if tries > len(PAUSES_S):
        return None
    digest = hashlib.sha256(f"{message_id}/{tries}".encode()).digest()
    return PAUSES_S[tries - 1] * (0.8 + 0.4 * int.from_bytes(digest[:4], "big") / 0xFFFF_FFFF)


def verdict(
    outcome: Receipt, tries: int, *, message_id: str, retry_after_s: float | None, ended_at: datetime
) -> Verdict:
    """What becomes of a message whose try of this number came to this outcome; never earlier than it was asked for."""
    match outcome:
        case Receipt.DELIVERED:
            return Verdict(DeliveryState.DELIVERED)
        case Receipt.REFUSED:
            return Verdict(DeliveryState.DEAD)
        case Receipt.GONE:
            return Verdict(DeliveryState.DEAD, ends=True)
        case Receipt.FAILED:
            pause = pause_s(tries, message_id)
            if pause is None:
                return Verdict(DeliveryState.DEAD)
            asked = min(max(retry_after_s or 0.0, 0.0), LONGEST_ASKED_S)
            return Verdict(DeliveryState.WAITING, ended_at + timedelta(seconds=max(pause, asked)))
        case never:
            assert_never(never)
