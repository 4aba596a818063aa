"""`tiedown` speaks even where the server's packages are not installed."""

import subprocess
import sys


def run_without(module: str) -> subprocess.CompletedProcess[str]:
    """Start the command in a process of its own in which `module` cannot be imported."""
    program = f"import sys; sys.modules[{module!r}] = None; from workers.entry import main; main()"
    return subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)


def test_missing_server_package_says_what_to_install() -> None:
    result = run_without("typer")
    assert result.returncode == 1
    assert result.stdout == ""
    assert "'typer' is not installed" in result.stderr
    assert "pip install 'tiedown[server]'" in result.stderr
    assert "Traceback" not in result.stderr


def test_missing_module_of_the_project_is_a_defect_and_is_raised() -> None:
    result = run_without("workers.command")
    assert result.returncode == 1
    assert "ModuleNotFoundError" in result.stderr
    assert "pip install" not in result.stderr
