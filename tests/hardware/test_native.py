"""The native size of a SATA drive: which command it knows, and the address in its answer."""

from __future__ import annotations

import pytest

from drivecare.hardware.blockdev import AttachedDrive
from drivecare.hardware.native import last_sector, native_capacity, native_command


def identify(**words: int) -> bytes:
    table = {int(name.removeprefix("w")): value for name, value in words.items()}
    return b"".join(table.get(index, 0).to_bytes(2, "little") for index in range(256))


@pytest.mark.parametrize(
    ("words", "command"),
    [
        ({"w82": 0x0400, "w83": 0x4400}, (0x27, 0)),
        ({"w119": 0x4100}, (0x78, 0)),
        ({"w82": 0x0400, "w83": 0x4000}, None),
        ({"w82": 0x0400, "w83": 0xFFFF}, None),
        ({}, None),
    ],
    ids=["host protected area", "accessible max address", "28-bit only", "words not valid", "neither"],
)
def test_the_command_a_drive_knows(words: dict[str, int], command: tuple[int, int] | None) -> None:
    """Words 82/83 and 119 count only where bits 15:14 read 01; 82 bit 10 host protected area, 83 bit 10 48-bit.

    Linux 6.1, include/linux/ata.h (ata_id_hpa_enabled, ata_id_has_lba48); word 119 bit 8 and 78h (ACS-3) from memory.
    """
    assert native_command(identify(**words)) == command


def sense(lba: int, *, status: int = 0x50, error: int = 0, code: int = 0x09) -> bytes:
    """The ATA Status Return descriptor as Linux 6.1 fills it (drivers/ata/libata-scsi.c, ata_gen_passthru_sense)."""
    low = [lba >> shift & 0xFF for shift in (0, 8, 16, 24, 32, 40)]
    descriptor = [code, 12, 1, error, 0, 0, low[3], low[0], low[4], low[1], low[5], low[2], 0x40, status]
    return bytes([0x72, 1, 0, 0x1D, 0, 0, 0, 14, *descriptor])


@pytest.mark.parametrize("lba", [976_773_167, 0x0123456789AB, 0])
def test_the_address_comes_back(lba: int) -> None:
    assert last_sector(sense(lba)) == lba


@pytest.mark.parametrize(
    "answer",
    [sense(5, status=0x51, error=4), sense(5, code=0x02), b"", b"\x70" + bytes(30)],
    ids=["the drive aborted it", "another descriptor", "nothing", "fixed format"],
)
def test_no_address_is_no_size(answer: bytes) -> None:
    assert last_sector(answer) is None


def test_only_a_native_sata_port_is_asked() -> None:
    assert native_capacity(AttachedDrive(path="/dev/no-such-drive", bus="usb")) is None
    assert native_capacity(AttachedDrive(path="/dev/no-such-drive", bus="sata", device_number="999:9")) is None
