"""What workers return: looked at before anything is written, then written in the transaction that moves the cursor."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time
from itertools import islice
from typing import Any

from sqlmodel import Session

from service.actions import notices
from service.domain.dayfigures import Figure
from service.domain.events import EventKind
from service.domain.notices import LONGEST_OCCASION, LONGEST_SUBJECT, NoticeKind, is_own
from service.domain.reports import report_of
from service.store import events, figures, kept, reminders, reports, shots
from service.store.cursors import CursorKey
from service.store.kept import Shelf
from workers.contract import (
    MOST_ANNOUNCEMENTS,
    MOST_BYTES,
    MOST_CHANGES,
    Announce,
    Change,
    File,
    Keep,
    Notice,
    Remind,
    Replace,
    Result,
    Worker,
)

ACTOR = "engine"
REPORTER = "nightly"
NOTICER = "notices"
# What tells of facts is appended with the facts; a worker that could say it would make events without them.
TELLS = frozenset({EventKind.TOTALS_RECOUNTED})
TABLE = re.compile(r"[a-z][a-z0-9_-]{0,62}")
LONGEST_KEY = 200


class WrongChange(Exception):
    """The worker returned something that is not a change it may make."""


def shelf(worker: Worker, table: str, *, edition: int) -> Shelf:
    """Where the rows of an edition of a worker's in a table of its own are."""
    return Shelf(worker.name, edition, table)


def built_in(worker: Worker, table: str) -> bool:
    """Whether the database has a table of its own for what this worker calls so."""
    return figures.MAKERS.get(table) == worker.name


def checked(worker: Worker, changes: Iterable[Change]) -> tuple[Change, ...]:
    """The changes, with rows in plain JSON values; raises WrongChange of what is none, too much, or not his to make.

    No more of them is looked at than may be returned, so that an endless return ends here.
    """
    given = tuple(islice(iter(changes), MOST_CHANGES + 1))
    if len(given) > MOST_CHANGES:
        raise WrongChange(f"{worker.name} returned more than {MOST_CHANGES} changes at once; return fewer")
    if sum(isinstance(change, Announce | Notice | Remind) for change in given) > MOST_ANNOUNCEMENTS:
        raise WrongChange(
            f"{worker.name} announced more than {MOST_ANNOUNCEMENTS} events, notices and reminders at once; "
            "announce fewer"
        )
    return tuple(_checked(worker, change) for change in given)


def _checked(worker: Worker, change: Change) -> Change:
    match change:
        case Replace():
            fit: Change = change if built_in(worker, change.table) else _replaced(worker, change)
        case Keep():
            fit = _kept(worker, change)
        case Announce():
            if change.kind not in TELLS:
                raise WrongChange(f"workers announce {', '.join(sorted(TELLS))}, not {change.kind}")
            fit = replace(change, data=_plain(change.data))
        case File():
            if worker.name != REPORTER:
                raise WrongChange(f"reports are filed by the worker {REPORTER}, not by {worker.name}")
            fit = change
        case Result():
            fit = replace(change, data=_plain(change.data))
        case Notice():
            fit = _noticed(worker, change)
        case Remind():
            fit = _reminded(change)
        case _:
            raise WrongChange(
                "a worker returns Replace, Keep, Announce, File, Result, Notice and Remind, "
                f"not {type(change).__name__}"
            )
    return fit


def stray(session: Session, changes: Sequence[Change], production_id: int) -> str | None:
    """What of the changes is not the production's whose part of the log was handled; None where all of it is.

    Else two parts could write one row at the same time, and the older facts stand in the end.
    """
    of_one = (each for each in changes if isinstance(each, Keep | Announce | File | Notice))
    others = [each for each in of_one if each.production_id != production_id]
    if others:
        return f"events of the production {production_id} change what is of that production, not {others[0]!r:.200}"
    shot_ids = {each.shot_id for each in changes if isinstance(each, Replace)}
    strange = sorted(shot_ids - shots.ids_of(session, production_id, shot_ids))
    if strange:
        return (
            f"events of the production {production_id} replace rows of its shots; the shot {strange[0]} is none of it"
        )
    return None


def _replaced(worker: Worker, change: Replace) -> Replace:
    _own_table(worker, change.table)
    if type(change.shot_id) is not int:
        raise WrongChange(f"a shot's id is an integer, not {change.shot_id!r}")
    return replace(change, rows=[_plain(row) for row in change.rows])


def _kept(worker: Worker, change: Keep) -> Keep:
    _own_table(worker, change.table)
    if built_in(worker, change.table):
        raise WrongChange(f"rows of {change.table} are replaced by shot, not kept by key")
    # isprintable is false of lone surrogates and of NUL, which no database takes.
    if type(change.key) is not str or not 0 < len(change.key) <= LONGEST_KEY or not change.key.isprintable():
        raise WrongChange(f"a key is 1 to {LONGEST_KEY} printable characters, not {change.key!r:.200}")
    return change if change.row is None else replace(change, row=_plain(change.row))


def _noticed(worker: Worker, change: Notice) -> Notice:
    if worker.name != NOTICER if is_own(change.kind) else change.kind not in worker.notices:
        raise WrongChange(f"'{change.kind}' is no kind of notice of the worker {worker.name}; name it in its `notices`")
    for what, text, longest in (
        ("subject", change.subject, LONGEST_SUBJECT),
        ("occasion", change.occasion, LONGEST_OCCASION),
    ):
        if type(text) is not str or not 0 < len(text) <= longest or not text.isprintable():
            raise WrongChange(f"a notice's {what} is 1 to {longest} printable characters, not {text!r:.200}")
    if not is_own(change.kind) and not _says_something(change.facts):
        raise WrongChange("the facts of a notice have a `text`, one or two plain sentences")
    _utc("since", change.since)
    return replace(change, facts=_plain(change.facts))


def _says_something(facts: object) -> bool:
    return isinstance(facts, Mapping) and isinstance(text := facts.get("text"), str) and bool(text.strip())


def _reminded(change: Remind) -> Remind:
    if type(change.name) is not str or not 0 < len(change.name) <= LONGEST_KEY or not change.name.isprintable():
        raise WrongChange(f"a reminder's name is 1 to {LONGEST_KEY} printable characters, not {change.name!r:.200}")
    if change.at is not None:
        _utc("at", change.at)
    return change


def _utc(what: str, instant: object) -> None:
    if not isinstance(instant, datetime) or instant.tzinfo is None:
        raise WrongChange(f"`{what}` is an instant with its zone, not {instant!r:.200}")


def _own_table(worker: Worker, table: str) -> None:
    if table not in worker.tables:
        raise WrongChange(f"'{table}' is no table of the worker {worker.name}; name it in its `tables`")


def _plain(row: object) -> dict[str, Any]:
    """A row as JSON keeps it; raises WrongChange of what JSON does not know."""
    if not isinstance(row, Mapping) or not all(isinstance(name, str) for name in row):
        raise WrongChange(f"a row maps names to values, which {row!r:.200} does not")
    try:
        text = json.dumps(dict(row), allow_nan=False, ensure_ascii=False, default=_written)
        size = len(text.encode())
    except (TypeError, ValueError, RecursionError) as error:
        raise WrongChange(f"a row holds plain JSON values: {error}") from error
    if size > MOST_BYTES or "\\u0000" in text:
        raise WrongChange(f"a row has {MOST_BYTES} bytes of JSON at most and no NUL; this one has {size}")
    plain: dict[str, Any] = json.loads(text)
    return plain


def _written(value: object) -> object:
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    raise TypeError(f"{value!r:.200} is none")


def apply(
    session: Session,
    worker: Worker,
    changes: Sequence[Change],
    *,
    edition: int,
    position: int,
    now: datetime,
    quiet: bool = False,
) -> None:
    """Write the changes of a worker; what it announces comes last, because the log's lock is held to the commit.

    Rows that are filled beside those shown are *quiet*: nothing is announced, filed or noticed, the others' maker did
    or will. Reminders follow from facts, so that either asks for the same.
    """
    if quiet:
        changes = [change for change in changes if not isinstance(change, Announce | File | Notice)]
    # Before the rows, whose foreign keys touch shots: productions are locked first.
    filed = [
        _filed(session, worker, change, position=position, now=now) for change in changes if isinstance(change, File)
    ]
    _write_rows(session, worker, changes, edition=edition, position=position)
    reminders.keep(session, worker.name, {each.name: each.at for each in changes if isinstance(each, Remind)})
    noticed = [change for change in changes if isinstance(change, Notice)]
    told = notices.raise_all(session, noticed, worker=worker.name, now=now)
    announced = [change for change in changes if isinstance(change, Announce)]
    announced += (each for each in filed if each is not None)
    events.append_all(
        session,
        [
            *told,
            *(
                events.Happening(
                    kind=change.kind,
                    at=now,
                    actor=ACTOR,
                    production_id=change.production_id,
                    shot_id=change.shot_id,
                    data=change.data,
                )
                for change in announced
            ),
        ],
    )


def _write_rows(session: Session, worker: Worker, changes: Sequence[Change], *, edition: int, position: int) -> None:
    by_shot: dict[str, dict[int, Sequence[Mapping[str, Any]]]] = {}
    by_key: dict[str, dict[str, tuple[int | None, Mapping[str, Any] | None]]] = {}
    for change in changes:
        if isinstance(change, Replace):
            by_shot.setdefault(change.table, {})[change.shot_id] = change.rows
        elif isinstance(change, Keep):
            by_key.setdefault(change.table, {})[change.key] = (change.production_id, change.row)
    for table, of_shots in by_shot.items():
        if built_in(worker, table):
            figures.replace(session, table, edition=edition, position=position, rows=of_shots)
        else:
            kept.replace(session, shelf(worker, table, edition=edition), position=position, rows=of_shots)
    for table, of_keys in by_key.items():
        kept.keep(session, shelf(worker, table, edition=edition), position=position, rows=of_keys)


def set_aside(key: CursorKey, event_id: int, error: str, now: datetime) -> Notice:
    """The notice that a worker does without an event."""
    return Notice(
        kind=NoticeKind.EVENT_SET_ASIDE,
        subject=f"worker/{key.worker}",
        occasion=f"{key.edition}/{key.partition}/{event_id}"[:LONGEST_OCCASION],
        since=now,
        facts={"worker": key.worker, "event": event_id, "error": error.strip().rpartition("\n")[2][:500]},
    )


def _filed(session: Session, worker: Worker, report: File, *, position: int, now: datetime) -> Announce | None:
    """File a report; what is to be said of it, None where it was nothing new."""
    total = report_of(report.figures).total.figures
    filing = reports.Filing(
        version=worker.version,
        production_id=report.production_id,
        day=report.day,
        position=position,
        unmatched_counts=total[Figure.UNMATCHED_COUNTS],
        inputs=report.inputs,
        figures=report.figures,
        blocked=report.blocked,
        occupancy=report.occupancy,
    )
    filed = reports.file(session, filing, now=now)
    if filed is None:
        return None
    data = {"production": filed.production, "day": filed.day.isoformat(), "revision": filed.revision}
    return Announce(kind=EventKind.REPORT_FILED, data=data, production_id=filed.production_id)
