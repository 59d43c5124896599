"""A power cut, replayed: what a drive may hold when its write cache is lost.

QEMU's blklogwrites writes the log that the kernel documents in
Documentation/admin-guide/device-mapper/log-writes.rst: a superblock, then for each write one sector with its place,
length and flags, followed by its data. A flush promises everything before it; of what came after it the drive may have
kept any part.
"""

from __future__ import annotations

import random
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

MAGIC = 0x6A736677736872
FLUSH = 1
SECTOR = 512


@dataclass(frozen=True)
class Write:
    """One entry of the log."""

    sector: int
    data: bytes
    flush: bool


def entries(log: Path) -> list[Write]:
    """The whole log, in the order in which the drive took it."""
    content = log.read_bytes()
    magic, version, count, sector_bytes = struct.unpack_from("<QQQL", content)
    assert (magic, version, sector_bytes) == (MAGIC, 1, SECTOR), (magic, version, sector_bytes)
    entries, at = [], SECTOR
    for _ in range(count):
        sector, sectors, flags, _ = struct.unpack_from("<QQQQ", content, at)
        at += SECTOR
        entries.append(Write(sector, content[at : at + sectors * SECTOR], bool(flags & FLUSH)))
        at += sectors * SECTOR
    return entries


def last_flush(log: list[Write]) -> int:
    """How many entries the last flush has made durable."""
    return max((number for number, write in enumerate(log, 1) if write.flush), default=0)


Kept = Literal["nothing", "the first", "any"]


def after_power_cut(before: bytes, log: list[Write], kept: Kept = "nothing", *, seed: int = 1) -> bytes:
    """What the drive held `before`, every write up to the last flush, and of what came after it what it `kept`.

    "the first": up to a random point; "any": a random half of it, as a drive that sorts its writes would.
    """
    durable = last_flush(log)
    chance = random.Random(seed)
    match kept:
        case "nothing":
            rest = []
        case "the first":
            rest = log[durable : chance.randint(durable, len(log))]
        case "any":
            rest = [write for write in log[durable:] if chance.random() < 0.5]
    image = bytearray(before)
    for write in (*log[:durable], *rest):
        image[write.sector * SECTOR : write.sector * SECTOR + len(write.data)] = write.data
    return bytes(image)
