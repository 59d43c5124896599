"""The port between the engine and a medium, and whose fault an error is: the medium's, the way to it, or ours.

`hardware.media` implements `Medium` for block devices and image files; `transfer.sectors.bad_places` lets the reads of
another medium fail.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from drivecare.clock import WallClock
from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area
from drivecare.transfer.sectors.receipt import ReadBackMethod

Blame = Literal["medium", "transport", "own"]

# block/blk-core.c in the Linux sources maps a drive's answer to these: ENODATA critical medium error, EIO any other
# I/O error, EREMOTEIO critical target error, EILSEQ protection error.
_MEDIUM = frozenset({errno.EIO, errno.ENODATA, errno.EREMOTEIO, errno.EILSEQ})
# ETIMEDOUT, ENOLINK and EBADE come from the same table; the last two are how a FUSE server that died looks.
_TRANSPORT = frozenset(
    {
        errno.ETIMEDOUT,
        errno.ENOLINK,
        errno.EBADE,
        errno.ENODEV,
        errno.ENXIO,
        errno.ENOMEDIUM,
        errno.ESHUTDOWN,
        errno.ECONNRESET,
        errno.ENOTCONN,
        errno.ECONNABORTED,
    }
)


def blame(error: OSError) -> Blame:
    """Tell whose fault a failed read or write is: the medium's, the way to it, or ours (a wrong call, no memory)."""
    if error.errno in _MEDIUM:
        return "medium"
    return "transport" if error.errno in _TRANSPORT else "own"


class Gone(Exception):
    """The medium is no longer there, or has been replaced by another one."""


class Stuck(Exception):
    """A call on the medium has not come back in time; the process `pid` that waits for it was left behind."""

    def __init__(self, problem: str, pid: int) -> None:
        self.pid = pid
        super().__init__(problem)


@dataclass(frozen=True, slots=True)
class Buffer:
    """Memory that a medium can read into and write from: aligned, reused. `position`: its offset in its pool."""

    view: memoryview
    position: int = 0


class Medium(Protocol):
    """One end of a copy, open and held. Offsets and lengths are in bytes.

    Transfers may come back short; a read of 0 bytes before `size_bytes` means the medium is gone. Errors of a
    transfer are OSError; a call that does not come back is `Stuck`.
    """

    @property
    def path(self) -> str:
        """The path that the user typed."""

    @property
    def size_bytes(self) -> int:
        """Its size when it was opened."""

    @property
    def sector_bytes(self) -> int:
        """The smallest piece worth reading by itself: the physical sector, where known."""

    @property
    def direct(self) -> bool:
        """Whether transfers bypass this machine's cache."""

    @property
    def sparse(self) -> bool:
        """Whether runs of zeros may become holes: image files only, a device is always written."""

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        """Read up to `length` bytes into the start of `buffer`; return the number of bytes read."""

    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        """Write up to `length` bytes from `start` in `buffer`; return the number of bytes written."""

    def punch(self, area: Area) -> None:
        """Make `area` read as zeros without storing them; only where `sparse`."""

    def flush(self) -> None:
        """Return once everything written is durable."""

    def bypass_cache(self) -> ReadBackMethod:
        """Make sure that reads from now on come from the medium; return the method."""

    def is_present(self) -> bool:
        """Ask again whether the medium is there, with its size and identity."""


def vanished(medium: Medium) -> Gone:
    """The error of a medium that is no longer there with its size and identity."""
    return Gone(f"{medium.path} is no longer there, or was replaced")


def require_present(medium: Medium) -> None:
    """Raise Gone where a medium is no longer there."""
    if not medium.is_present():
        raise vanished(medium)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a phase has got, in bytes: copying, filling unreadable areas, reading back.

    `promising`: what of the source was not reached yet. `doubtful`: what has failed and is not copied so far, with what
    was leapt over beside it. What is on its way is neither. Counting files, it is in names, and `total` is 0, since
    nobody knows it.
    """

    phase: str
    done: int
    total: int
    promising: int = 0
    doubtful: int = 0
    unit: str = "B"


@dataclass(frozen=True, slots=True)
class Watch:
    """What surrounds a run: who follows it, when to stop, what time it is.

    `notify` is told in a sentence what a person should know at once. `stop_reason` gives the reason to stop, or None.
    `overlap` lets reading, digesting and writing run at the same time; without it everything happens in one fixed
    order, which the simulation needs. `clock` counts seconds; `timestamp` gives the time of day as documents hold it.
    """

    on_progress: Callable[[Progress], None] = lambda _: None
    notify: Callable[[str], None] = lambda _: None
    stop_reason: Callable[[], str | None] = lambda: None
    clock: Callable[[], float] = time.monotonic
    timestamp: Callable[[], str] = WallClock().timestamp
    overlap: bool = True

    def raise_if_stopped(self) -> None:
        """Raise Interrupted where there is a reason to stop."""
        if (reason := self.stop_reason()) is not None:
            raise Interrupted(reason)
