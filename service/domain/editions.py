"""Editions: each set of all the rows a worker keeps. One is shown while another may be filled beside it."""

from collections.abc import Collection
from enum import StrEnum


class EditionState(StrEnum):
    """Whether the rows of an edition are shown.

    Being filled and not shown yet; shown; shown before; never to be shown.
    """

    FILLING = "filling"
    RULING = "ruling"
    FORMER = "former"
    GIVEN_UP = "given up"


def may_follow(version: int, ruling_version: int, loaded: Collection[int]) -> bool:
    """Whether an edition of *version* may take the place of the one that rules; *loaded* are the versions hosts have.

    An earlier version may where a host has it and none has the ruling one any more: while two hosts have different
    versions, the later rules and stays.
    """
    return version >= ruling_version or (version in loaded and ruling_version not in loaded)
