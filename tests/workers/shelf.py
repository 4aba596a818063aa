"""A shelf of plugins, as an installer would leave them in a folder."""

from collections.abc import Sequence
from importlib.metadata import EntryPoint, PathDistribution
from pathlib import Path
from textwrap import dedent

from workers.contract import ENTRY_POINTS


class Shelf:
    """A folder of distributions with entry points, as an installer would leave it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, distribution: str, source: str, *, group: str = ENTRY_POINTS, **points: str) -> None:
        """Add a distribution of one module, with an entry point of a group for each `name="Class"`."""
        module = distribution.replace("-", "_")
        (self.folder / f"{module}.py").write_text(dedent(source))
        info = self.folder / f"{module}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 1.0\n")
        self.add(distribution, group=group, **points)

    def add(self, distribution: str, *, group: str, **points: str) -> None:
        """Add entry points of a group to a distribution."""
        module = distribution.replace("-", "_")
        lines = "".join(f"{name} = {module}:{target}\n" for name, target in points.items())
        with (self.folder / f"{module}-1.0.dist-info" / "entry_points.txt").open("a") as written:
            written.write(f"[{group}]\n{lines}")

    def points(self) -> Sequence[EntryPoint]:
        """Every entry point on the shelf."""
        return [
            point for info in sorted(self.folder.glob("*.dist-info")) for point in PathDistribution(info).entry_points
        ]
