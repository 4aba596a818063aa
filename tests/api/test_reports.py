"""Nightly reports over HTTP: JSON and CSV, open days and closed ones, revisions, and who is named to whom."""

import csv
import io
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import update

from service.api.nights import BASIS, LONG_DAYS
from service.api.reports import COLUMNS
from service.domain.keys import Scope
from service.domain.studio import tz_data_version
from service.store.engine import Database
from service.store.tables import NightlyReportRow
from tests.api.conftest import Caller, Clock
from tests.nights import PRODUCTION, Nights
from tests.workers.test_nightly_phases import forget_phases

NIGHTLY = f"/v1/productions/{PRODUCTION}/reports/nightly"
CSV = {"Accept": "text/csv"}


@pytest.fixture
def nights(database: Database, clock: Clock) -> Nights:
    """Monday 2 March 2026: Ines shot 37 of 96 frames of `0120`, somebody posted a name like a formula; it is ten."""
    here = Nights(database, "2026-03-02T08:00:00Z")
    here.shot("0120", stage="barn")
    here.shot("0130", stage="mill", episode="102")
    here.at("2026-03-02T09:00:00Z").count("barn", "0120", 40, animator="Ines")
    here.at("2026-03-02T09:30:00Z").count("barn", "0120", 37, animator="Ines")
    here.count("mill", "0130", 5, animator="=1+1")
    clock.now = datetime(2026, 3, 2, 10, tzinfo=UTC)
    return here


def file_monday(nights: Nights, clock: Clock) -> None:
    nights.at("2026-03-03T05:00:00Z").work()
    clock.now = datetime(2026, 3, 3, 5, 0, 1, tzinfo=UTC)


def count_late(nights: Nights, clock: Clock) -> None:
    nights.at("2026-03-04T09:00:00Z").count("barn", "0120", 52, captured="2026-03-02T16:00:00Z", animator="Ines")
    nights.work()
    clock.now = datetime(2026, 3, 4, 9, 0, 1, tzinfo=UTC)


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_a_day_that_is_open_is_answered_as_it_stands(nights: Nights, reader: Caller) -> None:
    report = reader.get(f"{NIGHTLY}/2026-03-02").json()

    assert (report["closed"], report["filed"], report["filed_at"], report["revision"]) == (False, False, None, 0)
    assert (report["opened_at"], report["closes_at"]) == ("2026-03-02T05:00:00Z", "2026-03-03T05:00:00Z")
    assert report["total"]["frames_shot"] == {"net": 42, "gross": 45, "deletions": 3, "corrected": 0}
    assert report["total"]["credited_change"] == {"frames": 42, "causes": {"counted": 42}}
    assert (report["total"]["credited_frames"], report["total"]["planned_frames"]) == (42, 192)
    assert report["total"]["per_cent"] == 21.9
    assert report["difference"] is None
    assert report["changes"]["by_kind"] == {"shot.added": 2}
    assert report == reader.get(f"{NIGHTLY}/latest").json()


@pytest.mark.parametrize(
    ("day", "closed"), [("2026-02-20", True), ("2026-03-03", False), ("9998-12-31", False), ("1970-01-01", True)]
)
def test_no_day_of_the_calendar_is_missing(nights: Nights, reader: Caller, day: str, closed: bool) -> None:  # noqa: FBT001 - what is expected
    response = reader.get(f"{NIGHTLY}/{day}")

    assert response.status_code == 200
    assert (response.json()["closed"], response.json()["filed"]) == (closed, False)
    assert response.json()["total"]["frames_shot"]["gross"] == 0


def test_a_filed_report_says_what_it_rests_on(nights: Nights, clock: Clock, reader: Caller) -> None:
    file_monday(nights, clock)

    report = reader.get(f"{NIGHTLY}/2026-03-02").json()

    assert (report["closed"], report["filed"], report["filed_at"]) == (True, True, "2026-03-03T05:00:00Z")
    assert (report["revision"], report["difference"], report["week"]) == (1, None, "2026-W10")
    assert report["position"] == nights.rows("2026-03-02")[0].position > 0
    assert report["tz_data_version"] == tz_data_version()
    assert report["basis"] == BASIS
    assert BASIS.keys() == report["total"].keys() - {"episode", "stage"}
    assert report["cautions"] == [LONG_DAYS]
    assert [(each["episode"], each["frames_shot"]["net"]) for each in report["episodes"]] == [("101", 37), ("102", 5)]
    assert [(each["stage"], each["credited_frames"]) for each in report["stages"]] == [("barn", 37), ("mill", 5)]
    assert report == reader.get(f"{NIGHTLY}/latest").json()


def test_every_revision_stays_readable_and_says_what_it_changed(nights: Nights, clock: Clock, reader: Caller) -> None:
    file_monday(nights, clock)
    first = reader.get(f"{NIGHTLY}/2026-03-02").json()
    count_late(nights, clock)

    assert reader.get(f"{NIGHTLY}/2026-03-02?revision=1").json() == first
    second = reader.get(f"{NIGHTLY}/2026-03-02").json()
    assert second == reader.get(f"{NIGHTLY}/2026-03-02?revision=2").json()
    assert (second["revision"], second["total"]["frames_shot"]["net"], second["total"]["late_counts"]) == (2, 57, 1)
    assert {"scope": "stage", "code": "barn", "figure": "net_frames", "before": 37, "after": 52} in second["difference"]
    assert {each["scope"] for each in second["difference"]} == {"production", "episode", "stage"}


def test_a_revision_that_was_not_filed_is_a_problem_that_lists_those_there_are(
    nights: Nights, clock: Clock, reader: Caller
) -> None:
    open_day = reader.get(f"{NIGHTLY}/2026-03-02?revision=1")
    assert (open_day.status_code, open_day.json()["revisions"]) == (404, [])
    file_monday(nights, clock)
    count_late(nights, clock)

    problem = reader.get(f"{NIGHTLY}/2026-03-02?revision=3")

    assert problem.status_code == 404
    assert problem.json()["type"] == "/problems/report-revision-unknown"
    assert (problem.json()["day"], problem.json()["revision"], problem.json()["revisions"]) == ("2026-03-02", 3, [1, 2])
    assert reader.get(f"{NIGHTLY}/2026-03-02?revision=0").status_code == 422


@pytest.mark.parametrize(
    "day",
    [
        "today",
        "2026-3-2",
        "02.03.2026",
        "2026-02-30",
        "20260302",
        "2026-W10-1",
        "1969-12-31",
        "9999-12-31",
        "٢٠٢٦-٠٣-٠٢",
    ],
)
def test_what_is_no_day_is_told_the_form(nights: Nights, reader: Caller, day: str) -> None:
    response = reader.get(f"{NIGHTLY}/{day}")

    assert response.status_code == 422
    (error,) = response.json()["errors"]
    assert error["place"] == "path day"
    assert "YYYY-MM-DD, as 2026-10-24" in error["detail"]


def test_the_csv_has_its_columns_and_a_row_for_each_group(nights: Nights, clock: Clock, coordinator: Caller) -> None:
    file_monday(nights, clock)
    count_late(nights, clock)

    response = coordinator.get(f"{NIGHTLY}/2026-03-02", headers=CSV)

    assert response.headers["Content-Type"] == "text/csv; charset=utf-8; header=present"
    header, *_ = csv.reader(io.StringIO(response.text, newline=""))
    assert tuple(header) == COLUMNS
    rows = table(response.text)
    assert [(row["scope"], row["code"]) for row in rows] == [
        ("production", ""),
        ("episode", "101"),
        ("episode", "102"),
        ("stage", "barn"),
        ("stage", "mill"),
        ("animator", "'=1+1"),
        ("animator", "Ines"),
    ]
    shown = ("production", "day", "revision", "closed", "filed_at", "net_frames", "late_counts", "unmatched_counts")
    assert [rows[0][name] for name in shown] == [
        PRODUCTION,
        "2026-03-02",
        "2",
        "true",
        "2026-03-04T09:00:00Z",
        "57",
        "1",
        "0",
    ]
    # What a scope does not have is empty, not nought.
    assert (rows[1]["unmatched_counts"], rows[6]["net_frames"], rows[6]["credited_frames"]) == ("", "52", "")


def test_the_csv_says_what_the_json_says(nights: Nights, clock: Clock, coordinator: Caller) -> None:
    file_monday(nights, clock)
    rows = table(coordinator.get(f"{NIGHTLY}/2026-03-02", headers=CSV).text)
    report = coordinator.get(f"{NIGHTLY}/2026-03-02").json()

    groups = [report["total"], *report["episodes"], *report["stages"], *report["animators"]]
    for row, group in zip(rows, groups, strict=True):
        frames = group["frames_shot"]
        assert [row["net_frames"], row["gross_frames"], row["deleted_frames"]] == [
            str(frames[name]) for name in ("net", "gross", "deletions")
        ]
        for name in BASIS.keys() & row.keys():
            assert row[name] == ("" if group.get(name) is None else str(group[name])), (row["scope"], name)


def test_animators_are_named_to_keys_that_cover_coordinate_alone(
    nights: Nights, clock: Clock, reader: Caller, coordinator: Caller
) -> None:
    file_monday(nights, clock)
    count_late(nights, clock)
    path = f"{NIGHTLY}/2026-03-02"

    seen, hidden = coordinator.get(path), reader.get(path)

    # By name, not by how much.
    assert [(each["animator"], each["frames_shot"]["net"]) for each in seen.json()["animators"]] == [
        ("=1+1", 5),
        ("Ines", 52),
    ]
    assert hidden.json()["animators"] is None
    assert "animator" in {each["scope"] for each in seen.json()["difference"]}
    for answer in (hidden, reader.get(path, headers=CSV), reader.get(f"{path}?revision=1")):
        assert "Ines" not in answer.text


def test_each_form_and_each_view_has_an_etag_of_its_own(
    nights: Nights, clock: Clock, reader: Caller, coordinator: Caller
) -> None:
    file_monday(nights, clock)
    path = f"{NIGHTLY}/2026-03-02"
    answers = [caller.get(path, headers=form) for caller in (reader, coordinator) for form in ({}, CSV)]

    etags = [answer.headers["ETag"] for answer in answers]

    assert len(set(etags)) == 4
    assert {answer.headers["Vary"] for answer in answers} == {"Accept, Authorization"}
    assert reader.get(path, headers={"If-None-Match": etags[0]}).status_code == 304
    assert reader.get(path, headers={**CSV, "If-None-Match": etags[0]}).status_code == 200
    assert coordinator.get(path, headers={"If-None-Match": etags[0]}).status_code == 200
    count_late(nights, clock)
    assert reader.get(path, headers={"If-None-Match": etags[0]}).status_code == 200
    assert reader.get(f"{path}?revision=1", headers={"If-None-Match": etags[0]}).status_code == 304


def test_an_open_day_has_another_etag_as_soon_as_it_says_something_else(nights: Nights, reader: Caller) -> None:
    path = f"{NIGHTLY}/2026-03-02"
    etag = reader.get(path).headers["ETag"]
    assert reader.get(path, headers={"If-None-Match": etag}).status_code == 304

    nights.count("barn", "0120", 38)

    assert reader.get(path, headers={"If-None-Match": etag}).status_code == 200


def test_what_is_neither_json_nor_csv_is_refused(nights: Nights, reader: Caller) -> None:
    problem = reader.get(f"{NIGHTLY}/latest", headers={"Accept": "text/html"})

    assert (problem.status_code, problem.json()["type"]) == (406, "/problems/not-acceptable")
    assert problem.json()["offered"] == ["application/json", "text/csv"]


def test_reported_days_are_listed_each_with_its_latest_revision(nights: Nights, clock: Clock, reader: Caller) -> None:
    assert reader.get(NIGHTLY).json() == {"items": [], "next": None}
    file_monday(nights, clock)
    nights.at("2026-03-04T05:00:00Z").work()
    count_late(nights, clock)

    first = reader.get(f"{NIGHTLY}?limit=1").json()
    second = reader.get(NIGHTLY, params={"limit": 1, "cursor": first["next"]}).json()

    assert [(each["day"], each["revision"]) for each in (*first["items"], *second["items"])] == [
        ("2026-03-02", 2),
        ("2026-03-03", 1),
    ]
    assert second["next"] is None
    assert first["items"][0]["filed_at"] == "2026-03-04T09:00:00Z"


def test_a_key_of_another_production_sees_no_report(nights: Nights, key: Callable[..., Caller], admin: Caller) -> None:
    admin.post("/v1/productions", {"code": "tin-moon", "title": "Tin Moon", "frame_rate": "24/1"})
    stranger = key(Scope.READ, production="tin-moon")

    for path in (NIGHTLY, f"{NIGHTLY}/latest", f"{NIGHTLY}/2026-03-02"):
        assert stranger.get(path).status_code == 404


def test_a_silent_terminal_and_a_finished_shot_without_a_plate_are_named(
    nights: Nights, clock: Clock, reader: Caller
) -> None:
    file_monday(nights, clock)
    nights.at("2026-03-03T10:00:00Z").count("barn", "0120", 96, outcome="finished", animator="Ines")
    nights.decide("0120", "circle")
    nights.at("2026-03-04T05:00:00Z").work()
    clock.now = datetime(2026, 3, 4, 6, tzinfo=UTC)

    report: dict[str, Any] = reader.get(f"{NIGHTLY}/2026-03-03").json()

    assert report["silent"] == [{"terminal": "mill-capture", "stage": "mill", "last_heard_at": "2026-03-02T09:30:00Z"}]
    assert report["missing_plates"] == ["0120"]
    total = report["total"]
    assert [total[name] for name in ("shots_finished", "takes_finished", "takes_circled", "plates_missing")] == [1] * 4
    assert report["changes"]["by_kind"] == {"report.filed": 1, "take.decided": 1}


def test_a_day_tells_its_moves_and_sign_offs_and_how_many_shots_are_in_each_phase(
    nights: Nights, clock: Clock, reader: Caller, coordinator: Caller
) -> None:
    nights.at("2026-03-02T10:00:00Z").go("0120", "set dressing")
    nights.sign("0120", "set approved")
    nights.go("0120", "planning", cause="rig seen", reason="a wire shows")
    nights.suspend("0130")
    file_monday(nights, clock)
    path = f"{NIGHTLY}/2026-03-02"

    report = reader.get(path).json()

    at = "2026-03-02T10:00:00Z"
    lacked = ["in the locked cut", "needs entered"]
    there = {"shot": "0120", "episode": "101", "at": at, "by": "office"}
    assert report["moves"] == [
        {**there, "origin": "planning", "to": "set dressing", "cause": None, "reason": "as asked", "lacked": lacked},
        {
            **there,
            "origin": "set dressing",
            "to": "planning",
            "cause": "rig seen",
            "reason": "a wire shows",
            "lacked": [],
        },
    ]
    assert report["signoffs"] == [
        {**there, "matter": "set approved", "role": "director", "given": True, "reason": None}
    ]
    held = {"shot": "0130", "episode": "102", "phase": "planning", "since": at, "reason": "the armature broke"}
    assert report["suspended"] == [held]
    phases = report["total"]["phases"]
    assert (phases["moves"], phases["moves_overridden"], phases["moves_back"]) == (2, 1, 1)
    assert phases["moves_back_by_cause"] == {"rig seen": 1}
    assert {phase: n for phase, n in phases["shots_by_phase"].items() if n} == {"planning": 2}
    assert [each["phases"]["shots_suspended"] for each in report["episodes"]] == [0, 1]
    # The table says the same, in columns after those there were.
    of_day, *_, animator = table(coordinator.get(path, headers=CSV).text)
    assert [of_day[name] for name in ("moves", "moves_back_rig_seen", "moves_back_light", "signoffs_given")] == [
        *"2101"
    ]
    assert [of_day[name] for name in ("shots_in_planning", "shots_approved_in_all", "shots_suspended")] == [*"201"]
    assert animator["moves"] == ""


def test_what_waits_for_whom_stands_beside_the_open_day_and_is_kept_with_a_report_as_it_then_stood(
    nights: Nights, clock: Clock, reader: Caller
) -> None:
    nights.suspend("0130")

    beside = reader.get(f"{NIGHTLY}/2026-03-02").json()["blocked"]

    assert beside == reader.get(f"/v1/productions/{PRODUCTION}/blocked").json()
    assert (beside["blocked_shots"], beside["waiting_for"]["editor"]) == (2, 2)
    for day in ("2026-03-01", "2026-03-03"):
        assert reader.get(f"{NIGHTLY}/{day}").json()["blocked"] is None
    clock.now = datetime(2026, 3, 3, 5, tzinfo=UTC)
    assert reader.get(f"{NIGHTLY}/2026-03-02").json()["blocked"] is None
    nights.at("2026-03-03T05:00:00Z").work()
    filed = reader.get(f"{NIGHTLY}/2026-03-02").json()
    assert filed["blocked"] == {**beside, "position": filed["position"]}
    # What changes afterwards is told with the next day's, and revises nothing.
    nights.at("2026-03-03T09:00:00Z").suspend("0130", suspended=False)
    nights.at("2026-03-04T05:00:00Z").work()
    assert reader.get(f"{NIGHTLY}/2026-03-02").json() == filed
    later = reader.get(f"{NIGHTLY}/2026-03-03").json()["blocked"]
    told = reader.get(f"/v1/productions/{PRODUCTION}/blocked").json()
    assert later == {**told, "position": later["position"]}
    lacking = [{wait["fact"] for wait in each["waits"]} for each in (beside, later)]
    assert lacking[0] - lacking[1] == {"not suspended"}


def test_what_stages_were_used_for_stands_beside_the_open_day_and_is_kept_with_a_report(
    nights: Nights, clock: Clock, reader: Caller
) -> None:
    def told() -> list[dict[str, Any]]:
        asked = {"from": "2026-03-02", "to": "2026-03-02", "by": "stage"}
        groups: list[dict[str, Any]] = reader.get("/v1/occupancy", params=asked).json()["groups"]
        return [each for each in groups if each["time"]["stage_days"]]

    nights.signal("barn", "call", "2026-03-02T09:00:00Z")
    clock.now = datetime(2026, 3, 2, 11, tzinfo=UTC)
    beside = reader.get(f"{NIGHTLY}/2026-03-02").json()["occupancy"]
    assert [{**each, "day": None} for each in beside] == told() != []
    nights.signal("barn", "wrap", "2026-03-02T12:30:00Z")
    file_monday(nights, clock)

    filed = reader.get(f"{NIGHTLY}/2026-03-02").json()["occupancy"]
    barn = next(each for each in filed if each["stage"] == "barn")
    assert barn["actual"] == {"open_s": 0, "outside_s": 3 * 3600 + 1800}
    assert [{**each, "day": None} for each in filed] == told()
    # What is entered later is told by the occupancy as it is known now; the report is what was known.
    nights.at("2026-03-03T09:00:00Z").signal("barn", "call", "2026-03-02T14:00:00Z")
    nights.signal("barn", "wrap", "2026-03-02T15:00:00Z")
    nights.work()
    (known_now,) = [each for each in told() if each["stage"] == "barn"]
    assert known_now["actual"]["outside_s"] == barn["actual"]["outside_s"] + 3600
    assert reader.get(f"{NIGHTLY}/2026-03-02").json()["occupancy"] == filed


def test_a_report_filed_before_these_were_kept_says_nothing_of_waits_and_stages(
    nights: Nights, clock: Clock, reader: Caller
) -> None:
    file_monday(nights, clock)
    with nights.database.writing() as session:
        session.execute(update(NightlyReportRow).values(blocked=None, occupancy=None))
    report = reader.get(f"{NIGHTLY}/2026-03-02").json()
    assert (report["blocked"], report["occupancy"]) == (None, None)


def test_a_report_filed_before_reports_told_of_phases_says_that_it_does_not(
    nights: Nights, clock: Clock, reader: Caller
) -> None:
    file_monday(nights, clock)
    forget_phases(nights)

    report = reader.get(f"{NIGHTLY}/2026-03-02").json()

    assert (report["moves"], report["total"]["phases"], report["signoffs"]) == (None, None, [])
    (of_day, *_) = table(reader.get(f"{NIGHTLY}/2026-03-02", headers=CSV).text)
    assert (of_day["moves"], of_day["shots_in_planning"], of_day["planned_frames"]) == ("", "", "192")
