"""Whether the lock on a job reaches the other benches of a share, or only this machine."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

# Type of file system -> mount options with which a lock stays on this machine; () where it always does. sshfs:
# measured, 27 November 2026, two mounts of one folder; the others from memory of nfs(5), mount.cifs(8) and the kernel.
_LOCKS_STAY: dict[str, tuple[str, ...]] = {
    "fuse.sshfs": (),
    "9p": (),
    "nfs": ("nolock", "local_lock=flock", "local_lock=all"),
    "nfs4": ("nolock", "local_lock=flock", "local_lock=all"),
    "cifs": ("nobrl",),
    "smb3": ("nobrl",),
}
_told: set[Path] = set()


def tell_of_lone_lock(jobs: Path, notify: Callable[[str], None], mounts: Path = Path("/proc/self/mountinfo")) -> None:
    """Say, once for a folder of jobs, that another bench on this share must not file into the same job meanwhile."""
    kind = None if jobs in _told else _type_with_lone_locks(jobs, mounts)
    if kind is not None:
        _told.add(jobs)
        notify(
            f"{jobs} is on a share ({kind}) that does not show our locks to other benches: never file into one job"
            " from two of them at the same time. Several benches need one record: docs/several-benches.md."
        )


def _type_with_lone_locks(folder: Path, mounts: Path) -> str | None:
    try:
        device, lines = folder.stat().st_dev, mounts.read_text("utf-8", "replace").splitlines()
    except OSError:  # told by whatever is done with it next
        return None
    number = f"{os.major(device)}:{os.minor(device)}"
    for left, _, right in (line.partition(" - ") for line in lines):
        kind = right.split(" ", 1)[0]
        if left.split(" ")[2:3] == [number] and kind in _LOCKS_STAY:
            options = set(re.split("[ ,]", f"{left} {right}"))
            return kind if not _LOCKS_STAY[kind] or options.intersection(_LOCKS_STAY[kind]) else None
    return None
