"""A FAT12 file system of 1.4 MB with two files, written byte by byte, so that fast tests need no tools."""

from __future__ import annotations

import struct

SECTOR, TABLE_SECTORS, ROOT_ENTRIES, SECTORS = 512, 9, 224, 2880
ROOT_AT = (1 + 2 * TABLE_SECTORS) * SECTOR
DATA_AT = ROOT_AT + ROOT_ENTRIES * 32
PHOTO_AT, PHOTO_BYTES = DATA_AT, 1300  # three clusters, the last one not full
NOTE_AT = DATA_AT + 3 * SECTOR
FREE_AT = DATA_AT + 100 * SECTOR


def _entry(name: bytes, attributes: int, cluster: int, size: int) -> bytes:
    return name + struct.pack("<B14xHI", attributes, cluster, size)


def tiny_fat() -> bytes:
    """The image: PHOTO.JPG in clusters 2 to 4, NOTE.TXT in cluster 5, label SHOP."""
    boot = bytearray(SECTOR)
    boot[:11] = b"\xeb\x3c\x90DEMO    "
    struct.pack_into("<HBHBHHBH", boot, 11, SECTOR, 1, 1, 2, ROOT_ENTRIES, SECTORS, 0xF0, TABLE_SECTORS)
    struct.pack_into("<HHII", boot, 24, 18, 2, 0, 0)
    boot[36:62] = b"\0\0\x29\x01\x02\x03\x04" + b"SHOP       " + b"FAT12   "
    boot[510:] = b"\x55\xaa"
    table = bytearray(TABLE_SECTORS * SECTOR)
    for cluster, value in enumerate((0xFF0, 0xFFF, 3, 4, 0xFFF, 0xFFF)):
        position, shift = cluster * 3 // 2, 4 * (cluster & 1)
        pair = struct.unpack_from("<H", table, position)[0] | value << shift
        struct.pack_into("<H", table, position, pair)
    root = _entry(b"SHOP       ", 0x08, 0, 0) + _entry(b"PHOTO   JPG", 0x20, 2, PHOTO_BYTES)
    root += _entry(b"NOTE    TXT", 0x20, 5, 9)
    image = bytearray(SECTORS * SECTOR)
    image[:SECTOR] = boot
    image[SECTOR:ROOT_AT] = table * 2
    image[ROOT_AT : ROOT_AT + len(root)] = root
    image[PHOTO_AT : PHOTO_AT + PHOTO_BYTES] = b"P" * PHOTO_BYTES
    image[NOTE_AT : NOTE_AT + 9] = b"call her\n"
    return bytes(image)
