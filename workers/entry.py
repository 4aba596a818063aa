"""The first step of the command `tiedown`: it must be able to speak where the server's packages are not installed."""

import gc
import sys

OWN = ("service", "workers", "migrations")


def main() -> None:
    """Run the command, or say what to install when the extra `server` is missing.

    A missing module of the project itself is a defect and is raised as it is.
    """
    # Nothing that is loaded ever becomes garbage, and looking through it took a sixth of the start.
    gc.disable()
    try:
        from workers.command import main as command  # noqa: PLC0415 - what it needs may not be installed
    except ModuleNotFoundError as missing:
        package = (missing.name or "").partition(".")[0]
        if not package or package in OWN or package in sys.stdlib_module_names:
            raise
        sys.exit(
            f"tiedown: the package {package!r} is not installed. The command needs the server's packages: "
            "run  python -m pip install 'tiedown[server]'"
        )
    gc.freeze()
    gc.enable()
    command()


if __name__ == "__main__":
    main()
