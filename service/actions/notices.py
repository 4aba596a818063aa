"""Raise notices: each occasion once, and a message to every watch that hears of it."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from service.domain.events import EventKind
from service.domain.notices import Notice
from service.domain.watches import Heard, due_at
from service.store import deliveries, watches
from service.store import notices as store
from service.store.events import Happening
from service.store.tables import WatchRow


def raise_all(session: Session, notices: Sequence[Notice], *, worker: str, now: datetime) -> list[Happening]:
    """Keep those of the notices that were never raised, and make or join the messages to whoever hears of them.

    What is to be appended to the log, last in the transaction, is returned. A notice given twice is one.
    """
    given = {store.name_of(each): each for each in notices}
    new = [given[name] for name in given.keys() - store.raised(session, list(given.values()))]
    if not new:
        return []
    new.sort(key=lambda each: (each.since, store.name_of(each)))
    of_episode = store.episodes(session, {each.shot_id for each in new if each.shot_id is not None})
    ids = store.add(session, new, worker=worker, of_episode=of_episode, now=now)
    _deliver(session, list(zip(ids, new, strict=True)), of_episode=of_episode, now=now)
    return [
        Happening(
            kind=EventKind.NOTICE_RAISED,
            at=now,
            actor=worker,
            production_id=each.production_id,
            shot_id=each.shot_id,
            data={
                "kind": each.kind,
                "threshold": each.threshold,
                "subject": each.subject,
                "occasion": each.occasion,
                "over": each.over,
            },
        )
        for each in new
    ]


def _deliver(
    session: Session, raised: Sequence[tuple[int, Notice]], *, of_episode: dict[int, int], now: datetime
) -> None:
    heard: dict[int, tuple[WatchRow, dict[int, None]]] = {}
    by_kind: dict[str, list[tuple[WatchRow, Heard]]] = defaultdict(list)
    for watch, hears in watches.hearing(session, {notice.kind for _, notice in raised}):
        by_kind[hears.kind].append((watch, hears))
    for notice_id, notice in raised:
        episode_id = None if notice.shot_id is None else of_episode.get(notice.shot_id)
        for watch, hears in by_kind[notice.kind]:
            wanted = hears.threshold == notice.threshold and (hears.ends or not notice.over)
            if wanted and watches.scope_of(watch).takes(notice, episode_id=episode_id):
                heard.setdefault(watch.id or 0, (watch, {}))[1][notice_id] = None
    if not heard:
        return
    messages = {id_: row.id or 0 for id_, row in deliveries.gathering(session, heard, now).items()}
    for id_, (watch, _) in sorted(heard.items()):
        if id_ not in messages:
            due = due_at(watches.hours_of(watch), now)
            messages[id_] = deliveries.make(session, id_, due_at=due, now=now).id or 0
    deliveries.put_in(session, messages, [(id_, each) for id_, (_, ids) in sorted(heard.items()) for each in ids])
