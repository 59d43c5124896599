"""Four promises broken on purpose, to prove that the bench would notice.

Python runs this file at its start where its folder is in PYTHONPATH; only a test puts it there. DRIVECARE_TEST_BREAKAGE
names what to break:

| name | what is broken | what must turn red |
|---|---|---|
| zero-is-end | a read of nothing counts as the end of the drive | guests/unplug.py, a pulled NVMe source |
| no-fsync | nothing is ever flushed | test_powercut.py, a verified copy after the cut |
| cached-verify | the read-back comes from the host's cache | test_loop_copies.py, a write lost without an error |
| no-exclusive | drives are opened without O_EXCL | guests/guards.py, a drive that another program holds |
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from typing import Any

BLKFLSBUF = 0x1261


def _strip(flags_to_drop: Callable[[int], int]) -> None:
    real = os.open
    os.open = lambda path, flags, *rest, **named: real(path, flags & ~flags_to_drop(flags), *rest, **named)


def _no_fsync() -> None:
    os.fsync = os.fdatasync = lambda fd: None
    os.sync = lambda: None
    _strip(lambda flags: os.O_DSYNC | os.O_SYNC)


def _cached_verify() -> None:
    real = fcntl.ioctl

    def ioctl(descriptor: Any, request: int, *rest: Any) -> Any:
        return 0 if request == BLKFLSBUF else real(descriptor, request, *rest)

    fcntl.ioctl = ioctl
    os.posix_fadvise = lambda *arguments: None
    _strip(lambda flags: os.O_DIRECT)


def _no_exclusive() -> None:
    _strip(lambda flags: 0 if flags & os.O_CREAT else os.O_EXCL)


def _zero_is_end() -> None:
    """Placeholder until the engine is here."""


{
    "": lambda: None,
    "zero-is-end": _zero_is_end,
    "no-fsync": _no_fsync,
    "cached-verify": _cached_verify,
    "no-exclusive": _no_exclusive,
}[os.environ.get("DRIVECARE_TEST_BREAKAGE", "")]()
