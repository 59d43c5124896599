"""The end of a target that is larger than the source.

An old backup partition table or an old signature there makes a later computer believe the old layout. The last
mebibyte is cleared whatever it holds, for nothing of the copy lies there; known signatures are named.
"""

from __future__ import annotations

from drivecare.transfer.areas import area, pieces
from drivecare.transfer.medium import Buffer, Medium
from drivecare.transfer.sectors.partitions import PartitionTable
from drivecare.transfer.sectors.receipt import Note, Tail
from drivecare.transfer.sectors.whole_transfers import read_fully, write_fully

TAIL_BYTES = 1 << 20

_SIGNATURES: tuple[tuple[str, bytes], ...] = (
    ("backup partition table (GPT)", b"EFI PART"),  # UEFI 2.10, 5.3.2
    ("Linux RAID", bytes.fromhex("fc4e2ba9")),  # Linux, include/uapi/linux/raid/md_p.h: MD_SB_MAGIC, little-endian
    ("RAID (DDF)", bytes.fromhex("de11de11")),  # SNIA Common RAID Disk Data Format 2.0: DDF_Header
)


def clear_tail(target: Medium, copied_bytes: int, buffer: Buffer) -> Tail | None:
    """Zero the last mebibyte of the target behind the copy; what was found there. None where both are of one size."""
    if target.size_bytes <= copied_bytes:
        return None
    whole = area(copied_bytes, target.size_bytes)
    last = area(max(copied_bytes, target.size_bytes - TAIL_BYTES), target.size_bytes)
    held = b""
    for piece in pieces(last, len(buffer.view)):
        held += bytes(buffer.view[: read_fully(target, piece, buffer)[0]])
    if len(held) == last.length and not any(held):
        return Tail(offset=whole.offset, length=whole.length)
    for piece in pieces(last, len(buffer.view)):
        buffer.view[: piece.length] = bytes(piece.length)
        write_fully(target, piece, buffer)
    return Tail(offset=whole.offset, length=whole.length, found=_found(held), cleared=(last,))


def _found(held: bytes) -> tuple[str, ...]:
    return tuple(
        name
        for name, signature in _SIGNATURES
        if any(held.startswith(signature, at) for at in range(0, len(held), 512))
    )


def displaced_backup(table: PartitionTable, copied_bytes: int, target_bytes: int) -> Note | None:
    """What to say where the copied GPT's backup no longer lies at the end of its medium."""
    if table.kind != "gpt" or table.backup_lba is None or table.sector_bytes is None or target_bytes <= copied_bytes:
        return None
    return Note(
        code="gpt-backup-displaced",
        text=f"The backup of the partition table (GPT) was copied to LBA {table.backup_lba:,}; on the larger target it "
        "should lie in the last sector. The unit or a partition editor moves it there; until then some firmware "
        "reports a damaged backup.",
    )
