"""The machine a command works on: its file tree, the backend that speaks to drives, what runs on it.

Tests put a recorded one into the command's context; nothing is patched.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.clock import Clock, WallClock
from drivecare.hardware.device_path import is_device

if TYPE_CHECKING:
    from drivecare.hardware.blockdev import AttachedDrive
    from drivecare.hardware.smart_port import Backend
    from drivecare.transfer.files.file_system import FileSystem


def _live_backend() -> Backend:
    from drivecare.hardware.backend import LiveBackend  # pySMART takes 0.1 s to import

    return LiveBackend()


def _native_capacity(drive: AttachedDrive) -> int | None:
    from drivecare.hardware.native import native_capacity

    return native_capacity(drive)


def _local_files() -> FileSystem:
    from drivecare.hardware.held_folder import LocalFileSystem

    return LocalFileSystem()


def _running_programs() -> frozenset[str]:
    import psutil

    return frozenset(process.info["name"] or "" for process in psutil.process_iter(["name"]))


def _lacking_measure() -> str:
    from drivecare.hardware.confinement import lacking_measure

    return lacking_measure()


@dataclass(frozen=True, kw_only=True)
class Machine:
    """`root` holds /sys, /proc, /run, /etc and /dev; `backend` and `files` are made when they are first needed.

    `files` is where the files of a copy lie; it has the real tree, not the one under `root`. `parser_lacks` says what
    the process that parses file systems cannot be denied here.
    """

    root: Path = Path("/")
    backend: Callable[[], Backend] = _live_backend
    native_capacity: Callable[[AttachedDrive], int | None] = _native_capacity
    files: Callable[[], FileSystem] = _local_files
    clock: Clock = field(default_factory=WallClock)
    programs: Callable[[], frozenset[str]] = _running_programs
    parser_lacks: Callable[[], str] = _lacking_measure
    is_root: bool = field(default_factory=lambda: os.geteuid() == 0)

    def node(self, path: str) -> str:
        """The file to open for `path`. On a recorded machine one under `root` stands for each device."""
        recorded = self.root != Path("/") and is_device(path)
        return str(self.root / path.lstrip("/")) if recorded else path


THIS_MACHINE = Machine()
