"""`tiedown workers`: how workers stand and what is to be done about them, also where no web side answers.

What it does is what the API does, and `--json` gives what the API answers.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated

import typer
from pydantic import ValidationError
from rich.markup import escape
from rich.table import Table
from sqlmodel import Session

from service.actions import quarantine as decisions
from service.actions import rebuilds, switches
from service.actions.switches import Switched, WorkerUnknown
from service.api.quarantine import QuarantinedOut, shown
from service.api.switches import SwitchIn
from service.api.workers import WorkerOut, WorkersOut
from service.domain.workers import SWITCHED_OFF, what_of_the_gap, what_to_do
from service.store import events
from service.store import quarantine as set_aside
from service.store import workers as store
from service.store.workers import Rebuild, Standing
from workers.contract import ENTRY_POINTS
from workers.direct import ACTOR, Mistake, reading, show, writing
from workers.host import installed

app = typer.Typer(help="Workers: how they stand, and what to do about them.", no_args_is_help=True)

PAGE = 500

Name = Annotated[str, typer.Argument(metavar="WORKER", help="The worker's name.")]
EventId = Annotated[int, typer.Argument(metavar="EVENT", min=1, help="The id of the event that was set aside.")]
Reason = Annotated[str, typer.Option(help="Why; it is shown wherever the worker is.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print what the API would answer, for scripts.")]


@app.command(name="list")
def list_workers(*, as_json: AsJson = False) -> None:
    """List the workers: version, state, how far behind, what hinders each, and what to do."""
    now = datetime.now(UTC)
    with reading() as session:
        head, standings = events.head(session), store.standings(session)
    if as_json:
        items = [WorkerOut.of(each, now, results=True) for each in standings]
        typer.echo(WorkersOut(head=head, items=items).model_dump_json(indent=2))
        return
    table = Table("name", "version", "state", "hosts", "lag", "health", "rebuild", "what to do", box=None)
    for each in standings:
        cells = (each.worker, str(each.version), each.state, ", ".join(each.hosts), _lag(each, now))
        said = (" ".join(each.health), _rebuild(each.rebuild, head), " ".join(_advice(each)))
        table.add_row(*(escape(cell) for cell in (*cells, *said)))
    show(table)


@app.command(name="show")
def show_worker(worker: Name, *, as_json: AsJson = False) -> None:
    """Show all about a worker."""
    now = datetime.now(UTC)
    with reading() as session:
        head, standings = events.head(session), store.standings(session)
    standing = next((each for each in standings if each.worker == worker), None)
    if standing is None:
        raise WorkerUnknown(worker)
    if as_json:
        typer.echo(WorkerOut.of(standing, now, results=True).model_dump_json(indent=2))
        return
    table = Table.grid("", "", padding=(0, 2))
    for what, said in _told(standing, head, now):
        table.add_row(what, escape(said))
    show(table)


@app.command()
def disable(worker: Name, *, reason: Reason) -> None:
    """Let no engine give a worker anything to do, or import it where it starts; its rows stay readable."""
    reason = _line(reason)
    with writing() as session:
        # What kills the engine that first imports it is in no catalogue yet.
        if worker not in {each.name for each in installed() if each.group == ENTRY_POINTS}:
            switches.require(session, worker)
        switched = switches.disable(session, worker, reason=reason, by=ACTOR, now=datetime.now(UTC))
    if switched.disabled is not None and switched.already:
        off = switched.disabled
        typer.echo(f"The worker {worker} is disabled already, by {off.by} since {_instant(off.at)}: {off.reason}")
    else:
        typer.echo(f"The worker {worker} is disabled; engines see it within two seconds.")


@app.command()
def enable(worker: Name, *, reason: Reason) -> None:
    """Let a worker that was disabled go on where it stopped."""
    reason = _line(reason)
    with writing() as session:
        switches.require(session, worker)
        switched = switches.enable(session, worker, reason=reason, by=ACTOR, now=datetime.now(UTC))
    if switched.already:
        typer.echo(f"The worker {worker} is enabled already.")
    else:
        typer.echo(f"The worker {worker} is enabled; engines see it within two seconds.")
    _warn_of_settings(switched)


@app.command()
def rebuild(worker: Name) -> None:
    """Have all rows of a worker made anew, beside those that are shown; asking twice is asking once."""
    with writing() as session:
        switches.require(session, worker)
        wanted = rebuilds.ask(session, worker, by=ACTOR, now=datetime.now(UTC))
    how = "from facts" if wanted.by_facts else "from the log"
    typer.echo(
        f"The rows of {worker} are made anew {how}, as edition {wanted.number}; those shown stay until it has caught "
        f"up. `tiedown workers show {worker}` says how far it is."
    )


@app.command()
def give_up(worker: Name) -> None:
    """Give up a rebuild that somebody asked for; the rows that are shown stay."""
    with writing() as session:
        switches.require(session, worker)
        given_up = rebuilds.give_up(session, worker, by=ACTOR, now=datetime.now(UTC))
    typer.echo(f"Edition {given_up.number} of the rows of {worker} is given up; those shown stay.")


@app.command(name="quarantine")
def list_quarantine(worker: Name, *, as_json: AsJson = False) -> None:
    """List the events that a worker could not digest and that wait for a decision."""
    with reading() as session:
        switches.require(session, worker)
        waiting = list(_waiting(session, worker))
    if as_json:
        typer.echo("[" + ",\n".join(each.model_dump_json(indent=2) for each in waiting) + "]")
        return
    table = Table("event", "kind", "production", "set aside", "tries", "again", "error", box=None)
    for each in waiting:
        happened = (str(each.event.id), each.event.kind, each.event.production or "")
        when = (_instant(each.quarantined_at), str(each.attempts), "" if each.retry_at is None else "at its next step")
        table.add_row(*(escape(cell) for cell in (*happened, *when, " ".join(each.error.split()))))
    show(table)


@app.command()
def retry(worker: Name, event: EventId) -> None:
    """Have a worker try an event once more that it set aside; asking twice is asking once."""
    with writing() as session:
        decisions.retry(session, worker, event, by=ACTOR, now=datetime.now(UTC))
    typer.echo(f"The worker {worker} tries the event {event} again at its next step.")


@app.command()
def skip(worker: Name, event: EventId) -> None:
    """Have a worker do without an event that it set aside, for good."""
    with writing() as session:
        decisions.skip(session, worker, event, by=ACTOR, now=datetime.now(UTC))
    typer.echo(f"The worker {worker} does without the event {event}.")


def _waiting(session: Session, worker: str) -> Iterator[QuarantinedOut]:
    after = 0
    while page := set_aside.page(session, worker, after=after, limit=PAGE):
        yield from shown(session, page)
        after = page[-1].row.id or 0


def _told(standing: Standing, head: int, now: datetime) -> Iterator[tuple[str, str]]:
    yield "name", standing.worker
    yield "version", str(standing.version)
    yield "package", standing.distribution
    yield "state", standing.state
    if (off := standing.disabled) is not None:
        yield "disabled", f"by {off.by} since {_instant(off.at)}: {off.reason}"
    if standing.error is not None:
        yield "why", standing.error
    yield "hosts", ", ".join(standing.hosts)
    yield "position", f"{standing.position} of {head}"
    yield "lag", _lag(standing, now)
    if standing.next_try_at is not None:
        yield "next try", f"{_instant(standing.next_try_at)}, after {standing.attempts} tries"
    if standing.last_error is not None and standing.last_error_at is not None:
        yield "last error", f"{_instant(standing.last_error_at)}: {standing.last_error}"
    yield "health", "\n".join(standing.health) or "nothing hinders it"
    yield "set aside", str(standing.quarantined)
    yield "rebuild", "needed" if standing.needs_rebuild and not standing.rebuild else _rebuild(standing.rebuild, head)
    if standing.lacks_to:
        yield "lacks", f"events that were cleaned away, up to {standing.lacks_to}"
    for job in standing.jobs:
        state = "open" if job.done_at is None else f"done {_instant(job.done_at)}"
        yield (
            f"job {job.name}",
            f"{job.day_on}: {state}, tries: {job.attempts}"
            + (f", last error: {job.last_error}" if job.last_error else ""),
        )
    for said in _advice(standing):
        yield "to do", said


def _advice(standing: Standing) -> Iterator[str]:
    """What a person should do about a worker."""
    name = standing.worker
    if (told := what_to_do(standing.state, name, standing.distribution)) is not None:
        yield told
    if standing.state in SWITCHED_OFF:
        return
    if standing.needs_rebuild:
        yield what_of_the_gap(name, rebuilds=standing.rebuild is not None)
    for each in standing.refused:
        if each.state != standing.state:
            yield f"It is {each.state} on {', '.join(each.hosts)}. {what_to_do(each.state, name, each.distribution)}"
    if standing.quarantined:
        yield f"`tiedown workers quarantine {name}` lists what it set aside: `retry` or `skip` each."
    if standing.rebuild is not None and standing.rebuild.last_error is not None:
        yield f"Its rebuild failed: {standing.rebuild.last_error} It is tried again; `give-up` ends what was asked for."


def _lag(standing: Standing, now: datetime) -> str:
    if standing.lag.events == 0:
        return "none"
    return f"{standing.lag.events} events, {standing.lag.seconds(now):.1f} s"


def _rebuild(rebuild: Rebuild | None, head: int) -> str:
    if rebuild is None:
        return "none"
    of = f"edition {rebuild.edition} of version {rebuild.version}"
    asked = "" if rebuild.asked_by is None else f", asked for by {rebuild.asked_by}"
    if rebuild.steps is not None:
        return f"{of}, {rebuild.steps} steps through the facts{asked}"
    return f"{of}, at {rebuild.position} of {head}{asked}"


def _warn_of_settings(switched: Switched) -> None:
    if switched.off_in_settings:
        on = ", ".join(switched.off_in_settings)
        typer.echo(f"The settings of {on} say `enabled = false` of it: there it stays disabled until they do not.")


def _line(reason: str) -> str:
    try:
        return SwitchIn(reason=reason).reason
    except ValidationError as error:
        raise Mistake(" ".join(f"--reason: {each['msg']}" for each in error.errors())) from error


def _instant(at: datetime) -> str:
    return at.isoformat(timespec="seconds")
