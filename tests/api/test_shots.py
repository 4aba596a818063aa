"""Shots over HTTP: plans, re-cuts, omissions, and the counts that waited for them."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy import text
from sqlmodel import select

from service.actions import productions, shots
from service.actions.shots import Planned
from service.domain.keys import Scope
from service.store import events
from service.store.engine import Database, Dialect
from service.store.tables import CreditedChangeRow, EventRow, PlannedChangeRow, ShotRow
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_stage, begin, catch_up, count, decide, post
from tests.api.test_doors import is_problem, pointers
from tests.workers.strangers import until

SHOTS = "/v1/productions/lantern-bay/shots"
SHOT = f"{SHOTS}/0120"
PLAN: dict[str, Any] = {"code": "0120", "episode": "101", "cut_frames": 96}
ARRIVING = Planned(
    code="0120",
    episode="101",
    scene=None,
    cut_frames=96,
    handle_in=0,
    handle_out=0,
    cameras=("main",),
    passes=("main",),
    moving_camera=False,
    parts=(),
)
SPLIT = [{"part": "a", "stage": "mill", "last": 60}, {"part": "b", "stage": "harbour", "first": 55}]


@pytest.fixture(autouse=True)
def lantern_bay(database: Database, clock: Clock, mill: str) -> None:
    begin(database, clock)
    add_stage(database, clock, "harbour")


def waits_for_the_log(database: Database) -> bool:
    """Whether a writer stands behind another at the log of a PostgreSQL database."""
    waiting = "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted AND database = "
    with database.reading() as session:
        own = "(SELECT oid FROM pg_database WHERE datname = current_database())"
        return bool(session.connection().execute(text(waiting + own)).scalar_one())


def kinds(database: Database) -> list[str]:
    with database.reading() as session:
        return [each.kind for each in events.read_after(session, 0, limit=500)]


def planned_journal(database: Database) -> list[tuple[str, int]]:
    with database.reading() as session:
        return [(row.cause, row.frames) for row in session.exec(select(PlannedChangeRow)).all()]


def journal(database: Database) -> list[tuple[str, int]]:
    with database.reading() as session:
        return [(row.cause, row.frames) for row in session.exec(select(CreditedChangeRow)).all()]


class TestPlanning:
    def test_shot_is_added_with_its_defaults(self, coordinator: Caller, database: Database) -> None:
        added = coordinator.post(SHOTS, PLAN)
        assert added.status_code == 201, added.text
        assert added.headers["Location"] == SHOT
        assert added.json() == {
            "production": "lantern-bay",
            "code": "0120",
            "episode": "101",
            "scene": None,
            "cut_frames": 96,
            "uses": [{"first": 1, "last": 96}],
            "dissolves": [],
            "cut_revision": None,
            "handle_in": 0,
            "handle_out": 0,
            "cameras": ["main"],
            "passes": ["main"],
            "moving_camera": False,
            "omitted": False,
            "animator": None,
            "phase": "planning",
            "phase_since": "2026-03-02T10:00:00Z",
            "suspended": None,
            "changed_since_approval": None,
            "merged_into": None,
            "stage": None,
            "parts": [],
            "rev": 1,
            "plan_rev": 1,
            "added_at": "2026-03-02T10:00:00Z",
            "progress": None,
        }
        read = coordinator.get(SHOT)
        assert read.json() == {**added.json(), "takes": []}
        assert read.headers["ETag"] == added.headers["ETag"]
        assert kinds(database)[-1] == "shot.added"

    def test_everything_that_can_be_planned(self, coordinator: Caller) -> None:
        plan = {
            **PLAN,
            "scene": "12B",
            "handle_in": 4,
            "handle_out": 6,
            "cameras": ["left", "right"],
            "passes": ["beauty", "rim"],
            "moving_camera": True,
            "parts": SPLIT,
        }
        added = coordinator.post(SHOTS, plan).json()
        assert {name: added[name] for name in plan if name != "parts"} == {
            name: value for name, value in plan.items() if name != "parts"
        }
        assert added["stage"] is None
        assert added["parts"] == [
            {"part": "a", "stage": "mill", "first": None, "last": 60},
            {"part": "b", "stage": "harbour", "first": 55, "last": None},
        ]

    def test_stage_is_short_for_one_part(self, coordinator: Caller) -> None:
        added = coordinator.post(SHOTS, {**PLAN, "stage": "mill"}).json()
        assert added["stage"] == "mill"
        assert added["parts"] == [{"part": "", "stage": "mill", "first": None, "last": None}]

    def test_thousand_shots_at_once(self, coordinator: Caller, database: Database) -> None:
        body = [{**PLAN, "code": f"{number:04}", "stage": "mill"} for number in range(1000)]
        added = coordinator.post(SHOTS, body)
        assert added.status_code == 201, added.text
        assert [each["code"] for each in added.json()["items"]] == [each["code"] for each in body]
        with database.reading() as session:
            added_events = session.exec(select(EventRow).where(EventRow.kind == "shot.added")).all()
            rows = session.exec(select(ShotRow)).all()
        codes = {row.id: row.code for row in rows}
        assert [codes[event.shot_id] for event in added_events] == [each["code"] for each in body]

    @pytest.mark.parametrize("number", [0, 1001])
    def test_list_has_1_to_1000_shots(self, coordinator: Caller, number: int) -> None:
        body = [{**PLAN, "code": f"{place:04}"} for place in range(number)]
        assert pointers(is_problem(coordinator.post(SHOTS, body), 422, "invalid-request")) == ["#"]

    def test_one_bad_shot_adds_none_and_every_fault_is_named(self, coordinator: Caller, database: Database) -> None:
        body = [
            PLAN,
            {**PLAN, "code": "0130", "episode": "999"},
            {**PLAN, "code": "0140", "stage": "nowhere"},
            {**PLAN, "code": "0150", "parts": [SPLIT[0], {**SPLIT[1], "stage": "nowhere"}]},
            {**PLAN, "code": "0160", "parts": [SPLIT[0]]},
            {**PLAN, "code": "0170", "parts": [SPLIT[0], {**SPLIT[1], "part": "a"}]},
            PLAN,
        ]
        problem = is_problem(coordinator.post(SHOTS, body), 422, "unfit-fields")
        assert sorted(pointers(problem)) == [
            "#/1/episode",
            "#/2/stage",
            "#/3/parts/1/stage",
            "#/4/parts",
            "#/5/parts",
            "#/6/code",
        ]
        assert coordinator.get(SHOTS).json()["items"] == []
        assert "shot.added" not in kinds(database)

    def test_taken_codes_are_all_named(self, coordinator: Caller) -> None:
        coordinator.post(SHOTS, [PLAN, {**PLAN, "code": "0140"}])
        body = [PLAN, {**PLAN, "code": "0130"}, {**PLAN, "code": "0140"}]
        problem = is_problem(coordinator.post(SHOTS, body), 409, "shot-taken")
        assert pointers(problem) == ["#/0/code", "#/2/code"]
        assert pointers(is_problem(coordinator.post(SHOTS, PLAN), 409, "shot-taken")) == ["#/code"]
        assert len(coordinator.get(SHOTS).json()["items"]) == 2

    def test_number_of_an_omitted_shot_is_not_used_again(self, coordinator: Caller) -> None:
        coordinator.post(SHOTS, PLAN)
        coordinator.change(SHOT, {"omitted": True})
        is_problem(coordinator.post(SHOTS, PLAN), 409, "shot-taken")

    @pytest.mark.parametrize(
        ("fields", "pointer"),
        [
            ({"cut_frames": 0}, "#/cut_frames"),
            ({"cut_frames": -1}, "#/cut_frames"),
            ({"cut_frames": True}, "#/cut_frames"),
            ({"cut_frames": 96.0}, "#/cut_frames"),
            ({"cut_frames": "96"}, "#/cut_frames"),
            ({"cut_frames": 2**31}, "#/cut_frames"),
            ({"cut_frames": 10**400}, "#/cut_frames"),
            ({"handle_in": -1}, "#/handle_in"),
            ({"handle_out": 10**9}, "#/handle_out"),
            ({"cameras": []}, "#/cameras"),
            ({"cameras": "main"}, "#/cameras"),
            ({"cameras": ["a b"]}, "#/cameras/0"),
            ({"cameras": [f"c{number}" for number in range(17)]}, "#/cameras"),
            ({"cameras": ["main", "main"]}, "#"),
            ({"passes": None}, "#/passes"),
            ({"moving_camera": 1}, "#/moving_camera"),
            ({"stage": "mill", "parts": SPLIT}, "#"),
            ({"parts": []}, "#/parts"),
            ({"parts": [{"part": "a", "stage": "mill", "first": 9, "last": 8}]}, "#/parts/0"),
            ({"parts": [{"part": "a", "stage": "mill", "first": 10**12}]}, "#/parts/0/first"),
            ({"parts": [{"part": "", "stage": "mill"}]}, "#/parts/0/part"),
            ({"parts": [{"part": "a", "stage": "mill", "colour": 1}]}, "#/parts/0/colour"),
            ({"omitted": False}, "#/omitted"),
            ({"code": "12/1"}, "#/code"),
        ],
    )
    def test_wrong_field_is_named_alone_and_in_a_list(
        self, coordinator: Caller, fields: dict[str, Any], pointer: str
    ) -> None:
        alone = is_problem(coordinator.post(SHOTS, {**PLAN, **fields}), 422, "invalid-request")
        assert pointers(alone) == [pointer]
        in_list = is_problem(coordinator.post(SHOTS, [PLAN | {"code": "0110"}, PLAN | fields]), 422, "invalid-request")
        assert pointers(in_list) == [pointer.replace("#", "#/1")]

    @pytest.mark.parametrize("body", ["0120", 7, None, [[PLAN]], [PLAN, None]])
    def test_other_bodies_are_refused(self, coordinator: Caller, body: object) -> None:
        is_problem(coordinator.post(SHOTS, body), 422, "invalid-request")


class TestReading:
    def test_list_is_filtered(self, coordinator: Caller) -> None:
        coordinator.post("/v1/productions/lantern-bay/episodes", {"code": "102", "title": "Two"})
        coordinator.post(
            SHOTS,
            [
                {**PLAN, "code": "a", "scene": "1", "stage": "mill"},
                {**PLAN, "code": "b", "scene": "2", "parts": SPLIT},
                {**PLAN, "code": "c", "episode": "102", "stage": "harbour"},
                {**PLAN, "code": "d", "episode": "102", "scene": "1"},
            ],
        )

        def codes(query: str) -> list[str]:
            return [each["code"] for each in coordinator.get(f"{SHOTS}?{query}").json()["items"]]

        assert codes("") == ["a", "b", "c", "d"]
        assert codes("episode=102") == ["c", "d"]
        assert codes("stage=harbour") == ["b", "c"]
        assert codes("scene=1") == ["a", "d"]
        assert codes("scene=1&episode=101") == ["a"]
        assert codes("scene=9") == []
        problem = is_problem(coordinator.get(f"{SHOTS}?scene=%00"), 422, "invalid-request")
        assert problem["errors"][0]["place"] == "query scene"
        is_problem(coordinator.get(f"{SHOTS}?episode=999"), 404, "episode-unknown")
        is_problem(coordinator.get(f"{SHOTS}?stage=%00"), 404, "stage-unknown")

    def test_pages_keep_their_filter(self, coordinator: Caller) -> None:
        body = [{**PLAN, "code": f"{number}", "scene": str(number % 2)} for number in range(8)]
        coordinator.post(SHOTS, body)
        first = coordinator.get(f"{SHOTS}?scene=1&limit=3")
        second = coordinator.get(first.links["next"]["url"])
        assert [each["code"] for each in first.json()["items"] + second.json()["items"]] == ["1", "3", "5", "7"]

    def test_terminal_sees_the_shots_of_its_stage_or_of_none(self, coordinator: Caller, terminal: Caller) -> None:
        coordinator.post(
            SHOTS,
            [
                {**PLAN, "code": "here", "stage": "mill"},
                {**PLAN, "code": "there", "stage": "harbour"},
                {**PLAN, "code": "split", "parts": SPLIT},
                {**PLAN, "code": "any"},
            ],
        )
        assert [each["code"] for each in terminal.get(SHOTS).json()["items"]] == ["here", "split", "any"]
        assert terminal.get(f"{SHOTS}/split").status_code == 200
        assert is_problem(terminal.get(f"{SHOTS}/there"), 403, "shot-elsewhere")["stage"] == "mill"
        is_problem(terminal.send("PATCH", f"{SHOTS}/here", json={"cut_frames": 1}), 403, "scope-too-narrow")

    def test_figures_and_takes_are_shown(
        self, coordinator: Caller, reader: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        coordinator.post(SHOTS, {**PLAN, "handle_in": 4, "cut_frames": 92})
        post(terminal, count(1, 40, animator="Ilse"))
        assert coordinator.get(SHOT).json()["progress"] is None
        catch_up(database, clock)
        shot = coordinator.get(SHOT).json()
        assert shot["progress"] | {"position": 0} == {
            "planned_frames": 96,
            "shot_frames": 40,
            "credited_frames": 40,
            "credited_cut_frames": 36,
            "remaining_frames": 56,
            "overshoot_frames": 0,
            "provisional": True,
            "plate_planned_frames": 25,
            "plate_shot_frames": 0,
            "position": 0,
        }
        with database.reading() as session:
            assert shot["progress"]["position"] == events.head(session)
        assert coordinator.get(SHOTS).json()["items"][0]["progress"] == shot["progress"]
        assert shot["takes"][0]["series"][0]["history"][0]["animator"] == "Ilse"
        assert reader.get(SHOT).json()["takes"][0]["series"][0]["history"][0]["animator"] is None

    def test_etag_moves_with_counts_and_figures_but_does_not_stale_a_change(
        self, coordinator: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        coordinator.post(SHOTS, PLAN)
        catch_up(database, clock)
        tags = [coordinator.get(SHOT).headers["ETag"]]
        post(terminal, count(1, 40))
        tags.append(coordinator.get(SHOT).headers["ETag"])
        catch_up(database, clock)
        tags.append(coordinator.get(SHOT).headers["ETag"])
        assert len(set(tags)) == 3
        assert coordinator.get(SHOT, headers={"If-None-Match": tags[2]}).status_code == 304
        changed = coordinator.send("PATCH", SHOT, json={"scene": "7"}, headers={"If-Match": tags[0]})
        assert changed.status_code == 200, changed.text

    def test_list_validator_moves_with_the_production_and_its_figures(
        self, coordinator: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        coordinator.post(SHOTS, PLAN)
        tags = [coordinator.get(SHOTS).headers["ETag"]]
        assert coordinator.get(SHOTS, headers={"If-None-Match": tags[0]}).status_code == 304
        catch_up(database, clock)
        tags.append(coordinator.get(SHOTS).headers["ETag"])
        post(terminal, count(1, 40))
        tags.append(coordinator.get(SHOTS).headers["ETag"])
        catch_up(database, clock)
        tags.append(coordinator.get(SHOTS).headers["ETag"])
        assert len(set(tags)) == 4

    def test_key_of_another_production_sees_no_shot(self, coordinator: Caller, key: Callable[..., Caller]) -> None:
        coordinator.post(SHOTS, PLAN)
        coordinator.post("/v1/productions", {"code": "gull-street", "title": "G", "frame_rate": "25/1"})
        bound = key(Scope.COORDINATE, production="gull-street")
        for response in (bound.get(SHOTS), bound.get(SHOT), bound.post(SHOTS, PLAN)):
            is_problem(response, 404, "production-unknown")


class TestChanging:
    """Re-cut, omission and restoration, their figures by the arithmetic of the trade."""

    @pytest.fixture
    def shot(self, coordinator: Caller, terminal: Caller) -> str:
        """A shot of 96 frames with 90 in a circled take."""
        coordinator.post(SHOTS, PLAN)
        post(terminal, count(1, 90, outcome="finished"))
        assert decide(coordinator, 1, "circle").status_code == 200
        return SHOT

    def figures(self, caller: Caller, database: Database, clock: Clock) -> tuple[int, int, int, int]:
        catch_up(database, clock)
        shown = caller.get(SHOT).json()["progress"]
        names = ("planned_frames", "credited_frames", "remaining_frames", "overshoot_frames")
        planned, credited, remaining, overshoot = (shown[name] for name in names)
        return planned, credited, remaining, overshoot

    def test_recut_at_the_tail_leaves_an_overshoot(
        self, coordinator: Caller, shot: str, database: Database, clock: Clock
    ) -> None:
        # T 96 -> 80 at the tail with 90 shot: E = 80, R = 0, O = 10 (common practice).
        changed = coordinator.change(shot, {"cut_frames": 80, "reason": "the second look was cut"})
        assert (changed.status_code, changed.json()["rev"], changed.json()["plan_rev"]) == (200, 2, 2)
        assert self.figures(coordinator, database, clock) == (80, 80, 0, 10)
        assert journal(database) == [("counted", 90), ("re-cut", -10)]
        assert planned_journal(database) == [("added", 96), ("re-cut", -16)]

    def test_recut_that_lengthens_reopens_the_shot(
        self, coordinator: Caller, shot: str, database: Database, clock: Clock
    ) -> None:
        # T 96 -> 110 with 90 shot: R = 20 (common practice).
        coordinator.change(shot, {"cut_frames": 110})
        assert self.figures(coordinator, database, clock) == (110, 90, 20, 0)
        assert journal(database) == [("counted", 90)]

    def test_omitted_shot_leaves_the_sums_and_comes_back_whole(
        self, coordinator: Caller, terminal: Caller, shot: str, database: Database, clock: Clock
    ) -> None:
        assert coordinator.change(shot, {"omitted": True, "reason": "lost its scene"}).json()["omitted"] is True
        assert self.figures(coordinator, database, clock)[:3] == (0, 0, 0)
        # Frames shot meanwhile are kept, and count when the shot comes back.
        answer = post(terminal, count(2, 96)).json()["answers"][0]
        assert (answer["outcome"], answer["reason"]) == ("unmatched", "omitted")
        coordinator.change(shot, {"omitted": False})
        assert self.figures(coordinator, database, clock) == (96, 96, 0, 0)
        assert journal(database) == [("counted", 90), ("omitted", -90), ("restored", 90), ("counted", 6)]
        assert planned_journal(database) == [("added", 96), ("omitted", -96), ("restored", 96)]
        assert kinds(database)[-3:] == ["frames.unmatched", "shot.restored", "frames.matched"]

    def test_second_required_camera_takes_the_credit_back(
        self, coordinator: Caller, shot: str, database: Database, clock: Clock
    ) -> None:
        coordinator.change(shot, {"cameras": ["main", "left"]})
        assert self.figures(coordinator, database, clock)[:3] == (96, 0, 96)
        assert journal(database) == [("counted", 90), ("re-cut", -90)]

    def test_what_is_no_plan_leaves_the_plan(self, coordinator: Caller, shot: str, database: Database) -> None:
        changed = coordinator.change(shot, {"scene": "7", "cut_frames": 96}).json()
        assert (changed["rev"], changed["plan_rev"]) == (2, 1)
        changed = coordinator.change(shot, {"scene": None}).json()
        assert (changed["scene"], changed["rev"], changed["plan_rev"]) == (None, 3, 1)
        with database.reading() as session:
            last = events.read_after(session, 0, limit=500)[-1]
        assert (last.kind, last.data["changed"]) == ("shot.changed", {"scene": {"before": "7", "after": None}})

    def test_change_to_the_same_is_no_change(self, coordinator: Caller, database: Database) -> None:
        coordinator.post(SHOTS, {**PLAN, "parts": SPLIT})
        head = len(kinds(database))
        same = {"cut_frames": 96, "parts": SPLIT[::-1], "omitted": False, "reason": "none"}
        assert coordinator.change(SHOT, same).json()["rev"] == 1
        assert len(kinds(database)) == head

    def test_stage_and_parts_replace_each_other(self, coordinator: Caller) -> None:
        coordinator.post(SHOTS, {**PLAN, "stage": "mill"})
        split = coordinator.change(SHOT, {"parts": SPLIT}).json()
        assert (split["stage"], [each["part"] for each in split["parts"]]) == (None, ["a", "b"])
        moved = coordinator.change(SHOT, {"stage": "harbour"}).json()
        assert (moved["stage"], len(moved["parts"])) == ("harbour", 1)
        anywhere = coordinator.change(SHOT, {"stage": None}).json()
        assert (anywhere["stage"], anywhere["parts"]) == (None, [])

    def test_recut_beyond_the_parts_is_refused(self, coordinator: Caller) -> None:
        parts = [{**SPLIT[0]}, {**SPLIT[1], "last": 96}]
        coordinator.post(SHOTS, {**PLAN, "parts": parts})
        problem = is_problem(coordinator.change(SHOT, {"cut_frames": 110}), 422, "unfit-fields")
        assert pointers(problem) == ["#/parts"]
        assert "97 to 110" in problem["errors"][0]["detail"]
        assert coordinator.get(SHOT).json()["cut_frames"] == 96
        assert coordinator.change(SHOT, {"cut_frames": 110, "parts": SPLIT}).status_code == 200

    @pytest.mark.parametrize(
        ("body", "pointer"),
        [
            ({}, "#"),
            ({"reason": "none"}, "#"),
            ({"cut_frames": None}, "#/cut_frames"),
            ({"cut_frames": "80"}, "#/cut_frames"),
            ({"cut_frames": True}, "#/cut_frames"),
            ({"stage": 7}, "#/stage"),
            ({"cameras": None}, "#/cameras"),
            ({"omitted": None}, "#/omitted"),
            ({"omitted": "true"}, "#/omitted"),
            ({"code": "0130"}, "#/code"),
            ({"stage": "mill", "parts": SPLIT}, "#"),
            ({"cameras": ["a", "a"]}, "#"),
            ({"parts": []}, "#/parts"),
        ],
    )
    def test_wrong_change_is_named(self, coordinator: Caller, body: dict[str, Any], pointer: str) -> None:
        coordinator.post(SHOTS, PLAN)
        assert pointers(is_problem(coordinator.change(SHOT, body), 422, "invalid-request")) == [pointer]

    @pytest.mark.parametrize(("body", "pointer"), [({"episode": "9"}, "#/episode"), ({"stage": "9"}, "#/stage")])
    def test_change_to_what_does_not_exist_is_named(
        self, coordinator: Caller, body: dict[str, Any], pointer: str
    ) -> None:
        coordinator.post(SHOTS, PLAN)
        assert pointers(is_problem(coordinator.change(SHOT, body), 422, "unfit-fields")) == [pointer]


class TestArrival:
    """Counts posted before their shot was planned for them (a day's frames are never turned away)."""

    def test_counts_of_an_unknown_shot_count_when_it_arrives_on_their_day(
        self, coordinator: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        assert post(terminal, count(1, 30), count(2, 40)).json()["answers"][1]["outcome"] == "unmatched"
        clock.pass_time(days=2)
        coordinator.post(SHOTS, [{**PLAN, "code": "0110"}, PLAN])
        catch_up(database, clock)
        shot = coordinator.get(SHOT).json()
        assert shot["progress"]["credited_frames"] == 40
        days = {step["production_day"] for step in shot["takes"][0]["series"][0]["history"]}
        assert days == {"2026-03-02"}
        assert kinds(database)[-3:] == ["shot.added", "shot.added", "frames.matched"]
        assert coordinator.get("/v1/counts/unmatched").json()["items"] == []

    def test_a_count_posted_at_the_moment_its_shot_arrives_counts(
        self, coordinator: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        with ThreadPoolExecutor(1) as pool:
            with database.writing() as session:
                production = productions.find(session, "lantern-bay", lock=True)
                shots.add_all(session, production, [ARRIVING], listed=False, by="office", now=clock())
                posting = pool.submit(post, terminal, count(1, 30))
                if database.dialect is Dialect.POSTGRESQL:
                    until(lambda: waits_for_the_log(database))
            said = posting.result().json()["answers"][0]

        assert (said["outcome"], said["credited_frames"]) == ("counted", 30)
        assert coordinator.get("/v1/counts/unmatched").json()["items"] == []

    def test_counts_of_another_stage_count_when_the_shot_moves_there(
        self, coordinator: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        coordinator.post(SHOTS, {**PLAN, "stage": "harbour"})
        assert post(terminal, count(1, 30)).json()["answers"][0]["outcome"] == "unmatched"
        coordinator.change(SHOT, {"cut_frames": 90})
        assert len(coordinator.get("/v1/counts/unmatched").json()["items"]) == 1
        coordinator.change(SHOT, {"stage": "mill"})
        assert coordinator.get("/v1/counts/unmatched").json()["items"] == []
        catch_up(database, clock)
        assert coordinator.get(SHOT).json()["progress"]["credited_frames"] == 30
