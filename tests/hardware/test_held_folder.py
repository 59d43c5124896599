"""A held folder on a real file system: what it reaches, what it refuses, and that no swap leads it elsewhere."""

from __future__ import annotations

import os
import socket
import stat
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivecare.hardware.held_folder import HeldFolder
from drivecare.transfer.files.file_system import WrongKind

ACTIONS: dict[str, Callable[[HeldFolder], object]] = {
    "status": lambda held: held.status(b"inner/file"),
    "names": lambda held: held.names(b"inner"),
    "attributes": lambda held: held.attributes(b"inner/file"),
    "open_file": lambda held: held.open_file(b"inner/file"),
    "open_folder": lambda held: held.open_folder(b"inner"),
    "create_file": lambda held: held.create_file(b"inner/new"),
    "make_folder": lambda held: held.make_folder(b"inner"),
    "make_folder below": lambda held: held.make_folder(b"inner/new"),
    "make_link": lambda held: held.make_link(b"file", b"inner/new"),
    "read_link": lambda held: held.read_link(b"inner/link"),
    "link_file from": lambda held: held.link_file(b"inner/file", b"new"),
    "link_file to": lambda held: held.link_file(b"top", b"inner/new"),
    "remove": lambda held: held.remove(b"inner/file"),
    "remove_folder": lambda held: held.remove_folder(b"inner/folder"),
    "flush": lambda held: held.flush(b"inner/file"),
    "save": lambda held: held.save(b"inner/file", b"written"),
}


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    folder = tmp_path / "outside"
    folder.mkdir()
    (folder / "file").write_bytes(b"outside")
    (folder / "link").symlink_to("file")
    (folder / "folder").mkdir()
    return folder


@pytest.fixture
def held(tmp_path: Path) -> Iterator[HeldFolder]:
    top = tmp_path / "held"
    (top / "inner").mkdir(parents=True)
    (top / "inner" / "file").write_bytes(b"inside")
    (top / "top").write_bytes(b"top")
    with HeldFolder.hold(top) as folder:
        yield folder


@pytest.mark.parametrize("action", ACTIONS.values(), ids=ACTIONS.keys())
def test_a_folder_that_became_a_link_is_not_entered(
    held: HeldFolder, outside: Path, action: Callable[[HeldFolder], object]
) -> None:
    (held.path / "inner").rename(held.path / "aside")
    (held.path / "inner").symlink_to(outside)
    before = {path: path.lstat() for path in outside.iterdir()}
    with pytest.raises(WrongKind, match="inner is a link, not a folder") as caught:
        action(held)
    assert caught.value.path == b"inner"
    assert {path: path.lstat() for path in outside.iterdir()} == before


def test_the_folder_itself_may_be_renamed_and_replaced(held: HeldFolder, outside: Path) -> None:
    moved = held.path.rename(held.path.with_name("moved"))
    held.path.symlink_to(outside)
    held.save(b"file", b"mine")
    assert (moved / "file").read_bytes() == b"mine"
    assert held.anchor.samefile(moved)
    assert (outside / "file").read_bytes() == b"outside"


def test_a_last_name_that_is_a_link_is_neither_read_nor_written_through(held: HeldFolder, outside: Path) -> None:
    (held.path / "link").symlink_to(outside / "file")
    with pytest.raises(WrongKind, match="link is a link, not a file"):
        held.open_file(b"link")
    with pytest.raises(FileExistsError):
        held.create_file(b"link")
    held.save(b"link", b"mine")
    assert not (held.path / "link").is_symlink()
    assert (outside / "file").read_bytes() == b"outside"


@pytest.mark.timeout(20)
def test_only_files_are_opened(held: HeldFolder) -> None:
    os.mkfifo(held.path / "pipe")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(held.anchor / "socket"))
    for name, kind in ((b"pipe", "a named pipe"), (b"socket", "a socket"), (b"inner", "a folder")):
        with pytest.raises(WrongKind, match=f"is {kind}, not a file"):
            held.open_file(name)


@pytest.mark.parametrize("path", [b"", b".", b"..", b"inner/..", b"inner/../top", b"inner/./file", b"inner//file"])
def test_a_path_only_goes_down(held: HeldFolder, path: bytes) -> None:
    with pytest.raises(ValueError, match="names nothing beneath a folder"):
        held.status(path)


def test_what_is_made_is_for_its_owner_alone(held: HeldFolder) -> None:
    umask = os.umask(0)
    try:
        held.create_file(b"file").close()
        held.make_folder(b"folder")
        (held.path / "inner").chmod(0o777)
        held.make_folder(b"inner")
    finally:
        os.umask(umask)
    modes = {name: stat.S_IMODE((held.path / name).stat().st_mode) for name in ("file", "folder", "inner")}
    assert modes == {"file": 0o600, "folder": 0o700, "inner": 0o700}


def test_a_save_that_fails_leaves_the_old_and_nothing_else(held: HeldFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        held.save(b"top", b"new")
    assert (held.path / "top").read_bytes() == b"top"
    assert sorted(path.name for path in held.path.iterdir()) == ["inner", "top"]


def test_a_walk_lists_all_and_follows_nothing(held: HeldFolder, outside: Path) -> None:
    (held.path / "link").symlink_to(outside)
    (held.path / "inner" / "circle").symlink_to("..")
    assert [path for path, _ in held.walk(b"")] == [b"inner", b"link", b"top", b"inner/circle", b"inner/file"]


def test_a_path_longer_than_the_kernel_takes_at_once(held: HeldFolder) -> None:
    """PATH_MAX is 4,096 bytes; a tree may be deeper."""
    path = b"inner"
    for _ in range(20):
        path += b"/" + b"d" * 250
        held.make_folder(path)
    held.save(path + b"/file", b"deep")
    assert held.status(path + b"/file").st_size == 4
    assert [name for name, _ in held.walk(b"inner")][-1] == path + b"/file"
    subprocess.run(["rm", "-r", held.path / "inner"], check=True)  # which pytest's own clearing away cannot


def test_descriptors_are_given_back(held: HeldFolder, outside: Path) -> None:
    def descriptors() -> int:
        return len(os.listdir("/proc/self/fd"))

    (held.path / "swapped").symlink_to(outside)
    before = descriptors()
    with HeldFolder.hold(held.path) as again:
        again.status(b"inner/file")
        again.flush(b"inner/file")
        again.flush(b"inner")
        again.save(b"inner/other", b"x")
        again.link_file(b"inner/other", b"inner/second")
        list(again.walk(b""))
        for _ in range(3):
            with pytest.raises(WrongKind):
                again.status(b"swapped/file")
    assert descriptors() == before


def test_a_folder_tells_whether_its_drive_is_there(held: HeldFolder) -> None:
    assert held.is_attached
    held.device = os.makedev(259, 1_000_000)
    assert not held.is_attached


@pytest.mark.bench
@pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount")
def test_a_file_system_mounted_beneath_is_outside(held: HeldFolder) -> None:
    (held.path / "mounted").mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "tmpfs", held.path / "mounted"], check=True)
    try:
        (held.path / "mounted" / "file").write_bytes(b"elsewhere")
        with pytest.raises(WrongKind, match="mounted is on another file system"):
            held.open_file(b"mounted/file")
        assert b"mounted/file" not in [path for path, _ in held.walk(b"")]
    finally:
        subprocess.run(["umount", held.path / "mounted"], check=True)
