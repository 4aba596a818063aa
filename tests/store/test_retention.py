"""What is remembered of events that were taken out of the log."""

from datetime import UTC, datetime

from service.domain.events import EventKind
from service.store import retention
from service.store.engine import Database
from service.store.retention import Gap
from service.store.tables import CleanedRow

AT = datetime(2026, 3, 2, 9, tzinfo=UTC)


def test_what_may_be_missing_is_told_by_production_shot_and_kind(database: Database) -> None:
    counted, unmatched = EventKind.FRAMES_COUNTED.value, EventKind.FRAMES_UNMATCHED.value
    with database.writing() as session:
        assert retention.cleaned_to(session) == 0
        for production_id, shot_id, kind, position in ((1, 7, counted, 40), (1, 8, counted, 30), (2, 0, unmatched, 50)):
            session.add(
                CleanedRow(
                    production_id=production_id,
                    shot_id=shot_id,
                    kind=kind,
                    position=position,
                    happened_at=AT,
                    events=3,
                    cleaned_at=AT,
                )
            )
    with database.reading() as session:
        assert retention.cleaned_to(session) == 50
        assert retention.cleaned_to(session, kinds=[counted, EventKind.SHOT_ADDED]) == 40
        assert retention.cleaned_to(session, kinds=[EventKind.SHOT_ADDED]) == 0
        assert retention.cleaned_to(session, production_id=2) == 50
        assert retention.cleaned_to(session, production_id=1, kinds=[unmatched]) == 0
        assert retention.gap(session, production_id=1, shot_id=8) == Gap(3, 30, AT)
        assert retention.gap(session, production_id=1, shot_id=9) is None
