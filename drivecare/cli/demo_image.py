"""The image that stands for the demo's old drive: an MBR and one FAT16 partition with invented recordings."""

from __future__ import annotations

import random
import struct
from pathlib import Path

from drivecare.storage import create_file

SIZE_BYTES = 64 << 20
BAD_OFFSET, BAD_LENGTH = 37_748_736 + 24_576, 8192  # two 4096-byte sectors, inside the ninth recording

_SECTOR, _SECTORS_OF_A_CLUSTER, _START = 512, 4, 2048
_RESERVED, _TABLES, _ROOT_ENTRIES, _TABLE_SECTORS = 6, 2, 512, 127
_SECTORS = SIZE_BYTES // _SECTOR - _START
_CLUSTER_BYTES = _SECTOR * _SECTORS_OF_A_CLUSTER
_DATA_AT = (_RESERVED + _TABLES * _TABLE_SECTORS) * _SECTOR + _ROOT_ENTRIES * 32
_RECORDING_BYTES, _EVERY_BYTES = 2 << 20, 4 << 20


def make_image(path: Path) -> None:
    """Write the image: part recordings, part free space, the same at every run."""
    draw = random.Random(1042)
    table, root = [0xFFF8, 0xFFFF] + [0] * (_SECTORS // _SECTORS_OF_A_CLUSTER), [_entry(b"RECORDER   ", 0x08, 0, 0)]
    with open(create_file(path), "wb") as image:
        image.write(_partition_table())
        for number, place in enumerate(range(_EVERY_BYTES, SIZE_BYTES, _EVERY_BYTES), 1):
            first = 2 + (place - _START * _SECTOR - _DATA_AT) // _CLUSTER_BYTES
            last = first + _RECORDING_BYTES // _CLUSTER_BYTES - 1
            table[first : last + 1] = [*range(first + 1, last + 1), 0xFFFF]
            root.append(_entry(f"REC-{number:04}MP4".encode(), 0x20, first, _RECORDING_BYTES))
            image.seek(_START * _SECTOR + _DATA_AT + (first - 2) * _CLUSTER_BYTES)
            image.write(draw.randbytes(_RECORDING_BYTES))
        image.seek(_START * _SECTOR)
        image.write(_boot_sector().ljust(_RESERVED * _SECTOR, b"\0"))
        image.write(
            struct.pack(f"<{len(table)}H", *table)[: _TABLE_SECTORS * _SECTOR].ljust(_TABLE_SECTORS * _SECTOR) * 2
        )
        image.write(b"".join(root))
        image.truncate(SIZE_BYTES)


def _partition_table() -> bytes:
    entry = bytes([0, 0, 0, 0, 0x06, 0, 0, 0]) + struct.pack("<II", _START, _SECTORS)
    return (bytes(446) + entry).ljust(510, b"\0") + b"\x55\xaa"


def _boot_sector() -> bytes:
    """FAT specification 1.03 (Microsoft, 2000), page 9."""
    boot = b"\xeb\x3c\x90DEMO    "
    boot += struct.pack(
        "<HBHBHHBH", _SECTOR, _SECTORS_OF_A_CLUSTER, _RESERVED, _TABLES, _ROOT_ENTRIES, 0, 0xF8, _TABLE_SECTORS
    )
    boot += struct.pack("<HHII", 63, 255, _START, _SECTORS) + b"\x80\0\x29\x42\x10\x42\x10"
    return (boot + b"RECORDER   " + b"FAT16   ").ljust(510, b"\0") + b"\x55\xaa"


def _entry(name: bytes, attributes: int, cluster: int, size: int) -> bytes:
    return name + struct.pack("<B14xHI", attributes, cluster, size)
