"""A world that was made once, to be had again: making it by requests takes a second, writing its rows a tenth."""

from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import text
from sqlmodel import Session, SQLModel

from service.domain.keys import Scope


@dataclass
class Remembered:
    """The rows of a world, the tokens of its keys, and the count that waits; empty before one was made."""

    rows: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    tokens: dict[Scope, str] = field(default_factory=dict)
    waiting: int = 0

    def take(self, session: Session) -> None:
        """Remember every row there is."""
        for table in SQLModel.metadata.sorted_tables:
            self.rows[table.name] = [dict(row) for row in session.execute(table.select()).mappings()]

    def put_back(self, session: Session) -> None:
        """Write the rows into a database that has none, and let ids go on after them."""
        for table in SQLModel.metadata.sorted_tables:
            if rows := self.rows[table.name]:
                session.execute(table.insert(), rows)
                if session.get_bind().dialect.name == "postgresql" and "id" in table.c and table.name != "studio":
                    last = max(row["id"] for row in rows)
                    named = {"table": table.name, "last": last}
                    session.execute(text("SELECT setval(pg_get_serial_sequence(:table, 'id'), :last)"), named)
