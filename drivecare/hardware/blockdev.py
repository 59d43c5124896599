"""Block devices as the kernel shows them: which drives are attached, what each is, who uses it.

Everything comes from /sys, /proc and, where it exists, udev's database; no device is opened, no root needed, nothing
written. All paths hang under `root`, so a recorded tree works as well as the machine.

Sources: the kernel's Documentation/ABI/stable/sysfs-block and testing/sysfs-block, Documentation/filesystems/proc.rst
(mountinfo: fields 3 device, 5 mount point, after " - " type and source), SPC-4 for the VPD pages (80h unit serial
number, 83h device identification, 89h ATA information).
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Literal

from drivecare.documents import Value
from drivecare.errors import BadInput, Unavailable
from drivecare.hardware.device_path import device_path, find_lasting_path
from drivecare.hardware.in_use import DeviceUsers, survey_users
from drivecare.hardware.naming import read_drive_names, read_text, usb_interface
from drivecare.reading.identity import Identity
from drivecare.reading.model import Kind

Bus = Literal["sata", "ata", "nvme", "sas", "scsi", "usb", "uas", "virtio", "mmc", "loop", "nbd", "other"]
ZonedModel = Literal["none", "host-aware", "host-managed"]

# What the kernel lists among block devices and no technician calls a drive.
_NO_DRIVE = ("dm-", "md", "zram", "ram", "sr", "fd", "drbd", "bcache", "rbd", "pmem")


class Partition(Value, frozen=True, kw_only=True):
    """One partition as the kernel sees it. `start_bytes` counts from the start of the drive."""

    path: str
    number: int | None = None
    start_bytes: int | None = None
    capacity_bytes: int | None = None
    mounted_at: tuple[str, ...] = ()


class AttachedDrive(Value, frozen=True, kw_only=True):
    """One whole drive attached to this machine.

    `serial` is what to show: the drive's own number where it is known, else the bridge's; `identity` says which.
    `in_use` holds one sentence part per user ("/dev/sdb1 mounted at /mnt"), () where nobody uses it. `system`: this
    machine runs from it, also through LVM, RAID, encryption, overlays and image files. `disk_sequence` grows with each
    attachment, so a re-plugged drive under an old name is noticed (None before Linux 5.15). `lasting_path`: its name in
    /dev/disk/by-id, which stays the drive's own when the kernel's names change. None: not known.
    """

    path: str
    lasting_path: str | None = None
    device_number: str = ""  # "8:16"
    model: str | None = None
    serial: str | None = None
    wwn: str | None = None
    identity: Identity = Identity()
    bus: Bus = "other"
    bridge: str | None = None  # the USB bridge's names, and its vendor and product number: "JMicron ... (152d:0578)"
    kind: Kind = "unknown"
    capacity_bytes: int = 0
    logical_sector_bytes: int = 512
    physical_sector_bytes: int = 512
    rotational: bool | None = None
    removable: bool = False
    read_only: bool = False
    zoned: ZonedModel = "none"
    disk_sequence: int | None = None
    backing_file: str | None = None
    partitions: tuple[Partition, ...] = ()
    in_use: tuple[str, ...] = ()
    system: bool = False


def list_drives(*, root: Path = Path("/")) -> tuple[AttachedDrive, ...]:
    """Every attached drive, in the kernel's naming order. Loop devices only when something is behind them.

    Raises Unavailable where the kernel shows no block devices at all (no /sys).
    """
    folder = root / "sys/block"
    try:
        names = sorted((entry.name for entry in folder.iterdir()), key=_natural_order)
    except OSError as error:
        raise Unavailable("the kernel's list of drives cannot be read", location=str(folder)) from error
    users = survey_users(root)
    drives = (_read_folder(folder / name, root, users) for name in names if not name.startswith(_NO_DRIVE))
    return tuple(drive for drive in drives if drive is not None and drive.capacity_bytes)


def inspect_drive(path: str | Path, *, root: Path = Path("/")) -> AttachedDrive:
    """The drive at `path` (any name of it, /dev/disk/by-id included).

    Raises Unavailable where no such device is there now; BadInput for a partition or anything but a block device.
    """
    folder = _sysfs_folder(Path(path), root)
    if (folder / "partition").exists():
        whole = device_path(folder.resolve().parent.name)
        raise BadInput("is a partition", location=str(path), hint=f"Name the whole drive: {whole}.")
    drive = _read_folder(folder, root, survey_users(root))
    if drive is None:
        raise Unavailable(
            "nothing is attached there", location=str(path), hint="Plug it in, or check `drivecare drives`."
        )
    return drive


def _sysfs_folder(path: Path, root: Path) -> Path:
    missing = Unavailable("there is no such device", location=str(path), hint="Check `drivecare drives`.")
    if root == Path("/"):
        try:
            status = path.stat()
        except PermissionError as error:
            raise Unavailable("permission denied", location=str(path), hint="Try with sudo.") from error
        except OSError as error:
            raise missing from error
        if not stat.S_ISBLK(status.st_mode):
            raise BadInput("is not a drive", location=str(path), hint="Name a block device, like /dev/sdb.")
        number = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
        folder = root / "sys/dev/block" / number
    else:
        link = root / str(path).lstrip("/")
        path = Path(link.readlink()) if link.is_symlink() else path
        folder = root / "sys/class/block" / path.name
        if not folder.exists():
            folder = root / "sys/block" / path.name
    if not folder.exists():
        raise missing
    return folder.resolve()


def _read_folder(folder: Path, root: Path, users: DeviceUsers) -> AttachedDrive | None:
    name = folder.name
    backing = read_text(folder / "loop/backing_file")
    if read_text(folder / "hidden") == "1" or (name.startswith("loop") and backing is None):
        return None
    number = read_text(folder / "dev") or ""
    names = read_drive_names(folder, root, number)
    rotational = _read_flag(folder / "queue/rotational")
    bus = _find_bus(folder)
    zoned = read_text(folder / "queue/zoned")
    return AttachedDrive(
        path=device_path(name),
        lasting_path=find_lasting_path(name, root),
        device_number=number,
        model=names.model,
        serial=names.identity.native_serial or names.identity.bridge_serial,
        wwn=names.identity.wwn,
        identity=names.identity,
        bus=bus,
        bridge=names.bridge,
        kind=_find_kind(bus, rotational, names.rotation_rpm),
        capacity_bytes=(_read_number(folder / "size") or 0) * 512,  # always in units of 512, also on 4096-byte sectors
        logical_sector_bytes=_read_number(folder / "queue/logical_block_size") or 512,
        physical_sector_bytes=_read_number(folder / "queue/physical_block_size") or 512,
        rotational=rotational,
        removable=bool(_read_flag(folder / "removable")),
        read_only=bool(_read_flag(folder / "ro")),
        zoned=zoned if zoned in ("host-aware", "host-managed") else "none",  # type: ignore[arg-type]
        disk_sequence=_read_number(folder / "diskseq"),
        backing_file=backing,
        partitions=_read_partitions(folder, users),
        in_use=users.reasons(folder),
        system=users.runs_the_machine(folder),
    )


def _read_partitions(folder: Path, users: DeviceUsers) -> tuple[Partition, ...]:
    children = [child for child in folder.iterdir() if (child / "partition").is_file()]
    return tuple(
        Partition(
            path=device_path(child.name),
            number=_read_number(child / "partition"),
            start_bytes=None if (start := _read_number(child / "start")) is None else start * 512,
            capacity_bytes=None if (size := _read_number(child / "size")) is None else size * 512,
            mounted_at=users.mounted_at(child),
        )
        for child in sorted(children, key=lambda child: _natural_order(child.name))
    )


def _find_bus(folder: Path) -> Bus:
    for prefix, bus in (("loop", "loop"), ("nbd", "nbd"), ("nvme", "nvme"), ("vd", "virtio"), ("mmcblk", "mmc")):
        if folder.name.startswith(prefix):
            return bus  # type: ignore[return-value]
    usb = usb_interface(folder)
    if usb is not None:
        return "uas" if (usb / "driver").resolve().name == "uas" else "usb"
    parts = folder.resolve().parts
    if any(part.startswith("ata") and part[3:].isdigit() for part in parts):
        return "sata"
    if any(part.startswith("end_device-") for part in parts):
        return "sas"
    return "scsi" if (folder / "device").exists() else "other"


def _find_kind(bus: Bus, rotational: bool | None, rotation_rpm: int | None) -> Kind:
    """Behind a USB bridge the kernel calls every drive rotating, so there only the drive's own word counts."""
    if rotation_rpm is not None:
        return "ssd" if rotation_rpm <= 1 else "hdd"
    if bus in ("nvme", "mmc"):
        return "ssd"
    if bus in ("sata", "ata", "sas", "scsi") and rotational is not None:
        return "hdd" if rotational else "ssd"
    return "unknown"


def _read_number(path: Path) -> int | None:
    content = read_text(path)
    return int(content) if content is not None and content.isdigit() else None


def _read_flag(path: Path) -> bool | None:
    number = _read_number(path)
    return None if number is None else bool(number)


def _natural_order(name: str) -> tuple[str, int, str]:
    """sda..sdz before sdaa, loop2 before loop10."""
    letters = name.rstrip("0123456789")
    return (letters[:2], len(name), name)
