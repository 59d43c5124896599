"""Each file system as its own tools made it: counted, sized, and every file found in its own place."""

from __future__ import annotations

import mmap
import os
import re
from pathlib import Path

import pytest

from drivecare.contents.answering import answer
from drivecare.contents.model import VolumeAnswer, VolumeQuestion
from drivecare.contents.readers import apfs, ext, fat, hfs, ntfs, xfs
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area
from drivecare.transfer.file_kinds import kind_of_file
from drivecare.transfer.holds import Hold
from tests.contents.images import FILES, FOLDERS, MAKERS

READERS = {module.__name__.rpartition(".")[2]: module.open_volume for module in (apfs, ext, fat, hfs, ntfs, xfs)}
EVERY = pytest.mark.parametrize("image", [*MAKERS], indirect=True)
BLOCK = 4096


def look(image: Path, *areas: Area, lost: tuple[Area, ...] = ()) -> VolumeAnswer:
    """What the image holds, parsed in this process."""
    question = VolumeQuestion(partition=Area(offset=0, length=image.stat().st_size), areas=areas, lost=lost)
    with image.open("rb") as medium:
        return answer(question, lambda offset, length: os.pread(medium.fileno(), length, offset), READERS)


def named(holds: tuple[Hold, ...]) -> list[tuple[str, str | None, int]]:
    return [(hold.kind, hold.path or hold.structure, hold.bytes) for hold in holds]


def place_of(image: Path, content: bytes) -> int:
    """Where a piece of a file lies, found by its bytes alone."""
    with image.open("rb") as medium, mmap.mmap(medium.fileno(), 0, access=mmap.ACCESS_READ) as whole:
        at = whole.find(content)
    assert at >= 0
    return at


@pytest.mark.bench
@EVERY
def test_files_folders_and_space_are_counted(image: Path) -> None:
    volume = look(image).volume
    lost_and_found, second_name = image.stem == "ext4", image.stem in ("HFS+", "APFS")
    assert (volume.file_system, volume.label, volume.reason) == (image.stem, "PHOTOS", None)
    assert (volume.files, volume.folders) == (FILES + second_name, FOLDERS + lost_and_found)


@pytest.mark.bench
@EVERY
def test_used_and_free_space_are_told(image: Path) -> None:
    volume = look(image).volume
    assert volume.used_bytes is not None
    assert volume.free_bytes is not None
    assert 0.9 * image.stat().st_size < volume.used_bytes + volume.free_bytes <= image.stat().st_size


@pytest.mark.bench
@EVERY
def test_pieces_of_every_picture_and_of_a_video_are_attributed_to_them(image: Path, files: Path) -> None:
    """HFS+ and APFS hold the video in ten extents, whose places are found by their bytes as those of pictures are."""
    pieces = [(picture, 8192) for picture in (files / "Pictures/2024").iterdir()]
    pieces += [(files / "Videos/holiday.mp4", 8192 + number * 327_680) for number in range(10)]
    places = {place_of(image, file.read_bytes()[start : start + BLOCK]): file for file, start in pieces}
    for area in look(image, *(Area(offset=place, length=BLOCK) for place in sorted(places))).areas:
        file = places[area.offset]
        name, kind = f"/{file.relative_to(files)}", kind_of_file(file.name)
        size = file.stat().st_size
        assert area.holds == (Hold(kind="file", path=name, file_kind=kind, size_bytes=size, bytes=BLOCK),)


@pytest.mark.bench
@pytest.mark.parametrize("image", [name for name in MAKERS if name not in ("NTFS", "HFS+")], indirect=True)
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


@pytest.mark.bench
@pytest.mark.parametrize("image", ["HFS+"], indirect=True)
def test_a_file_with_two_names_has_one_of_them_or_says_that_they_are_not_known(image: Path, tmp_path: Path) -> None:
    """The kernel's driver writes links as older systems do. Those of today mark them and give the file's own number."""
    letter = Area(offset=place_of(image, b"hello" + bytes(507)), length=BLOCK)
    (area,) = look(image, letter).areas
    assert named(area.holds) == [("file", "/Documents/letter-again.txt", 5)]
    stray = tmp_path / "stray.img"
    stray.write_bytes(re.sub(b"....(?=hlnkhfs\\+)", b"\0\0\0\x07", image.read_bytes(), flags=re.DOTALL))
    (area,) = look(stray, letter).areas
    assert named(area.holds) == [("file", "(it has several names, which are not known)", 5)]
    content = bytearray(image.read_bytes())
    links = [link.start() for link in re.finditer(b"hlnkhfs\\+", content)]
    assert len(links) == 2
    (node,) = re.finditer("iNode".encode("utf-16-be") + rb"(?:\0[0-9])+\0\x02..\0{4}(....)", content, re.DOTALL)
    for link in links:
        content[link - 45] |= 0x20
        content[link - 4 : link] = node[1]
    today = tmp_path / image.name
    today.write_bytes(content)
    (area,) = look(today, letter).areas
    assert named(area.holds) == [("file", "/Documents/letter-again.txt", 5)]
