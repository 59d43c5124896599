"""What is used of a drive is told by a copy that has hardly begun, once what it lacks is granted piece by piece."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import pytest

from drivecare.hardware.machine import Machine
from drivecare.transfer.areas import Area, intersect, merge, overlap, total, uncovered, widen
from drivecare.transfer.sectors.looking import Findings
from drivecare.work.find_used_space import find_used_space
from tests.contents.images import MAKERS, MIB
from tests.contents.test_file_systems import place_of

PIECE = 64 << 10
EVERY = pytest.mark.parametrize("image", [*MAKERS], indirect=True)


def ask(image: Path, missing: Sequence[Area]) -> Findings:
    descriptor = os.open(Machine().node(str(image)), os.O_RDONLY)
    try:
        return find_used_space(descriptor, image.stat().st_size, missing, 60, lambda: None)
    finally:
        os.close(descriptor)


def granted(image: Path, *, but: Sequence[Area] = ()) -> tuple[Findings, tuple[Area, ...]]:
    """The findings once nothing more lacks than may not be granted, and all that was granted for them."""
    size, present = image.stat().st_size, tuple[Area, ...]()
    for _ in range(40):
        findings = ask(image, uncovered(present, Area(offset=0, length=size)))
        wanted = tuple(intersect(uncovered(but, Area(offset=0, length=size)), findings.lacking))
        if not wanted:
            return findings, present
        present = merge((*present, *(part for area in widen(wanted, PIECE, size) for part in uncovered(but, area))))
    raise AssertionError("it goes on asking")


@pytest.mark.bench
@EVERY
def test_few_pieces_tell_what_is_used_and_every_file_lies_there(image: Path, files: Path) -> None:
    findings, present = granted(image)
    assert findings.used_space is not None
    size, used = image.stat().st_size, merge(findings.used_space.used)
    assert total(present) < size / 4
    assert total(used) < size * 0.9
    for picture in (files / "Pictures/2024").iterdir():
        place = place_of(image, picture.read_bytes()[8192:12288])
        assert any(overlap(area, Area(offset=place, length=1)) for area in used), picture
    assert findings.used_space.structures
    assert findings.used_space.doubtful == ()


@pytest.mark.bench
@pytest.mark.parametrize("image", ["ext4"], indirect=True)
def test_what_was_not_unmounted_cleanly_has_no_free_space_for_certain(image: Path, tmp_path: Path) -> None:
    in_use = tmp_path / "in-use.img"
    content = bytearray(image.read_bytes())
    content[1024 + 58] &= 0xFE  # the flag of a clean unmount
    in_use.write_bytes(content)
    findings, _ = granted(in_use)
    assert findings.used_space is not None
    certain, _ = granted(image)
    assert certain.used_space is not None
    assert total(findings.used_space.doubtful) > 8 * MIB
    assert findings.used_space.used == certain.used_space.used


@pytest.mark.bench
@pytest.mark.parametrize("image", ["ext4", "NTFS"], indirect=True)
def test_structures_that_cannot_be_read_leave_it_unknown(image: Path) -> None:
    findings, present = granted(image, but=(Area(offset=0, length=image.stat().st_size),))
    assert findings.used_space is None
    assert present == ()
