"""Spools: what the service has of a terminal's store of counts."""

from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import Field

from service.api.doors import Counter
from service.api.examples import answers
from service.api.fields import Out
from service.api.strict import StrictRoute
from service.domain.codes import composed, is_code
from service.store import events
from service.store import spools as store

router = APIRouter(prefix="/v1/spools", tags=["counts"], route_class=StrictRoute)

KEPT = {
    "spool": "k7Qm2x",
    "terminal": "mill-capture",
    "stage": "mill",
    "production": None,
    "counts": 116,
    "log_lines": 2,
    "last_serial": 118,
    "head": 4812,
}

SpoolInPath = Annotated[str, Path(description="The id of the spool.", examples=["k7Qm2x"])]


class SpoolOut(Out):
    """What the service has of a spool, and whose it is."""

    spool: str = Field(description="The id that was asked for.")
    terminal: str = Field(description="The terminal the key belongs to; each has spools of its own.")
    stage: str = Field(description="The code of the stage the terminal stands beside.")
    production: str | None = Field(description="The production the key counts for alone; null for any.")
    counts: int = Field(description="How many counts of this spool are kept.")
    log_lines: int = Field(description="How many lines of a stage's log that came with a serial of it are kept.")
    last_serial: int | None = Field(description="The highest serial of either; null where there is none.")
    head: int = Field(description="The id of the newest event of the log.")


@router.get(
    "/{spool}",
    operation_id="spool_get",
    summary="Read what is kept of a spool",
    response_model=SpoolOut,
    responses=answers(KEPT),
)
def get_spool(door: Counter, spool: SpoolInPath) -> Response:
    """Read how many counts and log lines of a spool of the calling terminal are kept. Needs `count`.

    Fewer than the terminal was told are kept, or a `head` lower than it was told before, mean that the service was put
    back to an earlier copy: the terminal then sends again what it still has, which as totals does no harm. A spool of
    which nothing is known has 0 counts.
    """
    name = composed(spool)
    with door.reading() as session:
        # What is no code was never posted, and some of it no database takes.
        kept = store.kept(session, door.caller.terminal_id or 0, name) if is_code(name) else store.NOTHING
        out = SpoolOut(
            spool=name,
            terminal=door.caller.terminal or "",
            stage=door.caller.stage or "",
            production=door.caller.production,
            counts=kept.counts,
            log_lines=kept.log_lines,
            last_serial=kept.last_serial,
            head=events.head(session),
        )
    return door.reply(None, out)
