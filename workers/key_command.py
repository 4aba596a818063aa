"""`tiedown key`: API keys from the machine itself, which is how the first one comes about."""

from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.table import Table
from sqlmodel import Session

from service.actions import keys, terminals
from service.domain.codes import CODE_RULE, composed, is_code
from service.domain.keys import Scope, key_state
from service.domain.signoffs import Role
from service.store import keys as rows
from service.store import stages
from service.store import terminals as terminal_rows
from workers.direct import ACTOR, Mistake, reading, show, writing

app = typer.Typer(help="API keys.", no_args_is_help=True)

PAGE = 500
MANY_STAGES = 20

Name = Annotated[str, typer.Argument(help="The key's name.")]


@app.command()
def create(
    name: Name,
    *,
    scope: Annotated[Scope, typer.Option(help="What it may do; admin may all that coordinate may, that all of read.")],
    stage: Annotated[str | None, typer.Option(help="With scope count: the stage its terminal stands beside.")] = None,
    terminal: Annotated[
        str | None, typer.Option(help="With scope count: the terminal; it is added where it is new.")
    ] = None,
    production: Annotated[str | None, typer.Option(help="The one production it may see; without, all.")] = None,
    role: Annotated[
        list[Role] | None, typer.Option(help="A part in which its holder signs shots off; more than one may be given.")
    ] = None,
    expires: Annotated[
        str | None, typer.Option(help="When it ends, as in 2027-01-31T18:00+01:00; without, never.")
    ] = None,
) -> None:
    """Make a key and print it, alone: it is shown this once and kept nowhere."""
    now = datetime.now(UTC)
    wanted = keys.Wanted(
        name=_code(name, "NAME"),
        scope=scope,
        stage=_composed(stage),
        terminal=_composed(terminal),
        production=_composed(production),
        roles=tuple(role or ()),
        expires_at=None if expires is None else _instant(expires),
    )
    with writing() as session:
        if scope is Scope.COUNT:
            _stand(session, wanted, now=now)
        _, token = keys.make(session, wanted, by=ACTOR, now=now)
    typer.echo(token)


@app.command(name="list")
def list_keys() -> None:
    """List the keys: what each may do, what it is bound to, and how it stands."""
    now = datetime.now(UTC)
    table = Table("name", "scope", "roles", "stage", "terminal", "production", "state", "expires", box=None)
    with reading() as session:
        after = 0
        while page := rows.page(session, after=after, limit=PAGE):
            for each in page:
                row = each.row
                state = key_state(expires_at=row.expires_at, revoked_at=row.revoked_at, now=now)
                ends = "" if row.expires_at is None else row.expires_at.isoformat(timespec="minutes")
                bound = (each.stage or "", each.terminal or "", each.production or "")
                table.add_row(row.name, row.scope, ", ".join(row.roles), *bound, state, ends)
            after = page[-1].row.id or 0
    show(table)


@app.command()
def rotate(name: Name) -> None:
    """Give a key a new secret and print it, alone; the old one opens nothing any more."""
    with writing() as session:
        token = keys.rotate(session, keys.find(session, name, lock=True), by=ACTOR, now=datetime.now(UTC))
    typer.echo(token)


@app.command()
def revoke(name: Name) -> None:
    """End a key for good."""
    with writing() as session:
        keys.revoke(session, keys.find(session, name, lock=True), by=ACTOR, now=datetime.now(UTC))


def _stand(session: Session, wanted: keys.Wanted, *, now: datetime) -> None:
    """Add the terminal of a counting key where it is new, beside the stage named."""
    if wanted.terminal is None:
        raise Mistake("A key of scope count needs --terminal: the computer it counts from.")
    if terminal_rows.by_name(session, wanted.terminal) is not None:
        return
    name = _code(wanted.terminal, "--terminal")
    there = _stage_codes(session)
    if wanted.stage is None:
        raise Mistake(f"The terminal {name} is new: name its stage with --stage ({there}).")
    beside = stages.by_code(session, wanted.stage)
    if beside is None:
        raise Mistake(f"There is no stage {wanted.stage} ({there}).")
    terminals.add(session, name, stage=beside, by=ACTOR, now=now)


def _stage_codes(session: Session) -> str:
    found = [row.code for row in stages.page(session, after=0, limit=MANY_STAGES + 1)]
    if not found:
        return "there is none yet: add one with POST /v1/stages and a key of scope coordinate"
    more = ", …" if len(found) > MANY_STAGES else ""
    return f"there are {', '.join(found[:MANY_STAGES])}{more}"


def _code(text: str, what: str) -> str:
    if not is_code(text := composed(text)):
        raise Mistake(f"{what} must have {CODE_RULE}.")
    return text


def _composed(text: str | None) -> str | None:
    # As the API composes names, or what was typed here could not be found there.
    return None if text is None else composed(text)


def _instant(text: str) -> datetime:
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        instant = None
    if instant is None or instant.tzinfo is None:
        raise Mistake("--expires must be an instant with its offset, as in 2027-01-31T18:00+01:00.")
    return instant
