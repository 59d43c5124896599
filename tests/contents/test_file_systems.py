"""Each file system as its own tools made it: counted, sized, and every file found in its own place."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivecare.contents.answering import answer
from drivecare.contents.model import VolumeAnswer, VolumeQuestion
from drivecare.contents.readers import ext, fat, ntfs, xfs
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import Hold
from tests.contents.images import FILES, FOLDERS, MAKERS

READERS = {"ext": ext.open_volume, "fat": fat.open_volume, "ntfs": ntfs.open_volume, "xfs": xfs.open_volume}
EVERY = pytest.mark.parametrize("image", [*MAKERS], indirect=True)
BLOCK = 4096


def look(image: Path, *areas: Area, lost: tuple[Area, ...] = ()) -> VolumeAnswer:
    """What the image holds, parsed in this process."""
    content = image.read_bytes()
    question = VolumeQuestion(partition=Area(offset=0, length=len(content)), areas=areas, lost=lost)
    return answer(question, lambda offset, length: content[offset : offset + length], READERS)


def named(holds: tuple[Hold, ...]) -> list[tuple[str, str | None, int]]:
    return [(hold.kind, hold.path or hold.structure, hold.bytes) for hold in holds]


def place_of(image: Path, content: bytes) -> int:
    """Where a piece of a file lies, found by its bytes alone."""
    at = image.read_bytes().find(content)
    assert at >= 0
    return at


@pytest.mark.bench
@EVERY
def test_files_folders_and_space_are_counted(image: Path) -> None:
    volume = look(image).volume
    lost_and_found = volume.file_system == "ext4"
    assert (volume.file_system, volume.label, volume.reason) == (image.stem, "PHOTOS", None)
    assert (volume.files, volume.folders) == (FILES, FOLDERS + lost_and_found)
    assert volume.used_bytes is not None
    assert volume.free_bytes is not None
    assert 0.9 * image.stat().st_size < volume.used_bytes + volume.free_bytes <= image.stat().st_size


@pytest.mark.bench
@EVERY
def test_every_block_of_every_picture_is_attributed_to_it(image: Path, files: Path) -> None:
    pictures = sorted((files / "Pictures/2024").iterdir())
    places = {place_of(image, picture.read_bytes()[8192:12288]): picture.name for picture in pictures}
    areas = [Area(offset=place, length=4096) for place in sorted(places)]
    for area in look(image, *areas).areas:
        name = f"/Pictures/2024/{places[area.offset]}"
        size = (files / name[1:]).stat().st_size
        assert area.holds == (Hold(kind="file", path=name, file_kind="photo", size_bytes=size, bytes=4096),)


@pytest.mark.bench
@pytest.mark.parametrize("image", [name for name in MAKERS if name != "NTFS"], indirect=True)
def test_what_lies_behind_the_end_of_a_file_damages_nothing(image: Path) -> None:
    letter = place_of(image, b"hello" + bytes(507))
    (area,) = look(image, Area(offset=letter + 5, length=100)).areas
    assert area.holds == (Hold(kind="file", path="/Documents/letter.txt", file_kind="document", size_bytes=5, bytes=0),)


@pytest.mark.bench
@pytest.mark.parametrize("image", ["NTFS"], indirect=True)
def test_a_small_file_inside_the_table_of_files_is_part_of_it(image: Path) -> None:
    (area,) = look(image, Area(offset=place_of(image, b"hello\0\0\0"), length=5)).areas
    assert named(area.holds) == [("structure", "table of files", 5)]


@pytest.mark.bench
@EVERY
def test_free_space_is_free_only_where_its_record_was_read(image: Path) -> None:
    size = image.stat().st_size
    blocks = [Area(offset=offset, length=BLOCK) for offset in range(0, size // BLOCK * BLOCK, 64 * BLOCK)]
    answers = look(image, *blocks).areas
    free = [area for area in answers if named(area.holds) == [("free", None, BLOCK)]]
    assert len(free) > len(blocks) // 4
    lost = look(image, *blocks, lost=(Area(offset=0, length=size),)).areas
    assert {hold.kind for area in lost for hold in area.holds} == {"unknown"}


@pytest.mark.bench
@EVERY
def test_the_process_answers_as_the_reader_does(image: Path) -> None:
    areas = tuple(Area(offset=offset, length=BLOCK) for offset in range(0, image.stat().st_size // 2, 256 * BLOCK))
    descriptor = os.open(image, os.O_RDONLY)
    try:
        whole = Area(offset=0, length=image.stat().st_size)
        answered = ask_parser(descriptor, VolumeQuestion(partition=whole, areas=areas))
    finally:
        os.close(descriptor)
    assert answered == look(image, *areas)
    assert answered.not_in_force == ""
