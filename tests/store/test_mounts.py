"""Which file system a path lies on, from what the systems print."""

from pathlib import Path, PurePosixPath

import pytest

from service.store.mounts import is_network, kind_of, network_type, parse_mount_command, parse_mountinfo

# The first line is the example of proc_pid_mountinfo(5); the others follow its format. Checked from memory.
LINUX = """\
36 35 98:0 /mnt1 /mnt/parent rw,noatime master:1 - ext3 /dev/root rw,errors=continue
25 1 254:0 / / rw,relatime - ext4 /dev/vda rw
40 25 0:44 / /mnt/studio\\040share rw,relatime shared:20 master:3 - nfs4 server:/export rw,vers=4.2
41 40 8:1 / /mnt/studio\\040share/local rw - xfs /dev/sda1 rw
42 25 0:45 / /mnt/sshfs rw - fuse.sshfs someone@host:/ rw
43 25 0:46 / /mnt/over rw - cifs //host/share rw
44 25 8:2 / /mnt/over rw - ext4 /dev/sdb1 rw
"""
# What mount(8) prints on macOS; from memory.
MACOS = """\
/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)
map auto_home on /System/Volumes/Data/home (autofs, automounted, nobrowse)
/dev/disk3s5 on /System/Volumes/Data (apfs, local, journaled, nobrowse)
//someone@host/Studio%20on%20air on /Volumes/Studio on air (smbfs, nodev, nosuid, mounted by someone)
host:/export on /Volumes/export (nfs)
"""


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/home/someone/tiedown.db", "ext4"),
        ("/mnt/parent/tiedown.db", "ext3"),
        ("/mnt/parental/tiedown.db", "ext4"),
        ("/mnt/studio share/tiedown.db", "nfs4"),
        ("/mnt/studio share/local/tiedown.db", "xfs"),
        ("/mnt/sshfs/tiedown.db", "fuse.sshfs"),
        ("/mnt/over/tiedown.db", "ext4"),
    ],
)
def test_on_linux_the_deepest_and_latest_mount_counts(path: str, kind: str) -> None:
    assert kind_of(PurePosixPath(path), parse_mountinfo(LINUX)) == kind


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/tmp/tiedown.db", "apfs"),  # noqa: S108 — a path in a text, no file
        ("/Volumes/Studio on air/tiedown.db", "smbfs"),
        ("/Volumes/export/tiedown.db", "nfs"),
    ],
)
def test_on_macos_the_mount_command_is_read(path: str, kind: str) -> None:
    assert kind_of(PurePosixPath(path), parse_mount_command(MACOS)) == kind


def test_network_file_systems_are_told_from_local_ones() -> None:
    network = ["nfs", "nfs4", "cifs", "smb3", "smbfs", "afpfs", "fuse.sshfs", "fuse.glusterfs", "ceph", "9p"]
    local = ["ext4", "xfs", "btrfs", "zfs", "apfs", "hfs", "tmpfs", "overlay", "fuseblk", "fuse.mergerfs"]
    assert [kind for kind in network + local if is_network(kind)] == network


def test_the_folder_of_these_tests_is_found_on_some_local_file_system(tmp_path: Path) -> None:
    assert network_type(tmp_path.resolve()) is None
