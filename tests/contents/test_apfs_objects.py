"""APFS by its published layout: each object says in its own header what it is, which nobody needs a map for."""

from __future__ import annotations

import mmap
import shutil
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivecare.transfer.areas import Area
from tests.contents.test_file_systems import BLOCK, look, named

pytestmark = [pytest.mark.bench, pytest.mark.parametrize("image", ["APFS"], indirect=True)]

# Apple File System Reference (2020), "Object Types": type and subtype; and what they are called here.
STRUCTURES = {
    (0xB, 0): "object map",
    (0xD, 0): "volume superblock",
    (2, 0xE): "file-system tree",
    (2, 0xF): "table of extents",
    (2, 0x10): "table of snapshots",
    (7, 0): "record of free space",
    (0xC, 0): "checkpoint",
    (5, 0): "checkpoint",
}
LIST_OF_CHUNKS = 7


def objects(image: Path) -> Iterator[tuple[tuple[int, int], int, int]]:
    """Each block that begins as an object: its kind, its transaction and its place; the first block is a spare."""
    with image.open("rb") as medium, mmap.mmap(medium.fileno(), 0, access=mmap.ACCESS_READ) as content:
        for offset in range(BLOCK, len(content), BLOCK):
            _, _, transaction, kind, subkind = struct.unpack_from("<QQQII", content, offset)
            if (key := (kind & 0xFFFF, subkind)) in STRUCTURES and transaction < 100:
                yield key, transaction, offset


def newest(image: Path) -> dict[tuple[int, int], int]:
    return {key: offset for key, _, offset in sorted(objects(image))}


def test_the_newest_object_of_each_kind_is_named_for_what_it_says_it_is(image: Path) -> None:
    places = newest(image)
    assert places.keys() == STRUCTURES.keys()
    areas = look(image, *(Area(offset=offset, length=BLOCK) for offset in places.values())).areas
    assert {area.offset: named(area.holds) for area in areas} == {
        offset: [("structure", STRUCTURES[key], BLOCK)] for key, offset in places.items()
    }


@pytest.mark.promise(9)
def test_a_record_of_free_space_whose_checksum_does_not_hold_is_not_believed(image: Path, tmp_path: Path) -> None:
    """Its last chunk would have no bitmap, so that all of it would be free, the newest metadata included."""
    copy = tmp_path / image.name
    shutil.copyfile(image, copy)
    at = newest(image)[LIST_OF_CHUNKS, 0] + 40 + 7 * 32 + 24
    with copy.open("r+b") as stream:
        stream.seek(at)
        assert any(stream.read(8))
        stream.seek(at)
        stream.write(bytes(8))
    answer = look(copy, Area(offset=230_000 * BLOCK, length=BLOCK))
    assert (answer.volume.used_bytes, answer.volume.free_bytes) == (None, None)
    assert [hold.kind for hold in answer.areas[0].holds] == ["unknown"]


@pytest.mark.promise(4)
@pytest.mark.parametrize(("lost", "kind"), [(12, "unknown"), (13, "unknown"), (64, "free")])
def test_free_is_told_only_where_no_newer_checkpoint_may_have_been_lost(image: Path, lost: int, kind: str) -> None:
    """Their ring is blocks 1 to 64. The newest ends in block 12, so that one behind it would begin in block 13."""
    assert max(offset for key, _, offset in objects(image) if key == (0xC, 0)) == 11 * BLOCK
    checkpoint, free = (Area(offset=block * BLOCK, length=BLOCK) for block in (lost, 40_000))
    areas = look(image, checkpoint, free, lost=(checkpoint,)).areas
    assert [(hold.kind, hold.structure) for hold in areas[0].holds] == [("structure", "checkpoint")]
    assert [hold.kind for hold in areas[1].holds] == [kind]
