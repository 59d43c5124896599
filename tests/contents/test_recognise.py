"""A file system is recognised by its mark; what nothing reads is named with the reason."""

from __future__ import annotations

import errno
import shutil
import subprocess
from pathlib import Path

import pytest

from drivecare.contents.recognise import ENCRYPTED, MARKS, Mark, recognise
from tests.contents.images import PATH
from tests.contents.tiny_fat import tiny_fat

SIZE = 1 << 20


def recognised(content: bytes, type: str | None = None) -> Mark:
    return recognise(lambda offset, length: content[offset : offset + length], len(content), type)


def with_mark(mark: Mark) -> bytes:
    content = bytearray(SIZE)
    offset = mark.offset if mark.offset >= 0 else SIZE + mark.offset
    content[offset : offset + len(mark.magic)] = mark.magic
    return bytes(content)


@pytest.mark.parametrize("mark", MARKS, ids=lambda mark: f"{mark.file_system}-{mark.offset}-{mark.magic.hex()}")
def test_each_mark_is_recognised(mark: Mark) -> None:
    assert recognised(with_mark(mark)).file_system == mark.file_system


@pytest.mark.parametrize("mark", MARKS, ids=lambda mark: f"{mark.file_system}-{mark.offset}-{mark.magic.hex()}")
def test_each_has_a_reader_or_a_reason(mark: Mark) -> None:
    assert (mark.reader is None) != (mark.reason is None)
    assert (mark.encrypted is True) == (mark.reason == ENCRYPTED)


@pytest.mark.promise(4)
def test_nothing_known_is_not_guessed() -> None:
    mark = recognised(bytes(SIZE))
    assert (mark.file_system, mark.reader) == ("", None)
    assert mark.reason == "no file system that drivecare knows begins here"


def test_the_type_in_the_table_helps_where_no_mark_does() -> None:
    assert recognised(bytes(SIZE), "e75caf8f-f680-4cee-afa3-b001e56efc2d").file_system == "Storage Spaces"
    assert recognised(tiny_fat(), "e75caf8f-f680-4cee-afa3-b001e56efc2d").file_system == "FAT"


def test_a_mark_that_cannot_be_read_is_no_mark() -> None:
    def at(offset: int, length: int) -> bytes:
        raise OSError(errno.ENODATA, "lost")

    assert recognise(at, SIZE).file_system == ""


# What blkid calls them, where it needs no more than the mark.
@pytest.mark.bench
@pytest.mark.parametrize(
    ("name", "options", "size", "expected"),
    [
        ("mkfs.ext4", ("-q", "-F"), 8 << 20, ("ext", "ext4")),
        ("mkfs.vfat", (), 8 << 20, ("FAT", "vfat")),
        ("mkntfs", ("-q", "-F", "-f"), 8 << 20, ("NTFS", "ntfs")),
        ("mkfs.exfat", (), 8 << 20, ("exFAT", "exfat")),
        ("mkfs.xfs", ("-q",), 330 << 20, ("XFS", "xfs")),
        ("mkswap", (), 8 << 20, ("swap", "swap")),
    ],
)
def test_blkid_recognises_the_same(
    tmp_path: Path, name: str, options: tuple[str, ...], size: int, expected: tuple[str, str]
) -> None:
    if not shutil.which(name, path=PATH):
        pytest.skip(f"needs {name}")
    image = tmp_path / "image"
    with image.open("wb") as file:
        file.truncate(size)
    subprocess.run([name, *options, image], check=True, capture_output=True, env={"PATH": PATH})
    blkid = ["blkid", "-p", "-o", "value", "-s", "TYPE", str(image)]
    theirs = subprocess.run(blkid, check=True, capture_output=True, text=True, env={"PATH": PATH}).stdout.strip()
    assert (recognised(image.read_bytes()).file_system, theirs) == expected
