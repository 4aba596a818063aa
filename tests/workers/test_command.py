"""The command as a person at the machine meets it: what it prints, where, and with which exit code."""

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlmodel import col, select

from service.domain.events import EventKind
from service.domain.keys import Token
from service.store import events
from service.store.engine import Database
from service.store.tables import KeyRow, TerminalRow
from tests.api.conftest import Clock
from tests.api.scenes import add_stage, begin
from tests.journeys.house import environment, tiedown
from tests.workers.strangers import address
from tests.workers.typed import typed

PLAIN = re.compile(r"(tiedown: [^\n]+\n)+")
TOKEN = re.compile(r"td_[a-z2-7]{8}_[A-Za-z0-9_-]{43}\n")


@pytest.fixture
def env(database: Database) -> dict[str, str]:
    return environment(address(database))


@pytest.fixture
def floor(database: Database) -> None:
    """The production `lantern-bay`, the stages `barn` and `mill` with a terminal each."""
    clock = Clock(datetime.now(UTC))
    begin(database, clock)
    add_stage(database, clock, "barn")
    add_stage(database, clock, "mill")


def keys(database: Database) -> list[KeyRow]:
    with database.reading() as session:
        return list(session.exec(select(KeyRow).order_by(col(KeyRow.id))))


def refused(*arguments: str, env: dict[str, str]) -> str:
    """What the command says to a mistake: in plain words on standard error, nothing on standard output."""
    said = typed(*arguments, env=env)
    assert (said.returncode, said.stdout) == (1, "")
    assert PLAIN.fullmatch(said.stderr), said.stderr
    return said.stderr


@pytest.mark.parametrize("part", ["web", "worker"])
def test_no_part_starts_on_another_schema(part: str, env: dict[str, str], database: Database) -> None:
    with database.writing() as session:
        session.connection().exec_driver_sql("DELETE FROM alembic_version")
    assert "Run `tiedown migrate`." in refused(part, env=env | {"TIEDOWN_PORT": "0"})


def test_the_first_key_is_printed_alone(env: dict[str, str], database: Database) -> None:
    # A process of its own here, so that one of each kind shows that nothing else of this process mattered.
    made = tiedown("key", "create", "office", "--scope", "admin", env=env)

    assert (made.returncode, made.stderr) == (0, "")
    assert TOKEN.fullmatch(made.stdout)
    (row,) = keys(database)
    token = Token.of(made.stdout.strip())
    assert token is not None
    assert (row.name, row.scope, token.proves(row.digest)) == ("office", "admin", True)
    with database.reading() as session:
        (event,) = events.read_after(session, 0, limit=10)
    assert (event.kind, event.actor) == (EventKind.KEY_MADE, "command")
    assert event.data == {"key": "office", "scope": "admin", "roles": []}


@pytest.mark.usefixtures("floor")
def test_letters_typed_apart_from_their_accents_name_the_same(env: dict[str, str], database: Database) -> None:
    named = ("cafe\u0301", "--scope", "count", "--stage", "mill", "--terminal", "cafe\u0301-grab")
    assert typed("key", "create", *named, env=env).returncode == 0
    assert typed("key", "revoke", "caf\u00e9", env=env).returncode == 0
    assert [row.name for row in keys(database)] == ["caf\u00e9"]


@pytest.mark.usefixtures("floor")
def test_a_counting_key_brings_its_new_terminal_along(env: dict[str, str], database: Database) -> None:
    options = ("--scope", "count", "--stage", "barn", "--terminal", "barn-left", "--production", "lantern-bay")

    made = typed("key", "create", "left", *options, env=env)

    assert made.returncode == 0, made.stderr
    with database.reading() as session:
        terminal = session.exec(select(TerminalRow).where(TerminalRow.name == "barn-left")).one()
    (row,) = keys(database)
    assert (row.terminal_id, row.stage_id, row.production_id) == (terminal.id, 1, 1)


@pytest.mark.usefixtures("floor")
@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--scope", "count"], "needs --terminal"),
        (["--scope", "count", "--terminal", "new"], "The terminal new is new: name its stage with --stage (there are"),
        (["--scope", "count", "--terminal", "new", "--stage", "loft"], "There is no stage loft (there are barn, mill)"),
        (["--scope", "count", "--terminal", "barn-capture", "--stage", "mill"], "stands beside barn"),
        (["--scope", "count", "--terminal", "barn-capture", "--role", "director"], "signs nothing off"),
        (["--scope", "read", "--role", "editor", "--role", "editor"], "Name each role once."),
        (["--scope", "read", "--terminal", "barn-capture"], "is bound to no terminal"),
        (["--scope", "read", "--production", "heron-hill"], "There is no production of this code"),
        (["--scope", "read", "--expires", "tomorrow"], "an instant with its offset, as in"),
        (["--scope", "read", "--expires", "2027-01-31T18:00"], "an instant with its offset, as in"),
        (["--scope", "read", "--expires", "2020-01-31T18:00Z"], "has gone by"),
    ],
)
def test_a_key_that_cannot_be_is_refused_in_plain_words(
    env: dict[str, str], database: Database, options: list[str], told: str
) -> None:
    assert told in refused("key", "create", "left", *options, env=env)
    assert keys(database) == []


@pytest.mark.parametrize("name", ["", " ", "a/b", "a\tb", "-"])
def test_a_name_no_key_can_have_is_refused(env: dict[str, str], database: Database, name: str) -> None:
    assert "NAME must have 1 to 64 characters" in refused("key", "create", "--scope", "read", "--", name, env=env)
    assert keys(database) == []


def test_a_missing_scope_is_a_command_line_that_cannot_be_read(env: dict[str, str]) -> None:
    said = typed("key", "create", "office", env=env)

    assert said.returncode == 2
    assert "--scope" in said.stderr


def test_a_name_that_is_taken_is_refused(env: dict[str, str]) -> None:
    assert typed("key", "create", "office", "--scope", "admin", env=env).returncode == 0

    assert "already an API key office" in refused("key", "create", "office", "--scope", "read", env=env)


def test_a_rotated_key_prints_its_new_secret_alone(env: dict[str, str], database: Database) -> None:
    old = typed("key", "create", "office", "--scope", "admin", env=env).stdout

    new = typed("key", "rotate", "office", env=env)

    assert (new.returncode, new.stderr, new.stdout != old) == (0, "", True)
    token = Token.of(new.stdout.strip())
    assert token is not None
    assert token.proves(keys(database)[0].digest)


def test_a_revoked_key_stays_so(env: dict[str, str], database: Database) -> None:
    typed("key", "create", "office", "--scope", "admin", env=env)

    assert typed("key", "revoke", "office", env=env).returncode == 0

    assert keys(database)[0].revoked_at is not None
    assert "was revoked at" in refused("key", "rotate", "office", env=env)
    assert "There is no API key cellar" in refused("key", "revoke", "cellar", env=env)


@pytest.mark.usefixtures("floor")
def test_keys_are_listed_with_what_they_may_do_and_never_a_secret(env: dict[str, str], database: Database) -> None:
    ends = (datetime.now(UTC) + timedelta(days=9)).isoformat(timespec="minutes")
    secret = typed("key", "create", "left", "--scope", "count", "--terminal", "barn-capture", env=env).stdout
    typed("key", "create", "guest", "--scope", "read", "--expires", ends, env=env)
    typed("key", "create", "ada", "--scope", "read", "--role", "director", "--role", "editor", env=env)

    listed = typed("key", "list", env=env)

    lines = [line.split() for line in listed.stdout.splitlines()]
    assert lines[1:] == [
        ["left", "count", "barn", "barn-capture", "live"],
        ["guest", "read", "live", ends],
        ["ada", "read", "director,", "editor", "live"],
    ]
    assert secret.strip().split("_", 2)[2] not in listed.stdout


def test_a_database_that_was_never_migrated_is_said_so(empty_database_url: str) -> None:
    told = refused("key", "create", "office", "--scope", "admin", env=environment(empty_database_url))

    assert "Run `tiedown migrate`" in told


def test_migrate_says_what_it_did(empty_database_url: str) -> None:
    env = environment(empty_database_url)

    first, second = typed("migrate", env=env), typed("migrate", env=env)

    assert re.fullmatch(r"The database is at schema \w+ now \(before: none\)\.\n", first.stdout), first.stderr
    assert re.fullmatch(r"The database is at schema \w+ already\.\n", second.stdout), second.stderr


def test_a_setting_that_cannot_be_is_said_in_plain_words(sqlite_url: str, tmp_path: Path) -> None:
    assert "TIEDOWN_PORT" in refused("serve", env=environment(sqlite_url, port="harbour"))
    assert "No database of the kind 'mysql'" in refused("migrate", env=environment("mysql://root@127.0.0.1/tiedown"))


def test_the_description_of_the_api_needs_no_database(tmp_path: Path) -> None:
    said = typed("openapi", env=environment(f"sqlite:///{tmp_path}/none.db"))

    assert (said.returncode, said.stderr) == (0, "")
    assert "/v1/counts" in json.loads(said.stdout)["paths"]
    assert list(tmp_path.iterdir()) == []


def test_a_port_out_of_range_is_a_command_line_that_cannot_be_read(sqlite_url: str) -> None:
    said = typed("serve", "--port", "70000", env=environment(sqlite_url))

    assert said.returncode == 2
    assert "65535" in said.stderr
