"""Partition tables, the tail of a larger target, probing: what a copy finds beside the bytes."""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
import uuid
import zlib
from pathlib import Path

import pytest

from drivecare.errors import Refused
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Buffer
from drivecare.transfer.sectors.engine import copy_and_prove
from drivecare.transfer.sectors.partitions import ReadAt, partition_names_at, read_partition_table
from drivecare.transfer.sectors.probe import MARK_BYTES, probe_target
from tests.transfer.sectors.fake_medium import FakeMedium, MemoryStore, buffers, end_of, fresh_journal

MIB = 1 << 20
LINUX = uuid.UUID("0fc63daf-8483-4772-8e79-3d69d8477de4")


def reader(data: bytes | bytearray) -> ReadAt:
    return lambda offset, length: bytes(data[offset : offset + length])


def gpt(size: int, sector: int, *parts: tuple[int, int, str]) -> bytearray:
    """A disk with a GPT, laid out by hand after UEFI 2.10, 5.3; `parts`: first LBA, last LBA, name."""
    data = bytearray(size)
    last = size // sector - 1
    data[446:462] = bytes([0, 0, 2, 0, 0xEE, 255, 255, 255]) + struct.pack("<II", 1, last)
    data[510:512] = b"\x55\xaa"
    entries = bytearray(128 * 128)
    for index, (first, final, name) in enumerate(parts):
        entries[index * 128 : index * 128 + 128] = (
            LINUX.bytes_le + uuid.uuid4().bytes_le + struct.pack("<QQQ", first, final, 0)
        ) + name.encode("utf-16-le").ljust(72, b"\0")
    for own_lba, alternate_lba, table in ((1, last, 2), (last, 1, last - len(entries) // sector)):
        header = bytearray(
            b"EFI PART"
            + struct.pack("<IIII", 0x10000, 92, 0, 0)
            + struct.pack("<QQQQ", own_lba, alternate_lba, 34, last - 34)
            + bytes(16)
            + struct.pack("<QIII", table, 128, 128, zlib.crc32(entries))
        )
        header[16:20] = struct.pack("<I", zlib.crc32(header))
        data[own_lba * sector : own_lba * sector + 92] = header
        data[table * sector : table * sector + len(entries)] = entries
    return data


def mbr(*parts: tuple[int, int, int]) -> bytes:
    entries = b"".join(
        struct.pack("<B3xB3xII", 0x80 if i == 0 else 0, kind, first, count)
        for i, (kind, first, count) in enumerate(parts)
    )
    return (bytes(446) + entries).ljust(510, b"\0") + b"\x55\xaa"


@pytest.mark.parametrize("sector", [512, 4096])
def test_gpt(sector: int) -> None:
    table = read_partition_table(reader(gpt(4 * MIB, sector, (64, 127, "Recovery"), (128, 255, "Data"))))
    assert (table.kind, table.sector_bytes) == ("gpt", sector)
    assert table.backup_lba == 4 * MIB // sector - 1
    assert [(p.number, p.name, p.offset, p.length, p.type) for p in table.partitions] == [
        (1, "Recovery", 64 * sector, 64 * sector, str(LINUX)),
        (2, "Data", 128 * sector, 128 * sector, str(LINUX)),
    ]


def test_mbr() -> None:
    table = read_partition_table(reader(mbr((0x07, 2048, 1000), (0x83, 4096, 10))))
    assert [(p.number, p.table, p.type, p.offset, p.length) for p in table.partitions] == [
        (1, "mbr", "07", 2048 * 512, 512_000),
        (2, "mbr", "83", 4096 * 512, 5120),
    ]


@pytest.mark.parametrize(
    "data",
    [
        b"",
        bytes(4096),
        b"\xff" * 65536,
        bytes(510) + b"\x55\xaa",
        b"\xeb\x3c\x90" + b"NTFS    " * 62 + b"\0\0\0\x55\xaa",
    ],
    ids=["nothing", "zeros", "ones", "empty table", "boot sector of a file system"],
)
def test_no_table(data: bytes) -> None:
    assert read_partition_table(reader(data)).partitions == ()


@pytest.mark.parametrize("sector", [512, 4096])
def test_a_gpt_whose_beginning_is_damaged_is_read_from_its_backup(sector: int) -> None:
    data = gpt(4 * MIB, sector, (64, 127, "Recovery"))
    whole = read_partition_table(reader(data), len(data))
    data[: 34 * sector] = bytes(34 * sector)
    assert read_partition_table(reader(data), len(data)) == whole
    assert read_partition_table(reader(data)).kind is None


SFDISK = """label: dos
start=64, size=128, type=83
start=256, size=7000, type=5
start=8000, size=64, type=7
start=320, size=256, type=83
start=640, size=1024, type=82
start=2048, size=2000, type=b
"""


def test_logical_partitions_are_where_sfdisk_puts_them(tmp_path: Path) -> None:
    """Outside check: the table is written, and listed, by util-linux's sfdisk."""
    image = tmp_path / "old.img"
    image.write_bytes(bytes(8 * MIB))
    sfdisk = shutil.which("sfdisk", path="/usr/sbin:/sbin:/usr/bin")
    if sfdisk is None:
        pytest.skip("needs sfdisk (Debian: fdisk)")
    subprocess.run([sfdisk, "--quiet", str(image)], input=SFDISK, text=True, check=True)
    listed = json.loads(subprocess.run([sfdisk, "--json", str(image)], capture_output=True, check=True).stdout)
    table = read_partition_table(reader(image.read_bytes()))
    assert [(f"{image}{p.number}", p.offset // 512, p.length // 512, int(p.type, 16)) for p in table.partitions] == [
        (row["node"], row["start"], row["size"], int(row["type"], 16)) for row in listed["partitiontable"]["partitions"]
    ]
    assert [p.number for p in table.partitions] == [1, 2, 3, 5, 6, 7]
    assert partition_names_at(table.partitions, Area.between(330 * 512, 331 * 512)) == ("partition 5",)
    assert partition_names_at(table.partitions, Area.between(600 * 512, 601 * 512)) == ("partition 2",)


def test_a_chain_of_logical_partitions_that_runs_in_a_circle_ends() -> None:
    data = bytearray(MIB)
    data[:512] = mbr((0x05, 64, 1000))
    data[64 * 512 : 65 * 512] = mbr((0x83, 1, 10), (0x05, 0, 100))
    assert len(read_partition_table(reader(data)).partitions) == 101


def test_a_gpt_with_a_wrong_check_sum_is_none() -> None:
    data = gpt(4 * MIB, 512, (64, 127, "Recovery"))
    data[512 + 40] ^= 1
    assert read_partition_table(reader(data)).kind != "gpt"


@pytest.mark.parametrize("readable", [512, 512 + 8, 512 + 91, 1024, 1024 + 127])
def test_a_gpt_of_which_not_all_can_be_read_is_no_error(readable: int) -> None:
    """A bad sector may lie anywhere in the table: what cannot be read of it is as if it were not there."""
    table = read_partition_table(reader(gpt(4 * MIB, 512, (64, 127, "Recovery"))[:readable]))
    assert [partition for partition in table.partitions if partition.table == "gpt"] == []


def test_a_logical_partition_stands_only_where_a_table_is_signed() -> None:
    """Common practice, no source: 55 AA ends every block of the chain; without it, the bytes are something else."""
    data = bytearray(MIB)
    data[:512] = mbr((0x05, 64, 1000))
    data[64 * 512 : 65 * 512] = mbr((0x83, 1, 10))
    assert [partition.number for partition in read_partition_table(reader(data)).partitions] == [1, 5]
    data[65 * 512 - 1] ^= 1
    assert [partition.number for partition in read_partition_table(reader(data)).partitions] == [1]


def test_names_of_what_lies_in_an_area() -> None:
    parts = read_partition_table(reader(gpt(4 * MIB, 512, (64, 127, "Recovery"), (128, 255, "")))).partitions
    assert partition_names_at(parts, Area.between(100 * 512, 101 * 512)) == ("partition 1 (Recovery)",)
    assert partition_names_at(parts, Area.between(127 * 512, 129 * 512)) == ("partition 1 (Recovery)", "partition 2")
    assert partition_names_at(parts, Area.between(0, 512)) == ("outside any partition",)


def test_the_receipt_says_which_partition_lost_what() -> None:
    source = FakeMedium(gpt(4 * MIB, 512, (64, 127, "Recovery")), bad=[Area.between(100 * 512, 103 * 512)])
    target = FakeMedium(bytes(4 * MIB))
    receipt = copy_and_prove(source, target, fresh_journal(end_of(source), end_of(target)), MemoryStore(), buffers(MIB))
    assert receipt.unreadable[0].partitions == ("partition 1 (Recovery)",)
    assert receipt.partitions[0].unreadable_bytes == 3 * 512


def test_a_larger_target_loses_its_old_end_and_the_displaced_backup_is_told() -> None:
    source = FakeMedium(gpt(4 * MIB, 512, (64, 127, "Recovery")))
    target = FakeMedium(gpt(8 * MIB, 512, (2048, 4095, "Old")))
    receipt = copy_and_prove(source, target, fresh_journal(end_of(source), end_of(target)), MemoryStore(), buffers(MIB))
    assert target.data[: 4 * MIB] == source.data
    assert not any(target.data[7 * MIB :])
    assert receipt.tail is not None
    assert receipt.tail.cleared == (Area.between(7 * MIB, 8 * MIB),)
    assert receipt.tail.found == ("backup partition table (GPT)",)
    assert [note.code for note in receipt.notes] == ["gpt-backup-displaced"]
    assert receipt.exit_code == 0


def test_a_clean_end_is_left_alone() -> None:
    source, target = FakeMedium(b"x" * MIB), FakeMedium(bytes(3 * MIB))
    receipt = copy_and_prove(source, target, fresh_journal(end_of(source), end_of(target)), MemoryStore(), buffers(MIB))
    assert receipt.tail is not None
    assert receipt.tail.cleared == ()
    assert target.written == MIB


class WrapsAround(FakeMedium):
    """Claims more than it has: what is written behind its true size lands at the front again."""

    true_bytes = 3 * MIB

    def _true(self, offset: int) -> int:
        return offset % self.true_bytes

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        return super().read(self._true(offset), buffer, length)

    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        return super().write(self._true(offset), buffer, start, length)


def test_a_probe_finds_a_target_that_wraps_around() -> None:
    with pytest.raises(Refused) as caught:
        probe_target(WrapsAround(bytes(16 * MIB)), buffers(MIB)[0])
    assert caught.value.guard == "probe"


def test_a_probe_leaves_an_honest_target_empty() -> None:
    target = FakeMedium(bytes(16 * MIB + 512))
    probe_target(target, buffers(MIB)[0])
    assert not any(target.data)
    assert target.written >= 2 * MARK_BYTES * 256
