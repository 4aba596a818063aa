"""What a worker is handed of the studio: `workers.contract` has it for authors of plugins.

Every instant is in UTC, every day a production day, every count of frames a whole number.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from service.domain.progress import Cause
from service.domain.shifts import Signal
from service.domain.takes import LedgerPost, Purpose, Standing


@dataclass(frozen=True, slots=True)
class Production:
    """A production: its `production_id` as in events, its `code`, and `began_on`, the production day it was added."""

    production_id: int
    code: str
    began_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesLedger:
    """A series as the ledger has it and as its row sums it up.

    `series_id` names it in events. `purpose` is what its take is shot for; `posts` are every count kept for it in no
    particular order; `standing` is the row kept beside them; `default_starts_at` the frame identity it begins at where
    no terminal said one.
    """

    series_id: int
    purpose: Purpose
    default_starts_at: int
    posts: Sequence[LedgerPost]
    standing: Standing


@dataclass(frozen=True, slots=True)
class CreditedChange:
    """An entry of the journal of credited frames: the day `changed_on`, the `cause`, by how many `frames`."""

    changed_on: date
    cause: Cause
    frames: int


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage: its `stage_id` as in the log of a stage, and its `code`, which events name it by.

    `began_on` is the production day it was added.
    """

    stage_id: int
    code: str
    began_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class StageLine:
    """A line of a stage's log: what was said (`signal`), `at` which instant, and the `reason` where one was given.

    `line_id` rises in the order the lines came in, which is not that of their instants: a terminal may have been
    offline. Nothing is refused for what the log said before, so that a wrap without a call is a line, too.
    """

    line_id: int
    signal: Signal
    at: datetime
    reason: str | None
