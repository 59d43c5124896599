"""A drive with a million files is mapped within a minute and 1 GiB, and every area that was asked about is named."""

from __future__ import annotations

import os
import random
import resource
import struct
from pathlib import Path

import pytest

from drivecare.contents.model import VolumeQuestion
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import Hold

SECTOR, RESERVED, ROOT = 512, 32, 2
FOLDERS = FILES_IN_EACH = 1000
FOLDER_CLUSTERS = 63  # of one sector: 1,002 entries of 32 bytes
FIRST_FOLDER, FIRST_FILE = ROOT + FOLDER_CLUSTERS, ROOT + FOLDER_CLUSTERS * (1 + FOLDERS)
CLUSTERS = FIRST_FILE + FOLDERS * FILES_IN_EACH - ROOT
TABLE_SECTORS = -(-(CLUSTERS + 2) * 4 // SECTOR)
DATA_AT = (RESERVED + TABLE_SECTORS) * SECTOR
END = 0x0FFFFFFF


def place(cluster: int) -> int:
    """Where a cluster lies in the image."""
    return DATA_AT + (cluster - ROOT) * SECTOR


def entry(name: bytes, attributes: int, cluster: int, size: int) -> bytes:
    return struct.pack("<11sB8xH4xHI", name, attributes, cluster >> 16, cluster & 0xFFFF, size)


def folder(cluster: int, entries: list[bytes]) -> tuple[int, bytes]:
    return place(cluster), b"".join(entries)


def a_million_files(image: Path) -> None:
    """FAT32 by the FAT specification 1.03 (Microsoft, 2000). The files hold zeros, so the image takes 70 MB."""
    boot = struct.pack("<3s8sHBHBHHBHHHII", b"\xeb\x58\x90", b"DEMO", SECTOR, 1, RESERVED, 1, 0, 0, 0xF8, 0, 63, 255, 0,
                       RESERVED + TABLE_SECTORS + CLUSTERS)  # fmt: skip
    boot += struct.pack("<IHHIHH12xBBBI11s8s", TABLE_SECTORS, 0, 0, ROOT, 1, 6, 0x80, 0, 0x29, 7, b"SHOP", b"FAT32   ")
    chains = b"".join(
        struct.pack(f"<{FOLDER_CLUSTERS}I", *range(first + 1, first + FOLDER_CLUSTERS), END)
        for first in range(ROOT, FIRST_FILE, FOLDER_CLUSTERS)
    )
    ends = struct.pack("<I", END) * (FOLDERS * FILES_IN_EACH)
    pieces = [
        (0, boot.ljust(510, b"\0") + b"\x55\xaa"),
        (RESERVED * SECTOR, struct.pack("<II", END, END) + chains + ends),
    ]
    root = []
    for number in range(FOLDERS):
        cluster, first = FIRST_FOLDER + number * FOLDER_CLUSTERS, FIRST_FILE + number * FILES_IN_EACH
        root.append(entry(f"D{number:03}".encode().ljust(11), 0x10, cluster, 0))
        dots = [entry(b".".ljust(11), 0x10, cluster, 0), entry(b"..".ljust(11), 0x10, 0, 0)]
        names = [entry(f"F{index:03}    JPG".encode(), 0x20, first + index, SECTOR) for index in range(FILES_IN_EACH)]
        pieces.append(folder(cluster, dots + names))
    pieces.append(folder(ROOT, root))
    with image.open("wb") as stream:
        for offset, content in pieces:
            stream.seek(offset)
            stream.write(content)
        stream.truncate(place(CLUSTERS + ROOT))


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_a_million_files_are_mapped_in_a_minute_within_a_gibibyte(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    a_million_files(image)
    files = sorted(random.Random(3).sample(range(FOLDERS * FILES_IN_EACH), 1000))
    areas = tuple(Area(offset=place(FIRST_FILE + file), length=SECTOR) for file in files)
    names: list[int] = []
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    descriptor = os.open(image, os.O_RDONLY)
    try:
        whole = Area(offset=0, length=image.stat().st_size)
        answer = ask_parser(descriptor, VolumeQuestion(partition=whole, areas=areas), on_names=names.append)
    finally:
        os.close(descriptor)
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert (answer.volume.files, answer.volume.folders, answer.volume.reason) == (1_000_000, FOLDERS, None)
    for file, area in zip(files, answer.areas, strict=True):
        path = f"/D{file // FILES_IN_EACH:03}/F{file % FILES_IN_EACH:03}.JPG"
        assert area.holds == (Hold(kind="file", path=path, file_kind="photo", size_bytes=SECTOR, bytes=SECTOR),)
    assert len(names) > 10
    assert names == sorted(names)
    assert names[-1] > 900_000  # so that a bar moved
    # Of the processor, since others may use it at the same time. Linux counts memory in KiB.
    seconds = spent.ru_utime + spent.ru_stime - before.ru_utime - before.ru_stime
    print(f"{seconds:.1f} s, {spent.ru_maxrss >> 10} MiB")
    assert seconds < 60
    assert spent.ru_maxrss < 1 << 20
