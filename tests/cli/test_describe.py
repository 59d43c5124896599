"""A drive in one line."""

from __future__ import annotations

import pytest

from drivecare.cli.describe import describe_drive
from drivecare.reading.model import Drive


@pytest.mark.parametrize(
    ("drive", "words"),
    [
        (Drive(protocol="ata", ata_transport="serial", link_gbps=3.0), "drive, size unknown, SATA 3 Gb/s"),
        (Drive(protocol="ata", link_max_gbps=6.0), "drive, size unknown, SATA"),
        (Drive(protocol="ata", ata_transport="parallel"), "drive, size unknown, PATA"),
        (Drive(protocol="ata"), "drive, size unknown, ATA"),  # by which plug it does not tell
        (Drive(protocol="scsi"), "drive, size unknown, SCSI"),
        (Drive(protocol="nvme"), "drive, size unknown, NVMe"),
        (Drive(), "drive, size unknown"),
    ],
)
def test_an_interface_is_named_only_where_the_drive_tells_it(drive: Drive, words: str) -> None:
    assert describe_drive(drive) == words
