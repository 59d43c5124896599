"""The end of a target that is larger than the source.

An old backup partition table or an old signature there makes a later computer believe the old layout. The last
mebibyte is cleared whatever it holds, as no part of the copy is there; known signatures are named.
"""

from __future__ import annotations

from drivecare.transfer.areas import Area, pieces
from drivecare.transfer.medium import Buffer, Medium
from drivecare.transfer.sectors.receipt import Tail
from drivecare.transfer.sectors.whole_transfers import read_fully, write_fully

TAIL_BYTES = 1 << 20

_SIGNATURES: tuple[tuple[str, bytes], ...] = (
    ("backup partition table (GPT)", b"EFI PART"),  # UEFI 2.10, 5.3.2
    ("Linux RAID", bytes.fromhex("fc4e2ba9")),  # Linux, include/uapi/linux/raid/md_p.h: MD_SB_MAGIC, little-endian
    ("RAID (DDF)", bytes.fromhex("de11de11")),  # SNIA Common RAID Disk Data Format 2.0: DDF_Header
)


def clear_tail(target: Medium, copied_bytes: int, buffer: Buffer) -> Tail | None:
    """Zero the last mebibyte of the target after the copy and name what was there; None where both are of one size."""
    if target.size_bytes <= copied_bytes:
        return None
    tail = Area.between(copied_bytes, target.size_bytes)
    last = Area.between(max(copied_bytes, target.size_bytes - TAIL_BYTES), target.size_bytes)
    content = b""
    for piece in pieces(last, len(buffer.view)):
        content += bytes(buffer.view[: read_fully(target, piece, buffer)[0]])
    if len(content) == last.length and not any(content):
        return Tail(offset=tail.offset, length=tail.length)
    for piece in pieces(last, len(buffer.view)):
        buffer.view[: piece.length] = bytes(piece.length)
        write_fully(target, piece, buffer)
    return Tail(offset=tail.offset, length=tail.length, found=_signatures_in(content), cleared=(last,))


def _signatures_in(content: bytes) -> tuple[str, ...]:
    return tuple(
        name
        for name, signature in _SIGNATURES
        if any(content.startswith(signature, at) for at in range(0, len(content), 512))
    )
