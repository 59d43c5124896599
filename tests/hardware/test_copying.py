"""Copies between image files, by the function that the command calls."""

from __future__ import annotations

import random
from pathlib import Path

import msgspec
import pytest

from drivecare.errors import Refused
from drivecare.hardware.copying import Request, places, run
from drivecare.transfer.areas import area
from drivecare.transfer.conclude import new_journal
from drivecare.transfer.digests import Segment
from drivecare.transfer.journal import CopiedRun, JournalFile, pack
from drivecare.transfer.receipt import End

SIZE = 1 << 20
CONTENT = random.Random(3).randbytes(SIZE)


def begun(folder: Path, *, copied: tuple[CopiedRun, ...] = ()) -> Request:
    """What a copy leaves that was killed after its journal was written; the request to go on."""
    source, target = folder / "source.img", folder / "target.img"
    source.write_bytes(CONTENT)
    receipt, journal = places(str(target))
    ends = [End(path=str(path), kind="image", size_bytes=SIZE) for path in (source, target)]
    JournalFile(journal).save(msgspec.structs.replace(new_journal(*ends), copied=copied))
    return Request(source=str(source), target=str(target), receipt=receipt, journal=journal, resume=True)


@pytest.mark.parametrize("target_exists", [False, True])
def test_a_copy_killed_before_its_image_had_a_size_goes_on(tmp_path: Path, target_exists: bool) -> None:
    request = begun(tmp_path)
    if target_exists:
        (tmp_path / "target.img").touch()
    assert run(request).verified
    assert (tmp_path / "target.img").read_bytes() == CONTENT


def test_an_image_that_lost_what_was_copied_is_another_one(tmp_path: Path) -> None:
    chunk = new_journal(*[End(path="x", kind="image", size_bytes=SIZE)] * 2).chunk_bytes
    request = begun(tmp_path, copied=tuple(pack([Segment(area(0, 4096), bytes(32))], chunk)))
    with pytest.raises(Refused, match="not the one this copy began with"):
        run(request)
