"""Decisions over HTTP: why work goes back."""

import pytest
from sqlalchemy.exc import IntegrityError
from sqlmodel import select

from service.domain.causes import ReturnCause
from service.store.engine import Database
from service.store.tables import DecisionRow
from tests.api.conftest import Caller, Clock
from tests.api.scenes import PRODUCTION, add_shot, begin, count, decide, post

TAKE = f"/v1/productions/{PRODUCTION}/shots/0120/takes/1"


@pytest.fixture(autouse=True)
def _counted(database: Database, clock: Clock, mill: str, terminal: Caller) -> None:
    begin(database, clock)
    add_shot(database)
    post(terminal, count(1, 96, outcome="finished"))


@pytest.mark.parametrize("cause", list(ReturnCause))
def test_a_rejection_says_why_and_the_log_with_it(coordinator: Caller, cause: ReturnCause) -> None:
    said = decide(coordinator, 1, "reject", first=61, last=96, cause=cause.value)
    assert said.status_code == 200, said.text
    assert [each["cause"] for each in coordinator.get(TAKE).json()["decisions"]] == [cause.value]
    *_, event = coordinator.get("/v1/events?after=0").json()["items"]
    assert (event["kind"], event["data"]["cause"]) == ("take.decided", cause.value)


@pytest.mark.parametrize("verdict", ["accept", "circle", "withdraw"])
def test_only_a_rejection_has_a_cause(coordinator: Caller, verdict: str) -> None:
    refused = decide(coordinator, 1, verdict, cause="light")
    assert refused.status_code == 422
    assert "A cause belongs to the verdict reject" in refused.text
    assert coordinator.get(TAKE).json()["decisions"] == []


def test_the_database_itself_lets_only_a_rejection_have_a_cause(coordinator: Caller, database: Database) -> None:
    decide(coordinator, 1, "reject", cause="rig seen")
    with database.writing() as session:
        session.exec(select(DecisionRow)).one().verdict = "accept"
        with pytest.raises(IntegrityError, match="ck_decision_cause"):
            session.flush()
        session.rollback()


def test_a_cause_nobody_agreed_on_is_refused_with_those_there_are(coordinator: Caller) -> None:
    refused = decide(coordinator, 1, "reject", cause="flicker")
    assert refused.status_code == 422
    assert "'rig seen'" in refused.text
