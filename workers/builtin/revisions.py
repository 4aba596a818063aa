"""Revised reports: of revisions of a day that follow one another the last is told, once no more of them come."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from service.domain.notices import NoticeKind
from workers.contract import Change, Context, Event, EventKind, Keep, Notice, Remind

REVISED = "revised"


def kept(batch: Sequence[Event], context: Context, *, settles_after: timedelta) -> Iterator[Change]:
    """What to remember of the revisions of a batch, and when to look whether more came."""
    for key, event in _filed(batch).items():
        row = {**event.data, "filed_at": event.at.isoformat()}
        yield Keep(table=REVISED, key=key, row=row, production_id=event.production_id)
        yield Remind(f"{REVISED}/{key}", context.now + settles_after)


def settled(keys: Sequence[str], batch: Sequence[Event], context: Context) -> Iterator[Change]:
    """The notices of days of which no more revisions came; a key is `PRODUCTION/DAY`."""
    filed = _filed(batch)
    rows = context.kept(REVISED, keys) if keys else {}
    for key, row in rows.items():
        # Another came in this very batch: there will be another look.
        if key in filed:
            continue
        yield Keep(table=REVISED, key=key, row=None)
        yield Notice(
            kind=NoticeKind.REPORT_REVISED,
            subject=f"report/{row['production']}/{row['day']}",
            occasion=str(row["revision"]),
            since=datetime.fromisoformat(row["filed_at"]),
            production_id=int(key.partition("/")[0]),
            facts={name: row[name] for name in ("production", "day", "revision")},
        )


def _filed(batch: Sequence[Event]) -> dict[str, Event]:
    return {
        f"{event.production_id}/{event.data['day']}": event
        for event in batch
        if event.kind == EventKind.REPORT_FILED and event.data["revision"] > 1
    }
