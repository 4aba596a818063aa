"""A body of thousands of counts while the service is killed: what was kept is kept once, and the rest when resent."""

import signal
import threading
from pathlib import Path

import httpx

from service.client import Client
from tests.served import serving, tiedown

COUNTS = 4000
A_COMMIT = 200


def test_a_server_killed_in_the_middle_of_a_body_keeps_whole_commits_and_takes_the_rest_again(tmp_path: Path) -> None:
    posted = [
        {"serial": serial, "production": "p", "shot": "s", "take": 1 + serial % 10, "captures_total": serial}
        for serial in range(1, COUNTS + 1)
    ]
    with serving(tmp_path) as (address, process):
        admin = tiedown(tmp_path, "key", "create", "office", "--scope", "admin")
        with Client(address, admin) as office:
            key = furnish(office)
        sending = threading.Thread(target=send, args=(address, key, posted))
        sending.start()
        with terminal(address, key) as looking:
            while known(looking) < A_COMMIT:
                pass
        process.send_signal(signal.SIGKILL)
        sending.join()
    with serving(tmp_path) as (address, _), terminal(address, key) as again:
        kept = known(again)
        assert A_COMMIT <= kept < COUNTS
        assert kept % A_COMMIT == 0
        answers = again.post("/v1/counts", json={"spool": "k7", "counts": posted}).json()["answers"]
        assert [each["outcome"] for each in answers] == ["repeated"] * kept + ["counted"] * (COUNTS - kept)
        assert known(again) == COUNTS


def furnish(office: Client) -> str:
    office.add_stage("north", "North")
    office.add_production("p", "Bulk", frame_rate="25/1")
    office.add_episode("p", "e", title="One")
    office.add_shots("p", [{"code": "s", "episode": "e", "cut_frames": 100, "stage": "north"}])
    office.add_terminal("t", "north")
    return str(office.make_key("t", "count", bound={"terminal": "t"})["key"])


def terminal(address: str, key: str) -> httpx.Client:
    return httpx.Client(base_url=address, headers={"Authorization": f"Bearer {key}"}, timeout=120)


def known(looking: httpx.Client) -> int:
    return int(looking.get("/v1/spools/k7").json()["counts"])


def send(address: str, key: str, posted: list[dict[str, object]]) -> None:
    with terminal(address, key) as sender:
        try:
            sender.post("/v1/counts", json={"spool": "k7", "counts": posted})
        except httpx.TransportError:
            return
    raise AssertionError("the body was answered before the server was killed")
