"""Which file system a file lies on.

SQLite's write-ahead log needs shared memory and locks that a network does not give.
"""

import re
import subprocess
import sys
from pathlib import Path, PurePosixPath

# Source of the names: the file system types of Linux's fs/ folder and of mount(8) on macOS that reach another machine.
NETWORK_TYPES = frozenset(
    {
        "9p",
        "acfs",
        "afpfs",
        "afs",
        "beegfs",
        "ceph",
        "cifs",
        "coda",
        "davfs",
        "gfs",
        "gfs2",
        "glusterfs",
        "gpfs",
        "lustre",
        "ncpfs",
        "nfs",
        "nfs4",
        "ocfs2",
        "orangefs",
        "smb2",
        "smb3",
        "smbfs",
        "webdav",
    }
)
NETWORK_FUSE = frozenset(
    {"ceph", "davfs2", "gcsfuse", "glusterfs", "grpcfuse", "juicefs", "rclone", "s3fs", "sshfs", "smbnetfs"}
)
MOUNTINFO = Path("/proc/self/mountinfo")
_MAC_MOUNT = re.compile(r"^.* on (?P<point>/.*) \((?P<type>[^,)]+)[,)]")


def network_type(path: Path) -> str | None:
    """The network file system's type that `path` (absolute, resolved) lies on; None where it lies on a local one.

    A system that does not tell its mounts is taken for local: refusing every file there would help nobody.
    """
    found = kind_of(PurePosixPath(path), _mounts())
    return found if found is not None and is_network(found) else None


def is_network(kind: str) -> bool:
    """Whether a file system of this type reaches another machine."""
    return kind.lower() in NETWORK_TYPES or (kind.startswith("fuse.") and kind.removeprefix("fuse.") in NETWORK_FUSE)


def kind_of(path: PurePosixPath, mounts: list[tuple[PurePosixPath, str]]) -> str | None:
    """The type of the file system that `path` lies on: the deepest mount point above it, the last of equal ones."""
    kind, depth = None, 0
    for point, mounted in mounts:
        if path.is_relative_to(point) and len(point.parts) >= depth:
            kind, depth = mounted, len(point.parts)
    return kind


def parse_mountinfo(text: str) -> list[tuple[PurePosixPath, str]]:
    """Mount points and types from Linux's /proc/self/mountinfo (format: proc_pid_mountinfo(5))."""
    mounts = []
    for line in text.splitlines():
        fields, _, tail = line.partition(" - ")
        if tail:
            mounts.append((PurePosixPath(_unescaped(fields.split(" ")[4])), tail.split(" ")[0]))
    return mounts


def parse_mount_command(text: str) -> list[tuple[PurePosixPath, str]]:
    """Mount points and types from what `mount` prints on macOS: `what on /where (type, option, …)`."""
    found = (_MAC_MOUNT.match(line) for line in text.splitlines())
    return [(PurePosixPath(match["point"]), match["type"]) for match in found if match]


def _unescaped(field: str) -> str:
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), field)


def _mounts() -> list[tuple[PurePosixPath, str]]:
    if sys.platform == "darwin":
        printed = subprocess.run(["/sbin/mount"], capture_output=True, text=True, check=False, timeout=10)
        return parse_mount_command(printed.stdout)
    try:
        return parse_mountinfo(MOUNTINFO.read_text(encoding="utf-8", errors="surrogateescape"))
    except OSError:
        return []
