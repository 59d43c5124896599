"""Files come to be whole, durable, private and the invoking user's, and replace nothing unasked."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivecare.errors import Refused, Unavailable
from drivecare.storage import create_file, create_folder, new_file, write_file

NOBODY = 65534
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")


@pytest.fixture(autouse=True)
def usual_umask() -> None:
    os.umask(0o022)


@pytest.fixture
def through_sudo(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SUDO_UID", str(NOBODY))
    monkeypatch.setenv("SUDO_GID", str(NOBODY))


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def mode(path: Path) -> int:
    return stat.S_IMODE(path.lstat().st_mode)


@pytest.mark.promise(11)
@pytest.mark.parametrize("replace", [False, True])
def test_a_file_is_its_owners_alone(tmp_path: Path, replace: bool) -> None:
    path = tmp_path / "receipt.json"
    if replace:
        path.write_text("former")
    write_file(path, b"x", replace=replace)
    assert mode(path) == 0o600


@pytest.mark.promise(11)
def test_folders_are_their_owners_alone_those_above_too(tmp_path: Path) -> None:
    create_folder(tmp_path / "a" / "b", parents=True)
    assert (mode(tmp_path / "a"), mode(tmp_path / "a" / "b")) == (0o700, 0o700)
    with pytest.raises(FileExistsError):
        create_folder(tmp_path / "a" / "b", parents=True)


@as_root
@pytest.mark.usefixtures("through_sudo")
def test_under_sudo_everything_is_the_invoking_users(tmp_path: Path) -> None:
    create_folder(tmp_path / "a" / "b", parents=True)
    write_file(tmp_path / "a" / "whole", b"x")
    write_file(tmp_path / "a" / "whole", b"y", replace=True)
    os.close(create_file(tmp_path / "a" / "open"))
    for path in (tmp_path / "a", *(tmp_path / "a").iterdir()):
        assert (path.lstat().st_uid, path.lstat().st_gid) == (NOBODY, NOBODY), path
    assert tmp_path.stat().st_uid == 0


@pytest.mark.promise(11)
@as_root
@pytest.mark.usefixtures("through_sudo")
def test_nothing_changes_hands_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "roots").write_text("root's")
    (tmp_path / "link").symlink_to(tmp_path / "roots")
    with pytest.raises(FileExistsError):
        create_file(tmp_path / "link")
    with pytest.raises(Refused):
        write_file(tmp_path / "link", b"x")
    write_file(tmp_path / "link", b"x", replace=True)  # the link is what was replaced
    assert not (tmp_path / "link").is_symlink()
    assert ((tmp_path / "roots").stat().st_uid, (tmp_path / "roots").read_text()) == (0, "root's")


def test_a_file_system_without_owners_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """FAT and exFAT answer EPERM to a change of owner (Linux, fs/fat/file.c, fat_setattr)."""
    monkeypatch.setenv("SUDO_UID", str(NOBODY))
    monkeypatch.setattr(os, "geteuid", lambda: 0)

    def no_owners(*_: int) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "fchown", no_owners)
    write_file(tmp_path / "x", b"x")
    assert (tmp_path / "x").read_bytes() == b"x"


def test_a_file_that_cannot_be_given_away_is_not_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SUDO_UID", str(NOBODY))
    monkeypatch.setattr(os, "geteuid", lambda: 0)

    def gone(*_: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fchown", gone)
    with pytest.raises(Unavailable, match="cannot be written: Input/output error"):
        write_file(tmp_path / "x", b"x")
    assert names(tmp_path) == []


def test_a_file_is_whole_or_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "sheet.json"
    write_file(path, b"first")

    def no_room(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", no_room)
    with pytest.raises(Unavailable, match="No space left"):
        write_file(path, b"second, which does not fit", replace=True)
    assert path.read_bytes() == b"first"
    assert names(tmp_path) == ["sheet.json"]


def test_an_error_while_it_is_written_leaves_nothing(tmp_path: Path) -> None:
    def rows() -> Iterator[bytes]:
        yield b"half"
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError), new_file(tmp_path / "table.csv") as stream:
        stream.writelines(rows())
    assert names(tmp_path) == []


@pytest.mark.parametrize("replace", [False, True])
def test_the_data_is_flushed_before_it_takes_the_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, replace: bool
) -> None:
    happened: list[str] = []

    def flush(descriptor: int) -> None:
        kind = "folder" if stat.S_ISDIR(os.fstat(descriptor).st_mode) else "data"
        happened.append(f"{kind}, named: {(tmp_path / 'x').exists()}")

    monkeypatch.setattr(os, "fsync", flush)
    write_file(tmp_path / "x", b"", replace=replace)
    assert happened == ["data, named: False", "folder, named: True"]


@pytest.mark.promise(11)
@pytest.mark.parametrize("hard_links", [True, False], ids=["link", "no hard links, as on FAT"])
def test_nothing_is_replaced_unasked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hard_links: bool) -> None:
    """FAT answers EPERM to link(2), see its manual page: "The filesystem ... does not support ... hard links"."""

    def no_links(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    if not hard_links:
        monkeypatch.setattr(os, "link", no_links)
    path = tmp_path / "x"
    write_file(path, b"mine")
    with pytest.raises(Refused, match=r"x: already exists, and nothing is overwritten unasked\. Choose another name\."):
        write_file(path, b"other")
    assert path.read_bytes() == b"mine"
    assert names(tmp_path) == ["x"]


def test_a_link_that_leads_nowhere_is_a_name_that_is_taken(tmp_path: Path) -> None:
    (tmp_path / "x").symlink_to(tmp_path / "none")
    with pytest.raises(Refused):
        write_file(tmp_path / "x", b"data")
    assert not (tmp_path / "none").exists()
