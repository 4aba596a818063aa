"""What a worker is handed of the studio: `workers.contract` has it for authors of plugins.

Every instant is in UTC, every day a production day, every count of frames a whole number.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from service.domain.addresses import Place
from service.domain.bookings import Activity, Firmness
from service.domain.moves import Standing as ShotStanding
from service.domain.progress import Cause
from service.domain.shifts import Signal
from service.domain.spans import Span
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A shot by its codes (`place`) and as it stands: its phase, needs, plan, sign-offs in force.

    `production_id` is whose it is, `since` when it came to its phase, `standing` what its moves are judged by.
    """

    production_id: int
    place: Place
    since: datetime
    standing: ShotStanding


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminal:
    """A terminal by its `name`, the `stage_id` of where it stands, and when it was last heard of, `heard_at`."""

    name: str
    stage_id: int
    heard_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """A booking that stands: its `booking_id`, its time (`span`), and what it takes, None where it takes none.

    `production_id` is whose it is; `stage` and `shot` are the codes of `stage_id` and `shot_id`, `animator` a name;
    `activity` and `firmness` what it is for and how firm it is.
    """

    booking_id: int
    production_id: int
    span: Span
    stage_id: int | None
    stage: str | None
    animator: str | None
    shot_id: int | None
    shot: str | None
    activity: Activity
    firmness: Firmness
