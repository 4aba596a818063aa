"""Reports in the database: revisions in order, the facts of a day in a number of queries that does not grow."""

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import Engine, event, text

from service.domain.dayfigures import Figure
from service.domain.days import DayFacts, Terms
from service.domain.reports import facts_of, nightly, report_of, stored, stored_facts
from service.store import productions, reports
from service.store.engine import Database, Dialect
from service.store.reports import Filing, Revision
from tests.nights import PRODUCTION, Nights
from tests.workers.strangers import until

MONDAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 3, 5, tzinfo=UTC)


@pytest.fixture
def nights(database: Database) -> Nights:
    return Nights(database, "2026-03-02T08:00:00Z")


def facts(database: Database, nights: Nights) -> DayFacts:
    with database.reading() as session:
        (production,) = productions.every(session)
        return reports.facts(session, production, MONDAY, studio=nights.studio)


def file(database: Database, of: DayFacts, *, position: int) -> Revision | None:
    with database.writing() as session:
        return reports.file(session, filing(of, position=position), now=NOW)


def filing(of: DayFacts, *, position: int) -> Filing:
    return Filing(
        version=1,
        production_id=1,
        day=MONDAY,
        position=position,
        unmatched_counts=nightly(of).total.figures[Figure.UNMATCHED_COUNTS],
        inputs=stored_facts(of),
        figures=stored(nightly(of)),
        blocked=None,
        occupancy=None,
    )


def somebody_waits(database: Database) -> bool:
    """Whether a writer stands behind another; a SQLite database has them all stand in a row before they begin."""
    if database.dialect is Dialect.SQLITE:
        return True
    waiting = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
    with database.reading() as session:
        return bool(session.connection().execute(text(waiting)).scalar_one())


def test_a_revision_follows_where_the_figures_are_others_and_not_where_they_are_the_same(
    database: Database, nights: Nights
) -> None:
    nights.shot("0120", stage="barn")
    first = facts(database, nights)
    nights.count("barn", "0120", 40)
    second = facts(database, nights)

    assert file(database, first, position=5) == Revision(1, PRODUCTION, MONDAY, 1)
    assert file(database, first, position=9) is None
    assert file(database, second, position=12) == Revision(1, PRODUCTION, MONDAY, 2)
    rows = nights.rows("2026-03-02")
    assert [(row.revision, row.position, facts_of(row.inputs)) for row in rows] == [(1, 5, first), (2, 12, second)]
    assert rows[1].difference
    assert "net_frames" in {each["figure"] for each in rows[1].difference}


def test_older_facts_never_follow_newer_ones(database: Database, nights: Nights) -> None:
    nights.shot("0120", stage="barn")
    older = facts(database, nights)
    nights.count("barn", "0120", 40)
    file(database, facts(database, nights), position=12)

    assert file(database, older, position=11) is None
    assert nights.total("2026-03-02")["net_frames"] == 40


def test_two_who_file_one_day_at_once_make_two_revisions(database: Database, nights: Nights) -> None:
    nights.shot("0120", stage="barn")
    several = [facts(database, nights)]
    for total in (10, 20, 30):
        nights.count("barn", "0120", total)
        several.append(facts(database, nights))
    gate = threading.Barrier(len(several))

    def race(of: DayFacts, position: int) -> None:
        gate.wait()
        file(database, of, position=position)

    threads = [threading.Thread(target=race, args=(of, position)) for position, of in enumerate(several, start=1)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    rows = nights.rows("2026-03-02")
    assert [row.revision for row in rows] == list(range(1, len(rows) + 1))
    assert [row.position for row in rows] == sorted(row.position for row in rows)
    assert report_of(rows[-1].figures) == nightly(several[-1])


def test_who_files_a_day_while_another_does_sees_what_the_other_filed(database: Database, nights: Nights) -> None:
    nights.shot("0120", stage="barn")
    first = facts(database, nights)
    nights.count("barn", "0120", 40)
    second = facts(database, nights)

    with ThreadPoolExecutor(1) as another:
        with database.writing() as session:
            reports.file(session, filing(first, position=1), now=NOW)
            later = another.submit(file, database, second, position=2)
            until(lambda: later.done() or somebody_waits(database))
        assert later.result() == Revision(1, PRODUCTION, MONDAY, 2)

    assert [row.revision for row in nights.rows("2026-03-02")] == [1, 2]


@contextmanager
def statements() -> Iterator[list[str]]:
    """Every statement that is run meanwhile."""
    said: list[str] = []

    def note(*given: Any) -> None:  # noqa: ANN401 - what the library hands over
        said.append(given[2])

    event.listen(Engine, "before_cursor_execute", note)
    try:
        yield said
    finally:
        event.remove(Engine, "before_cursor_execute", note)


def test_a_day_is_read_in_as_many_queries_however_much_was_shot(database: Database, nights: Nights) -> None:
    def work(code: str) -> None:
        nights.shot(code)
        nights.count("barn", code, 96, outcome="finished", captured="2026-03-02T07:00:00Z")
        nights.count("mill", code, 25, purpose="plate")
        nights.count("mill", f"{code}-lost", 5)
        nights.decide(code, "circle")

    work("0120")
    with statements() as few:
        facts(database, nights)
    for number in range(12):
        work(f"1{number:03d}")

    with statements() as many:
        found = facts(database, nights)

    assert len(found.shots) == 13
    assert len(many) == len(few) <= 32


def test_the_terms_of_a_day_are_those_of_its_report(database: Database, nights: Nights) -> None:
    before = facts(database, nights)
    terms = Terms(
        day=MONDAY,
        opened_at=datetime(2026, 3, 2, 4, tzinfo=UTC),
        closes_at=datetime(2026, 3, 3, 4, tzinfo=UTC),
        plate_minimum_frames=7,
        tz_data_version="2025.1",
    )
    assert before.terms != terms
    file(database, DayFacts(terms=terms), position=5)

    assert facts(database, nights).terms == terms
