"""Cuts over HTTP: drafts, what they would change, the lock, and the list back again."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from httpx import Response
from sqlmodel import select

from service.domain.keys import Scope
from service.store import events
from service.store.engine import Database
from service.store.tables import CreditedChangeRow, CutRow, PlannedChangeRow, ShotRow
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin, catch_up, count, post
from tests.api.test_doors import is_problem
from tests.cutlists import edl

EPISODES = "/v1/productions/lantern-bay/episodes"
CUTS = f"{EPISODES}/101/cuts"
SHOTS = "/v1/productions/lantern-bay/shots"
SHOT = f"{SHOTS}/0120"
FIRST = edl(("0110", 62), ("0120", 96), ("0130", 50))


@pytest.fixture(autouse=True)
def lantern_bay(database: Database, clock: Clock, mill: str) -> None:
    begin(database, clock)
    add_stage(database, clock, "harbour")


def send(caller: Caller, text: bytes, *, to: str = CUTS, kind: str = "edl", **asked: Any) -> Response:  # noqa: ANN401 -- query parameters
    """Send a list as a draft."""
    query = {"format": kind, "frame_rate": "25/1", **asked}
    return caller.send("POST", to, content=text, params=query, headers={"Content-Type": "text/plain"})


def lock(caller: Caller, drafted: Response) -> Response:
    """Lock a draft, the current cut being the one it was drafted beside."""
    path = drafted.headers["Location"]
    return caller.send("POST", f"{path}/lock", headers={"If-Match": drafted.headers["ETag"]})


def locked(caller: Caller, text: bytes, **asked: Any) -> dict[str, Any]:  # noqa: ANN401 -- query parameters
    """Send a list and lock it."""
    drafted = send(caller, text, **asked)
    assert drafted.status_code == 201, drafted.text
    done = lock(caller, drafted)
    assert done.status_code == 200, done.text
    found: dict[str, Any] = done.json()
    return found


def kinds(database: Database) -> list[str]:
    with database.reading() as session:
        return [each.kind for each in events.read_after(session, 0, limit=500)]


def lengths(caller: Caller) -> dict[str, int | None]:
    """The cut length of every shot of the production, None of an omitted one."""
    shots = caller.get(SHOTS).json()["items"]
    return {shot["code"]: None if shot["omitted"] else shot["cut_frames"] for shot in shots}


def rows(database: Database, table: type[Any]) -> int:
    with database.reading() as session:
        return len(session.exec(select(table)).all())


def figures(caller: Caller, database: Database, clock: Clock) -> tuple[int, ...]:
    """T, E, R and O of 0120."""
    catch_up(database, clock)
    shown = caller.get(SHOT).json()["progress"]
    names = ("planned_frames", "credited_frames", "remaining_frames", "overshoot_frames")
    return tuple(shown[name] for name in names)


class TestDrafts:
    def test_a_draft_says_what_it_would_change_and_changes_nothing(
        self, coordinator: Caller, database: Database
    ) -> None:
        before = kinds(database)

        drafted = send(coordinator, FIRST)

        assert drafted.status_code == 201, drafted.text
        assert drafted.headers["Location"] == f"{CUTS}/1"
        out = drafted.json()
        assert (out["revision"], out["state"], out["findings"]) == (1, "draft", [])
        assert [
            (each["shot"], each["changes"], each["planned_frames_after"]) for each in out["differences"]["shots"]
        ] == [
            ("0110", ["added"], 62),
            ("0120", ["added"], 96),
            ("0130", ["added"], 50),
        ]
        assert rows(database, ShotRow) == 0
        assert kinds(database) == [*before, "cut.drafted"]
        assert coordinator.get(f"{CUTS}/1").json() == out

    def test_the_differences_of_a_draft_follow_what_is_shot_meanwhile(
        self, coordinator: Caller, terminal: Caller
    ) -> None:
        locked(coordinator, FIRST)
        drafted = send(coordinator, edl(("0110", 62), ("0120", 80), ("0130", 50)))
        assert drafted.json()["differences"]["shots"][0]["in_hand"] is None

        post(terminal, count(1, 90))

        read = coordinator.get(f"{CUTS}/2")
        assert read.headers["ETag"] != drafted.headers["ETag"]
        (shot,) = read.json()["differences"]["shots"]
        assert (shot["changes"], shot["end"], shot["tail_frames"]) == (["shortened"], "tail", -16)
        assert shot["in_hand"] == {
            "phase": "planning",
            "stages": ["mill"],
            "credited_frames_before": 90,
            "credited_frames_after": 80,
            "remaining_frames_after": 0,
            "overshoot_frames_after": 10,
            "reopens": False,
            "comp_goes_out_of_date": False,
            "approval_goes_out_of_date": False,
        }
        # Frames counted meanwhile do not stale the lock.
        assert lock(coordinator, drafted).status_code == 200

    @pytest.mark.parametrize(
        ("text", "lines"),
        [
            pytest.param(b"\xff\xfe\x00garbage\x00\n\x01\x02", None, id="bytes"),
            pytest.param(b"", None, id="nothing"),
            pytest.param(FIRST.replace(b"01:00:00:00", b"01:00:61:00"), {3}, id="seconds"),
            pytest.param(FIRST.replace(b"01:00:02:12", b"01:00:02:25"), {3, 4}, id="frames"),
            pytest.param(FIRST + b"004 0140 V C 00:00 00:01\n", {6}, id="half a line"),
        ],
    )
    def test_what_is_no_list_is_refused_by_line_and_leaves_nothing(
        self, coordinator: Caller, database: Database, text: bytes, lines: set[int] | None
    ) -> None:
        before = kinds(database)

        problem = is_problem(send(coordinator, text), 422, "list-refused")

        found = {finding["line"] for finding in problem["findings"] if finding["fault"]}
        assert found
        assert lines is None or found == lines
        assert all(finding["detail"] for finding in problem["findings"])
        assert (rows(database, CutRow), kinds(database)) == (0, before)

    def test_a_list_at_another_rate_than_the_productions_is_refused(self, coordinator: Caller) -> None:
        problem = is_problem(send(coordinator, FIRST, frame_rate="24/1"), 422, "list-refused")
        (finding,) = problem["findings"]
        assert (finding["kind"], finding["line"]) == ("other frame rate", 1)
        assert "25/1" in finding["detail"]

    def test_a_code_of_another_episode_is_refused(self, coordinator: Caller) -> None:
        coordinator.post(EPISODES, {"code": "102", "title": "Two"})
        locked(coordinator, FIRST)

        text = edl(("0210", 40), ("0120", 30))
        problem = is_problem(send(coordinator, text, to=f"{EPISODES}/102/cuts"), 422, "list-refused")

        assert [(each["kind"], each["line"], each["shot"]) for each in problem["findings"]] == [
            ("used in another episode", 4, "0120")
        ]

    @pytest.mark.parametrize(
        ("asked", "place"),
        [
            ({"frame_rate": "25"}, "query frame_rate"),
            ({"format": "xml"}, "query format"),
            ({"handle_in": -1}, "query handle_in"),
            ({"covers": "0110-0999"}, "query covers"),
            ({"name_pattern": "no place for it"}, "query name_pattern"),
            ({"name_form": "comment"}, "query name_form"),
        ],
    )
    def test_how_a_list_is_to_be_taken_is_checked(self, coordinator: Caller, asked: dict[str, Any], place: str) -> None:
        refused = send(coordinator, FIRST, **asked)
        assert refused.status_code == 422, refused.text
        assert place in {error.get("place") for error in refused.json()["errors"]}

    def test_a_draft_may_be_sent_again_under_its_idempotency_key(self, coordinator: Caller) -> None:
        query = {"format": "edl", "frame_rate": "25/1"}
        options: dict[str, Any] = {"params": query, "headers": {"Idempotency-Key": "one"}}
        first = coordinator.send("POST", CUTS, content=FIRST, **options)
        again = coordinator.send("POST", CUTS, content=FIRST, **options)
        assert (first.status_code, again.json()) == (201, first.json())
        is_problem(coordinator.send("POST", CUTS, content=FIRST + b"\n", **options), 422, "idempotency-key-reused")

    def test_readers_read_and_coordinators_write(
        self, reader: Caller, coordinator: Caller, key: Callable[..., Caller]
    ) -> None:
        is_problem(send(reader, FIRST), 403, "scope-too-narrow")
        drafted = send(coordinator, FIRST)
        is_problem(lock(reader, drafted), 403, "scope-too-narrow")
        assert reader.get(f"{CUTS}/1").status_code == 200
        coordinator.post("/v1/productions", {"code": "moor", "title": "Moor", "frame_rate": "25/1"})
        is_problem(key(Scope.READ, production="moor").get(f"{CUTS}/1"), 404, "production-unknown")


class TestLock:
    def test_the_first_lock_enters_every_shot(self, coordinator: Caller, database: Database) -> None:
        begun = len(kinds(database))

        done = locked(coordinator, FIRST, handle_in=2, handle_out=6)

        assert (done["state"], done["locked_by"], done["follows"]) == ("current", coordinator_name(coordinator), None)
        assert lengths(coordinator) == {"0110": 62, "0120": 96, "0130": 50}
        shot = coordinator.get(SHOT).json()
        assert (shot["uses"], shot["handle_in"], shot["handle_out"]) == ([{"first": 1, "last": 96}], 2, 6)
        assert (shot["cut_revision"], shot["plan_rev"]) == (1, 1)
        assert kinds(database)[begun:] == ["cut.drafted", "cut.locked", "shot.added", "shot.added", "shot.added"]
        assert coordinator.get(f"{CUTS}/current").json() == done

    # Common practice: T 96, 90 of them shot; which end came off decides what is left.
    @pytest.mark.parametrize(
        ("length", "source_in", "expected", "change"),
        [
            pytest.param(80, 1000, (80, 80, 0, 10), -10, id="16 off the tail"),
            pytest.param(80, 1016, (80, 74, 6, 16), -16, id="16 off the head"),
            pytest.param(110, 1000, (110, 90, 20, 0), 0, id="14 more at the tail"),
        ],
    )
    def test_a_re_cut_leaves_the_frames_their_numbers(
        self,
        coordinator: Caller,
        terminal: Caller,
        database: Database,
        clock: Clock,
        *,
        length: int,
        source_in: int,
        expected: tuple[int, ...],
        change: int,
    ) -> None:
        locked(coordinator, FIRST)
        first = post(terminal, count(1, 90)).json()["answers"][0]
        assert (first["cut_revision"], first["plan_changed"]) == (1, False)

        locked(coordinator, edl(("0110", 62), ("0120", length, source_in), ("0130", 50)))

        assert figures(coordinator, database, clock) == expected
        with database.reading() as session:
            credit = [(row.cause, row.frames) for row in session.exec(select(CreditedChangeRow)).all()]
            planned = {(row.cause, row.frames) for row in session.exec(select(PlannedChangeRow)).all()}
        assert credit == [("counted", 90), *([("re-cut", change)] if change else [])]
        assert ("re-cut", length - 96) in planned
        # The stage hears of it in the answer to its next count, once.
        told = [post(terminal, count(serial, 90)).json()["answers"][0] for serial in (2, 3)]
        assert [(each["cut_revision"], each["plan_changed"]) for each in told] == [(2, True), (2, False)]

    def test_a_shot_that_left_the_cut_comes_back_whole(
        self, coordinator: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        locked(coordinator, FIRST)
        post(terminal, count(1, 90))

        gone = locked(coordinator, edl(("0110", 62), ("0130", 50)))

        assert [(each["shot"], each["changes"]) for each in gone["differences"]["shots"]] == [("0120", ["omitted"])]
        assert figures(coordinator, database, clock)[:3] == (0, 0, 0)
        # Frames shot meanwhile are kept uncredited, and count when the shot comes back.
        answer = post(terminal, count(2, 96)).json()["answers"][0]
        assert (answer["outcome"], answer["reason"]) == ("unmatched", "omitted")

        back = locked(coordinator, FIRST)

        assert [(each["shot"], each["changes"]) for each in back["differences"]["shots"]] == [("0120", ["restored"])]
        assert figures(coordinator, database, clock) == (96, 96, 0, 0)
        assert kinds(database)[-3:] == ["cut.locked", "shot.restored", "frames.matched"]
        with database.reading() as session:
            journal = [(row.cause, row.frames) for row in session.exec(select(CreditedChangeRow)).all()]
        assert journal == [("counted", 90), ("omitted", -90), ("restored", 90), ("counted", 6)]

    def test_counts_that_came_before_the_list_count_for_its_shots(
        self, coordinator: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        assert post(terminal, count(1, 40)).json()["answers"][0]["outcome"] == "unmatched"
        locked(coordinator, FIRST)
        assert figures(coordinator, database, clock) == (96, 40, 56, 0)

    def test_an_insert_is_a_shot_of_its_own(self, coordinator: Caller) -> None:
        locked(coordinator, FIRST)
        text = b"shot,frames,scene\n0110,62,12A\n0120,40,12A\n0120A,12,12A\n0120,44,12A\n0130,50,12B\n"

        done = locked(coordinator, text, kind="csv")

        assert lengths(coordinator)["0120A"] == 12
        assert coordinator.get(f"{SHOTS}/0120A").json()["scene"] == "12A"
        changes = {each["shot"]: each["changes"] for each in done["differences"]["shots"]}
        assert changes["0120A"] == ["added"]

    def test_shots_the_list_does_not_cover_stay_as_they_are(self, coordinator: Caller, database: Database) -> None:
        locked(coordinator, FIRST)
        add_shot(database, "by-hand", cut_frames=10)

        done = locked(coordinator, edl(("0120", 80, 1016), start=90_062), covers="0120-0120")

        assert [each["shot"] for each in done["differences"]["shots"]] == ["0120"]
        assert lengths(coordinator) == {"0110": 62, "0120": 80, "0130": 50, "by-hand": 10}
        assert [(each["kind"], each["fault"]) for each in done["findings"]] == [("gap", False)]
        # The revision is the whole episode's all the same.
        exported = coordinator.get(f"{CUTS}/current/list", params={"format": "csv"}).text
        assert [line.split(",")[0] for line in exported.splitlines()[1:]] == ["0110", "0120", "0130"]

    def test_the_parts_of_a_split_shot_stretch_to_what_is_planned_now(
        self, coordinator: Caller, terminal: Caller, database: Database, clock: Clock
    ) -> None:
        locked(coordinator, FIRST)
        split = [
            {"part": "a", "stage": "mill", "first": 1, "last": 60},
            {"part": "b", "stage": "harbour", "first": 55, "last": 96},
        ]
        assert coordinator.change(SHOT, {"parts": split}).status_code == 200
        post(terminal, count(1, 60, part="a"))

        locked(coordinator, edl(("0110", 62), ("0120", 120, 990), ("0130", 50)))

        parts = coordinator.get(SHOT).json()["parts"]
        assert [(part["first"], part["last"]) for part in parts] == [(None, 60), (55, None)]
        assert figures(coordinator, database, clock)[:2] == (120, 60)

    def test_a_cut_is_locked_in_the_knowledge_of_the_one_that_stands(self, coordinator: Caller) -> None:
        first, rival = send(coordinator, FIRST), send(coordinator, edl(("0110", 62)))
        path = rival.headers["Location"]
        is_problem(coordinator.send("POST", f"{path}/lock"), 428, "missing-precondition")
        lock(coordinator, first)

        stale = is_problem(lock(coordinator, rival), 412, "stale")

        assert (stale["current"]["revision"], stale["current"]["state"]) == (1, "current")
        assert lengths(coordinator) == {"0110": 62, "0120": 96, "0130": 50}
        # Any of the episode's cuts tells which one stands.
        known = coordinator.get(f"{CUTS}/current").headers["ETag"]
        assert coordinator.send("POST", f"{path}/lock", headers={"If-Match": known}).status_code == 200
        assert coordinator.get(f"{CUTS}/1").json()["state"] == "replaced"

    def test_a_cut_is_locked_once(self, coordinator: Caller) -> None:
        drafted = send(coordinator, FIRST)
        done = lock(coordinator, drafted)
        again = coordinator.send("POST", f"{CUTS}/1/lock", headers={"If-Match": done.headers["ETag"]})
        is_problem(again, 409, "cut-locked")

    def test_of_two_that_lock_at_once_one_is_told_of_the_other(self, coordinator: Caller) -> None:
        drafts = [send(coordinator, FIRST), send(coordinator, edl(("0110", 62), ("0120", 80)))]
        with ThreadPoolExecutor(2) as threads:
            statuses = sorted(done.status_code for done in threads.map(lambda each: lock(coordinator, each), drafts))
        assert statuses == [200, 412]

    def test_what_a_list_gave_a_list_takes(self, coordinator: Caller) -> None:
        locked(coordinator, FIRST)
        is_problem(coordinator.change(SHOT, {"cut_frames": 80}), 409, "fixed-by-cut")
        assert coordinator.change(SHOT, {"handle_out": 6, "omitted": True}).status_code == 200
        assert lengths(coordinator)["0120"] is None

    @pytest.mark.parametrize("revision", ["7", "0", "-1", "x", "9" * 30, "current"])
    def test_a_revision_that_is_none_is_not_found(self, coordinator: Caller, revision: str) -> None:
        for path in (f"{CUTS}/{revision}", f"{CUTS}/{revision}/list?format=edl"):
            is_problem(coordinator.get(path), 404, "cut-unknown")
        locking = coordinator.send("POST", f"{CUTS}/{revision}/lock", headers={"If-Match": "*"})
        is_problem(locking, 404, "cut-unknown")


def coordinator_name(coordinator: Caller) -> str:
    """The name of the caller's key, as the log has it."""
    found: str = coordinator.get("/v1/events", params={"limit": 500}).json()["items"][-1]["actor"]
    return found


class TestLists:
    def test_the_revisions_are_listed_with_how_they_stand(self, coordinator: Caller) -> None:
        locked(coordinator, FIRST)
        locked(coordinator, edl(("0110", 62), ("0120", 80)))
        send(coordinator, FIRST)

        page = coordinator.get(CUTS)

        assert [(each["revision"], each["state"], each["follows"]) for each in page.json()["items"]] == [
            (1, "replaced", None),
            (2, "current", 1),
            (3, "draft", None),
        ]
        unchanged = coordinator.get(CUTS, headers={"If-None-Match": page.headers["ETag"]})
        assert unchanged.status_code == 304
        one = coordinator.get(CUTS, params={"limit": 1})
        assert one.links["next"]["url"]

    @pytest.mark.parametrize(
        ("kind", "media"), [("edl", "text/plain"), ("csv", "text/csv"), ("json", "application/json")]
    )
    def test_a_cut_read_back_and_sent_again_changes_nothing(self, coordinator: Caller, kind: str, media: str) -> None:
        locked(coordinator, FIRST)

        exported = coordinator.get(f"{CUTS}/current/list", params={"format": kind})

        assert exported.headers["Content-Type"].partition(";")[0] == media
        known = {"If-None-Match": exported.headers["ETag"]}
        assert coordinator.get(f"{CUTS}/current/list", params={"format": kind}, headers=known).status_code == 304
        done = locked(coordinator, exported.content, kind=kind)
        assert (done["differences"]["shots"], done["differences"]["unchanged"]) == ([], ["0110", "0120", "0130"])
        assert done["findings"] == []
        assert coordinator.get(f"{CUTS}/current/list", params={"format": kind}).content == exported.content
