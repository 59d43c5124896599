"""The one medium in memory. What goes wrong with it is put together from faults.

A fault is a function that is asked before every call, in the order given. It raises what the medium would raise, or
returns how many bytes are transferred at most (0: the medium ended), or None to leave the call alone:

    FakeMedium(data, faults=[fails("flush", OSError(errno.EIO, "failed"), after=1)])
"""

from __future__ import annotations

import errno
import itertools
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from drivecare.transfer.areas import Area, overlap
from drivecare.transfer.medium import Buffer
from drivecare.transfer.sectors.journal import Journal, Parent, new_journal
from drivecare.transfer.sectors.receipt import End, ReadBackMethod

Operation = Literal["read", "write", "punch", "flush", "bypass_cache"]


@dataclass(frozen=True, slots=True)
class Call:
    operation: Operation
    area: Area


Fault = Callable[[Call], int | None]


class FakeMedium:
    """A medium that does what it is told, but for its faults; reads that touch an area in `bad` are EIO."""

    def __init__(
        self,
        data: bytes | bytearray = b"",
        *,
        size_bytes: int | None = None,  # of a medium that stores nothing: its reads leave the buffer as it is
        bad: Iterable[Area] = (),
        faults: Iterable[Fault] = (),
        sector_bytes: int = 512,
        sparse: bool = False,
        path: str = "memory",
    ) -> None:
        self.data = bytearray(data)
        self.size_bytes = len(data) if size_bytes is None else size_bytes
        self.bad = list(bad)
        self.faults = list(faults)
        self.path = path
        self.sector_bytes = sector_bytes
        self.direct = True
        self.sparse = sparse
        self.gone = False  # no longer shown by the kernel
        self.reads: list[Area] = []
        self.punched: list[Area] = []
        self.written = 0

    def _ask(self, operation: Operation, area: Area) -> int:
        """Ask every fault; return how many bytes may be transferred."""
        length, call = area.length, Call(operation, area)
        for fault in self.faults:
            most = fault(call)
            length = length if most is None else min(length, most)
        return length

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        area = Area(offset=offset, length=length)
        self.reads.append(area)
        length = min(self._ask("read", area), self.size_bytes - offset)
        if any(overlap(area, bad) for bad in self.bad):
            raise OSError(errno.EIO, "Input/output error")
        if self.data:
            buffer.view[:length] = self.data[offset : offset + length]
        return length

    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        length = self._ask("write", Area(offset=offset, length=length))
        self.store(offset, bytes(buffer.view[start : start + length]))
        self.written += length
        return length

    def punch(self, area: Area) -> None:
        self._ask("punch", area)
        self.store(area.offset, bytes(area.length))
        self.punched.append(area)

    def store(self, offset: int, data: bytes) -> None:
        self.data[offset : offset + len(data)] = data

    def flush(self) -> None:
        self._ask("flush", Area(offset=0, length=0))

    def bypass_cache(self) -> ReadBackMethod:
        self._ask("bypass_cache", Area(offset=0, length=0))
        return "direct"

    def is_present(self) -> bool:
        return not self.gone


def fails(operation: Operation, error: Exception, *, after: int = 0, times: int = 10**9, from_offset: int = 0) -> Fault:
    """Raise `times` times, once there were `after` such calls (at or past `from_offset`)."""
    calls = itertools.count()

    def fault(call: Call) -> int | None:
        if call.operation == operation and call.area.offset >= from_offset and after <= next(calls) < after + times:
            raise error
        return None

    return fault


def before(operation: Operation, act: Callable[[], object]) -> Fault:
    """Do something before every such call."""

    def fault(call: Call) -> int | None:
        if call.operation == operation:
            act()
        return None

    return fault


def never_written(call: Call) -> int | None:
    """The fault of a source: whoever writes to it or flushes it fails the test."""
    assert call.operation in ("read", "bypass_cache"), f"the source met a {call.operation}"
    return None


class MemoryStore:
    """A journal kept in memory; every version of it."""

    def __init__(self) -> None:
        self.saved: list[Journal] = []

    def save(self, journal: Journal) -> None:
        self.saved.append(journal)


def buffers(size: int, count: int = 4) -> tuple[Buffer, ...]:
    return tuple(Buffer(memoryview(bytearray(size))) for _ in range(count))


def end_of(medium: FakeMedium, path: str = "memory") -> End:
    return End(path=path, kind="image", size_bytes=medium.size_bytes)


def fresh_journal(source: End, target: End, *, parent: Parent | None = None) -> Journal:
    return new_journal(source, target, started="2026-11-25T10:00:00+01:00", parent=parent)
