"""Which file system begins in a partition, by the mark that it puts there; one that nothing reads is named, too.

A mark proves that a file system was made here, not that it is whole. Where marks of two are there, the first row wins.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

ENCRYPTED = "it is encrypted: without the key nobody can tell what is in it. A copy of it may not open elsewhere"
_NOT_READ = "drivecare does not read this kind of file system"
_SEVERAL = "it is one part of a set that can span several drives"
_NOTHING = "no file system that drivecare knows begins here"


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark: which bytes, counted from the partition's start (from its end where negative), mean which kind.

    `reader` names the module of `readers` that reads it; `reason` says why none does.
    """

    file_system: str
    offset: int
    magic: bytes
    reader: str | None = None
    reason: str | None = None
    encrypted: bool | None = None


# Each with where its mark is written down. "kernel" is the source of Linux 6.1.
MARKS: tuple[Mark, ...] = (
    Mark("BitLocker", 3, b"-FVE-FS-", reason=ENCRYPTED, encrypted=True),  # from memory
    Mark("LUKS", 0, b"LUKS\xba\xbe", reason=ENCRYPTED, encrypted=True),  # LUKS2 On-Disk Format 1.1.1, section 2.1
    Mark("CoreStorage", 88, b"CS", reason="it may be encrypted, and drivecare does not read it"),  # from memory
    Mark("NTFS", 3, b"NTFS    ", reader="ntfs"),  # kernel, fs/ntfs/layout.h
    Mark("exFAT", 3, b"EXFAT   ", reader="fat"),  # exFAT specification, section 3.1.2 (Microsoft, 2019)
    Mark("ReFS", 3, b"ReFS\0\0\0\0", reason=_NOT_READ),  # from memory
    Mark("XFS", 0, b"XFSB", reader="xfs"),  # kernel, fs/xfs/libxfs/xfs_format.h
    Mark("APFS", 32, b"NXSB", reader="apfs"),  # Apple File System Reference (2020), Container
    Mark("Linux software RAID", 4096, b"\xfc\x4e\x2b\xa9", reason=_SEVERAL),  # kernel, include/uapi/linux/raid/md_p.h
    Mark("Linux software RAID", 0, b"\xfc\x4e\x2b\xa9", reason=_SEVERAL),
    Mark("bcache", 4120, bytes.fromhex("c68573f64e1a45ca8265f57f48ba6d81"), reason=_SEVERAL),  # kernel, bcache_ondisk.h
    *(Mark("LVM", 512 * sector, b"LABELONE", reason=_SEVERAL) for sector in (1, 0, 2, 3)),  # from memory
    Mark("Btrfs", 65600, b"_BHRfS_M", reason=_NOT_READ),  # kernel, include/uapi/linux/btrfs_tree.h
    Mark("F2FS", 1024, b"\x10\x20\xf5\xf2", reason=_NOT_READ),  # kernel, include/uapi/linux/magic.h
    Mark("HFS+", 1024, b"H+\0\x04", reader="hfs"),  # Apple Technical Note TN1150, Volume Header
    Mark("HFSX", 1024, b"HX\0\x05", reader="hfs"),
    Mark("HFS", 1024, b"BD", reason=_NOT_READ),  # kernel, fs/hfs/hfs.h
    Mark("ext", 1080, b"\x53\xef", reader="ext"),  # kernel, fs/ext4/ext4.h
    Mark("swap", 4086, b"SWAPSPACE2", reason="it is working memory, not files"),  # kernel, include/linux/swap.h
    Mark("ISO 9660", 32769, b"CD001", reason=_NOT_READ),  # ECMA-119, section 8
    Mark("SquashFS", 0, b"hsqs", reason=_NOT_READ),  # kernel, fs/squashfs/squashfs_fs.h
    Mark("FAT", 54, b"FAT12", reader="fat"),  # ECMA-107; FAT specification 1.03 (Microsoft, 2000), page 11
    Mark("FAT", 54, b"FAT16", reader="fat"),
    Mark("FAT32", 82, b"FAT32", reader="fat"),
    # Version 0.9 and 1.0 lie at the end, in the last 64 kB that are aligned to 64 kB, and in the last 8 kB.
    Mark("Linux software RAID", -65536, b"\xfc\x4e\x2b\xa9", reason=_SEVERAL),
    Mark("Linux software RAID", -8192, b"\xfc\x4e\x2b\xa9", reason=_SEVERAL),
)

# What the entry in the partition table says, where no mark does. UEFI 2.10, table 5.7, the others from memory.
TYPES: dict[str, Mark] = {
    "e75caf8f-f680-4cee-afa3-b001e56efc2d": Mark("Storage Spaces", 0, b"", reason=_SEVERAL),
    "af9b60a0-1431-4f62-bc68-3311714a69ad": Mark("dynamic disk", 0, b"", reason=_SEVERAL),
    "e3c9e316-0b5c-4db8-817d-f92df00215ae": Mark("reserved", 0, b"", reason="it holds no files by its type"),
    "42": Mark("dynamic disk", 0, b"", reason=_SEVERAL),
}


def recognise(at: Callable[[int, int], bytes], size_bytes: int, type: str | None = None) -> Mark:
    """The mark in a partition. `at` reads (offset, length); what it cannot read raises OSError and carries no mark."""
    for mark in MARKS:
        offset = mark.offset if mark.offset >= 0 else (size_bytes // 65536 * 65536 if size_bytes else 0) + mark.offset
        try:
            if offset >= 0 and at(offset, len(mark.magic)) == mark.magic:
                return mark
        except OSError:
            continue
    return TYPES.get(type or "", Mark("", 0, b"", reason=_NOTHING))
