"""Notices as files: whole or not at all, once, and never outside the operator's folder."""

import json
import os
import resource
import signal
from collections.abc import Callable
from pathlib import Path

import pytest
from pydantic import ValidationError

from tests.workers.channels.receivers import AT, a_message
from workers.channels.contract import Receipt, Sent
from workers.channels.folder import Folder, FolderSettings, FolderTarget


def send(root: Path, below: str = "", **changed: object) -> Sent:
    channel = Folder(FolderSettings(root=root))
    return channel.send(a_message(**changed), FolderTarget(folder=below), secrets=(), now=AT)


def everything(root: Path) -> list[str]:
    return sorted(path.relative_to(root).as_posix() for path in root.rglob("*") if not path.is_dir())


def test_a_notice_is_one_file_however_often_it_is_sent(tmp_path: Path) -> None:
    first = send(tmp_path, "stages/north", text="Der Bühnenboden\n")
    (path,) = tmp_path.rglob("*.json")
    path.write_text("read and marked by a script\n")
    again = send(tmp_path, "stages/north", text="Der Bühnenboden\n")
    other = send(tmp_path, "stages/north", id="msg_quay8", text="\ud800 half a character")

    assert [each.outcome for each in (first, again, other)] == [Receipt.DELIVERED] * 3
    names = ["stages/north/20261024T090503Z-msg_quay7.json", "stages/north/20261024T090503Z-msg_quay8.json"]
    assert everything(tmp_path) == names
    assert path.read_text() == "read and marked by a script\n"
    assert json.loads((tmp_path / names[1]).read_text()) == {
        "id": "msg_quay8",
        "watch": "quay",
        "kind": "take.circled",
        "made_at": "2026-10-24T09:05:03Z",
        "subject": "Take 2 of e1-quay-1 was circled",
        "text": "\ud800 half a character",
        "data": {"shot": "e1-quay-1", "take": 2},
    }


@pytest.mark.parametrize(
    "below", ["..", "a/../..", "/etc", "a//b", "./a", ".", "a/", "a\\..\\b", "a\0b", "a\nb", ".hidden", "é" * 101]
)
def test_a_target_that_is_no_folder_below_is_refused(below: str) -> None:
    with pytest.raises(ValidationError):
        FolderTarget(folder=below)


def test_links_lead_nowhere_except_for_the_operators_own(tmp_path: Path) -> None:
    outside, root = tmp_path / "outside", tmp_path / "root"
    outside.mkdir()
    root.mkdir()
    (root / "out").symlink_to(outside)
    (root / "file").write_text("")
    # A link where the notice would be, to a file that is to be overwritten.
    (root / "20261024T090503Z-msg_quay7.json").symlink_to(outside / "overwritten")

    for below in ("out", "out/deeper", "file"):
        sent = send(root, below)
        assert (sent.outcome, "never followed" in sent.detail) == (Receipt.REFUSED, True)
    assert send(root).outcome is Receipt.DELIVERED
    assert everything(outside) == []

    (tmp_path / "link").symlink_to(outside)
    assert send(tmp_path / "link").outcome is Receipt.DELIVERED
    assert len(everything(outside)) == 1


def test_a_folder_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    sent = send(tmp_path / "mount")
    assert (sent.outcome, (tmp_path / "mount").exists()) == (Receipt.FAILED, False)
    assert "Mount its disk, or make it" in sent.detail


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path) -> None:
    """The limit on a file's size stands in for a full disk: the file system takes some bytes and then no more."""
    limits, before = resource.getrlimit(resource.RLIMIT_FSIZE), signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, limits[1]))
        sent = send(tmp_path, text="x" * 10_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, before)

    assert sent.outcome is Receipt.FAILED
    assert "could not be written (File too large)" in sent.detail
    assert everything(tmp_path) == []


@pytest.mark.parametrize(
    ("number", "right"), [(28, "make room"), (30, "mount it for writing"), (13, "the right to write"), (95, "Look at")]
)
def test_what_would_be_right_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, right: str) -> None:
    def failing(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "rename", failing)
    sent = send(tmp_path)

    assert (sent.outcome, everything(tmp_path)) == (Receipt.FAILED, [])
    assert right in sent.detail


def test_what_is_shown_under_its_name_is_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The order of the calls, since no test can pull the plug: bytes, then the name, then the folder that has it."""
    calls: list[str] = []

    def noted(what: str, real: Callable[..., object]) -> Callable[..., object]:
        def call(*arguments: object, **named: object) -> object:
            calls.append(what)
            return real(*arguments, **named)

        return call

    monkeypatch.setattr(os, "fsync", noted("fsync", os.fsync))
    monkeypatch.setattr(os, "rename", noted("rename", os.rename))
    send(tmp_path)
    assert calls == ["fsync", "rename", "fsync"]
