"""What workers make is the same whether or not the log was cleaned behind them, and comes out again from facts."""

import random
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from sqlmodel import col, func, select

from service.actions import rebuilds
from service.actions.cleaning import clean
from service.store import editions, figures, retention
from service.store.engine import Database
from service.store.tables import CleanedRow, EventRow, KeptRow, ShotRow
from tests import nightly_model
from tests.nights import Nights
from tests.workers.test_cleaning import COUNTED, enter
from tests.workers.test_nightly import live_through, told, utc_day, walk
from workers.builtin.nightly import Nightly
from workers.builtin.occupancy import Occupancy
from workers.builtin.progress import Progress, ProgressSettings
from workers.contract import NoSettings, Worker

KEEP = timedelta(hours=8)
WORKERS: tuple[Worker, ...] = (Nightly(NoSettings()), Progress(ProgressSettings()), Occupancy(NoSettings()))


def rows(database: Database, worker: Worker, edition: int) -> Mapping[str, Any]:
    """All that an edition holds, by table, without the position each row rests on."""
    with database.reading() as session:
        shots = [id_ or 0 for id_ in session.exec(select(ShotRow.id))]
        own = {
            table: figures.of_shots(session, table, edition=edition, shot_ids=shots)
            for table in worker.tables
            if figures.MAKERS.get(table) == worker.name
        }
        of_edition = col(KeptRow.worker) == worker.name, col(KeptRow.edition) == edition
        kept = {row.key: row.data for row in session.exec(select(KeptRow).where(*of_edition))}
    return {**{table: {key: sorted(map(str, each)) for key, each in of.items()} for table, of in own.items()}, **kept}


def test_figures_and_reports_are_those_of_the_whole_log(database: Database) -> None:
    nights = Nights(database, "2026-03-02T08:00:00Z")
    for code, stage, episode in (("0120", "barn", "101"), ("0130", "mill", "102")):
        nights.shot(code, stage=stage, episode=episode)
    enter(database, *WORKERS, now=nights.now)

    def clean_and_work(nights: Nights, dice: random.Random) -> None:
        walk(nights, dice)
        for worker in WORKERS[1:]:
            if dice.random() < 0.3:
                nights.work(worker=worker)
        with database.writing() as session:
            clean(session, keep=KEEP, now=nights.now, limit=25)

    live_through(nights, random.Random(5), also=clean_and_work)
    for worker in WORKERS:
        nights.work(worker=worker)

    with database.reading() as session:
        left = session.exec(select(func.count()).where(col(EventRow.kind) == COUNTED.value)).one()
        gone = session.exec(select(func.sum(CleanedRow.events))).one()
        assert gone > left > 0
        assert retention.cleaned_to(session) > 0
    for day in nights.days():
        expected = nightly_model.report(nights.record, utc_day(date.fromisoformat(day)))
        assert told(nights.report(day)) == expected, day
    for worker in WORKERS:
        with database.writing() as session:
            assert rebuilds.ask(session, worker.name, by="office", now=nights.now).by_facts
        nights.work(worker=worker)
        with database.reading() as session:
            assert editions.shown(session, worker.name) == 2
        before, after = rows(database, worker, 1), rows(database, worker, 2)
        assert before, worker.name
        assert before == after, worker.name
