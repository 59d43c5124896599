"""What a drive is, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivecare.format import format_bytes, spell_protocol

if TYPE_CHECKING:
    from drivecare.reading.model import Drive
    from drivecare.work.attached_drives import AttachedDrive

KINDS = {"hdd": "hard drive", "ssd": "solid-state drive", "unknown": "drive"}
BUSES = {
    "sata": "SATA",
    "ata": "parallel ATA",
    "nvme": "NVMe",
    "sas": "SAS",
    "scsi": "SCSI",
    "usb": "USB",
    "uas": "USB (UAS)",
    "virtio": "virtual (virtio)",
    "mmc": "memory card",
    "loop": "image file",
    "nbd": "network image",
    "other": "unknown bus",
}


# Ways to a drive that an open standard describes; none needs a word. Any other is a maker's own.
_STANDARD_WAYS = frozenset({"ata", "sat", "nvme", "scsi", "auto"})


def describe_way(transport: str | None) -> str:
    """Say by which way a drive was reached, where it is not the usual one."""
    usual = transport is None or transport.partition(",")[0].partition("+")[0] in _STANDARD_WAYS
    return "" if usual else ", by commands that only this bridge or controller has"


def describe_attached(drive: AttachedDrive) -> str:
    """Say what an attached drive is and how it is attached: "hard drive, SATA"."""
    if drive.bus in ("loop", "nbd", "mmc"):
        return BUSES[drive.bus]
    return f"{KINDS[drive.kind]}, {BUSES[drive.bus]}"


def describe_drive(drive: Drive) -> str:
    """Describe a drive in one line: "2.5-inch hard drive, 500 GB, 5400 rpm, SATA 3 Gb/s"."""
    form = drive.form_factor or ""
    inches = f"{form.removesuffix(' inches')}-inch " if form.endswith("inches") else f"{form} " if form else ""
    protocol = spell_protocol((drive.protocol == "ata" and drive.interface) or drive.protocol or "")
    link = f" {drive.link_gbps:g} Gb/s" if drive.link_gbps else ""
    slower = drive.link_gbps and drive.link_max_gbps and drive.link_gbps < drive.link_max_gbps
    parts = (
        f"{inches}{KINDS[drive.kind]}",
        format_bytes(drive.capacity_bytes),
        f"{drive.rotation_rpm} rpm" if drive.rotation_rpm else "",
        protocol + link + (f" (it can do {drive.link_max_gbps:g})" if slower else "") if protocol else "",
    )
    return ", ".join(part for part in parts if part)
