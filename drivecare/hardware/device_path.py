"""Tell whether a path means a device, for every command; paths in /dev and the kernel's names."""

from __future__ import annotations

from pathlib import Path

DEVICES = Path("/dev")


def is_device(path: str | Path) -> bool:
    """Tell whether a path means a device: one that is attached, or a name in /dev that leads nowhere just now.

    A file or folder in /dev is not a device, nor is anything in a folder that we may not read.
    """
    path = Path(path)
    try:
        if path.is_block_device() or path.is_char_device():
            return True
        return not path.is_file() and not path.is_dir() and holds_devices(path.absolute().parent)
    except (OSError, ValueError):  # not ours to read; no path at all
        return False


def holds_devices(folder: Path, devices: Path = DEVICES) -> bool:
    """Tell whether a new name in `folder` would mean a device: in /dev and below, as far as its file system reaches.

    Memory shared between programs (/dev/shm) is a file system of its own there, and holds files. A folder that is not
    there just now (/dev/disk without a drive) counts as the one that it would be in.
    """
    folder = folder.resolve()
    existing = next(parent for parent in (folder, *folder.parents) if parent.exists())
    return folder.is_relative_to(devices) and existing.stat().st_dev == devices.stat().st_dev


def device_path(kernel_name: str) -> str:
    """The path of a device in /dev; the kernel writes a slash in a name as "!"."""
    return f"{DEVICES}/" + kernel_name.replace("!", "/")


def kernel_name(device_path: str) -> str:
    """The kernel's name of a device by its path in /dev."""
    return device_path.removeprefix(f"{DEVICES}/").replace("/", "!")


# Names in /dev/disk/by-id, the best first: those that show model and serial number, then numbers alone.
_LASTING_KINDS = ("ata-", "nvme-", "scsi-", "usb-", "wwn-")


def find_lasting_path(kernel_name: str, root: Path = Path("/")) -> str | None:
    """Find a drive's name in /dev/disk/by-id; None where udev gave it none."""
    folder = root / str(DEVICES).lstrip("/") / "disk/by-id"
    try:
        names = [link.name for link in folder.iterdir() if link.is_symlink() and link.readlink().name == kernel_name]
    except OSError:
        return None
    ranked = sorted((rank, name) for name in names for rank, kind in enumerate(_LASTING_KINDS) if name.startswith(kind))
    return f"{DEVICES}/disk/by-id/{ranked[0][1]}" if ranked else None
