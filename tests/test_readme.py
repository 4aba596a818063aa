"""README.md tells the truth: its commands are run as they stand there."""

import csv
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

from service.api.reports import COLUMNS
from service.domain.needs_csv import COLUMNS as NEEDS_COLUMNS
from service.domain.phases import diagram
from service.settings import PREFIX, Settings
from tests.conftest import unavailable
from tests.served import TIEDOWN, environment, served

HOUSE = Path(__file__).parents[1]
README = (HOUSE / "README.md").read_text(encoding="utf-8")
USUAL_ADDRESS = "http://127.0.0.1:8484"


def marked(name: str, language: str = "sh") -> str:
    """The lines under the mark of this name."""
    found = re.search(rf"<!-- {name} -->\n+```{language}\n(.*?)```", README, flags=re.DOTALL)
    assert found, name
    return found[1]


def test_the_first_count_and_the_first_cut_go_as_the_readme_says(tmp_path: Path) -> None:
    if shutil.which("curl") is None:
        unavailable("curl is not installed")
    lines = (
        marked("the first count")
        + marked("the first decision")
        + marked("the history")
        + marked("the grounds")
        + marked("the totals")
        + marked("the first cut")
        + marked("the first lock")
        + marked("the first correction")
        + marked("the hours")
        + marked("the bookings")
        + marked("the floor")
        + marked("what is ahead")
        + marked("the watches")
    )
    assert "curl" in lines
    assert USUAL_ADDRESS in lines
    assert ".venv/bin/tiedown" in lines
    with served(tmp_path) as address:
        here = lines.replace(USUAL_ADDRESS, address).replace(".venv/bin/tiedown", TIEDOWN)
        ended = subprocess.run(
            ["bash", "-euc", here], cwd=tmp_path, env=environment(), capture_output=True, text=True, check=False
        )
        assert ended.returncode == 0, ended.stdout + ended.stderr
        *said, told, watch = [json.loads(line) for line in ended.stdout.splitlines() if line]
        assert told["secret"].startswith("whsec_")
        assert [each["kind"] for each in watch["hears"]] == ["decision waited for", "take finished"]
        *_, counted, shot, decided, history, grounds, whole, _, drafted, locked, restated, moved, listed = said[:-14]
        _, hours, booked, clash, promised, now, free, occupied = said[-14:-6]
        hold, rebooked, imagined, orders, candidates, strikes = said[-6:]
        assert counted["answers"][0]["outcome"] == "counted"
        assert counted["answers"][0]["credited_frames"] == 48
    assert shot["code"] == "e1-quay-1"
    assert decided["take"]["circled"] is True
    assert (clash["booking"], clash["type"]) == (booked["booking"], "/problems/booking-clash")
    assert [each["booking"] for each in promised["items"]] == [booked["booking"]]
    assert [day["open_s"] // 3600 for day in hours["days"]] == [9, 0, 0, 0, 0, 0, 0]
    assert [stage["stage"] for stage in now["stages"]] == ["north"]
    assert (free["available_s"] // 3600, free["free_s"]) == (9, 0)
    assert occupied["groups"][0]["time"]["planned_utilisation"] == {"exact": "1", "per_cent": 100.0}
    assert [each["booking"] for each in orders["holds"]] == [hold["booking"]]
    assert [each["after"]["start"] for each in rebooked["bookings"]] == ["2026-12-22T09:00:00Z"]
    # Once these days are over nothing of them can be lost any more.
    assert {each["shot"] for each in imagined["shots"]} <= {"e1-quay-1"}
    assert {lack["fact"] for each in candidates["candidates"] for lack in each["blocked_by"]} >= {"needs entered"}
    assert strikes["sets"] == []
    assert (restated["correction"]["before_frames"], restated["correction"]["frames"]) == (48, 46)
    assert [each["after"]["credited_frames"] for each in moved["shots"]] == [0, 46]
    assert [each["what"] for each in listed["items"]] == ["total", "move"]
    assert [each["said"] for each in history["items"]][1:] == [
        "Take 1 on stage north reached 48 frames (48 more).",
        "Take 1 was circled.",
    ]
    assert (grounds["value"], grounds["missing"]) == (
        shot["cut_frames"] - 48,
        [{"first": 49, "last": shot["cut_frames"]}],
    )
    assert (whole["top"][0]["shot"], whole["top"][0]["credited_frames"], whole["shots"]) == ("e1-quay-1", 48, 1)
    assert (drafted["state"], drafted["findings"], locked["state"]) == ("draft", [], "current")
    assert {each["shot"]: each["planned_frames_after"] for each in locked["differences"]["shots"]} == {
        "e2-street-1": 84,
        "e2-street-2": 61,
        "e2-bakery-1": 67,
    }


def test_needs_are_entered_as_the_readme_says(tmp_path: Path) -> None:
    if shutil.which("curl") is None:
        unavailable("curl is not installed")
    with served(tmp_path) as address:
        lines = marked("the first count") + marked("the needs")
        here = lines.replace(USUAL_ADDRESS, address).replace(".venv/bin/tiedown", TIEDOWN)
        ended = subprocess.run(
            ["bash", "-euc", here], cwd=tmp_path, env=environment(), capture_output=True, text=True, check=False
        )
    assert ended.returncode == 0, ended.stdout + ended.stderr
    said, table = ended.stdout.split("shot,set,set_up,")
    *_, entered, drafted, applied = (json.loads(line) for line in said.splitlines() if line)
    assert (entered["plate_needed"], entered["comp_needed"]) == (True, True)
    assert set(drafted["differences"][0]["changed"]) == {"dialogue", "props", "characters", "animator"}
    assert applied["state"] == "applied"
    (row,) = csv.DictReader(f"shot,set,set_up,{table}".splitlines())
    assert {name: row[name] for name in ("shot", "set", "rig", "dialogue", "props", "characters", "animator")} == {
        "shot": "e1-quay-1",
        "set": "quay",
        "rig": "true",
        "dialogue": "true",
        "props": "teapot; rope",
        "characters": "pell x2; gull x1",
        "animator": "Imke",
    }


def test_the_phases_are_drawn_from_their_table() -> None:
    assert marked("the phases", "mermaid") == diagram()


def test_a_shot_is_moved_as_the_readme_says(tmp_path: Path) -> None:
    if shutil.which("curl") is None:
        unavailable("curl is not installed")
    with served(tmp_path) as address:
        lines = marked("the first count") + marked("the next") + marked("the blocked") + marked("the viewing")
        here = lines.replace(USUAL_ADDRESS, address).replace(".venv/bin/tiedown", TIEDOWN)
        ended = subprocess.run(
            ["bash", "-euc", here], cwd=tmp_path, env=environment(), capture_output=True, text=True, check=False
        )
    assert ended.returncode == 0, ended.stdout + ended.stderr
    *_, ahead, moved, blocked, _, viewing, figures = (json.loads(line) for line in ended.stdout.splitlines() if line)
    assert ahead["phase"] == "planning"
    assert [each["fact"] for each in ahead["blocked_by"]] == ["in the locked cut", "needs entered"]
    assert moved["lacked"] == ["in the locked cut", "needs entered"]
    assert (blocked["blocked_shots"], blocked["waiting_for"]["director"]) == (1, 1)
    assert {each["shot"] for wait in blocked["waits"] for each in wait["shots"]} == {"e1-quay-1"}
    assert [(each["shot"], each["undecided"]) for each in viewing["items"]] == [
        ("e1-quay-1", [{"camera": "main", "pass": "main", "ranges": [{"first": 1, "last": 96}]}])
    ]
    assert (figures["waiting"]["takes"], figures["reshoots"]["shot_frames"]) == (1, 96)


def test_the_columns_of_a_table_of_needs_are_all_named() -> None:
    section = README.partition("## What shots need")[2].partition("\n## ")[0]
    assert set(NEEDS_COLUMNS) <= set(re.findall(r"`([a-z_]+)`", section))


def test_the_nightly_report_is_pulled_as_the_readme_says(tmp_path: Path) -> None:
    if shutil.which("curl") is None:
        unavailable("curl is not installed")
    script = marked("the nightly report, pulled", "python")
    with served(tmp_path) as address:
        lines = marked("the first count") + marked("the nightly report")
        here = lines.replace(USUAL_ADDRESS, address).replace(".venv/bin/tiedown", TIEDOWN)
        ended = subprocess.run(
            ["bash", "-euc", here], cwd=tmp_path, env=environment(), capture_output=True, text=True, check=False
        )
        assert ended.returncode == 0, ended.stdout + ended.stderr
        key = subprocess.run(
            [TIEDOWN, "key", "create", "script", "--scope", "read"],
            cwd=tmp_path,
            env=environment(),
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
        asked = environment(URL=address, KEY=key)
        said = subprocess.run(
            [sys.executable, "-c", script], cwd=tmp_path, env=asked, capture_output=True, text=True, check=True
        ).stdout
    table = list(csv.DictReader(ended.stdout[ended.stdout.index("production,day,") :].splitlines()))
    assert [(row["scope"], row["code"], row["net_frames"]) for row in table] == [
        ("production", "", "48"),
        ("episode", "e1", "48"),
        ("stage", "north", "48"),
        # The office's key covers `coordinate`; the count named nobody.
        ("animator", "", "48"),
    ]
    day = table[0]["day"]
    assert said == f"{day} revision 0 48 frames shot\n"
    (pulled,) = tmp_path.glob("nightly-*.csv")
    assert pulled.name == f"nightly-{day}.csv"
    scopes = [row["scope"] for row in csv.DictReader(pulled.read_text().splitlines())]
    assert scopes == ["production", "episode", "stage"]


def test_the_columns_of_the_nightly_report_are_all_named() -> None:
    section = README.partition("## The nightly report")[2].partition("\n## ")[0]
    named = set(re.findall(r"`([a-z_]+)`", section))
    assert {each for each in COLUMNS if not each.startswith("credited_change_")} - named <= {"shots_finished_in_all"}


def test_the_two_commands_install_from_the_locks_and_nothing_else() -> None:
    demo, tests = re.findall(r"^python3 -m venv .*$", README, flags=re.MULTILINE)
    assert demo.endswith("&& .venv/bin/tiedown demo")
    assert marked("the tests").strip() == tests
    for command, lock in ((demo, "requirements.lock"), (tests, "requirements-dev.lock")):
        assert f"pip install --require-hashes -r {lock} &&" in command
        assert "pip install --no-deps --no-build-isolation -e . &&" in command


def test_settings_are_listed_as_they_are() -> None:
    rows = re.findall(r"^\| `(TIEDOWN_\w+)` \| `(.*?)` \| (.*) \|$", README, flags=re.MULTILINE)
    expected = [
        (PREFIX + name.upper(), json.dumps(field.default).strip('"'), field.description)
        for name, field in Settings.model_fields.items()
    ]
    assert rows == expected


def test_every_command_it_names_exists() -> None:
    from_help = subprocess.run(
        [TIEDOWN, "--help"], env=environment(), capture_output=True, text=True, check=True
    ).stdout
    commands = set(re.findall(r"`?(?:^|[ /`])tiedown ([a-z]+)", README, flags=re.MULTILINE))
    assert commands >= {"serve", "demo", "key", "web", "relay", "worker", "migrate"}
    assert [name for name in commands if not re.search(rf"\b{name}\b", from_help)] == []
