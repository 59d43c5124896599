"""Media in memory, with faults, for the tests of the engine."""

from __future__ import annotations

import errno
from collections.abc import Iterable

from drivecare.transfer.areas import Area, overlap
from drivecare.transfer.medium import Buffer
from drivecare.transfer.sectors.journal import Journal, Parent, new_journal
from drivecare.transfer.sectors.receipt import End, ReadBackMethod


class Memory:
    """A medium that does what it is told, but for the areas in `bad`: reading them is EIO."""

    def __init__(
        self, data: bytes | bytearray, *, bad: Iterable[Area] = (), sector_bytes: int = 512, sparse: bool = False
    ) -> None:
        self.data = bytearray(data)
        self.bad = list(bad)
        self.path = "memory"
        self.size_bytes = len(data)
        self.sector_bytes = sector_bytes
        self.direct = True
        self.sparse = sparse
        self.reads: list[Area] = []
        self.punched: list[Area] = []
        self.written = 0

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        area = Area(offset=offset, length=length)
        self.reads.append(area)
        if any(overlap(area, one) for one in self.bad):
            raise OSError(errno.EIO, "Input/output error")
        data = self.data[offset : offset + length]
        buffer.view[: len(data)] = data
        return len(data)

    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        self.data[offset : offset + length] = buffer.view[start : start + length]
        self.written += length
        return length

    def punch(self, area: Area) -> None:
        self.data[area.offset : area.end] = bytes(area.length)
        self.punched.append(area)

    def flush(self) -> None:
        pass

    def bypass_cache(self) -> ReadBackMethod:
        return "direct"

    def is_present(self) -> bool:
        return True


class MemoryStore:
    """A journal kept in memory; every version of it."""

    def __init__(self) -> None:
        self.saved: list[Journal] = []

    def save(self, journal: Journal) -> None:
        self.saved.append(journal)


def buffers(size: int, count: int = 4) -> tuple[Buffer, ...]:
    return tuple(Buffer(memoryview(bytearray(size))) for _ in range(count))


def end_of(medium: Memory, path: str = "memory") -> End:
    return End(path=path, kind="image", size_bytes=medium.size_bytes)


def fresh_journal(source: End, target: End, *, parent: Parent | None = None) -> Journal:
    return new_journal(source, target, started="2026-11-25T10:00:00+01:00", parent=parent)
