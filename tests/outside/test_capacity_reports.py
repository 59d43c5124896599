"""The size lines of the real reports in pySMART 1.4.3's source distribution against IDEMA LBA1-03 and SFF-8447."""

from __future__ import annotations

from drivecare.errors import NoDrive
from drivecare.reading.capacity import labelled_gigabytes
from drivecare.reading.reading_files import reading_of
from tests.outside.recorded import real_reports

# Two RAID volumes, and a size of its maker's own (251,000,193,024 bytes: 250.941 "GB").
FOLLOW_NEITHER = {118_999_744_512, 959_119_884_288, 251_000_193_024}


def test_every_real_size_follows_a_standard_but_three() -> None:
    sizes = set()
    for name, data in real_reports().items():
        try:
            drive = reading_of(data, origin=name).drive
        except NoDrive:
            continue
        if drive.capacity_bytes:
            sizes.add(drive.capacity_bytes)
    assert len(sizes) >= 15
    assert {size for size in sizes if labelled_gigabytes(size) is None} == FOLLOW_NEITHER
