"""Clean the log: events that are old enough and that nobody has still to read, a few at a time."""

from dataclasses import replace
from datetime import datetime, timedelta

from sqlmodel import Session

from service.store import cleaning, retention
from service.store.cleaning import Pass

LOOKED_AT_ONCE = 1000
PASS_EVERY = timedelta(days=1)


def clean(session: Session, *, keep: timedelta, now: datetime, limit: int = LOOKED_AT_ONCE) -> int:
    """Look at the next *limit* events of the log, and take out those that may go and are older than *keep*; how many.

    A pass goes from the beginning of the log to where all workers have read, and one begins each day: what was the
    newest count of its shot in one pass may be an old one in the next. Nothing is done while another does it.
    """
    if not retention.held(session):
        return 0
    at = cleaning.last_pass(session)
    if at is None or (at.ended_at is not None and now - at.begun_at >= PASS_EVERY):
        at = Pass(looked_to=0, begun_at=now)
    elif at.ended_at is not None:
        return 0
    end = max(cleaning.read_by_all(session, now=now), at.looked_to)
    to = cleaning.reached(session, at.looked_to, number=limit, end=end)
    taken = cleaning.take_out(session, after=at.looked_to, to=to, before=now - keep, now=now)
    cleaning.note(session, replace(at, looked_to=to, ended_at=now if to == end else None))
    return taken
