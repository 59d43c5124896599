"""Find the drive below a folder, so that the receipt of a file copy can name both drives.

Sources: the kernel's Documentation/ABI/stable/sysfs-block (`partition`, `slaves`), Documentation/filesystems/proc.rst
(mountinfo; fdinfo: `mnt_id`, the mount that an open file lies on).
"""

from __future__ import annotations

import os
from pathlib import Path

from drivecare.errors import DriveCareError
from drivecare.hardware.blockdev import inspect_drive
from drivecare.hardware.device_path import device_path, is_device
from drivecare.hardware.in_use import Mount, parse_mount
from drivecare.hardware.naming import read_text
from drivecare.reading.identity import Identity
from drivecare.transfer.files.bag import TreeEnd

_IN_MEMORY = ("tmpfs", "ramfs")


def end_of(folder: Path, *, root: Path = Path("/")) -> TreeEnd:
    """One end of a file copy: its file system, and the drive below where that is known. `folder` may not exist yet."""
    path = folder.resolve()
    mount = _mount_below(next(ancestor for ancestor in (path, *path.parents) if ancestor.exists()), root)
    if mount is None:
        return TreeEnd(path=str(folder.absolute()))
    return TreeEnd(path=str(folder.absolute()), file_system=mount.type, identity=drive_below(mount, root=root))


def _mount_below(folder: Path, root: Path) -> Mount | None:
    """The mount that a folder lies on, by the kernel's own word; in a recorded tree the nearest above it."""
    lines = (read_text(root / "proc/self/mountinfo") or "").splitlines()
    if root != Path("/"):
        above = [mount for line in lines if (mount := parse_mount(line)) and folder.is_relative_to(mount.point)]
        return max(above, key=lambda mount: len(mount.point), default=None)
    number = _mount_number(folder)
    return next((parse_mount(line) for line in lines if line.split(" ", 1)[0] == number), None)


def _mount_number(folder: Path) -> str:
    descriptor = os.open(folder, os.O_PATH | os.O_CLOEXEC)
    try:
        fields = dict(line.split(":", 1) for line in Path(f"/proc/self/fdinfo/{descriptor}").read_text().splitlines())
    finally:
        os.close(descriptor)
    return fields.get("mnt_id", "").strip()


def drive_below(mount: Mount, *, root: Path = Path("/")) -> Identity | None:
    """The drive that a mounted file system is on, by its own word.

    None where a bridge hides it, where several drives are below, or where none is.
    """
    device = _device_of(mount, root)
    drives = _drives_below(device) if device.exists() else set()
    if len(drives) != 1:
        return None
    try:
        identity = inspect_drive(device_path(drives.pop()), root=root).identity
    except DriveCareError:
        return None
    return identity if identity.strength == "strong" else None


def is_fast(path: str, *, root: Path = Path("/")) -> bool:
    """Whether a device, or what a file lies on, is NVMe or memory, so that a digest may be slower than it."""
    if is_device(path):
        drives = _drives_below(root / "sys/class/block" / Path(os.path.realpath(path)).name)
    else:
        mount = _mount_below(Path(path).resolve().parent, root)
        if mount is None or mount.type in _IN_MEMORY:
            return mount is not None
        device = _device_of(mount, root)
        drives = _drives_below(device) if device.exists() else set()
    return bool(drives) and all(name.startswith("nvme") for name in drives)


def _device_of(mount: Mount, root: Path) -> Path:
    device = root / "sys/dev/block" / mount.number
    if device.exists():
        return device
    return root / "sys/class/block" / Path(os.path.realpath(mount.source)).name  # btrfs' number belongs to no device


def _drives_below(device: Path) -> set[str]:
    """Kernel names of the whole drives that a device stands on."""
    below = list((device / "slaves").glob("*"))
    if below:
        return {name for lower in below for name in _drives_below(lower)}
    folder = device.resolve()
    return {(folder.parent if (folder / "partition").exists() else folder).name}
