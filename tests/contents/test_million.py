"""A drive with a million files is mapped within a minute and 1 GiB, and every area that was asked about is named."""

from __future__ import annotations

import multiprocessing
import os
import random
import resource
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from drivecare.contents.model import VolumeAnswer, VolumeQuestion
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area
from tests.contents.million import FILES, FOLDERS, SECTOR, Places, ext4, fat32, ntfs, path_of


def ask_alone(image: Path, question: VolumeQuestion) -> tuple[VolumeAnswer, list[int], resource.struct_rusage]:
    """Ask the parser in a process that has no other children, so that what they used is the parser's alone."""
    names: list[int] = []
    descriptor = os.open(image, os.O_RDONLY)
    try:
        answer = ask_parser(descriptor, question, on_names=names.append)
    finally:
        os.close(descriptor)
    return answer, names, resource.getrusage(resource.RUSAGE_CHILDREN)


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("make", [fat32, ext4, ntfs])
def test_a_million_files_are_mapped_in_a_minute_within_a_gibibyte(
    make: Callable[[Path], Places], tmp_path: Path
) -> None:
    image = tmp_path / "drive.img"
    place = make(image)
    files = sorted(random.Random(3).sample(range(FILES), 1000))
    areas = tuple(Area(offset=place(file), length=SECTOR) for file in files)
    try:
        with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as alone:
            question = VolumeQuestion(partition=Area(offset=0, length=image.stat().st_size), areas=areas)
            answer, names, spent = alone.submit(ask_alone, image, question).result()
    finally:
        image.unlink()  # of NTFS it takes 1.2 GB
    assert (answer.volume.file_system or "").lower() == make.__name__
    assert (answer.volume.files, answer.volume.folders, answer.volume.reason) == (FILES, FOLDERS, None)
    for file, area in zip(files, answer.areas, strict=True):
        assert [(hold.kind, hold.path, hold.file_kind, hold.bytes) for hold in area.holds] == [
            ("file", path_of(file), "photo", SECTOR)
        ]
    assert len(names) > 10
    assert names == sorted(names)
    assert names[-1] > 900_000  # so that a bar moved
    # Of the processor, since others may use it at the same time. Linux counts memory in KiB.
    seconds = spent.ru_utime + spent.ru_stime
    print(f"{make.__name__}: {seconds:.1f} s, {spent.ru_maxrss >> 10} MiB")
    assert seconds < 60
    assert spent.ru_maxrss < 1 << 20
