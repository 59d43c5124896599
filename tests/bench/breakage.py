"""Four promises broken on purpose, to prove that the bench would notice. Nothing of this is in the product.

    python -m tests.bench.breakage no-fsync copy /dev/sdb /dev/sdc

runs drivecare with that promise broken. Each is found by a check that is green without it:

| name | what is broken | found by |
|---|---|---|
| zero-is-end | a read of nothing counts as the end of the drive | guests/unplug.py: a pulled NVMe source |
| no-fsync | the target is never flushed | test_powercut.py: a verified copy after the cut |
| cached-verify | the read-back comes from the cache | test_loop_copies.py: a write lost without an error |
| no-exclusive | drives are opened without O_EXCL | guests/guards.py: a drive another program holds |
"""

from __future__ import annotations

import os
import sys
from typing import Any

from drivecare.cli.main import main
from drivecare.hardware import media, opening
from drivecare.transfer.medium import Gone
from drivecare.transfer.sectors import reader, whole_transfers


def zero_is_end() -> None:
    """A source that reads as nothing has been read to its end."""
    real = whole_transfers.read_fully

    def read_fully(medium: Any, area: Any, buffer: Any) -> tuple[int, OSError | None]:
        try:
            return real(medium, area, buffer)
        except Gone:
            return area.length, None

    reader.read_fully = read_fully  # type: ignore[attr-defined]


def no_fsync() -> None:
    """A flush does nothing."""
    media.RealMedium.flush = lambda self: None  # type: ignore[method-assign]


def cached_verify() -> None:
    """Everything goes through the cache, which is never emptied."""
    real = opening._open
    opening._open = lambda path, flags: (real(path, flags)[1],) * 2
    media.RealMedium.bypass_cache = lambda self: "direct"  # type: ignore[method-assign]


def no_exclusive() -> None:
    """O_EXCL is left out, so that the kernel refuses nothing."""
    real = os.open

    def plain_open(path: Any, flags: int, *rest: Any, **named: Any) -> int:
        return real(path, flags if flags & os.O_CREAT else flags & ~os.O_EXCL, *rest, **named)

    os.open = plain_open


BREAKAGES = {
    "zero-is-end": zero_is_end,
    "no-fsync": no_fsync,
    "cached-verify": cached_verify,
    "no-exclusive": no_exclusive,
}

if __name__ == "__main__":
    BREAKAGES[sys.argv.pop(1)]()
    main()
