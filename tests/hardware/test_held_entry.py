"""A file by its descriptor on a real file system: what it reads and writes, and that it tells what was not kept."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivecare.hardware.held_folder import HeldFolder

CONTENT = bytes(range(256)) * 40_000  # ten megabytes: more than one read


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[HeldFolder]:
    (tmp_path / "film").write_bytes(CONTENT)
    (tmp_path / "empty").touch()
    with HeldFolder.hold(tmp_path) as held:
        yield held


@pytest.mark.parametrize("name", [b"film", b"empty"])
def test_a_digest_past_the_cache_is_that_of_the_content(folder: HeldFolder, name: bytes) -> None:
    counts: list[int] = []
    with folder.open_file(name) as file:
        digest, _ = file.digest_past_cache(counts.append)
        size = file.status().st_size
    assert digest == hashlib.sha256((folder.path / os.fsdecode(name)).read_bytes()).hexdigest()
    assert sum(counts) == size


def test_what_is_written_lies_where_it_was_put(folder: HeldFolder) -> None:
    with folder.create_file(b"new") as file:
        file.write(b"there", 5)
        file.write(b"here ", 0)
        file.set_length(12)
        file.flush()
    with folder.open_file(b"new", "append") as file:
        file.append(b"end")
    assert (folder.path / "new").read_bytes() == b"here there\0\0end"
    with folder.open_file(b"new") as file:
        assert (file.read(5, 5), file.read(9, 12), file.read(9, 99)) == (b"there", b"end", b"")


def test_a_file_is_locked_for_one_alone(folder: HeldFolder) -> None:
    with folder.open_file(b"film", "append") as first, folder.open_file(b"film", "append") as second:
        first.lock()
        with pytest.raises(BlockingIOError):
            second.lock()
    with folder.open_file(b"film", "append") as third:
        third.lock()


def test_what_is_set_is_kept(folder: HeldFolder) -> None:
    with folder.open_file(b"film") as file:
        assert file.set_mode(0o640)
        assert file.set_time(1_234_567_890_000_000_000)
        assert file.set_owner(os.geteuid(), os.getegid())
        info = file.status()
    assert (info.st_mode & 0o7777, info.st_mtime_ns) == (0o640, 1_234_567_890_000_000_000)


def test_what_is_not_kept_is_told(monkeypatch: pytest.MonkeyPatch, folder: HeldFolder) -> None:
    """As on a file system without modes, owners and attributes, whose times are coarse."""

    def refuse(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    for name in ("fchmod", "fchown", "setxattr"):
        monkeypatch.setattr(os, name, refuse)
    monkeypatch.setattr(os, "utime", lambda *_, **__: None)
    with folder.open_file(b"film") as file:
        mtime_ns = file.status().st_mtime_ns
        assert not file.set_mode(0o741)
        assert not file.set_owner(12_345, 12_345)
        assert not file.set_attribute("user.note", b"x")
        assert file.set_time(mtime_ns + 2_000_000_000)
        assert not file.set_time(mtime_ns + 2_000_000_001)


def test_attributes_are_read_as_they_were_set(folder: HeldFolder) -> None:
    with folder.open_file(b"film") as file:
        if not file.set_attribute("user.note", b"kept"):
            pytest.skip("this file system keeps no extended attributes")
        assert file.attributes()["user.note"] == b"kept"
    assert folder.attributes(b"film")["user.note"] == b"kept"
