"""Tables of what shots need, over HTTP: a draft, what it would change, all or nothing of it, the table back again."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from httpx import Response
from sqlalchemy import text

from service.actions import needs, productions, shots
from service.api.media import CSV_TYPE
from service.domain.keys import Scope
from service.store.engine import Database, Dialect
from service.store.tables import NeedsRow
from tests.api.conftest import Caller, Clock
from tests.api.scenes import add_shot, add_stage, begin, catch_up, count, post
from tests.api.test_cuts import rows
from tests.api.test_doors import is_problem
from tests.api.test_needs import ALL, NEEDS, NOTHING, SHOT, SHOTS, log, put
from tests.workers.strangers import until

LIST = "/v1/productions/lantern-bay/needs"
DRAFTS = f"{LIST}/drafts"
TABLE = "shot,set,rig,characters,animator\n0120,mill,yes,miller x2; gull,Ilse\n0130,,no,,\n"


@pytest.fixture(autouse=True)
def lantern_bay(database: Database, clock: Clock, mill: str) -> None:
    begin(database, clock)
    add_stage(database, clock, "harbour")
    for code, stage_id in (("0120", 1), ("0130", 2)):
        add_shot(database, code, parts=[("", stage_id, None, None)])


def send(caller: Caller, table: str, **headers: str) -> Response:
    return caller.send("POST", DRAFTS, content=table.encode(), headers={"Content-Type": "text/csv", **headers})


def drafted(caller: Caller, table: str) -> Response:
    response = send(caller, table)
    assert response.status_code == 201, response.text
    return response


def apply(caller: Caller, draft: Response) -> Response:
    path = draft.headers["Location"]
    return caller.send("POST", f"{path}/apply", headers={"If-Match": draft.headers["ETag"]})


def exported(caller: Caller) -> str:
    response = caller.get(LIST, headers={"Accept": "text/csv"})
    assert (response.status_code, response.headers["Content-Type"]) == (200, CSV_TYPE)
    return response.text


def test_a_draft_says_what_it_would_change_and_changes_nothing(
    coordinator: Caller, reader: Caller, database: Database
) -> None:
    put(coordinator, {"rig": True})
    before = log(database)
    draft = drafted(coordinator, TABLE)
    said = draft.json()
    assert (said["draft"], said["state"], said["findings"], said["stale"]) == (1, "draft", [], [])
    cast = [{"character": "miller", "copies": 2}, {"character": "gull", "copies": 1}]
    assert said["differences"] == [
        {
            "shot": "0120",
            "line": 2,
            "changed": {
                "set": {"before": None, "after": "mill"},
                "characters": {"before": [], "after": cast},
                "animator": {"before": None, "after": "Ilse"},
            },
        }
    ]
    assert said["unchanged"] == ["0130"]
    assert log(database) == before
    assert coordinator.get(SHOT).json()["animator"] is None
    assert reader.get(draft.headers["Location"]).json() == said
    is_problem(send(reader, TABLE), 403, "scope-too-narrow")


def test_applied_it_enters_what_differs_and_leaves_the_rest(coordinator: Caller, database: Database) -> None:
    put(coordinator, {"set_up": "mill-2", "notes": "soft"})
    done = apply(coordinator, drafted(coordinator, TABLE))
    assert (done.status_code, done.json()["state"], done.json()["applied_by"]) == (200, "applied", "coordinate-0")
    shown = coordinator.get(NEEDS).json()
    assert (shown["set"], shown["set_up"], shown["rig"], shown["notes"]) == ("mill", "mill-2", True, "soft")
    assert coordinator.get(SHOT).json()["animator"] == "Ilse"
    is_problem(coordinator.get(f"{SHOTS}/0130/needs"), 404, "needs-not-entered")
    told = [(kind, data["shot"], sorted(data["changed"])) for kind, data in log(database)[-2:]]
    assert told == [("needs.entered", "0120", ["characters", "rig", "set"]), ("shot.changed", "0120", ["animator"])]
    assert (log(database)[-2][1]["draft"], log(database)[-1][1]["reason"]) == (1, "needs draft 1")


def test_cameras_of_a_table_move_the_plan_with_its_journals(
    coordinator: Caller, terminal: Caller, database: Database, clock: Clock
) -> None:
    post(terminal, count(1, 40))
    apply(coordinator, drafted(coordinator, "shot,cameras,moving_camera\n0120,main; top,yes\n"))
    catch_up(database, clock)
    shown = coordinator.get(SHOT).json()
    assert (shown["cameras"], shown["moving_camera"], shown["plan_rev"]) == (["main", "top"], True, 2)
    assert shown["progress"]["credited_frames"] == 0
    apply(coordinator, drafted(coordinator, "shot,cameras\n0120,\n"))
    catch_up(database, clock)
    assert coordinator.get(SHOT).json()["progress"]["credited_frames"] == 40
    # Nothing was said of what else it needs.
    assert rows(database, NeedsRow) == 0


def test_an_empty_cell_clears_and_a_column_left_out_leaves(coordinator: Caller) -> None:
    put(coordinator, ALL)
    apply(coordinator, drafted(coordinator, "shot,set,difficulty,props,notes,insert_of,rig\n0120,,,,,,\n"))
    shown = coordinator.get(NEEDS).json()
    cleared = {name: NOTHING[name] for name in ("set", "difficulty", "props", "notes", "insert_of", "rig")}
    assert {name: shown[name] for name in NOTHING} == ALL | cleared


def test_every_fault_is_named_by_line_and_column_and_nothing_is_kept(coordinator: Caller) -> None:
    table = "shot,rig,insert_of\n0120,perhaps,\n0999,yes,\n0130,no,0130\n"
    problem = is_problem(send(coordinator, table), 422, "list-refused")
    assert [(each["line"], each["column"], each["kind"]) for each in problem["findings"]] == [
        (2, "rig", "field out of range"),
        (3, "shot", "unknown shot"),
        (4, "insert_of", "unknown shot"),
    ]
    assert [each["place"] for each in problem["errors"]] == [
        "line 2, column rig",
        "line 3, column shot",
        "line 4, column insert_of",
    ]
    assert coordinator.get(DRAFTS).json()["items"] == []
    is_problem(coordinator.get(f"{DRAFTS}/1"), 404, "needs-draft-unknown")


@pytest.mark.parametrize("what", ["needs", "plan", "animator"])
def test_what_was_changed_since_is_named_and_nothing_is_applied(coordinator: Caller, what: str) -> None:
    etag = put(coordinator, {"set": "quay"}).headers["ETag"]
    draft = drafted(coordinator, "shot,rig,cameras,animator\n0130,yes,wide,Pim\n0120,yes,main,Ilse\n")
    match what:
        case "needs":
            put(coordinator, {"set": "mill"}, etag=etag)
        case "plan":
            coordinator.change(SHOT, {"cameras": ["close"]})
        case _:
            coordinator.change(SHOT, {"animator": "Zoe"})
    path = draft.headers["Location"]
    assert coordinator.get(path).json()["stale"] == ["0120"]
    problem = is_problem(apply(coordinator, draft), 409, "needs-changed")
    assert problem["shots"] == ["0120"]
    shown = coordinator.get(f"{SHOTS}/0130").json()
    assert (shown["cameras"], shown["animator"]) == (["main"], None)
    is_problem(coordinator.get(f"{SHOTS}/0130/needs"), 404, "needs-not-entered")


def test_what_a_table_does_not_say_may_change_meanwhile(coordinator: Caller) -> None:
    draft = drafted(coordinator, TABLE)
    coordinator.change(SHOT, {"handle_out": 4})
    assert apply(coordinator, draft).status_code == 200


def test_it_is_applied_once(coordinator: Caller) -> None:
    draft = drafted(coordinator, TABLE)
    done = apply(coordinator, draft)
    is_problem(apply(coordinator, draft), 412, "stale")
    path = draft.headers["Location"]
    again = coordinator.send("POST", f"{path}/apply", headers={"If-Match": done.headers["ETag"]})
    assert is_problem(again, 409, "needs-draft-applied")["by"] == "coordinate-0"


@pytest.mark.parametrize("against", ["draft", "put"])
def test_of_two_coordinators_at_once_one_is_refused_and_nothing_is_mixed(
    key: Callable[..., Caller], against: str
) -> None:
    """Two tables of the same shots, in opposite order, or a table and a single shot: one is applied whole."""
    first, second = key(Scope.COORDINATE), key(Scope.COORDINATE)
    etags = {code: put(first, {}, to=f"{SHOTS}/{code}/needs").headers["ETag"] for code in ("0120", "0130")}
    one = drafted(first, "shot,set,animator\n0120,mill,Ilse\n0130,mill,Ilse\n")
    other = drafted(second, "shot,set,animator\n0130,quay,Pim\n0120,quay,Pim\n")
    start = Barrier(2)

    def race(place: int) -> Response:
        start.wait()
        if place == 0:
            return apply(first, one)
        if against == "draft":
            return apply(second, other)
        return put(second, {"set": "quay"}, etag=etags["0130"], to=f"{SHOTS}/0130/needs")

    with ThreadPoolExecutor(2) as threads:
        answers = list(threads.map(race, range(2)))
    assert sorted(each.status_code for each in answers) in ([200, 409], [200, 412]), [each.text for each in answers]
    found = {code: first.get(f"{SHOTS}/{code}/needs").json()["set"] for code in ("0120", "0130")}
    if answers[0].is_success:
        assert found == {"0120": "mill", "0130": "mill"}
    else:
        assert found == {"0120": "quay" if against == "draft" else None, "0130": "quay"}


def waits_for_a_lock(database: Database) -> bool:
    """Whether a writer of a PostgreSQL database stands behind another."""
    waiting = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
    with database.reading() as session:
        return bool(session.connection().execute(text(waiting)).scalar_one())


@pytest.mark.parametrize("how", ["apply", "put"])
def test_whoever_enters_waits_for_a_change_that_is_under_way_and_is_told_of_it(
    coordinator: Caller, database: Database, clock: Clock, how: str
) -> None:
    etag = put(coordinator, {"set": "quay"}).headers["ETag"]
    draft = drafted(coordinator, TABLE)
    with ThreadPoolExecutor(1) as pool:
        with database.writing() as session:
            production = productions.find(session, "lantern-bay")
            present = needs.standing(session, [shots.find(session, production, "0120", lock=True)])[0]
            needs.put(session, production, present, wanted={"set": "harbour"}, by="office", now=clock())
            if how == "apply":
                answering = pool.submit(apply, coordinator, draft)
            else:
                answering = pool.submit(put, coordinator, {"set": "mill"}, etag=etag)
            if database.dialect is Dialect.POSTGRESQL:
                until(lambda: waits_for_a_lock(database))
        response = answering.result()
    is_problem(response, *((409, "needs-changed") if how == "apply" else (412, "stale")))
    assert coordinator.get(NEEDS).json()["set"] == "harbour"


class TestExport:
    def test_sent_again_it_changes_nothing(self, coordinator: Caller, database: Database) -> None:
        put(coordinator, ALL)
        coordinator.change(SHOT, {"animator": "=Zoe"})
        table = exported(coordinator)
        draft = drafted(coordinator, table)
        assert (draft.json()["differences"], draft.json()["unchanged"]) == ([], ["0120", "0130"])
        before = log(database)
        assert apply(coordinator, draft).status_code == 200
        assert (log(database), exported(coordinator)) == (before, table)

    def test_the_page_has_every_shot_and_says_what_was_entered(self, coordinator: Caller) -> None:
        put(coordinator, ALL)
        one, other = coordinator.get(LIST).json()["items"]
        assert one == coordinator.get(NEEDS).json()
        assert (other["shot"], other["rev"], other["entered_by"]) == ("0130", 0, None)
        assert {name: other[name] for name in NOTHING} == NOTHING

    def test_it_follows_accept_the_episode_and_the_log(self, coordinator: Caller) -> None:
        is_problem(coordinator.get(LIST, headers={"Accept": "image/png"}), 406, "not-acceptable")
        coordinator.post("/v1/productions/lantern-bay/episodes", {"code": "102", "title": "Two"})
        assert coordinator.get(f"{LIST}?episode=102").json()["items"] == []
        is_problem(coordinator.get(f"{LIST}?episode=999"), 404, "episode-unknown")
        held = coordinator.get(LIST, headers={"Accept": "text/csv"}).headers["ETag"]
        assert coordinator.get(LIST).headers["ETag"] != held
        asked = {"Accept": "text/csv", "If-None-Match": held}
        assert coordinator.get(LIST, headers=asked).status_code == 304
        coordinator.change(SHOT, {"animator": "Pim"})
        assert "Pim" in coordinator.get(LIST, headers=asked).text
