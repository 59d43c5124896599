"""A million files in a thousand folders, on three file systems: only their structures are written, files are holes.

A maker fills an image and returns the place of each file by its number.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from tests.contents.images import need, run

FOLDERS = FILES_IN_EACH = 1000
FILES = FOLDERS * FILES_IN_EACH
Places = Callable[[int], int]


def path_of(file: int) -> str:
    """The path of a file by its number."""
    return f"/D{file // FILES_IN_EACH:03}/F{file % FILES_IN_EACH:03}.JPG"


def write_at(stream: BinaryIO, offset: int, content: bytes | bytearray) -> None:
    stream.seek(offset)
    stream.write(content)


# ------------------------------------------------------------------ FAT32: FAT specification 1.03 (Microsoft, 2000)

SECTOR = 512


def fat32(image: Path) -> Places:
    """No tool is needed; the image takes 70 MB."""
    reserved, root, folder_clusters = 32, 2, 63  # of one sector: 1,002 entries of 32 bytes
    first_folder, first_file = root + folder_clusters, root + folder_clusters * (1 + FOLDERS)
    clusters, end = first_file + FILES - root, struct.pack("<I", 0x0FFFFFFF)
    table_sectors = -(-(clusters + 2) * 4 // SECTOR)

    def place(cluster: int) -> int:
        return (reserved + table_sectors + cluster - root) * SECTOR

    def entry(name: bytes, attributes: int, cluster: int, size: int) -> bytes:
        return struct.pack("<11sB8xH4xHI", name, attributes, cluster >> 16, cluster & 0xFFFF, size)

    boot = struct.pack("<3s8sHBHBHHBHHHII", b"\xeb\x58\x90", b"DEMO", SECTOR, 1, reserved, 1, 0, 0, 0xF8, 0, 63, 255, 0,
                       reserved + table_sectors + clusters)  # fmt: skip
    boot += struct.pack("<IHHIHH12xBBBI11s8s", table_sectors, 0, 0, root, 1, 6, 0x80, 0, 0x29, 7, b"SHOP", b"FAT32   ")
    chains = (
        struct.pack(f"<{folder_clusters - 1}I", *range(first + 1, first + folder_clusters)) + end
        for first in range(root, first_file, folder_clusters)
    )
    with image.open("wb") as stream:
        write_at(stream, 0, boot.ljust(510, b"\0") + b"\x55\xaa")
        write_at(stream, reserved * SECTOR, end * 2 + b"".join(chains) + end * FILES)
        names = []
        for number in range(FOLDERS):
            cluster, first = first_folder + number * folder_clusters, first_file + number * FILES_IN_EACH
            names.append(entry(f"D{number:03}".encode().ljust(11), 0x10, cluster, 0))
            dots = [entry(b".".ljust(11), 0x10, cluster, 0), entry(b"..".ljust(11), 0x10, 0, 0)]
            files = [
                entry(f"F{index:03}    JPG".encode(), 0x20, first + index, SECTOR) for index in range(FILES_IN_EACH)
            ]
            write_at(stream, place(cluster), b"".join(dots + files))
        write_at(stream, place(root), b"".join(names))
        stream.truncate(place(clusters + root))
    return lambda file: place(first_file + file)


# ------------------------------------- ext4: kernel documentation, filesystems/ext4, "Data Structures and Algorithms"

BLOCK = 4096


def ext4(image: Path) -> Places:
    """On an empty file system by mkfs.ext4; the image takes 150 MB."""
    need("mkfs.ext4")
    features = "^has_journal,^metadata_csum,^64bit,^flex_bg,^resize_inode,^dir_index"
    run("mkfs.ext4", "-q", "-F", "-b", BLOCK, "-I", 128, "-N", 1_100_000, "-O", features, image, "5G")
    with image.open("rb+") as stream:
        stream.seek(1024)
        superblock = stream.read(1024)
        blocks, per_group, inodes_per_group = (struct.unpack_from("<I", superblock, at)[0] for at in (4, 32, 40))
        stream.seek(BLOCK)
        groups = [struct.unpack("<3I20x", stream.read(32)) for _ in range(blocks // per_group)]
        for block_bitmap, inode_bitmap, _ in groups:
            write_at(stream, block_bitmap * BLOCK, b"\xff" * BLOCK)
            write_at(stream, inode_bitmap * BLOCK, b"\xff" * BLOCK)
        free = [
            block
            for number, (_, _, table) in enumerate(groups)
            for block in range(table + inodes_per_group * 128 // BLOCK + 100, (number + 1) * per_group)
        ]
        of_folders, of_files = free[: 4 * (FOLDERS + 1)], free[4 * (FOLDERS + 1) :]
        root, first_folder, first_file = 2, 12, 12 + FOLDERS  # inodes
        layout = struct.Struct("<HH5IHH3I15I28x")

        def inode(mode: int, size: int, links: int, *content: int) -> bytes:
            places = [*content, *[0] * (15 - len(content))]
            return layout.pack(mode, 0, size, 0, 0, 0, 0, 0, links, len(content) * 8, 0, 0, *places)

        def folder(number: int, names: Iterator[tuple[int, str]]) -> bytes:
            """Write the names of a folder; returns its inode."""
            places = of_folders[4 * number : 4 * number + 4]
            for place, content in zip(places, names_in_blocks(names, 4), strict=True):
                write_at(stream, place * BLOCK, content)
            return inode(0o40755, 4 * BLOCK, 2, *places)

        subfolders = ((first_folder + number, f"D{number:03}") for number in range(FOLDERS))
        inodes = {root: folder(FOLDERS, subfolders)}
        for number in range(FOLDERS):
            first = first_file + number * FILES_IN_EACH
            inodes[first_folder + number] = folder(
                number, ((first + index, f"F{index:03}.JPG") for index in range(FILES_IN_EACH))
            )
        before, after = (inode(0o100644, BLOCK, 1, 0)[part] for part in (slice(40), slice(44, 128)))
        for number, block in enumerate(of_files[:FILES], first_file):
            inodes[number] = before + block.to_bytes(4, "little") + after
        for group, (_, _, table) in enumerate(groups):
            numbers = range(group * inodes_per_group + 1, (group + 1) * inodes_per_group + 1)
            write_at(stream, table * BLOCK, b"".join(inodes.get(number, bytes(128)) for number in numbers))
    return lambda file: of_files[file] * BLOCK


def names_in_blocks(names: Iterator[tuple[int, str]], count: int) -> list[bytes]:
    """The entries of a folder in so many blocks; the last entry of a block takes what is left of it."""
    blocks, entries, used = list[bytes](), list[tuple[int, str]](), 0

    def finish() -> None:
        nonlocal entries, used
        lengths = [8 + -(-len(name) // 4) * 4 for _, name in entries]
        lengths[-1] += BLOCK - sum(lengths)
        blocks.append(
            b"".join(
                struct.pack(f"<IHBB{length - 8}s", number, length, len(name), 0, name.encode())
                for (number, name), length in zip(entries, lengths, strict=True)
            )
        )
        entries, used = [], 0

    for number, name in names:
        length = 8 + -(-len(name) // 4) * 4
        if used + length > BLOCK:
            finish()
        entries.append((number, name))
        used += length
    finish()
    return blocks + [struct.pack("<IHBB4088x", 0, BLOCK, 0, 0)] * (count - len(blocks))


# ------------------------------------------------------------------------------- NTFS: kernel, fs/ntfs/layout.h

CLUSTER, RECORD = 4096, 1024
_TABLE, _INDEXES, _CONTENT = 200_000, 460_000, 500_000  # clusters
_OF_MKNTFS = range(786_431, 800_000)  # where it puts the table's mirror and the journal
_ROOT, _BITMAP, _FIRST_FOLDER = 5, 6, 28
_FIRST_FILE = _FIRST_FOLDER + FOLDERS
_LEAF = 38  # names in a full block of an index


def ntfs(image: Path) -> Places:
    """On an empty file system by mkntfs; the image takes 1.2 GB, since every file has a record."""
    need("mkntfs")
    with image.open("wb") as stream:
        os.truncate(stream.fileno(), 6 << 30)
    run("mkntfs", "-q", "-F", "-f", "-c", CLUSTER, image)
    with image.open("rb+") as stream:
        stream.seek(48)
        (old_table,) = struct.unpack("<Q", stream.read(8))
        write_at(stream, 48, struct.pack("<Q", _TABLE))
        stream.seek(old_table * CLUSTER)
        own = bytearray(stream.read(_FIRST_FOLDER * RECORD))
        records = _FIRST_FILE + FILES
        table = nonresident(0x80, _TABLE, records * RECORD)
        start = own.index(struct.pack("<I", 0x80), 0x38)  # within record 0
        own[start : start + len(table)] = table
        bitmap_at, bitmap_bytes = place_of_bitmap(bytes(own[_BITMAP * RECORD : (_BITMAP + 1) * RECORD]))
        write_at(stream, bitmap_at, b"\xff" * bitmap_bytes)
        names = [(_FIRST_FOLDER + number, file_name(_ROOT, f"D{number:03}", 0x10000000)) for number in range(FOLDERS)]
        root = folder_record(stream, _ROOT, FOLDERS, file_name(_ROOT, ".", 0), names)
        own[_ROOT * RECORD : (_ROOT + 1) * RECORD] = root
        write_at(stream, _TABLE * CLUSTER, own)
        for number, (record, name) in enumerate(names):
            first = _FIRST_FILE + number * FILES_IN_EACH
            files = [(first + index, file_name(record, f"F{index:03}.JPG")) for index in range(FILES_IN_EACH)]
            write_at(stream, _TABLE * CLUSTER + record * RECORD, folder_record(stream, record, number, name, files))
            content = (
                record_of(file, name, nonresident(0x80, cluster_of(file - _FIRST_FILE), CLUSTER))
                for file, name in files
            )
            write_at(stream, _TABLE * CLUSTER + first * RECORD, b"".join(content))
    return lambda file: cluster_of(file) * CLUSTER


def cluster_of(file: int) -> int:
    """The one cluster of a file."""
    return _CONTENT + file + (len(_OF_MKNTFS) if _CONTENT + file >= _OF_MKNTFS.start else 0)


def place_of_bitmap(record: bytes) -> tuple[int, int]:
    """Where the record of free space lies and its size, by its own record: the one run of its content."""
    at = record.index(struct.pack("<IIB", 0x80, 72, 1))
    of_length, of_offset = record[at + 64] & 15, record[at + 64] >> 4
    start, (size,) = at + 65 + of_length, struct.unpack_from("<Q", record, at + 48)
    return int.from_bytes(record[start : start + of_offset], "little") * CLUSTER, size


def file_name(parent: int, name: str, flags: int = 0) -> bytes:
    """The content of the attribute for a name, which an index repeats."""
    sequence = parent if parent == _ROOT else 1
    head = struct.pack("<Q32xQQIIBB", parent | sequence << 48, CLUSTER, CLUSTER, flags, 0, len(name), 3)
    return head + name.encode("utf-16-le")


def padded(content: bytes) -> bytes:
    return content.ljust(-(-len(content) // 8) * 8, b"\0")


def resident(kind: int, content: bytes, name: str = "") -> bytes:
    text = padded(name.encode("utf-16-le"))
    body = padded(text + content)
    head = struct.pack("<IIBBHHHIHH", kind, 24 + len(body), 0, len(name), 24, 0, 0, len(content), 24 + len(text), 0)
    return head + body


def nonresident(kind: int, cluster: int, size: int, name: str = "") -> bytes:
    """An attribute whose content is one run of clusters."""
    text, clusters = padded(name.encode("utf-16-le")), size // CLUSTER
    sizes = (size, size, size)  # taken, of the content, written
    head = struct.pack("<BBHHHQQHHIQQQ", 1, len(name), 64, 0, 0, 0, clusters - 1, 64 + len(text), 0, 0, *sizes)
    runs = b"\x33" + clusters.to_bytes(3, "little") + cluster.to_bytes(3, "little") + b"\0"
    return struct.pack("<II", kind, 72 + len(text)) + head + text + runs


def record_of(number: int, name: bytes, *attributes: bytes, flags: int = 1) -> bytes:
    """A record of the table of files. Its sectors end in zeros, in whose place the mark of this writing stands."""
    sequence = number if number == _ROOT else 1
    body = b"".join([resident(0x30, name), *attributes]) + struct.pack("<II", 0xFFFFFFFF, 0)
    head = struct.pack("<4sHHQHHHHIIQHHI", b"FILE", 0x30, 3, 0, sequence, 1, 0x38, flags, 0x38 + len(body), RECORD,
                       0, 9, 0, number)  # fmt: skip
    record = bytearray((head + struct.pack("<HHH2x", 1, 0, 0) + body).ljust(RECORD, b"\0"))
    assert not any(record[510:512])
    record[510:512] = record[1022:1024] = b"\1\0"
    return bytes(record)


def folder_record(stream: BinaryIO, number: int, index: int, name: bytes, names: list[tuple[int, bytes]]) -> bytes:
    """Write the index of a folder, a tree of two levels; returns the folder's record."""
    leaves = [names[at : at + _LEAF] for at in range(0, len(names), _LEAF + 1)]
    between = [names[at] for at in range(_LEAF, len(names), _LEAF + 1)]
    top = [entry_of(*item, child=child) for child, item in enumerate(between, 1)] + [last_entry(len(leaves))]
    blocks = [index_block(0, b"".join(top), has_children=True)]
    blocks += [
        index_block(child, b"".join([*(entry_of(*item) for item in leaf), last_entry()]))
        for child, leaf in enumerate(leaves, 1)
    ]
    start = _INDEXES + index * 30
    write_at(stream, start * CLUSTER, b"".join(blocks))
    node = struct.pack("<4I", 16, 40, 40, 1) + last_entry(0)
    root = struct.pack("<IIIB3x", 0x30, 1, CLUSTER, 1) + node
    return record_of(
        number,
        name,
        resident(0x90, root, "$I30"),
        nonresident(0xA0, start, len(blocks) * CLUSTER, "$I30"),
        resident(0xB0, b"\xff" * 8, "$I30"),
        flags=3,
    )


def entry_of(record: int, name: bytes, *, child: int | None = None) -> bytes:
    key, pointer = padded(name), b"" if child is None else struct.pack("<Q", child)
    length = 16 + len(key) + len(pointer)
    return struct.pack("<QHHHH", record | 1 << 48, length, len(name), child is not None, 0) + key + pointer


def last_entry(child: int | None = None) -> bytes:
    pointer = b"" if child is None else struct.pack("<Q", child)
    return struct.pack("<QHHHH", 0, 16 + len(pointer), 0, 2 | (child is not None), 0) + pointer


def index_block(number: int, entries: bytes, *, has_children: bool = False) -> bytes:
    """A block of an index, the ends of its sectors kept in its head."""
    node = struct.pack("<4I", 40, 40 + len(entries), CLUSTER - 24, has_children)
    head = struct.pack("<4sHHQQ", b"INDX", 40, 9, 0, number) + node + bytes(24)
    block = bytearray((head + entries).ljust(CLUSTER, b"\0"))
    assert len(block) == CLUSTER
    block[40:42] = b"\1\0"
    for sector in range(1, 9):
        end = sector * 512
        block[40 + 2 * sector : 42 + 2 * sector] = block[end - 2 : end]
        block[end - 2 : end] = b"\1\0"
    return bytes(block)
