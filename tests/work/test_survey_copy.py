"""After a copy, its receipt says what lies in every area that could not be read."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from drivecare.documents import load
from drivecare.hardware.machine import Machine
from drivecare.job.file_names import without_names
from drivecare.job.model import Opening
from drivecare.record.folder import FolderRecord
from drivecare.record.port import FiledJob
from drivecare.transfer.areas import Area
from drivecare.transfer.counted import Counted
from drivecare.transfer.holds import AreaContents, Hold
from drivecare.transfer.medium import Progress, Watch
from drivecare.transfer.sectors.bad_places import WithBadAreas
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work.copy_paperwork import CopyRequest
from drivecare.work.copy_sectors import copy_sectors
from drivecare.work.survey_copy import survey_copy
from drivecare.work.verify_copy import VerifyRequest, verify_copy
from tests.contents.tiny_fat import FREE_AT, NOTE_AT, PHOTO_AT, PHOTO_BYTES
from tests.work.test_survey_contents import SECTOR, START, partitioned

BAD = (Area(offset=START + PHOTO_AT, length=512), Area(offset=START + FREE_AT, length=512))
FREE = Hold(kind="free", partition=1, bytes=512)


def copy(folder: Path, *, source: Path | None = None, target: str = "new.img", job: FiledJob | None = None) -> Receipt:
    """Copy a card of which two places cannot be read."""
    card = folder / "card.img"
    card.write_bytes(partitioned(START))
    request = CopyRequest(source=str(source or card), target=str(folder / target), folder=job)
    bad = BAD if source is None else ()
    receipt = copy_sectors(request, Machine(), wrap_source=lambda medium: WithBadAreas(medium, bad))
    assert load(Receipt, request.receipt_path) == (receipt if job is None else without_names(receipt))
    return receipt


def test_the_receipt_beside_an_image_names_the_files(tmp_path: Path) -> None:
    receipt = copy(tmp_path)
    assert receipt.verified
    photo = Hold(
        kind="file", partition=1, path="/PHOTO.JPG", file=1, file_kind="photo", size_bytes=PHOTO_BYTES, bytes=512
    )
    assert [area.holds for area in receipt.unreadable] == [(photo,), (FREE,)]


def test_a_copy_without_a_fault_is_counted_too(tmp_path: Path) -> None:
    receipt = copy(tmp_path)
    counted = Counted(partition=1, file_system="FAT12", encrypted=False, used_bytes=4 * SECTOR, files=2)
    assert receipt.counted == (counted,)
    again = copy(tmp_path, source=tmp_path / "card.img", target="whole.img")
    assert (again.unreadable, again.counted) == ((), (counted,))


@pytest.mark.promise(11)
def test_in_a_job_the_names_of_files_are_in_no_file_of_the_copy(tmp_path: Path) -> None:
    opening = Opening(id="7", opened_at="2026-11-25T10:00:00Z", host="h", label="H-1", complaint="x")
    job = FolderRecord(root=tmp_path / "jobs").create(opening)
    receipt = copy(tmp_path, job=job)
    assert [area.holds[0].path for area in receipt.unreadable] == ["/PHOTO.JPG", None]
    written = [path for path in (tmp_path / "jobs").rglob("*") if path.is_file()]
    assert not [path for path in written if b"PHOTO" in path.read_bytes()]


def test_what_an_earlier_copy_lost_is_looked_up_on_the_later_one(tmp_path: Path) -> None:
    copy(tmp_path)
    receipt = copy(tmp_path, source=tmp_path / "new.img", target="newer.img")
    assert all(area.inherited for area in receipt.unreadable)
    assert [area.holds[0].path for area in receipt.unreadable] == ["/PHOTO.JPG", None]


def test_a_copy_that_is_in_use_when_it_is_looked_at_is_as_good(tmp_path: Path) -> None:
    receipt = copy(tmp_path)
    (tmp_path / "new.img").unlink()
    assert survey_copy(receipt, receipt.target.path, Machine(), Watch()) == receipt


def test_a_look_that_is_stopped_says_so(tmp_path: Path) -> None:
    receipt = survey_copy(copy(tmp_path), str(tmp_path / "new.img"), Machine(), Watch(stop_reason=lambda: "Ctrl-C"))
    assert {hold.structure for area in receipt.unreadable for hold in area.holds} == {"the look at it was stopped"}


def test_whoever_waits_sees_the_names_counted_across_partitions(tmp_path: Path) -> None:
    shown: list[Progress] = []
    receipt = copy(tmp_path)
    (tmp_path / "new.img").write_bytes(partitioned(START, 2 * START))
    survey_copy(receipt, receipt.target.path, Machine(), Watch(on_progress=shown.append))
    assert [(progress.done, progress.total, progress.unit) for progress in shown] == [
        *[(0, 0, "names")] * 2,
        *[(2, 0, "names")] * 2,
    ]


def test_what_did_not_read_back_is_named_too(tmp_path: Path) -> None:
    receipt = msgspec.structs.replace(
        copy(tmp_path),
        mismatched=(AreaContents(offset=START + PHOTO_AT + 512, length=1024),),
        target_unreadable=(AreaContents(offset=START + NOTE_AT, length=512),),
    )
    named = survey_copy(receipt, str(tmp_path / "new.img"), Machine(), Watch())
    places = [[(hold.path, hold.bytes, hold.file) for hold in area.holds] for area in named.lost_areas]
    assert places == [
        [("/PHOTO.JPG", 512, 1)],
        [(None, 512, None)],
        [("/PHOTO.JPG", PHOTO_BYTES - 512, 1)],
        [("/NOTE.TXT", 9, 2)],
    ]


def test_what_did_not_read_back_is_not_believed(tmp_path: Path) -> None:
    """The chunk that differs is most of the card: of no structure in it is it known what the drive held."""
    copy(tmp_path)
    image = tmp_path / "new.img"
    content = bytearray(image.read_bytes())
    content[3] ^= 1
    image.write_bytes(content)
    result = verify_copy(VerifyRequest(receipt=tmp_path / "new.img.receipt.json"), Machine())
    assert {hold.kind for area in result.mismatched for hold in area.holds} == {"unknown"}
