"""A production day: the facts of one production that belong to it, each dated, so that any past day stays what it was.

Frames belong to the day of their capture by the ledger's history, changes of planned and credited frames to the day
they were made, and how a shot stood at the day's close is the sum of its journals up to then.
"""

from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date, datetime, timedelta
from enum import Enum
from functools import cache
from types import UnionType
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from service.domain.daymoves import Moved, Signed
from service.domain.phases import Phase
from service.domain.progress import Cause
from service.domain.studio import Studio, day_opens, tz_data_version
from service.domain.takes import Purpose, Step

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What the production day `day` is reported by; once it is reported they stay, whatever the studio sets later.

    It lasts from `opened_at` on and ends before `closes_at`, by the zone rules of the release `tz_data_version`.
    `plate_minimum_frames` are the frames the studio asks of a still camera's plate.
    """

    day: date
    opened_at: datetime
    closes_at: datetime
    plate_minimum_frames: int
    tz_data_version: str


def terms_of(day: date, studio: Studio) -> Terms:
    """The terms of a day by what the studio now sets."""
    return Terms(
        day=day,
        opened_at=day_opens(day, studio),
        closes_at=day_opens(day + timedelta(days=1), studio),
        plate_minimum_frames=studio.plate_minimum_frames,
        tz_data_version=tz_data_version(),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """What the counts of one stage and animator did to a series on one production day, in frames."""

    day_on: date
    stage_id: int
    animator: str | None
    counts: int
    gross_frames: int
    deleted_frames: int
    late_counts: int
    late_net_frames: int
    corrected_frames: int = 0

    @property
    def net_frames(self) -> int:
        """Gross − deleted + corrected."""
        return self.gross_frames - self.deleted_frames + self.corrected_frames


PostName = tuple[str, str, int]


def worked(steps: Iterable[Step], *, late: Collection[PostName] = ()) -> tuple[Worked, ...]:
    """A series' history by production day, stage and animator, counts that changed nothing among them.

    `late` are the (terminal, spool, serial) of the counts that came after their day had closed.
    """
    found: dict[tuple[date, int, str | None], list[Step]] = {}
    for step in steps:
        found.setdefault((step.post.day_on, step.post.stage_id, step.post.animator), []).append(step)
    return tuple(
        Worked(
            day_on=day_on,
            stage_id=stage_id,
            animator=animator,
            counts=len(own),
            gross_frames=sum(max(step.change_frames, 0) for step in own),
            deleted_frames=sum(max(-step.change_frames, 0) for step in own),
            late_counts=sum(name_of(step) in late for step in own),
            late_net_frames=sum(step.change_frames for step in own if name_of(step) in late),
            corrected_frames=sum(step.corrected_frames for step in own),
        )
        for (day_on, stage_id, animator), own in found.items()
    )


def name_of(step: Step) -> PostName:
    """What names the post of a step for ever: (terminal, spool, serial)."""
    return step.post.terminal, step.post.spool, step.post.serial


@dataclass(frozen=True, slots=True, kw_only=True)
class Shooting:
    """What one stage and animator shot in one series on the day.

    `series_id`, `shot_id` and `stage_id` are as in the ledger; `shot`, `episode` and `stage` codes; `purpose` is what
    the take is shot for, `animator` the name as posted or None. `counts` is how many were captured, `gross_frames` and
    `deleted_frames` what they gained and lost; `late_counts` and `late_net_frames` what of it came after the close;
    `corrected_frames` what corrections make of it.
    """

    series_id: int
    shot_id: int
    shot: str
    episode: str
    purpose: Purpose
    stage_id: int
    stage: str
    animator: str | None
    counts: int
    gross_frames: int
    deleted_frames: int
    late_counts: int
    late_net_frames: int
    # Reports were filed before there were corrections, and their facts are read back.
    corrected_frames: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotAtClose:
    """How the shot `shot` of the episode `episode` stood at the day's close.

    `stage` is its home: where its first part was planned, else the stage whose count had come last, else None.
    `planned_frames` is T, `credited_frames` E; `plate_frames` are the frames of its plates captured by then,
    `plate_needed_frames` those that were asked for. `phase` is where it was, `suspended` and `suspended_at` why and
    since when it was suspended, None where it was not.
    """

    shot: str
    episode: str
    stage: str | None
    planned_frames: int
    credited_frames: int
    plate_needed_frames: int
    plate_frames: int
    # Reports were filed before they told of phases, and their facts are read back.
    phase: Phase | None = None
    suspended: str | None = None
    suspended_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CreditChange:
    """By how many `frames` the credited frames of the shot `shot` changed on the day, and the `cause`."""

    shot: str
    cause: Cause
    frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChange:
    """By how many `frames` the planned frames of the shot `shot` changed on the day."""

    shot: str
    frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeNamed:
    """A take that was finished or circled on the day: number `take` of the part `part` of `shot` in `episode`.

    `stage` and `animator` are those of the count it goes by; None where there is none, or it named nobody.
    """

    shot: str
    episode: str
    part: str
    take: int
    stage: str | None
    animator: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """A terminal, `terminal`, that had counted for the production and of which nothing came on the day.

    `stage` is that of its last count, `last_heard_at` the receipt of its last count, call or wrap.
    """

    terminal: str
    stage: str
    last_heard_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """How many counts, `counts`, for earlier days came on the day from `stage` for `episode`."""

    stage: str
    episode: str
    counts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """How many counts, `counts`, captured on the day at `stage` still wait for a shot."""

    stage: str
    counts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """Something of the kind `kind` that `by` did `at` an instant of the day; fields that do not apply are None.

    `shot` and `episode` are the codes it speaks of, `revision` that of a cut or of a report, `day` the report's.
    """

    kind: str
    at: datetime
    by: str
    shot: str | None = None
    episode: str | None = None
    revision: int | None = None
    day: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayFacts:
    """Everything a report of one production and day rests on; `terms` say which day, and from when to when.

    `shots` are those that stood in the plan or in the credit at the day's close or changed on it; `credit_changes` and
    `plan_changes` the day's entries of their journals. `shooting` is what was captured, `finished` and `circled` the
    takes. `silent` are terminals, `brought` counts that came for earlier days, `waiting` counts without a shot.
    `happened` are the first entries of what changed, `happenings` the number of all by kind. `moved` are the moves of
    the day, None in facts that were kept before reports told of phases; `signed` are the sign-offs given and withdrawn.
    """

    terms: Terms
    shots: tuple[ShotAtClose, ...] = ()
    credit_changes: tuple[CreditChange, ...] = ()
    plan_changes: tuple[PlanChange, ...] = ()
    shooting: tuple[Shooting, ...] = ()
    finished: tuple[TakeNamed, ...] = ()
    circled: tuple[TakeNamed, ...] = ()
    silent: tuple[Silent, ...] = ()
    brought: tuple[Brought, ...] = ()
    waiting: tuple[Waiting, ...] = ()
    happened: tuple[Happened, ...] = ()
    happenings: Mapping[str, int] = field(default_factory=dict)
    moved: tuple[Moved, ...] | None = None
    signed: tuple[Signed, ...] = ()


JSON_TYPES = frozenset({str, int, bool, type(None)})


def plain(value: object) -> Any:  # noqa: ANN401 - any JSON value
    """A value as plain JSON; `built` makes it whole again.

    A tuple of dataclasses becomes `{"columns": […], "rows": [[…], …]}`, since a day has thousands of alike rows.
    """
    match value:
        case _ if type(value) in JSON_TYPES:
            pass
        case tuple():
            return _plain_rows(value)
        case Mapping():
            return {str(name): plain(each) for name, each in value.items()}
        case Enum():
            return value.value
        case date():
            return value.isoformat()
        case _ if is_dataclass(value):
            return {each.name: plain(getattr(value, each.name)) for each in fields(value)}
    return value


def _plain_rows(values: tuple[Any, ...]) -> Any:  # noqa: ANN401 - any JSON value
    if not values or not is_dataclass(values[0]):
        return [plain(each) for each in values]
    names = [each.name for each in fields(values[0])]
    return {"columns": names, "rows": [[plain(getattr(each, name)) for name in names] for each in values]}


def built(kind: type[Value], data: Mapping[str, Any]) -> Value:
    """The dataclass of this kind that `plain` made `data` of."""
    made: Value = _maker(cast("Hashable", kind))(data)
    return made


# A day has thousands of rows, and looking at a type's hints takes longer than making a value of it.
@cache
def _maker(kind: Hashable) -> Callable[[Any], Any]:
    """What makes a value of this type of its plain JSON."""
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in {Union, UnionType}:
        (given,) = (_maker(each) for each in arguments if each is not type(None))
        return lambda data: None if data is None else given(data)
    if origin is tuple:
        row = _maker(arguments[0])
        return lambda data: tuple(row(each) for each in _rows(data))
    if origin is Mapping:
        key, value = map(_maker, arguments)
        return lambda data: {key(name): value(each) for name, each in data.items()}
    if is_dataclass(kind) and isinstance(kind, type):
        makers = {name: _maker(hint) for name, hint in get_type_hints(kind).items()}
        return lambda data: kind(**{name: makers[name](each) for name, each in data.items()})
    if isinstance(kind, type) and issubclass(kind, date):
        return kind.fromisoformat
    return cast("Callable[[Any], Any]", kind)


def _rows(data: Sequence[Any] | Mapping[str, Any]) -> Iterable[Any]:
    if isinstance(data, Mapping):
        return [dict(zip(data["columns"], row, strict=True)) for row in data["rows"]]
    return data
