"""Stories that end in a power cut: each check is one boot, and the host looks at what the drives hold then."""

from __future__ import annotations

import mmap
import os

from tests.bench.drives import MIB, Drive
from tests.bench.guest import Bench

DRIVES = (
    Drive("source", bus="sata", mib=8, seed=1),
    Drive("flushed", bus="scsi", mib=8, logged=True),
    Drive("unflushed", bus="scsi", mib=8, logged=True),
)


def check_direct_writes(bench: Bench) -> None:
    """The same records to both drives past the cache; only one of them gets a flush."""
    for name in ("flushed", "unflushed"):
        descriptor = os.open(bench.path(name), os.O_WRONLY | os.O_DIRECT)
        with mmap.mmap(-1, MIB) as buffer:
            buffer[:] = b"\xa5" * MIB
            for offset in range(0, 8 * MIB, MIB):
                assert os.pwritev(descriptor, [buffer], offset) == MIB
        if name == "flushed":
            os.fsync(descriptor)
    bench.cut_power()
