"""What the commands share that work on the database itself, so that they do where no web side answers."""

from collections.abc import Iterator
from contextlib import closing, contextmanager

from rich.console import Console
from rich.table import Table
from sqlmodel import Session

from service.settings import Settings
from service.store.engine import Database
from service.store.schema import require_head

ACTOR = "command"
PIPED_COLUMNS = 500


class Mistake(Exception):
    """What the command line asks for cannot be; the message says what would be right."""


@contextmanager
def opened() -> Iterator[Database]:
    """The database that the settings name, at this program's schema."""
    with closing(Database.open(Settings.read().database_url)) as database:
        require_head(database)
        yield database


@contextmanager
def reading() -> Iterator[Session]:
    """One snapshot of it."""
    with opened() as database, database.reading() as session:
        yield session


@contextmanager
def writing() -> Iterator[Session]:
    """One transaction, committed in the end."""
    with opened() as database, database.writing() as session:
        yield session


def show(table: Table) -> None:
    """Print a table."""
    console = Console(soft_wrap=True)
    if not console.is_terminal:
        # What is read by a script must be whole; without a terminal, 80 columns would be assumed and the rest cut off.
        console.width = PIPED_COLUMNS
    console.print(table)
