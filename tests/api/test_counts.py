"""The counts door over HTTP: one answer for each count, whatever its neighbours are."""

from collections.abc import Callable

import pytest
from sqlalchemy import event, text
from sqlmodel import Session, col, func, select

from service.actions import stages
from service.api.counts import MOST_IN_A_COMMIT
from service.domain.keys import Scope
from service.store.engine import Busy, Database
from service.store.failures import Outdated
from service.store.tables import CountRow, PartRow, ShotRow, StageRow
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, begin, count, post
from tests.api.test_doors import is_problem


@pytest.fixture
def shot(database: Database, clock: Clock, mill: str) -> str:
    """A shot `0120` of 96 frames in `lantern-bay`, planned for no stage in particular."""
    begin(database, clock)
    add_shot(database)
    return "0120"


def kept(database: Database) -> int:
    with database.reading() as session:
        return session.exec(select(func.count(col(CountRow.id)))).one()


def test_one_count_is_answered_with_the_figures_of_its_shot(terminal: Caller, shot: str) -> None:
    answer = post(terminal, count(1, 40, at="2026-03-02T09:59:58+00:00"))
    assert answer.status_code == 200
    assert answer.json() == {
        "answers": [
            {
                "outcome": "counted",
                "spool": "",
                "serial": 1,
                "production": "lantern-bay",
                "shot": "0120",
                "take": 1,
                "series_total_frames": 40,
                "planned_frames": 96,
                "credited_frames": 40,
                "remaining_frames": 56,
                "cut_revision": None,
                "plan_changed": False,
                "after_approval": False,
                "captured_at": "2026-03-02T09:59:58Z",
                "time_basis": "at",
                "adjusted": False,
                "production_day": "2026-03-02",
            }
        ]
    }


def test_captures_are_frames_times_their_hold(terminal: Caller, shot: str) -> None:
    twos = {"serial": 1, "production": "lantern-bay", "shot": "0120", "take": 1, "captures_total": 24}
    said = post(terminal, {**twos, "frames_per_capture": 2}).json()["answers"][0]
    assert said["series_total_frames"] == 48


def test_the_same_count_again_is_answered_as_the_first_time(terminal: Caller, shot: str, database: Database) -> None:
    first = post(terminal, count(1, 40, at="2026-03-02T09:00:00Z"), sent_at="2026-03-02T10:00:00Z").json()
    post(terminal, count(2, 60))
    again = post(terminal, count(1, 40, at="2026-03-02T10:00:00+01:00", age_s=99), sent_at="2026-03-02T10:00:09Z")
    assert again.status_code == 200
    assert again.json()["answers"] == [{**first["answers"][0], "outcome": "repeated", "first_outcome": "counted"}]
    assert kept(database) == 2


def test_a_serial_with_other_content_is_refused_and_nothing_changes(terminal: Caller, shot: str) -> None:
    post(terminal, count(1, 40))
    answer = post(terminal, count(1, 41))
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["type"] == "/problems/count-conflict"
    assert post(terminal, count(2, 40)).json()["answers"][0]["series_total_frames"] == 40


def test_a_new_spool_starts_anew_with_the_same_serials(terminal: Caller, shot: str, clock: Clock) -> None:
    post(terminal, count(1, 40), spool="old")
    clock.pass_time(minutes=1)
    said = post(terminal, count(1, 55), spool="new").json()["answers"][0]
    assert (said["outcome"], said["series_total_frames"]) == ("counted", 55)


def test_each_count_of_a_body_gets_the_answer_it_would_get_alone(terminal: Caller, shot: str) -> None:
    answer = post(terminal, *[count(serial, total) for serial, total in enumerate([40, 52, 52, 49], start=1)])
    assert [said["series_total_frames"] for said in answer.json()["answers"]] == [40, 52, 52, 49]


def test_one_bad_count_does_not_cost_its_neighbours_theirs(terminal: Caller, shot: str, database: Database) -> None:
    bad = [
        count(2, 41, take=0),
        count(3, 41, colour="red"),
        count(True, 41),
        {**count(5, 41), "captures_total": 3},
        count(6, 41, at="2026-03-02T10:00:00"),
        count(7, 41, animator="a\u0000b"),
        "no count at all",
    ]
    answer = post(terminal, count(1, 40), *bad, count(8, 44))
    said = answer.json()["answers"]
    assert answer.status_code == 207
    assert [each["outcome"] for each in said] == ["counted", *["refused"] * len(bad), "counted"]
    assert [each["problem"]["errors"][0].get("pointer") for each in said[1:-1]] == [
        "#/counts/1/take",
        "#/counts/2/colour",
        "#/counts/3/serial",
        "#/counts/4",
        "#/counts/5/at",
        "#/counts/6/animator",
        "#/counts/7",
    ]
    assert kept(database) == 2
    assert post(terminal, count(2, 45)).json()["answers"][0]["outcome"] == "counted"


def test_a_body_of_bad_counts_alone_is_refused_whole(terminal: Caller, shot: str, database: Database) -> None:
    answer = post(terminal, count(1, -1), count(2, 10, take=0))
    assert answer.status_code == 422
    assert answer.json()["type"] == "/problems/all-counts-refused"
    assert [each["outcome"] for each in answer.json()["answers"]] == ["refused", "refused"]
    assert kept(database) == 0


def test_one_bad_count_alone_is_answered_as_a_problem(terminal: Caller, shot: str) -> None:
    answer = post(terminal, count(1, 10, take=0))
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "#/counts/0/take"


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"counts": []}, "#/counts"),
        ({"counts": [], "sent": 1}, "#/sent"),
        ({"counts": [{}] * 10_001}, "#/counts"),
        ({"counts": [count(1, 1)], "sent_at": "2026-03-02T10:00:00"}, "#/sent_at"),
        ({"counts": [count(1, 1)], "spool": "a/b"}, "#/spool"),
        ([], "#"),
    ],
)
def test_a_wrong_envelope_is_refused_by_name(terminal: Caller, shot: str, body: object, pointer: str) -> None:
    answer = terminal.post("/v1/counts", body)
    assert answer.status_code == 422
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}


def test_only_a_terminals_key_may_count(coordinator: Caller, reader: Caller, admin: Caller, shot: str) -> None:
    for caller in (coordinator, reader, admin):
        assert post(caller, count(1, 10)).status_code == 403


def test_a_count_of_an_unknown_shot_waits_for_it_and_keeps_its_day(
    terminal: Caller, coordinator: Caller, shot: str, clock: Clock, database: Database
) -> None:
    said = post(terminal, count(1, 12, shot="0130", at="2026-03-01T23:30:00Z")).json()["answers"][0]
    assert (said["outcome"], said["reason"], said["production_day"]) == ("unmatched", "unknown shot", "2026-03-01")
    waiting = coordinator.get("/v1/counts/unmatched").json()["items"]
    assert [(each["shot"], each["total_frames"], each["terminal"]) for each in waiting] == [
        ("0130", 12, "mill-capture")
    ]
    matched = coordinator.post(
        f"/v1/counts/unmatched/{waiting[0]['id']}/match", {"production": "lantern-bay", "shot": "0120", "take": 3}
    )
    assert matched.status_code == 200
    assert matched.json()["production_day"] == "2026-03-01"
    assert matched.json()["credited_frames"] == 12
    assert coordinator.get("/v1/counts/unmatched").json()["items"] == []
    again = coordinator.post(
        f"/v1/counts/unmatched/{waiting[0]['id']}/match", {"production": "lantern-bay", "shot": "0120"}
    )
    assert (again.status_code, again.json()["type"]) == (409, "/problems/already-matched")


def test_a_count_of_a_shot_planned_for_another_stage_is_kept_and_not_counted(
    terminal: Caller, shot: str, clock: Clock, database: Database
) -> None:
    with database.writing() as session:
        stages.add(session, "barn", name="The Barn", by="command", now=clock())
        barn = session.exec(select(StageRow.id).where(StageRow.code == "barn")).one()
        session.add(PartRow(shot_id=1, part="", stage_id=barn or 0))
    said = post(terminal, count(1, 12)).json()["answers"][0]
    assert (said["outcome"], said["reason"]) == ("unmatched", "not planned for this stage")


def test_an_omitted_shots_counts_are_kept_and_not_counted(terminal: Caller, shot: str, database: Database) -> None:
    with database.writing() as session:
        session.get_one(ShotRow, 1).omitted = True
    said = post(terminal, count(1, 12)).json()["answers"][0]
    assert (said["outcome"], said["reason"]) == ("unmatched", "omitted")


def test_a_stage_hears_once_that_the_plan_changed(terminal: Caller, shot: str, database: Database) -> None:
    assert post(terminal, count(1, 12)).json()["answers"][0]["plan_changed"] is False
    with database.writing() as session:
        row = session.get_one(ShotRow, 1)
        row.cut_frames, row.plan_rev = 110, row.plan_rev + 1
    said = post(terminal, count(2, 14), count(3, 16)).json()["answers"]
    assert [each["plan_changed"] for each in said] == [True, False]
    assert said[0]["planned_frames"] == 110


def test_a_terminal_decides_only_where_the_studio_lets_it(terminal: Caller, admin: Caller, shot: str) -> None:
    answer = post(terminal, count(1, 96, outcome="circled"))
    assert (answer.status_code, answer.json()["type"]) == (403, "/problems/decision-not-allowed")
    assert post(terminal, count(1, 96, outcome="finished")).status_code == 200


def test_no_count_is_answered_as_kept_where_its_commit_fails(terminal: Caller, shot: str, database: Database) -> None:
    with database.writing() as session:
        unkept = "CREATE TABLE promise (of_id INTEGER REFERENCES shot (id) DEFERRABLE INITIALLY DEFERRED)"
        session.connection().execute(text(unkept))

    def break_at_the_commit(session: Session) -> None:
        session.connection().execute(text("INSERT INTO promise VALUES (4711)"))

    event.listen(Session, "before_commit", break_at_the_commit)
    try:
        failed = post(terminal, count(1, 40))
    finally:
        event.remove(Session, "before_commit", break_at_the_commit)

    assert failed.status_code == 500
    assert failed.headers["content-type"] == "application/problem+json"
    assert kept(database) == 0
    assert post(terminal, count(1, 40)).json()["answers"][0]["outcome"] == "counted"


def test_a_body_whose_later_counts_cannot_be_written_says_how_many_are_kept(
    terminal: Caller, shot: str, database: Database
) -> None:
    posted = [count(serial, serial) for serial in range(1, MOST_IN_A_COMMIT * 2 + 51)]
    commits = 0

    def take_one_body_alone(_session: Session) -> None:
        nonlocal commits
        commits += 1
        if commits > 1:
            raise Busy("another writer holds it")

    event.listen(Session, "before_commit", take_one_body_alone)
    try:
        cut_short = post(terminal, *posted)
    finally:
        event.remove(Session, "before_commit", take_one_body_alone)

    problem = is_problem(cut_short, 503, "counts-cut-short")
    assert (problem["kept"], problem["posted"]) == (MOST_IN_A_COMMIT, len(posted))
    assert int(cut_short.headers["Retry-After"]) == problem["retry_after_s"]
    assert kept(database) == MOST_IN_A_COMMIT
    again = post(terminal, *posted).json()["answers"]
    assert [each["outcome"] for each in again] == ["repeated"] * MOST_IN_A_COMMIT + ["counted"] * (
        MOST_IN_A_COMMIT + 50
    )
    assert [each["serial"] for each in again] == [each["serial"] for each in posted]
    assert kept(database) == len(posted)


def test_a_later_commit_that_lost_a_race_runs_again_alone(terminal: Caller, shot: str) -> None:
    lost: list[bool] = []

    def lose_the_second_once(_session: Session) -> None:
        lost.append(len(lost) == 1)
        if lost[-1]:
            raise Outdated

    event.listen(Session, "before_commit", lose_the_second_once)
    try:
        said = post(terminal, *(count(serial, serial) for serial in range(1, MOST_IN_A_COMMIT + 3)))
    finally:
        event.remove(Session, "before_commit", lose_the_second_once)

    assert lost == [False, True, False]
    assert {each["outcome"] for each in said.json()["answers"]} == {"counted"}


def test_a_count_that_is_there_twice_in_one_body_is_repeated_or_refused_however_far_apart(
    terminal: Caller, shot: str
) -> None:
    between = [count(serial, serial) for serial in range(2, MOST_IN_A_COMMIT + 2)]
    said = post(terminal, count(1, 40), *between, count(1, 40), count(1, 41)).json()["answers"]
    assert (said[0]["outcome"], said[-2]["outcome"], said[-1]["outcome"]) == ("counted", "repeated", "refused")
    assert said[-2] == {**said[0], "outcome": "repeated", "first_outcome": "counted"}


def test_a_terminal_outlives_its_key_and_keeps_its_serials(
    key: Callable[..., Caller], mill: str, shot: str, database: Database
) -> None:
    first, second = (key(Scope.COUNT, terminal=f"{mill}-capture") for _ in range(2))
    assert post(first, count(1, 12)).status_code == 200
    assert post(second, count(1, 12)).json()["answers"][0]["outcome"] == "repeated"


def test_a_key_bound_to_a_production_counts_and_matches_for_that_one_alone(
    coordinator: Caller, terminal: Caller, shot: str, key: Callable[..., Caller], database: Database
) -> None:
    coordinator.post("/v1/productions", {"code": "moor", "title": "Moor", "frame_rate": "25/1"})
    coordinator.post("/v1/productions/moor/episodes", {"code": "1", "title": "One"})
    coordinator.post("/v1/productions/moor/shots", {"code": "1", "episode": "1", "cut_frames": 5})
    refused = post(key(Scope.COUNT, terminal="mill-capture", production="moor"), count(1, 5))
    assert (refused.status_code, refused.json()["type"]) == (403, "/problems/other-production")
    assert refused.json()["errors"][0]["pointer"] == "#/production"
    assert kept(database) == 0
    post(terminal, count(1, 5), count(2, 5, shot="0125"))
    office = key(Scope.COORDINATE, production="moor")
    for number in (1, 2):
        tried = office.post(f"/v1/counts/unmatched/{number}/match", {"production": "moor", "shot": "1"})
        assert (tried.status_code, tried.json()["type"]) == (404, "/problems/count-unknown")
    assert office.get("/v1/counts/unmatched").json()["items"] == []
    assert len(coordinator.get("/v1/counts/unmatched").json()["items"]) == 1


def test_the_part_a_terminal_leaves_out_is_the_first_by_its_frames(
    database: Database, terminal: Caller, coordinator: Caller, clock: Clock, mill: str
) -> None:
    begin(database, clock)
    # By name the tail would come first, or not, as the database sorts letters.
    add_shot(database, parts=[("A", 1, 49, None), ("b", 1, None, 48)])
    post(terminal, count(1, 10))
    takes = coordinator.get("/v1/productions/lantern-bay/shots/0120/takes").json()["items"]
    assert [(take["part"], take["series"][0]["starts_at"]) for take in takes] == [("b", 1)]
