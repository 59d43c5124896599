"""A place that a deleted file left is free, and told with the file's name as far as NTFS still has it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from drivecare.contents.attribution import Attribution, Owner
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import Hold, hits_nothing
from tests.bench.loop import attached
from tests.contents.images import run
from tests.contents.test_file_systems import look, place_of

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


@pytest.mark.bench
@pytest.mark.parametrize("image", ["NTFS"], indirect=True)
def test_what_ntfs_knows_of_a_deleted_picture(image: Path, files: Path, tmp_path: Path) -> None:
    """Whose the place was, the content tells that is still there."""
    copy, place = tmp_path / "NTFS.img", tmp_path / "mount"
    shutil.copyfile(image, copy)
    place.mkdir()
    with attached(copy) as device:
        run("ntfs-3g", device, place)
        try:
            (place / "Pictures/2024/IMG_0007.jpg").unlink()
        finally:
            run("umount", place)
    picture = (files / "Pictures/2024/IMG_0007.jpg").read_bytes()
    at = place_of(copy, picture[8192:12288])
    (area,) = look(copy, Area(offset=at, length=4096)).areas
    assert [(hold.kind, hold.bytes, hold.size_bytes) for hold in area.holds] == [("deleted", 4096, len(picture))]
    assert area.holds[0].path == "/Pictures/2024/IMG_0007.jpg"
    (kept,) = look(image, Area(offset=at, length=4096)).areas
    assert [hold.kind for hold in kept.holds] == ["file"]
