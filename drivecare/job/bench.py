"""What is attached while a job is looked at: handed in, so that a command can name each drive by where it is now."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from drivecare.reading.identity import Identity


@dataclass(frozen=True, kw_only=True)
class BenchDrive:
    """An attached drive. `path` is in /dev/disk/by-id where it has a name there, since that names the drive itself.

    `free`: nobody uses it, and this machine does not run from it.
    """

    path: str
    model: str | None = None
    serial: str | None = None
    identity: Identity = field(default_factory=Identity)
    free: bool = True


@dataclass(frozen=True, kw_only=True)
class Bench:
    """The bench as it is just now. `sudo`: who asks is not root, so a command that opens a device needs it.

    `stock`: whether `plan` finds a stock list by itself.
    """

    drives: tuple[BenchDrive, ...] = ()
    sudo: bool = False
    stock: bool = False

    def find_path(self, matches: Callable[[BenchDrive], bool]) -> str | None:
        """The path of the one drive that matches; None for none, and for several, between which a person decides."""
        paths = [drive.path for drive in self.drives if matches(drive)]
        return paths[0] if len(paths) == 1 else None
