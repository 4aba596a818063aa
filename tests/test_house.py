"""The house keeps its own rules: floors, names, sizes, locks. Each import rule is shown to catch what it forbids."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

HOUSE = Path(__file__).parents[1]
PROJECT = tomllib.loads((HOUSE / "pyproject.toml").read_text())
CONTRACTS = {contract["id"]: contract["name"] for contract in PROJECT["tool"]["importlinter"]["contracts"]}
PACKAGES = ("service", "workers", "migrations")
TOP_LEVEL = {
    ".ci",
    ".dockerignore",
    ".gitignore",
    "CHANGELOG.md",
    "DEVELOPERS.md",
    "Dockerfile",
    "LICENSE",
    "README.md",
    "docker-compose.yml",
    "migrations",
    "pyproject.toml",
    "requirements-dev.lock",
    "requirements.lock",
    "service",
    "tests",
    "workers",
}
LINTER = "from importlinter.cli import lint_imports_command; lint_imports_command()"
# The whole schema in one place reads better than in two halves.
# The client is one file so that it can be copied, and has a method for each thing the API does.
LONG = {"service/store/tables.py", "service/client.py"}
# One line for each import rule, and where it is planted; a rule may have several ways to be broken.
PLANTS = [
    ("floors", "service/store/planted.py", "import service.actions"),
    ("floors", "service/actions/planted.py", "import service.api"),
    ("floors", "service/planted.py", "import json"),
    ("sides", "service/actions/planted.py", "import workers"),
    ("sides", "workers/planted.py", "import migrations"),
    ("migrations", "migrations/planted.py", "import service.actions"),
    ("domain", "service/domain/planted.py", "import httpx"),
    ("settings", "service/settings.py", "import yaml"),
    ("client", "service/client.py", "import pydantic"),
    ("client", "service/client.py", "import service.domain"),
    ("terminal", "service/terminal/planted.py", "import pydantic"),
    ("terminal", "service/terminal/planted.py", "import service.domain"),
    ("builtin", "workers/builtin/planted.py", "import workers.entry"),
    ("channels", "workers/channels/folder.py", "import workers.entry"),
    ("celery", "workers/planted.py", "import celery"),
    ("celery", "service/store/planted.py", "from kombu import Connection"),
    ("web", "service/actions/planted.py", "from fastapi import HTTPException"),
    ("web", "workers/planted.py", "import starlette.responses"),
]


def tracked_files() -> list[Path]:
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=HOUSE,
        capture_output=True,
        check=True,
    )
    paths = (HOUSE / name for name in listing.stdout.decode().split("\0") if name)
    return [path for path in paths if path.is_file()]


def broken_contracts(house: Path) -> set[str]:
    """Run the import linter on a tree and return the names of the contracts it reports as broken."""
    result = subprocess.run(
        [sys.executable, "-c", LINTER, "--no-logo", "--no-cache"],
        cwd=house,
        # A contract's name would otherwise be folded at the width of a terminal.
        env=os.environ | {"COLUMNS": "500", "PYTHONPATH": str(house), "NO_COLOR": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    verdicts = dict(re.findall(r"^(.+) (KEPT|BROKEN)(?: \(.*\))?\s*$", result.stdout, flags=re.MULTILINE))
    assert verdicts.keys() == set(CONTRACTS.values()), result.stdout + result.stderr
    broken = {name for name, verdict in verdicts.items() if verdict == "BROKEN"}
    assert (result.returncode != 0) == bool(broken)
    return broken


@pytest.fixture
def copied_house(tmp_path: Path) -> Path:
    for package in PACKAGES:
        shutil.copytree(HOUSE / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "tests").mkdir()
    for name in ("pyproject.toml", "tests/__init__.py", "tests/floors.py"):
        shutil.copy(HOUSE / name, tmp_path / name)
    return tmp_path


def test_every_import_rule_is_kept() -> None:
    assert broken_contracts(HOUSE) == set()


@pytest.mark.parametrize(("contract", "file", "line"), PLANTS, ids=[f"{c}: {f}: {line}" for c, f, line in PLANTS])
def test_import_rule_catches_a_planted_violation(copied_house: Path, contract: str, file: str, line: str) -> None:
    with (copied_house / file).open("a") as planted:
        planted.write(f"\n{line}\n")
    assert broken_contracts(copied_house) == {CONTRACTS[contract]}


def test_every_import_rule_has_a_planted_violation() -> None:
    assert {contract for contract, _, _ in PLANTS} == set(CONTRACTS)


def test_init_files_are_empty() -> None:
    inits = [path for path in tracked_files() if path.name == "__init__.py"]
    assert {path.parent.relative_to(HOUSE).as_posix() for path in inits} >= set(PACKAGES)
    assert [path for path in inits if path.read_bytes()] == []


def test_every_package_folder_has_an_init_file() -> None:
    folders = {path.parent for path in tracked_files() if path.suffix == ".py" and path.is_relative_to(HOUSE)}
    # Revisions are loaded by path.
    folders -= {HOUSE / "migrations" / "versions"}
    # Packages of strangers are projects of their own.
    folders -= {path.parent for path in (HOUSE / "tests" / "plugins").glob("*/pyproject.toml")}
    assert [folder for folder in folders if not (folder / "__init__.py").exists()] == []


def test_top_level_holds_nothing_new() -> None:
    assert {path.relative_to(HOUSE).parts[0] for path in tracked_files()} <= TOP_LEVEL


@pytest.mark.parametrize("package", ["service", "workers"])
def test_no_file_grows_past_400_lines(package: str) -> None:
    sizes = {
        path.relative_to(HOUSE).as_posix(): len(path.read_text().splitlines())
        for path in (HOUSE / package).rglob("*.py")
    }
    assert {name: lines for name, lines in sizes.items() if lines > 400 and name not in LONG} == {}


def test_a_noun_has_one_file_name_on_every_floor() -> None:
    """`ls service/*/takes.py` shows a whole feature, so no floor may call it take.py or takes_store.py."""
    names = {
        path.stem
        for floor in ("api", "actions", "store", "domain")
        for path in (HOUSE / "service" / floor).glob("*.py")
    }
    names.discard("__init__")
    assert [name for name in names if f"{name}s" in names] == []
    assert [
        name for name in names if re.search(r"_?(api|actions?|store|domain|routes?|models?|schemas|service)$", name)
    ] == []


def test_no_file_is_named_for_nothing_in_particular() -> None:
    vague = {"utils", "util", "helpers", "core", "manager", "base", "common", "misc", "service", "lib"}
    assert [path for path in tracked_files() if path.suffix == ".py" and path.stem in vague] == []


def test_no_file_names_a_registry() -> None:
    """Where packages come from is the business of the machine that installs them."""
    hosts = [
        ("pypi", "org"),
        ("python" + "hosted", "org"),
        ("registry", "npmjs"),
        ("deb", "debian", "org"),
        ("docker", "io"),
    ]
    hosts += [("ghcr", "io"), ("quay", "io"), ("conda", "anaconda"), ("proxy", "golang")]
    forbidden = re.compile("|".join([re.escape(".".join(host)) for host in hosts] + ["--(extra-)?index" + "-url[ =]"]))
    named = [path for path in tracked_files() if forbidden.search(path.read_text(errors="ignore"))]
    assert named == []


def test_every_lint_exception_gives_its_reason() -> None:
    """And every doubt of a type outside the tests, where what a line does to the types is plain."""
    silent = [
        f"{path.relative_to(HOUSE)}:{number}"
        for path in tracked_files()
        if path.suffix == ".py"
        for exception in [r"noqa\b" if path.is_relative_to(HOUSE / "tests") else r"(noqa|type:\s*ignore)\b"]
        for number, line in enumerate(path.read_text().splitlines(), start=1)
        if re.search(rf"#\s*{exception}", line)
        and not re.search(r"(noqa: |ignore\[)[\w, -]+\]? +(#|-|--|—) ?\S+", line)
    ]
    assert silent == []


def test_every_ignored_rule_gives_its_reason() -> None:
    """In the configuration, a comment stands over each rule, or over the group of rules, that is switched off."""
    text = (HOUSE / "pyproject.toml").read_text()
    lists = re.findall(r'^(?:ignore|"[\w/*.]+") = \[\n(.*?)^\]', text, flags=re.MULTILINE | re.DOTALL)
    assert len(lists) == 1 + len(PROJECT["tool"]["ruff"]["lint"]["per-file-ignores"])
    assert [block for block in lists if not block.lstrip().startswith("#")] == []


@pytest.mark.parametrize("lock", ["requirements.lock", "requirements-dev.lock"])
def test_lock_holds_what_the_project_asks_for(lock: str) -> None:
    pins = dict(re.findall(r"^([\w.-]+)==(\S+)", (HOUSE / lock).read_text(), flags=re.MULTILINE))
    extras = PROJECT["project"]["optional-dependencies"]
    wanted = PROJECT["project"]["dependencies"] + extras["server"] + PROJECT["dependency-groups"]["build"]
    if lock == "requirements-dev.lock":
        wanted += extras["dev"]
    for requirement in map(Requirement, wanted):
        assert pins[canonicalize_name(requirement.name)] in requirement.specifier, requirement


def test_locks_agree() -> None:
    server, both = (
        set(re.findall(r"^[\w.-]+==\S+", (HOUSE / lock).read_text(), flags=re.MULTILINE))
        for lock in ("requirements.lock", "requirements-dev.lock")
    )
    assert server < both


def test_locked_packages_carry_hashes() -> None:
    for lock in ("requirements.lock", "requirements-dev.lock"):
        for entry in re.split(r"\n(?=\S)", (HOUSE / lock).read_text()):
            assert entry.startswith("#") or "--hash=sha256:" in entry, entry


def test_declared_workers_and_channels_are_found_by_their_entry_points() -> None:
    for group, declared in PROJECT["project"]["entry-points"].items():
        installed = {
            point.name: point.value
            for point in entry_points(group=group)
            if point.dist and point.dist.name == "tiedown"
        }
        assert installed == declared
