"""What a worker returns: `workers.contract` has it for authors of plugins.

Every instant is in UTC, every day a production day, every count of frames a whole number; units stand in names.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from service.domain.events import EventKind
from service.domain.notices import Notice


@dataclass(frozen=True, slots=True, kw_only=True)
class Replace:
    """All rows that the worker has in `table` of the shot `shot_id` become `rows`.

    The table is one of the worker's `tables`. A row maps names to plain JSON values; dates, instants and times are
    kept as ISO 8601 text, and a row has 64 KiB at most. The worker, its version, the shot and the position are filled
    in; a row's key is `SHOT/NUMBER`, of the shot's id and the row's number from 0.
    """

    table: str
    shot_id: int
    rows: Sequence[Mapping[str, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """The row `key` of the worker in `table` becomes `row`; None takes it away, whether or not it was there.

    For what belongs to no single shot. A key is 1 to 200 printable characters; rows are listed in the order of their
    keys. `production_id` says whose the row is: who reads with a key bound to a production sees rows of that production
    alone, and none where it is None. What a row is made of is as for Replace.
    """

    table: str
    key: str
    row: Mapping[str, Any] | None
    production_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Announce:
    """An event to append to the log, of this `kind`: `data` in plain JSON values, 64 KiB at most.

    Workers tell what they found, `totals.recounted`; events that tell of facts come from who enters the facts.

    `production_id` and `shot_id` say what it concerns; None where it concerns none.
    """

    kind: EventKind
    data: Mapping[str, Any]
    production_id: int | None = None
    shot_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """A nightly report to file as the next revision, and to announce as `report.filed`; *nightly*'s alone to make.

    It is that of the production `production_id` and its production day `day`. `inputs` and `figures` are what
    `service.domain.reports` makes of the day's facts and of the report, in plain JSON values. Kept beside them, as of
    the context, are `blocked`, what waits for whom, and `occupancy`, what stages were planned and used for on the day,
    by their codes. Nothing is filed where the latest revision has the same figures or rests on a later event.
    """

    production_id: int
    day: date
    inputs: Mapping[str, Any]
    figures: Mapping[str, Any]
    blocked: Mapping[str, Any] | None = None
    occupancy: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Result:
    """What a scheduled job found: `data` in plain JSON values, kept with the job."""

    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuilt:
    """A step through the facts: `changes` of rows, and the `mark` (plain JSON, 64 KiB) of the next, None at the end."""

    changes: Sequence[Replace | Keep]
    mark: Any = None


@dataclass(frozen=True, slots=True)
class Remind:
    """Have the worker reminded at the instant `at`: the event `reminder.came` then names the worker and this `name`.

    A name is 1 to 200 printable characters. One that is reminded of already is reminded then instead, and with None not
    at all. It may come some seconds late, once, and whether it still matters the facts say then. `reminder.came` must
    be among the worker's `events`, and reaches every worker that wants it: look whose it is.
    """

    name: str
    at: datetime | None


Change = Replace | Keep | Announce | File | Result | Notice | Remind
