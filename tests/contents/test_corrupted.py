"""Damaged file systems: whatever they hold, the parser's process ends in time with an answer that says what it knows.

`.ci/run` damages 50 images of each file system; `.ci/run fuzz` is the whole run.
"""

from __future__ import annotations

import os
import random
import shutil
import struct
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivecare.contents.model import VolumeQuestion, contradiction_in
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area
from tests.contents.images import MAKERS
from tests.contents.test_file_systems import look

IMAGES = int(os.environ.get("DRIVECARE_CORRUPTED_IMAGES", "50"))
SECONDS = 60
BLOCK = 4096


def written_blocks(descriptor: int, size: int) -> Iterator[int]:
    """The blocks of an image that were ever written; the file it is has holes elsewhere."""
    end = 0
    while end < size:
        try:
            start = os.lseek(descriptor, end, os.SEEK_DATA)
        except OSError:  # a hole to the end
            return
        end = os.lseek(descriptor, start, os.SEEK_HOLE)
        yield from range(start // BLOCK * BLOCK, end, BLOCK)


def structures_of(descriptor: int, whole: Area) -> list[list[int]]:
    """Where each kind of structure and the folders lie: damage elsewhere would only change the content of files."""
    areas = tuple(Area(offset=offset, length=BLOCK) for offset in written_blocks(descriptor, whole.length))
    answer = ask_parser(descriptor, VolumeQuestion(partition=whole, areas=areas))
    places = defaultdict(list)
    for area in answer.areas:
        for hold in area.holds:
            if hold.kind in ("structure", "directory", "unknown"):
                places[hold.structure or hold.kind].append(area.offset)
    return list(places.values())


def damage(descriptor: int, places: list[list[int]], draw: random.Random) -> list[tuple[int, bytes]]:
    """Damage an image in a few places that are not empty; returns how to undo it."""
    undo: list[tuple[int, bytes]] = []
    most = draw.choice((1, 1, 2, 4, 16))
    for _ in range(100 * most):
        offset = draw.choice(draw.choice(places)) + draw.randrange(BLOCK)
        length = draw.choice((1, 1, 2, 4, 8, 512))
        before = os.pread(descriptor, length, offset)
        if any(before):
            undo.append((offset, before))
            os.pwrite(descriptor, draw.choice((draw.randbytes(length), b"\xff" * length, bytes(length))), offset)
        if len(undo) == most:
            break
    return undo


@pytest.mark.bench
@pytest.mark.promise(9)
@pytest.mark.parametrize("image", ["ext4"], indirect=True)
@pytest.mark.parametrize(("at", "value"), [(32, 1), (32, 0), (88, 20), (88, 60_000)], ids=str)
def test_a_superblock_that_makes_no_sense_is_not_followed(image: Path, tmp_path: Path, at: int, value: int) -> None:
    """Blocks in a group, bytes of an inode: the reader once went through millions of groups, or ended in an error."""
    content = bytearray(image.read_bytes())
    struct.pack_into("<H", content, 1024 + at, value)
    struct.pack_into("<H", content, 1024 + at + 2, 0)
    copy = tmp_path / "ext4.img"
    copy.write_bytes(content)
    answer = look(copy, Area(offset=BLOCK, length=BLOCK))
    assert answer.volume.reason == "its first structures could not be read, or make no sense"
    assert [hold.kind for hold in answer.areas[0].holds] == ["unknown"]


@pytest.mark.bench
@pytest.mark.promise(9)
@pytest.mark.timeout(60)
@pytest.mark.parametrize("image", ["XFS"], indirect=True)
def test_more_groups_than_there_is_room_for_are_not_looked_through(image: Path, tmp_path: Path) -> None:
    copy = tmp_path / "XFS.img"
    shutil.copyfile(image, copy)
    with copy.open("rb+") as stream:
        stream.seek(88)
        stream.write(b"\xff" * 4)
    answer = look(copy, Area(offset=0, length=BLOCK))
    assert [hold.structure for hold in answer.areas[0].holds] == ["superblock and group header"]


@pytest.mark.bench
@pytest.mark.promise(9)
@pytest.mark.parametrize("image", ["exFAT"], indirect=True)
def test_more_clusters_than_there_is_room_for_are_not_counted(image: Path, tmp_path: Path) -> None:
    """The reader once ended for want of memory: it made a number as long as their bitmap."""
    copy = tmp_path / "exFAT.img"
    shutil.copyfile(image, copy)
    with copy.open("rb+", buffering=0) as stream:
        stream.seek(92)  # exFAT specification, section 3.1.9: the number of clusters
        stream.write(struct.pack("<I", 0xFFFFFFF5))
        whole = Area(offset=0, length=copy.stat().st_size)
        answer = ask_parser(stream.fileno(), VolumeQuestion(partition=whole))
    assert answer.volume.reason == "its first structures could not be read, or make no sense"
    assert (answer.volume.used_bytes, answer.volume.free_bytes) == (None, None)


@pytest.mark.bench
@pytest.mark.timeout(7200)
@pytest.mark.promise(9)
@pytest.mark.parametrize("image", [*MAKERS], indirect=True)
def test_a_damaged_file_system_costs_its_names_at_most(image: Path) -> None:
    draw = random.Random(f"{image.stem} {IMAGES}")
    descriptor = os.open(image, os.O_RDWR)
    endings: Counter[str] = Counter()
    try:
        size = os.fstat(descriptor).st_size
        whole = Area(offset=0, length=size)
        places = structures_of(descriptor, whole)
        for _ in range(IMAGES):
            undo = damage(descriptor, places, draw)
            area = Area(offset=draw.choice(draw.choice(places)), length=BLOCK)
            question = VolumeQuestion(partition=whole, areas=(area,))
            began = time.monotonic()
            answer = ask_parser(descriptor, question, seconds=SECONDS)
            assert time.monotonic() - began < SECONDS + 10
            assert contradiction_in(answer, question) == ""
            endings[answer.volume.reason or "whole"] += 1
            for offset, content in reversed(undo):
                os.pwrite(descriptor, content, offset)
    finally:
        os.close(descriptor)
    print(endings)
    assert endings.total() == IMAGES
    assert len(endings) > 1  # some of the damage was noticed
