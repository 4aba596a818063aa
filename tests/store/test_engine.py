"""What a database promises to those who read and write through it."""

from datetime import UTC, datetime

from sqlmodel import select

from service.store.engine import Database
from service.store.tables import HeartbeatRow

NOW = datetime(2031, 3, 4, 12, 0, tzinfo=UTC)


def test_what_a_writer_wrote_a_reader_sees_after_the_commit(database: Database) -> None:
    with database.writing() as session:
        session.add(HeartbeatRow(name="engine", at=NOW))
    with database.reading() as session:
        assert session.exec(select(HeartbeatRow.at)).one() == NOW
