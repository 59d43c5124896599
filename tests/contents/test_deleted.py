"""A place that a deleted file left is free, and told as its own as far as the file system still knows."""

from __future__ import annotations

import re
import shutil
import struct
from pathlib import Path

import pytest

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.fat_deleted import deleted_in_fat
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import Hold, hits_nothing
from tests.bench.loop import attached
from tests.contents.images import content_of, need, run
from tests.contents.test_file_systems import look, place_of
from tests.contents.tiny_fat import DATA_AT, ROOT_AT, SECTOR, TABLE_SECTORS, tiny_fat

ALL = Area(offset=0, length=4096)


def test_each_byte_is_told_once_and_only_where_it_is_free() -> None:
    attribution = Attribution([ALL])
    attribution.claim(Owner("file", "/now.txt", 512), Area(offset=0, length=512))
    attribution.claim_deleted(Owner("deleted", "/was.jpg", 9000), Area(offset=0, length=2048))
    attribution.claim_deleted(Owner("deleted", None, 9000), Area(offset=1024, length=2048))
    holds = attribution.holds(0, [Area(offset=512, length=3584)], "")
    assert holds == (
        Hold(kind="file", path="/now.txt", file_kind="document", size_bytes=512, bytes=512),
        Hold(kind="deleted", path="/was.jpg", file_kind="photo", size_bytes=9000, bytes=1536),
        Hold(kind="deleted", size_bytes=9000, bytes=1024),
        Hold(kind="free", bytes=1024),
    )
    assert not hits_nothing(Area(offset=512, length=3584), holds[1:])  # some customers come for deleted files


def test_where_free_space_is_not_known_no_deleted_file_is_named() -> None:
    attribution = Attribution([ALL])
    attribution.claim_deleted(Owner("deleted", "/was.jpg", 9000), ALL)
    assert [hold.kind for hold in attribution.holds(0, None, "not read")] == ["unknown"]


def entry(name: bytes, attributes: int, cluster: int, size: int) -> bytes:
    return struct.pack("<11sB8xH4xHI", name, attributes, cluster >> 16, cluster & 0xFFFF, size)


def long_name(name: str, checksum: int) -> bytes:
    """The deleted entries of a long name (FAT specification, page 27)."""
    letters = f"{name}\0".encode("utf-16-le").ljust(-(-2 * (len(name) + 1) // 26) * 26, b"\xff")
    pieces = [letters[at : at + 26] for at in range(0, len(letters), 26)]
    return b"".join(
        struct.pack("<B10sBBB12sH4s", 0xE5, piece[:10], 0x0F, 0, checksum, piece[10:22], 0, piece[22:])
        for piece in reversed(pieces)
    )


def checksum(short: bytes) -> int:
    """As the FAT specification 1.03 prints it, page 28."""
    total = 0
    for byte in short:
        total = ((0x80 if total & 1 else 0) + (total >> 1) + byte) & 0xFF
    return total


NAME = "Sunset over the bay.jpg"
SHORT = b"SUNSET~1JPG"


@pytest.mark.parametrize(
    ("content", "names"),
    [
        (entry(b"\xe5HOTO   JPG", 0x20, 2, 9), ["?HOTO.JPG"]),
        (long_name(NAME, checksum(SHORT)) + entry(b"\xe5" + SHORT[1:], 0x20, 2, 9), [NAME]),
        (long_name("Moon.jpg", checksum(SHORT)) + entry(b"\xe5" + SHORT[1:], 0x20, 2, 9), ["?UNSET~1.JPG"]),
        (long_name(NAME, 7) + entry(b"\xe5" + SHORT[1:], 0x20, 2, 9), ["?UNSET~1.JPG"]),
        (entry(b"PHOTO   JPG", 0x20, 2, 9), []),
        (entry(b"\xe5HOP       ", 0x08, 0, 0), []),
        (bytes(32) + entry(b"\xe5HOTO   JPG", 0x20, 2, 9), []),
    ],
    ids=["short", "long", "another's long name", "no checksum", "in use", "label", "after the last"],
)  # fmt: skip
def test_what_an_entry_of_fat_still_tells(content: bytes, names: list[str]) -> None:
    assert [deleted.name for deleted in deleted_in_fat(content)] == names


def card(*, deleted: bool) -> bytes:
    """The tiny card, on which a photo of three clusters and a folder with another photo may have been deleted."""
    image = bytearray(tiny_fat())
    mark = b"\xe5" if deleted else b"D"
    folder = entry(b".".ljust(11), 0x10, 50, 0) + entry(b"..".ljust(11), 0x10, 0, 0)
    folder += entry(mark + b"EEP    JPG", 0x20, 60, 700)
    image[place_of_cluster(50) : place_of_cluster(50) + len(folder)] = folder
    root = entry(mark + b"AYS       ", 0x10, 50, 0)
    image[ROOT_AT + 96 : ROOT_AT + 128] = root
    if deleted:
        image[ROOT_AT + 32] = 0xE5
        for table in (SECTOR, SECTOR + TABLE_SECTORS * SECTOR):
            image[table + 3 : table + 7] = bytes(3) + bytes([image[table + 6] & 0xF0])  # clusters 2 to 4
    return bytes(image)


def place_of_cluster(cluster: int) -> int:
    return DATA_AT + (cluster - 2) * SECTOR


def test_of_a_file_deleted_on_fat_the_beginning_is_told_and_nothing_guessed(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(card(deleted=True))
    places = [Area(offset=place_of_cluster(cluster), length=SECTOR) for cluster in (2, 3, 5, 50, 60, 61)]
    holds = [(area.holds[0].kind, area.holds[0].path) for area in look(image, *places).areas]
    assert holds == [
        ("deleted", "/?HOTO.JPG"),
        ("free", None),
        ("file", "/NOTE.TXT"),
        ("free", None),
        ("deleted", "/?AYS/?EEP.JPG"),
        ("free", None),
    ]


def test_a_place_that_was_a_deleted_folders_is_not_read_as_one(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    content = bytearray(card(deleted=True))
    content[place_of_cluster(50) + 26] = 51  # the folder that begins so was another
    image.write_bytes(content)
    (area,) = look(image, Area(offset=place_of_cluster(60), length=SECTOR)).areas
    assert [hold.kind for hold in area.holds] == ["free"]


@pytest.mark.bench
@pytest.mark.parametrize("bits", [16, 32])
def test_what_fat_knows_of_what_mtools_deleted(bits: int, tmp_path: Path) -> None:
    """Of FAT32 only behind the first 65,536 clusters: others may have lost half of the number of their first one."""
    need("mkfs.vfat", "mcopy", "mdel", "mdeltree")
    image, early, late, folder = (tmp_path / name for name in ("card.img", "early.jpg", "late.jpg", "Videos"))
    early.write_bytes(content_of("early", 3000))
    late.write_bytes(content_of("late", 3000))
    (tmp_path / "filler").write_bytes(b"filler" * 5_800_000)  # 34.8 MB
    folder.mkdir()
    (folder / "holiday at the lake.mp4").write_bytes(content_of("holiday", 3000))
    run("mkfs.vfat", "-C", "-F", bits, "-s", {16: 8, 32: 1}[bits], image, 60 * 1024)
    run("mcopy", "-s", "-i", image, early, tmp_path / "filler", late, folder, "::")
    run("mdel", "-i", image, "::early.jpg", "::late.jpg")
    run("mdeltree", "-i", image, "::Videos")
    pieces = [content_of(name, 3000)[:512] for name in ("early", "late", "holiday")]
    areas = look(image, *(Area(offset=place_of(image, piece), length=512) for piece in pieces)).areas
    told = [("deleted", "/?ARLY.JPG"), ("deleted", "/?ATE.JPG"), ("deleted", "/Videos/holiday at the lake.mp4")]
    assert [(area.holds[0].kind, area.holds[0].path) for area in areas] == (
        told if bits == 16 else [("free", None), *told[1:]]
    )


@pytest.mark.bench
@pytest.mark.parametrize("image", ["exFAT"], indirect=True)
def test_what_exfat_knows_of_deleted_files_and_folders(image: Path, files: Path, tmp_path: Path) -> None:
    copy = without(image, tmp_path, "mount.exfat-fuse", "Pictures/2024/IMG_0007.jpg", "Videos")
    photo = (files / "Pictures/2024/IMG_0007.jpg").read_bytes()
    video = (files / "Videos/holiday.mp4").read_bytes()
    places = [place_of(copy, piece) for piece in (photo[4096:8192], photo[16384:], video[-4096:])]
    areas = look(copy, *(Area(offset=place, length=512) for place in places)).areas
    assert [(area.holds[0].kind, area.holds[0].path, area.holds[0].size_bytes) for area in areas] == [
        ("deleted", "/Pictures/2024/IMG_0007.jpg", len(photo)),
        ("deleted", "/Pictures/2024/IMG_0007.jpg", len(photo)),
        ("deleted", "/Videos/holiday.mp4", len(video)),
    ]


@pytest.mark.bench
@pytest.mark.parametrize("image", ["ext4"], indirect=True)
def test_of_ext4_it_knows_what_debugfs_lists_as_deleted(image: Path, files: Path, tmp_path: Path) -> None:
    need("debugfs")
    copy = tmp_path / "ext4.img"
    shutil.copyfile(image, copy)
    photo = (files / "Pictures/2024/IMG_0007.jpg").read_bytes()
    place = Area(offset=place_of(copy, photo[8192:12288]), length=4096)
    assert "0 deleted inodes found" in run("debugfs", "-R", "lsdel", copy)
    run("debugfs", "-w", "-R", "rm /Pictures/2024/IMG_0007.jpg", copy)
    listed = re.findall(r"^ *(\d+) +\d+ +100\d+ +(\d+)", run("debugfs", "-R", "lsdel", copy), re.MULTILINE)
    assert [int(size) for _, size in listed] == [len(photo)]
    (area,) = look(copy, place).areas
    assert [(hold.kind, hold.path, hold.size_bytes, hold.bytes) for hold in area.holds] == [
        ("deleted", None, len(photo), 4096)
    ]


@pytest.mark.bench
@pytest.mark.parametrize("image", ["ext4"], indirect=True)
def test_where_linux_deleted_a_file_ext4_knows_no_more_than_debugfs(image: Path, files: Path, tmp_path: Path) -> None:
    copy = without(image, tmp_path, "mount", "Pictures/2024/IMG_0007.jpg")
    assert "0 deleted inodes found" in run("debugfs", "-R", "lsdel", copy)
    photo = (files / "Pictures/2024/IMG_0007.jpg").read_bytes()
    (area,) = look(copy, Area(offset=place_of(copy, photo[8192:12288]), length=4096)).areas
    assert [hold.kind for hold in area.holds] == ["free"]


def without(image: Path, folder: Path, mount: str, *names: str) -> Path:
    """A copy of an image in which files and folders were deleted as whoever uses it deletes them."""
    copy, place = folder / image.name, folder / "mount"
    shutil.copyfile(image, copy)
    place.mkdir()
    with attached(copy) as device:
        run(mount, device, place)
        try:
            run("rm", "-r", *(place / name for name in names))
        finally:
            run("umount", place)
    return copy


@pytest.mark.bench
@pytest.mark.parametrize("image", ["NTFS"], indirect=True)
def test_what_ntfs_knows_of_a_deleted_picture(image: Path, files: Path, tmp_path: Path) -> None:
    """Whose the place was, the content tells that is still there."""
    copy = without(image, tmp_path, "ntfs-3g", "Pictures/2024/IMG_0007.jpg")
    picture = (files / "Pictures/2024/IMG_0007.jpg").read_bytes()
    at = place_of(copy, picture[8192:12288])
    (area,) = look(copy, Area(offset=at, length=4096)).areas
    assert [(hold.kind, hold.bytes, hold.size_bytes) for hold in area.holds] == [("deleted", 4096, len(picture))]
    assert area.holds[0].path == "/Pictures/2024/IMG_0007.jpg"
    (kept,) = look(image, Area(offset=at, length=4096)).areas
    assert [hold.kind for hold in kept.holds] == ["file"]
