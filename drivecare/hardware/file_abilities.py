"""What a folder's file system can keep, determined by trying it out in a temporary folder that is removed again."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path

from drivecare.transfer.files.file_system import Abilities

_LARGEST_FAT_FILE_BYTES = (4 << 30) - 1  # a 32-bit size field


def try_abilities(folder: Path, characters: set[str], *, file_system: str | None) -> Abilities:
    """Try out a folder. `characters`: those that names will need."""
    space = os.statvfs(folder)
    with tempfile.TemporaryDirectory(prefix=".drivecare-try-", dir=folder) as name:
        room = Path(name)
        probe = room / "a"
        probe.touch(mode=0o640)
        return Abilities(
            symlinks=_succeeds(lambda: (room / "s").symlink_to("a")),
            hard_links=_succeeds(lambda: (room / "h").hardlink_to(probe)),
            modes=stat.S_IMODE(probe.stat().st_mode) & 0o777 == 0o640 and _succeeds(lambda: probe.chmod(0o751)),
            sparse=_keeps_holes(room / "hole"),
            case_sensitive=not (room / "A").exists(),
            longest_name_bytes=space.f_namemax or 255,
            largest_file_bytes=_LARGEST_FAT_FILE_BYTES if file_system in ("vfat", "msdos") else None,
            free_bytes=space.f_bavail * space.f_frsize,
            free_entries=space.f_favail or None if space.f_files else None,
            unable=frozenset(char for char in characters if not _keeps_name(room, f"n{char}n")),
            dot_at_end=_keeps_name(room, "n."),
            block_bytes=space.f_frsize,
        )


def _succeeds(attempt: Callable[[], object]) -> bool:
    try:
        attempt()
    except OSError:
        return False
    return True


def _keeps_name(folder: Path, name: str) -> bool:
    """Whether a name can be given and is the same when listed."""
    try:
        (folder / name).touch()
    except (OSError, ValueError):
        return False
    listed = name in {entry.name for entry in folder.iterdir()}
    with contextlib.suppress(OSError):
        (folder / name).unlink()
    return listed


def _keeps_holes(path: Path) -> bool:
    with path.open("wb") as stream:
        stream.truncate(8 << 20)
    return path.stat().st_blocks * 512 < 1 << 20
