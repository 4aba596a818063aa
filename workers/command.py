"""The command `tiedown`: on the top floor, because it starts both sides of the house.

What a person got wrong is said in plain words on standard error with exit code 1 (2 where the command line cannot be
read); a traceback is a defect.
"""

import json
import logging
import signal
import sys
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer

from service.app import openapi as described
from service.domain.refusals import Refusal, UnfitFields
from service.settings import Settings, SettingsError
from service.store import catalogue
from service.store.engine import Busy, Database, Unusable
from service.store.schema import migrate as bring_to_head
from service.store.schema import require_head
from workers import celery_app, key_command, logs, onebox, relay, web, worker_command
from workers.demo.run import DemoFailed, DemoRefused, Wanted
from workers.demo.run import demo as play
from workers.direct import Mistake
from workers.host import this_host

log = logging.getLogger("tiedown.command")

app = typer.Typer(
    name="tiedown",
    help="Shot status for a stop-motion studio: count frames, follow shots, run the workers.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.add_typer(key_command.app, name="key")
app.add_typer(worker_command.app, name="workers")

# A process that gave no sign for this long is no longer well; they give one every two seconds.
UNWELL_AFTER = timedelta(seconds=30)

# What a person can put right; each says how.
PLAIN = (
    SettingsError,
    Unusable,
    Busy,
    Refusal,
    Mistake,
    web.CannotListen,
    web.CannotStart,
    DemoFailed,
    DemoRefused,
)

Host = Annotated[str | None, typer.Option(help="The address to listen on, instead of TIEDOWN_HOST.")]
Port = Annotated[int | None, typer.Option(min=0, max=65_535, help="The port, instead of TIEDOWN_PORT; 0 takes any.")]


class Part(StrEnum):
    """A part of the house on many machines that keeps no port to ask at."""

    RELAY = "relay"
    WORKER = "worker"


@app.command()
def serve(host: Host = None, port: Port = None) -> None:
    """Serve on this machine alone: web and workers on an embedded database, made or migrated first."""
    settings = _ready(host=host, port=port)
    onebox.serve(settings, ready=lambda address, path: _say(f"Serving {address} from {path}"))


@app.command()
def demo(
    *,
    host: Host = None,
    port: Port = None,
    seed: Annotated[int, typer.Option(help="Varies every count.")] = 1,
    once: Annotated[bool, typer.Option("--once", help="End when it is through, instead of going on serving.")] = False,
    export: Annotated[Path | None, typer.Option(help="A new file for every post, as JSON lines.")] = None,
    database: Annotated[
        Path | None, typer.Option(help="A new file for the database, which is kept; one of its own goes in the end.")
    ] = None,
) -> None:
    """Let an invented studio count for two days on an embedded database, show its figures, and go on serving it."""
    play(Wanted(once=once, seed=seed, export=export, database=database, host=host, port=port))


@app.command()
def migrate() -> None:
    """Bring the database to this program's schema; an embedded one is copied first, and made where there is none."""
    migration = bring_to_head(_ready().database_url)
    if migration.before == migration.after:
        _say(f"The database is at schema {migration.after} already.")
        return
    copy = "" if migration.backup is None else f" A copy from before lies at {migration.backup}."
    _say(f"The database is at schema {migration.after} now (before: {migration.before or 'none'}).{copy}")


@app.command(name="web")
def serve_web(host: Host = None, port: Port = None) -> None:
    """Serve the API alone; `tiedown relay` and `tiedown worker` do the rest. Many may run on PostgreSQL."""
    settings = _ready(host=host, port=port)
    with web.Ending() as ending, web.listening(settings.host, settings.port) as listener:
        _require_schema(settings)
        _say(f"Serving {web.address(listener)}")
        web.run(settings, listener, ending=ending, wake=_relay_looks)


@app.command(name="relay")
def run_relay() -> None:
    """Tell workers through Redis that there is something to do. More than one may run."""
    settings, stopping = _ready(), threading.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        stopping.set()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    with closing(celery_app.CeleryHints(settings)) as hints:
        relay.run(settings, hints, clock=_now, stopping=stopping)


@app.command(name="worker")
def run_worker(
    concurrency: Annotated[int, typer.Option(min=1, max=64, help="How many processes take hints.")] = 2,
) -> None:
    """Take hints from Redis and do the work they tell of. Many may run."""
    settings = _ready()
    with closing(Database.open(settings.database_url)) as database:
        require_head(database)
    celery_app.run_worker(settings, concurrency=concurrency)


@app.command()
def healthy(part: Annotated[Part, typer.Argument(help="Which part of this machine.")]) -> None:
    """Exit with 0 where this machine's relay or worker gave a sign of life in the last half minute, else with 1."""
    settings = _ready()
    name = catalogue.RELAY if part is Part.RELAY else catalogue.ENGINE
    with closing(Database.open(settings.database_url)) as database:
        require_head(database)
        with database.reading() as session:
            seen_at = catalogue.last_beat(session, name, host=this_host())
    if seen_at is None or _now() - seen_at > UNWELL_AFTER:
        when = "never" if seen_at is None else f"last at {seen_at.isoformat(timespec='seconds')}"
        _fail(f"The {part} of {this_host()} gives no sign of life ({when}).")


@app.command()
def openapi() -> None:
    """Print the API's description (OpenAPI 3.1, JSON), as the service gives it at /openapi.json."""
    _say(json.dumps(described(), indent=2, ensure_ascii=False))


def main() -> None:
    """Run the command; the process ends here."""
    try:
        app(prog_name="tiedown")
    except UnfitFields as unfit:
        _fail("\n".join(fault.detail for fault in unfit.faults))
    except PLAIN as problem:
        _fail(str(problem))


def _ready(**given: object) -> Settings:
    """The settings, with what the command line says in their place; what is logged goes to standard error."""
    settings = Settings.read()
    named = {name: value for name, value in given.items() if value is not None}
    settings = settings.model_copy(update=named)
    logs.start(settings.log_level)
    return settings


def _require_schema(settings: Settings) -> None:
    """Refuse a database that is not at this program's schema; one that does not answer yet may still come."""
    with closing(Database.open(settings.database_url)) as database:
        try:
            require_head(database)
        except Busy as busy:
            log.warning("the database does not answer yet; serving all the same", extra={"error": str(busy)})


def _now() -> datetime:
    return datetime.now(UTC)


def _relay_looks() -> None:
    """Nobody is woken from here: the relay looks into the database, and Redis may be away."""


def _say(text: str) -> None:
    typer.echo(text)
    sys.stdout.flush()


def _fail(text: str) -> None:
    for line in text.splitlines():
        typer.echo(f"tiedown: {line}", err=True)
    sys.exit(1)
