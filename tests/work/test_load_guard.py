"""What lifts the load guard, and what binds it: the very drive, never one that only looks like it."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.documents import Value
from drivecare.errors import Refused
from drivecare.job.model import Opening
from drivecare.reading.identity import DriveId
from drivecare.reading.model import Drive, Reading, Values
from drivecare.record.folder import FolderRecord
from drivecare.record.job_folder import JobFolder
from drivecare.risk.assess import assess
from drivecare.transfer.holds import AreaContents, Hold
from drivecare.transfer.sectors.receipt import End
from drivecare.work.load_guard import refuse_load
from tests.job.carried import SIZE, receipt
from tests.reading.drive_pairs import EUI, OTHER_EUI, PAIRS, Pair, docked, drive

each_pair = pytest.mark.parametrize("pair", [pair for pair in PAIRS if not pair.labels], ids=lambda pair: pair.why)


def reading_of(name: DriveId, pending: int, capacity: int | None = SIZE) -> Reading:
    return Reading(
        drive=Drive(
            model=name.model,
            serial=name.serial,
            identity=name.identity,
            kind="hdd",
            protocol="ata",
            capacity_bytes=capacity,
        ),
        values=Values(pending=pending, reallocated=0, power_on_hours=9000),
    )


def end_of(name: DriveId) -> End:
    return End(
        path="/dev/sdx",
        kind="device",
        size_bytes=SIZE,
        model=name.model,
        serial=name.serial,
        identity=name.identity,
    )


def job_with(folder: Path, *documents: Value) -> JobFolder:
    opening = Opening(id="7", opened_at="2026-11-25T10:00:00+00:00", host="x", label="X-1", complaint="hangs")
    job = FolderRecord(root=folder).create(opening)
    for document in documents:
        job.file(document)
    return job


def refused(reading: Reading, folder: JobFolder) -> bool:
    try:
        refuse_load(reading, "a self-test", allow_load=None, folder=folder)
    except Refused:
        return True
    return False


@each_pair
def test_only_a_copy_of_the_very_drive_lifts_the_guard(pair: Pair, tmp_path: Path) -> None:
    copied = receipt(end_of(pair.first), end_of(drive("PN24-11873", "Petrel PN-500")))
    assert refused(reading_of(pair.second, pending=24), job_with(tmp_path, copied)) is (pair.answer != "yes")


def test_a_copy_of_one_namespace_does_not_free_the_other(tmp_path: Path) -> None:
    first, second = drive(namespace=1, eui64=EUI), drive(namespace=2, eui64=OTHER_EUI)
    folder = job_with(tmp_path, receipt(end_of(first), end_of(drive("PN24-11873"))))
    assert refused(reading_of(second, pending=24), folder)
    assert not refused(reading_of(first, pending=24), folder)


@pytest.mark.parametrize("capacity", [SIZE + 512, SIZE - 512, None], ids=["larger", "smaller", "not told"])
def test_a_copy_of_part_of_the_drive_lifts_nothing(tmp_path: Path, capacity: int | None) -> None:
    """One made in spite of a size that does not agree may lack the very part that is failing."""
    folder = job_with(tmp_path, receipt(end_of(drive()), end_of(drive("PN24-11873"))))
    assert not refused(reading_of(drive(), pending=24), folder)
    assert refused(reading_of(drive(), pending=24, capacity=capacity), folder)


@pytest.mark.promise(5)
def test_a_copy_that_stopped_at_what_is_used_lifts_nothing(tmp_path: Path) -> None:
    rest = AreaContents(offset=8 << 20, length=1 << 20, holds=(Hold(kind="free", bytes=1 << 20),))
    ends = end_of(drive()), end_of(drive("PN24-11873"))
    folder = job_with(tmp_path, receipt(*ends, unread=(rest,), verified=False))
    assert refused(reading_of(drive(), pending=24), folder)


def test_a_verdict_binds_whatever_shows_the_same_number(tmp_path: Path) -> None:
    """A dock may show the drive's own number: binding too often costs a typed number, too seldom costs data."""
    folder = job_with(tmp_path, assess(reading_of(docked("KX25-00417", "Kestrel KD-500"), pending=24)))
    assert refused(reading_of(drive(), pending=0), folder)
    assert not refused(reading_of(drive("KX25-00999"), pending=0), folder)
